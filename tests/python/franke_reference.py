"""Scattered points interpolated and smoothed by scipy, at given places.

Arguments: a file of float64 (s, t, z), a file of float64 (s, t). Prints JSON: heights at the
places by griddata (linear over a Delaunay triangulation) and by a least-squares bicubic spline with
knots 1.25 m apart.
"""

import json
import sys

import numpy as np
from scipy.interpolate import LSQBivariateSpline, griddata

points = np.fromfile(sys.argv[1]).reshape(-1, 3)
places = np.fromfile(sys.argv[2]).reshape(-1, 2)
where, z = points[:, :2], points[:, 2]
low, high = where.min(axis=0), where.max(axis=0)
knots = [np.linspace(a, b, int((b - a) / 1.25))[1:-1] for a, b in zip(low, high)]
spline = LSQBivariateSpline(where[:, 0], where[:, 1], z, *knots)
json.dump(
    dict(
        griddata=griddata(where, z, places).tolist(),
        spline=spline(places[:, 0], places[:, 1], grid=False).tolist(),
    ),
    sys.stdout,
)
