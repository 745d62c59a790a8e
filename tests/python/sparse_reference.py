"""A sparse system solved by scipy, and its dense inverse.

Arguments: a file of float64 (row, column, value) of a symmetric matrix, each pair once, a file of
float64: the right side. Prints JSON: the solution by scipy.sparse.linalg.spsolve and the diagonal
of the inverse by numpy.
"""

import json
import sys

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.linalg import spsolve

rows, columns, values = np.fromfile(sys.argv[1]).reshape(-1, 3).T
b = np.fromfile(sys.argv[2])
i, j = rows.astype(int), columns.astype(int)
half = coo_array((values, (i, j)), shape=(len(b), len(b))).tocsr()
whole = half + half.T
whole.setdiag(half.diagonal())
json.dump(
    dict(
        solution=spsolve(whole.tocsc(), b).tolist(),
        variance=np.diag(np.linalg.inv(whole.toarray())).tolist(),
    ),
    sys.stdout,
)
