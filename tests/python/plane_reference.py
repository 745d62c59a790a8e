"""The quadric through a measured patch of pavement whose heights come in steps of 10 mm.

Prints JSON: the middle of the patch, and the coefficients of
z = a + b u + c v + d u^2 + e u v + f v^2 about it, by least squares over all points (numpy).
"""

import json
import sys

import laspy
import numpy as np

las = laspy.read(sys.argv[1])
x, y, z = (np.asarray(v) for v in (las.x, las.y, las.z))
middle = [float(np.round(v.mean(), 2)) for v in (x, y)]
u, v = x - middle[0], y - middle[1]
rows = np.column_stack([np.ones_like(u), u, v, u * u, u * v, v * v])
fit, *_ = np.linalg.lstsq(rows, z, rcond=None)
rms = float(np.sqrt(np.mean((z - rows @ fit) ** 2)))
json.dump(
    dict(middle=middle, fit=fit.tolist(), rms=rms, heights=len(np.unique(np.round(z, 4)))),
    sys.stdout,
)
