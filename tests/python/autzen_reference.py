"""Road edges and heights of the measured aerial scan, by numpy and scipy alone.

Prints JSON. `ring`: for every 10 degrees of azimuth about the ring road's middle, the radius at
which intensity changes between grass and paving on the inner and on the outer side (least
absolute deviations about two medians), how much of the deviation the change explains away
(0 = all), and the height of the paving between (robust local plane). `deck`: every 4 m along the
bridge's axis the height of its middle (robust local surface) and its crossfall.
"""

import json
import sys

import laspy
import numpy as np

FOOT = 0.3048
MIDDLE = np.array([636486.04, 849073.37]) * FOOT
AXIS = np.array([[636432.74, 849200.29], [636522.87, 849444.17]]) * FOOT


def change(u, v):
    """Where v changes its median along u: place and share of absolute deviation left."""
    order = np.argsort(u)
    u, v = u[order], v[order]
    left = lambda w: np.abs(w - np.median(w)).sum()
    costs = [left(v[:k]) + left(v[k:]) for k in range(8, len(v) - 8)]
    k = int(np.argmin(costs)) + 8
    return 0.5 * (u[k - 1] + u[k]), min(costs) / left(v)


def robust(rows, z):
    """Huber's M-estimate (k = 1.345, scale by the median absolute deviation), from a start that
    leaves the upper half out if the residuals are skewed: things stand on a road, none hang
    below."""
    keep = z < np.median(z) + 0.25
    rows, z = rows[keep], z[keep]
    weights = np.ones(len(z))
    for _ in range(50):
        root = np.sqrt(weights)
        fit = np.linalg.lstsq(rows * root[:, None], z * root, rcond=None)[0]
        residuals = z - rows @ fit
        scale = max(1.4826 * np.median(np.abs(residuals)), 1e-6)
        weights = np.minimum(1.0, 1.345 * scale / np.maximum(np.abs(residuals), 1e-12))
    return fit, scale, len(z)


def ring(x, y, z, intensity):
    dx, dy = x - MIDDLE[0], y - MIDDLE[1]
    radius, azimuth = np.hypot(dx, dy), np.degrees(np.arctan2(dy, dx)) % 360
    out = []
    for start in range(0, 360, 10):
        sector = (azimuth >= start) & (azimuth < start + 10)
        near = sector & (radius > 22) & (radius < 28.5)
        far = sector & (radius > 27.5) & (radius < 35)
        inner, inner_left = change(radius[near], intensity[near])
        outer, outer_left = change(radius[far], intensity[far])
        angle = np.radians(start + 5)
        at = MIDDLE + 27.75 * np.array([np.cos(angle), np.sin(angle)])
        u, v = x - at[0], y - at[1]
        around = np.hypot(u, v) < 1.5
        rows = np.column_stack([np.ones(around.sum()), u[around], v[around]])
        fit, scale, count = robust(rows, z[around])
        out.append(
            dict(azimuth=start + 5, inner=inner, inner_left=inner_left, outer=outer,
                 outer_left=outer_left, x=at[0], y=at[1], z=fit[0],
                 sigma=scale / np.sqrt(count), scale=scale)
        )
    return out


def deck(x, y, z):
    along = AXIS[1] - AXIS[0]
    length = np.hypot(*along)
    along /= length
    across = np.array([-along[1], along[0]])
    u = (x - AXIS[0, 0]) * along[0] + (y - AXIS[0, 1]) * along[1]
    t = (x - AXIS[0, 0]) * across[0] + (y - AXIS[0, 1]) * across[1]
    out = []
    for s in np.arange(8.0, length - 8.0, 4.0):
        near = (np.abs(u - s) < 4.0) & (np.abs(t) < 1.3)
        middle = np.median(z[near])
        near &= np.abs(z - middle) < 0.5
        du = u[near] - s
        rows = np.column_stack([np.ones(near.sum()), du, t[near], du**2])
        fit, scale, count = robust(rows, z[near])
        at = AXIS[0] + s * along
        out.append(dict(x=at[0], y=at[1], z=fit[0], crossfall=fit[2], scale=scale,
                        sigma=scale / np.sqrt(count)))
    beside = (u > 8) & (u < length - 8) & (np.abs(t) < 2.6)
    line = np.interp(u[beside], np.arange(8.0, length - 8.0, 4.0), [p["z"] for p in out])
    above = z[beside] - line
    return out, int((above > 0.4).sum()), int((np.abs(above) < 0.15).sum())


def main(path):
    las = laspy.read(path)
    x, y, z = (np.asarray(v) * FOOT for v in (las.x, las.y, las.z))
    points, railing, floor = deck(x, y, z)
    json.dump(dict(ring=ring(x, y, z, np.asarray(las.intensity, float)), deck=points,
                   railing_points=railing, deck_points=floor), sys.stdout)


main(sys.argv[1])
