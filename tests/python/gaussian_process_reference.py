"""The best estimate of a rough road that there is, by a Gaussian process of scikit-learn.

Arguments: a file of float64 (s, t, z), a file of float64 (s, t), a file of float64: the road's level
A in metres (spectrum A/k^3), a point's standard deviation in metres. Prints JSON: at the places the
heights and their standard deviations.

A road of that spectrum differs by 8 pi^2 A d over the distance d. So does an exponential covariance
over distances far below its length, here 50 m. Points are taken together by cells of 0.1 m, each at
its points' mean place, as 3600 unknowns are what a dense process can do.
"""

import json
import sys

import numpy as np
from sklearn.gaussian_process import GaussianProcessRegressor
from sklearn.gaussian_process.kernels import ConstantKernel, Matern

CELL_M, LENGTH_M = 0.1, 50.0

points = np.fromfile(sys.argv[1]).reshape(-1, 3)
places = np.fromfile(sys.argv[2]).reshape(-1, 2)
level_m, noise_m = np.fromfile(sys.argv[3])

cells = np.floor(points[:, :2] / CELL_M).astype(int)
_, cell, count = np.unique(cells, axis=0, return_inverse=True, return_counts=True)
cell = cell.ravel()
where, z = (np.zeros((len(count), n)) for n in (2, 1))
np.add.at(where, cell, points[:, :2])
np.add.at(z, cell, points[:, 2:])
where, z = where / count[:, None], z[:, 0] / count

kernel = ConstantKernel(4 * np.pi**2 * level_m * LENGTH_M) * Matern(LENGTH_M, nu=0.5)
process = GaussianProcessRegressor(kernel, alpha=noise_m**2 / count, optimizer=None)
mean = z.mean()
heights, sigma = process.fit(where, z - mean).predict(places, return_std=True)
json.dump(dict(heights=(heights + mean).tolist(), sigma=sigma.tolist()), sys.stdout)
