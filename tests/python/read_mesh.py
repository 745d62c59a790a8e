"""Hold an exported mesh, read by a library that is not ours, against surface.ply: one JSON line.

Usage: read_mesh.py surface.ply FILE
"""
import json
import re
import sys
import xml.etree.ElementTree as ET

import numpy as np
from plyfile import PlyData
from scipy.spatial import cKDTree


def build_mesh(path):
    ply = PlyData.read(path)
    v, f = ply["vertex"], ply["face"]
    points = np.stack([v["x"], v["y"], v["z"]], axis=1)
    origin = [c.split()[1:] for c in ply.comments if c.startswith("origin")][0]
    return points + np.array(origin, float), np.vstack(f["vertex_indices"])


def numbers(text):
    return np.array(re.search(r"origin (\S+) (\S+) (\S+)", text).groups(), float)


def read_obj(path):
    import trimesh

    mesh = trimesh.load(path, force="mesh", process=False)
    with open(path) as file:
        origin = numbers(file.read(400))
    return mesh.vertices + origin, mesh.faces


def read_stl(path):
    import trimesh

    with open(path, "rb") as file:
        origin = numbers(file.read(80).decode())
    mesh = trimesh.load(path, process=False)
    up = np.cross(
        mesh.vertices[mesh.faces[:, 1]] - mesh.vertices[mesh.faces[:, 0]],
        mesh.vertices[mesh.faces[:, 2]] - mesh.vertices[mesh.faces[:, 0]],
    )
    assert (up[:, 2] > 0).all()
    return np.asarray(mesh.vertices, float) + origin, mesh.faces


def read_ply(path):
    import meshio

    with open(path, "rb") as file:
        origin = numbers(file.read(400).decode("ascii", "replace"))
    mesh = meshio.read(path)
    return mesh.points.astype(float) + origin, mesh.cells_dict["triangle"]


def read_landxml(path):
    space = "{http://www.landxml.org/schema/LandXML-1.2}"
    points, faces, ids = [], [], []
    for _, e in ET.iterparse(path):
        if e.tag == space + "P":
            north, east, up = map(float, e.text.split())
            points.append((east, north, up))
            ids.append(int(e.get("id")))
        elif e.tag == space + "F":
            faces.append([int(k) for k in e.text.split()])
    assert ids == list(range(1, len(ids) + 1))
    return np.array(points), np.array(faces) - 1


def read_glb(path):
    from read_gltf import level

    return level(path, 0)


def compare(ours, theirs):
    (p, f), (q, g) = ours, theirs
    vertex, _ = cKDTree(p).query(q)
    a, b = p[f], q[g]
    # The place of a triangle tells which one it is; then its corners are held against each other,
    # starting from whichever is nearest.
    _, which = cKDTree(a.mean(axis=1)).query(b.mean(axis=1))
    a = a[which]
    turns = [np.abs(np.roll(b, k, axis=1) - a).max(axis=(1, 2)) for k in range(3)]
    return {
        "triangles": len(g),
        "expected_triangles": len(f),
        "one_to_one": bool(len(np.unique(which)) == len(f)),
        "corner_mm": 1e3 * float(np.min(turns, axis=0).max()),
        "vertex_mm": 1e3 * float(vertex.max()),
    }


if __name__ == "__main__":
    path = sys.argv[2]
    readers = {"obj": read_obj, "stl": read_stl, "ply": read_ply, "xml": read_landxml, "glb": read_glb}
    print(json.dumps(compare(build_mesh(sys.argv[1]), readers[path.rsplit(".", 1)[1]](path))))
