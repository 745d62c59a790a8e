"""One least squares system of all heights of a patch, held smooth by a prior, solved by scipy.

Arguments: a file of float64 (s, t, z), a file of float64: the road's level A in metres (spectrum
A/k^3), a point's standard deviation, the spacing, and rows and columns of nodes, t of column 0; a
file of float64: numbers of nodes. Prints JSON: the heights of all nodes row by row, the seconds that
the solver took, and the variances of the nodes asked for, of the inverse of the system.

Each point is seen between four nodes. Squared slopes and squared bends (plate, with the mixed second
derivative; none across the borders) are weighted so that their density a (2 pi k)^2 + b (2 pi k)^4
is that of the road, k^3/A, in value and slope where road and noise are as strong as each other.
"""

import json
import sys
import time

import numpy as np
from scipy.sparse import coo_array, diags_array, eye_array, kron, vstack
from scipy.sparse.linalg import splu, spsolve

points = np.fromfile(sys.argv[1]).reshape(-1, 3)
level_m, noise_m, h, rows, columns, t0 = np.fromfile(sys.argv[2])
rows, columns = int(rows), int(columns)

seen = len(points) / ((rows - 1) * (columns - 1) * h * h) / noise_m**2
k_c = (level_m * seen) ** (1 / 3)
slope_weight = k_c / (2 * level_m) / (2 * np.pi) ** 2
bend_weight = 1 / (2 * level_m * k_c) / (2 * np.pi) ** 4

at = np.column_stack([points[:, 0], points[:, 1] - t0]) / h
cell = np.minimum(np.floor(at).astype(int), [rows - 2, columns - 2])
u, v = (at - cell).T
first = cell[:, 0] * columns + cell[:, 1]
nodes = np.column_stack([first, first + 1, first + columns, first + columns + 1])
shares = np.column_stack([(1 - u) * (1 - v), (1 - u) * v, u * (1 - v), u * v])
index = np.repeat(np.arange(len(points)), 4)
look = coo_array((shares.ravel(), (index, nodes.ravel())), shape=(len(points), rows * columns))


def difference(n, order):
    out = eye_array(n)
    for k in range(order):
        m = n - k
        out = diags_array([-1.0, 1.0], offsets=[0, 1], shape=(m - 1, m)) @ out
    return out


def both(order_s, order_t):
    return kron(difference(rows, order_s), difference(columns, order_t))


# Sums over nodes stand for integrals: h^2 a node, h^-1 a difference.
slopes = vstack([both(1, 0), both(0, 1)])
bends = vstack([both(2, 0), np.sqrt(2) * both(1, 1), both(0, 2)])
system = (
    look.T @ look / noise_m**2
    + slope_weight * slopes.T @ slopes
    + bend_weight / h**2 * bends.T @ bends
).tocsc()
right = look.T @ points[:, 2] / noise_m**2
started = time.perf_counter()
heights = spsolve(system, right)
seconds = time.perf_counter() - started

wanted = np.fromfile(sys.argv[3]).astype(int)
units = np.zeros((rows * columns, len(wanted)))
units[wanted, np.arange(len(wanted))] = 1
inverse = splu(system).solve(units) if len(wanted) else units
variances = inverse[wanted, np.arange(len(wanted))]
json.dump(
    dict(heights=heights.tolist(), seconds=seconds, variances=variances.tolist()), sys.stdout
)
