"""Ask two readers of OpenCRG for heights and places: one JSON line.

Usage: read_crg.py FILE questions.csv (u, v, z and, at nodes, x, y)
"""
import json
import sys

import numpy as np
import pycrg
import pyopencrg

path, asked = sys.argv[1:]
rows = [line.rstrip("\n").split(",") for line in open(asked)]
u, v, z = (np.array([float(r[k]) for r in rows]) for k in range(3))
node = np.array([r[3] != "" for r in rows])
place = np.array([[float(c) for c in r[3:5]] for r in rows if r[3] != ""])
out = {"asked": len(rows), "nodes": int(node.sum())}

with pycrg.DataSet.open(path, check=True) as data:
    out["pycrg_check"] = data.check()
    ok, closed, *_ = data.closed_track_data()
    out["closed"] = bool(ok and closed)
    point = data.create_contact_point()
    found = point.uv_to_z_many(u, v)
    out["pycrg_z_mm"] = 1e3 * float(np.abs(found - z).max())
    x, y = point.uv_to_xy_many(u[node], v[node])
    out["pycrg_xy_mm"] = 1e3 * float(np.hypot(x - place[:, 0], y - place[:, 1]).max())

road = pyopencrg.read(path)
report = road.check()
out["pyopencrg_check"] = bool(report.ok)
out["pyopencrg_said"] = str(report)
found = road.uv_to_z(u, v)
out["pyopencrg_z_mm"] = 1e3 * float(np.abs(found - z).max())
x, y = road.uv_to_xy(u[node], v[node])
out["pyopencrg_xy_mm"] = 1e3 * float(np.hypot(x - place[:, 0], y - place[:, 1]).max())
print(json.dumps(out))
