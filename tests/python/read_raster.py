"""What rasterio reads from a GeoTIFF, against values at places or against points: one JSON line.

Usage: read_raster.py FILE pixels.csv (x, y, value) | points.laz (with a dimension `deviation`)
"""
import json
import os
import sys

import numpy as np
import rasterio

path, other = sys.argv[1:]
with rasterio.open(path) as file:
    band = file.read(1).astype(float)
    out = {
        "size": [file.width, file.height],
        "tiled": bool(file.profile["tiled"]),
        "compression": file.compression.value.lower() if file.compression else None,
        "epsg": file.crs.to_epsg() if file.crs else None,
        "nodata": str(file.nodata),
        "bytes_a_value": os.path.getsize(path) / max(1, np.isfinite(band).sum()),
        "median_mm": 1e3 * float(np.nanmedian(band)),
    }
    inverse = ~file.transform

if other.endswith(".laz"):
    import laspy

    las = laspy.read(other)
    d = np.array(las["deviation"], float)
    column, row = inverse * (np.array(las.x), np.array(las.y))
    there = np.isfinite(d)
    place = np.floor(row[there]).astype(int) * band.shape[1] + np.floor(column[there]).astype(int)
    n = np.bincount(place, minlength=band.size)
    sums = np.bincount(place, d[there], minlength=band.size)
    with np.errstate(invalid="ignore"):
        mean = (sums / n).reshape(band.shape)
    both = np.isfinite(mean) | np.isfinite(band)
    out["values"] = int(np.isfinite(band).sum())
    out["share_equal"] = float((np.abs(mean - band)[both] < 1e-7).mean())
else:
    x, y, value = np.loadtxt(other, delimiter=",", unpack=True)
    column, row = inverse * (x, y)
    row, column = np.floor(row).astype(int), np.floor(column).astype(int)
    inside = (row >= 0) & (column >= 0) & (row < band.shape[0]) & (column < band.shape[1])
    found = np.full(len(x), np.nan)
    found[inside] = band[row[inside], column[inside]]
    there = np.isfinite(value)
    out["values"] = int(there.sum())
    out["nothing"] = int((~there).sum())
    out["wrong_holes"] = int((np.isfinite(found) != there).sum())
    out["worst_mm"] = 1e3 * float(np.nanmax(np.abs(found - value)))
print(json.dumps(out))
