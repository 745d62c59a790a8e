"""Clothoids, the nearest places on them, and the circle of least squared distances.

Prints JSON. Clothoids by scipy.special.fresnel; the foot of a point by scipy.optimize on the exact
curve, started from the nearest of dense samples (scipy.spatial.cKDTree); the circle by
scipy.optimize.least_squares on the six points of Gander, Golub and Strebel.
"""

import json
import sys

import numpy as np
from scipy.optimize import least_squares, minimize_scalar
from scipy.spatial import cKDTree
from scipy.special import fresnel

STEP_M = 0.5
BEYOND_M = 25.0


def clothoid(radius, length):
    """(x, y) at s of the curve whose curvature is s / (radius * length)."""
    a = np.sqrt(np.pi * radius * length)

    def at(s):
        sine, cosine = fresnel(np.asarray(s) / a)
        return np.stack([a * cosine, a * sine], axis=-1)

    return at


def feet(at, radius, length, rng):
    dense = np.arange(0.0, length, 0.01)
    tree = cKDTree(at(dense))
    out = []
    for _ in range(60):
        s0, t0 = rng.uniform(2.0, length - 2.0), rng.uniform(-6.0, 6.0)
        heading = s0 * s0 / (2.0 * radius * length)
        p = at(s0) + t0 * np.array([-np.sin(heading), np.cos(heading)])
        distance, k = tree.query(p)
        best = minimize_scalar(
            lambda s: float(np.sum((at(s) - p) ** 2)),
            bounds=(dense[k] - 0.05, dense[k] + 0.05),
            method="bounded",
            options=dict(xatol=1e-10),
        )
        out.append(dict(p=p.tolist(), s=best.x, away=float(np.sqrt(best.fun)), near=float(distance)))
    return out


def case(radius, length, rng):
    at = clothoid(radius, length)
    n = int(np.floor((length + BEYOND_M) / STEP_M))
    s = np.arange(-int(BEYOND_M / STEP_M), n + 1) * STEP_M
    told = np.linspace(0.0, length, 101)
    return dict(
        radius=radius,
        length=length,
        knots=at(s).tolist(),
        s=told.tolist(),
        points=at(told).tolist(),
        heading=(told**2 / (2 * radius * length)).tolist(),
        curvature=(told / (radius * length)).tolist(),
        feet=feet(at, radius, length, rng),
    )


def circle():
    p = np.array([(1, 7), (2, 6), (5, 8), (7, 7), (9, 5), (3, 7)], float)
    residual = lambda c: np.hypot(p[:, 0] - c[0], p[:, 1] - c[1]) - c[2]
    best = least_squares(residual, [5.0, 4.0, 4.0], xtol=1e-15, ftol=1e-15, gtol=1e-15)
    return dict(centre=best.x[:2].tolist(), radius=best.x[2], squares=float(np.sum(best.fun**2)))


rng = np.random.default_rng(10)
cases = [case(r, l, rng) for r, l in ((100.0, 50.0), (50.0, 40.0), (250.0, 100.0), (20.0, 62.8))]
json.dump(dict(step=STEP_M, beyond=BEYOND_M, cases=cases, circle=circle()), sys.stdout)
