"""Benjamini-Hochberg by statsmodels and the normal's tails by scipy, for ours to be held against.

Takes a file of float64 p-values and one of float64 normal values; prints JSON.
"""

import json
import sys

import numpy as np
from scipy.special import erfc
from statsmodels.stats.multitest import multipletests

p, u = (np.fromfile(path) for path in sys.argv[1:3])
out = {}
for q in (0.01, 0.05, 0.2):
    found, adjusted, _, _ = multipletests(p, alpha=q, method="fdr_bh")
    out[str(q)] = np.flatnonzero(found).tolist()
out["adjusted"] = adjusted.tolist()
out["tails"] = erfc(np.abs(u) / np.sqrt(2.0)).tolist()
print(json.dumps(out))
