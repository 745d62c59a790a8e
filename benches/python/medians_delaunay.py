#!/usr/bin/env python3
"""What a user would script: medians of cells, then a Delaunay triangulation of them.

    medians_delaunay.py SCAN... --spacing 0.10 --out surface.ply [--ribbon ribbon.geojson]

Reads LAS or LAZ files chunk by chunk, takes the median height of all points in every square
cell, triangulates the cells that hold enough points and drops triangles with long sides. Needs
numpy, scipy and laspy with a LAZ backend. Prints one line of JSON with counts, seconds by stage
and peak memory. It is written to be fast: whole arrays, one sort, no loop over points.

The comparison is kind to it where that costs it nothing: with --ribbon it is given the road's
edges and does not have to find them. It does not weigh points, level setups, or keep seams.
"""

import argparse
import json
import resource
import time

import laspy
import numpy as np
from scipy.spatial import Delaunay, cKDTree

CHUNK = 2_000_000
# A cell with fewer points is as likely a stray as ground.
LEAST_POINTS = 2
# Triangles with sides longer than this many spacings bridge a hole.
LONGEST_SIDE = 4.0


def read(paths):
    """Coordinates relative to a whole-metre origin, as float64 columns."""
    origin, parts = None, []
    for path in paths:
        with laspy.open(path) as reader:
            if origin is None:
                origin = np.floor(np.array(reader.header.mins))
                origin[2] = 0.0
            for chunk in reader.chunk_iterator(CHUNK):
                parts.append(np.column_stack((chunk.x, chunk.y, chunk.z)) - origin)
    return np.concatenate(parts), origin


def cell_medians(points, spacing):
    """Mean position and median height of the points in each cell that holds enough of them."""
    column = np.floor(points[:, :2] / spacing).astype(np.int64)
    key = column[:, 1] * (1 << 31) + column[:, 0]
    order = np.lexsort((points[:, 2], key))
    key, points = key[order], points[order]
    start = np.flatnonzero(np.r_[True, key[1:] != key[:-1]])
    count = np.diff(np.r_[start, len(key)])
    low, high = start + (count - 1) // 2, start + count // 2
    z = 0.5 * (points[low, 2] + points[high, 2])
    x, y = (np.add.reduceat(points[:, i], start) / count for i in (0, 1))
    keep = count >= LEAST_POINTS
    return np.column_stack((x, y, z))[keep]


def inside(ribbon_path, origin, nodes):
    """Which nodes lie between the left and the right edge of a ribbon file.

    The nearest edge vertex decides: a node is inside when it lies on that vertex's inner side.
    """
    with open(ribbon_path, encoding="utf-8") as file:
        features = json.load(file)["features"]
    vertices, inward = [], []
    for role, side in (("left_edge", 1.0), ("right_edge", -1.0)):
        edge = next(f for f in features if f["properties"].get("role") == role)
        line = np.array(edge["geometry"]["coordinates"], float)[:, :2] - origin[:2]
        along = np.gradient(line, axis=0)
        vertices.append(line)
        inward.append(side * np.column_stack((along[:, 1], -along[:, 0])))
    vertices, inward = np.concatenate(vertices), np.concatenate(inward)
    _, nearest = cKDTree(vertices).query(nodes[:, :2])
    offset = nodes[:, :2] - vertices[nearest]
    return np.einsum("ij,ij->i", offset, inward[nearest]) >= 0.0


def triangulate(nodes, spacing):
    """Delaunay triangles without those that have a long side."""
    triangles = Delaunay(nodes[:, :2]).simplices
    corners = nodes[triangles, :2]
    sides = np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2)
    return triangles[sides.max(axis=1) <= LONGEST_SIDE * spacing].astype("<i4")


def write_ply(path, nodes, triangles, origin):
    """Binary little-endian PLY with doubles relative to the origin."""
    faces = np.empty(len(triangles), dtype=[("n", "u1"), ("v", "<i4", 3)])
    faces["n"], faces["v"] = 3, triangles
    with open(path, "wb") as file:
        file.write(
            (
                "ply\nformat binary_little_endian 1.0\n"
                f"comment origin {origin[0]:.0f} {origin[1]:.0f} {origin[2]:.0f}\n"
                f"element vertex {len(nodes)}\n"
                "property double x\nproperty double y\nproperty double z\n"
                f"element face {len(faces)}\n"
                "property list uchar int vertex_indices\nend_header\n"
            ).encode()
        )
        file.write(nodes.astype("<f8").tobytes())
        file.write(faces.tobytes())


def main():
    """Reads, reduces, triangulates, writes, and says how long each took."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("scans", nargs="+")
    parser.add_argument("--spacing", type=float, default=0.10)
    parser.add_argument("--ribbon")
    parser.add_argument("--out", required=True)
    options = parser.parse_args()

    clock = [("start", time.perf_counter())]
    points, origin = read(options.scans)
    total = len(points)
    clock.append(("read_s", time.perf_counter()))
    nodes = cell_medians(points, options.spacing)
    del points
    if options.ribbon:
        nodes = nodes[inside(options.ribbon, origin, nodes)]
    clock.append(("medians_s", time.perf_counter()))
    triangles = triangulate(nodes, options.spacing)
    clock.append(("triangulate_s", time.perf_counter()))
    write_ply(options.out, nodes, triangles, origin)
    clock.append(("write_s", time.perf_counter()))

    report = {"points": total, "vertices": len(nodes), "triangles": len(triangles)}
    report |= {name: round(now - before, 3) for (_, before), (name, now) in zip(clock, clock[1:])}
    report["total_s"] = round(clock[-1][1] - clock[0][1], 3)
    report["peak_mib"] = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024
    print(json.dumps(report))


if __name__ == "__main__":
    main()
