"""Robust estimates by statsmodels, for ours to be held against.

Without arguments: Huber's and Tukey's regressions on the stack loss data. With a file of float64
(s, t, z): Tukey planes over blocks of 4 x 4 cells of 0.1 m, numbered along s then t, and in every
cell Tukey's mean of the residuals. Prints JSON.
"""

import json
import sys

import numpy as np
import statsmodels.api as sm
from statsmodels.robust.norms import HuberT, TukeyBiweight

STACKLOSS = """80 27 89 42|80 27 88 37|75 25 90 37|62 24 87 28|62 22 87 18|62 23 87 18|62 24 93 19|
62 24 93 20|58 23 87 15|58 18 80 14|58 18 89 14|58 17 88 13|58 18 82 11|58 19 93 12|50 18 89 8|
50 18 86 7|50 19 72 8|50 19 79 8|50 20 80 9|56 20 82 15|70 20 91 15"""


def rlm(y, x, norm):
    found = sm.RLM(y, x, M=norm).fit(maxiter=1000, tol=1e-13, conv="coefs")
    return found.params, found.scale


def stackloss():
    rows = np.array([[float(v) for v in row.split()] for row in STACKLOSS.split("|")])
    x, y = sm.add_constant(rows[:, :3]), rows[:, 3]
    out = {}
    for name, norm in (("huber", HuberT(t=1.345)), ("tukey", TukeyBiweight(c=4.685))):
        params, scale = rlm(y, x, norm)
        out[name] = dict(params=params.tolist(), scale=float(scale))
    return out


def patch(path):
    s, t, z = np.fromfile(path).reshape(-1, 3).T
    cell = np.stack([np.floor(v / 0.1 + 0.5).astype(int) for v in (s, t)])
    blocks, cells = [], []
    for i in range(cell[0].max() // 4 + 1):
        for j in range(cell[1].max() // 4 + 1):
            inside = (cell[0] // 4 == i) & (cell[1] // 4 == j)
            u, v = s[inside] - (0.4 * i + 0.15), t[inside] - (0.4 * j + 0.15)
            x = np.column_stack([np.ones_like(u), u, v])
            params, scale = rlm(z[inside], x, TukeyBiweight(c=4.685))
            blocks.append(dict(params=params.tolist(), scale=float(scale)))
            residual = z[inside] - x @ params
            for a in range(4 * i, 4 * i + 4):
                for b in range(4 * j, 4 * j + 4):
                    own = (cell[0][inside] == a) & (cell[1][inside] == b)
                    mean, _ = rlm(residual[own], np.ones(own.sum()), TukeyBiweight(c=4.685))
                    cells.append([a, b, float(mean[0]), int(own.sum())])
    return dict(blocks=blocks, cells=cells)


json.dump(patch(sys.argv[1]) if len(sys.argv) > 1 else stackloss(), sys.stdout)
