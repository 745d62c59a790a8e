"""Heights of places, offsets and tilts of setups in one sparse least squares system, by scipy.

Argument: a file of float64 rows (place, setup or -1, east and north of the setup, mean height): what a
setup saw of a place, all with the same weight; setup -1 is a surveyed height. Prints JSON: the solution
(offset and two tilts of each setup) by scipy.sparse.linalg.lsqr, and the square roots of the diagonal of
the dense inverse of the normal matrix by numpy, for observations of standard deviation 1.
"""

import json
import sys

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.linalg import lsqr

place, setup, east, north, mean = np.fromfile(sys.argv[1]).reshape(-1, 5).T
place, setup = place.astype(int), setup.astype(int)
places, setups = place.max() + 1, setup.max() + 1
row = np.arange(len(mean))
own = setup >= 0
first = places + 3 * setup[own]
a = coo_array(
    (
        np.concatenate([np.ones(len(mean)), np.ones(own.sum()), east[own], north[own]]),
        (
            np.concatenate([row, row[own], row[own], row[own]]),
            np.concatenate([place, first, first + 1, first + 2]),
        ),
    ),
    shape=(len(mean), places + 3 * setups),
).tocsr()
solution = lsqr(a, mean, atol=1e-14, btol=1e-14, iter_lim=100_000)[0]
inverse = np.linalg.inv((a.T @ a).toarray())
json.dump(
    dict(
        solution=solution[places:].tolist(),
        deviation=np.sqrt(np.diag(inverse)[places:]).tolist(),
    ),
    sys.stdout,
)
