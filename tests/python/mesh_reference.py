"""What independent libraries say of a triangulation and of a mesh.

Usage:
    mesh_reference.py delaunay POINTS.csv        triangles of scipy.spatial.Delaunay, one a line
    mesh_reference.py mesh MESH.ply PLACES.csv   what trimesh says of the mesh, then ray heights
"""

import sys

import numpy as np


def delaunay(path):
    from scipy.spatial import Delaunay

    points = np.loadtxt(path, delimiter=",")
    for triangle in Delaunay(points).simplices:
        print(*sorted(triangle))


def not_delaunay(xy, faces):
    """Inner edges whose two opposite angles are together over 180.01 degrees, and the longest of them."""
    sides = np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]])
    tips = np.concatenate([faces[:, 2], faces[:, 0], faces[:, 1]])
    sides = np.sort(sides, axis=1)
    order = np.lexsort(sides.T)
    sides, tips = sides[order], tips[order]
    first = np.flatnonzero((sides[1:] == sides[:-1]).all(axis=1))
    a, b = sides[first].T

    def angle(tip):
        u, w = xy[a] - xy[tip], xy[b] - xy[tip]
        return np.degrees(np.arctan2(np.abs(u[:, 0] * w[:, 1] - u[:, 1] * w[:, 0]), (u * w).sum(axis=1)))

    over = angle(tips[first]) + angle(tips[first + 1]) > 180.01
    lengths = np.linalg.norm(xy[a] - xy[b], axis=1)[over]
    return len(lengths), float(lengths.max(initial=0.0))


def mesh(path, places):
    import trimesh

    loaded = trimesh.load(path, process=False)
    print("vertices", len(loaded.vertices))
    print("faces", len(loaded.faces))
    print("winding", int(loaded.is_winding_consistent))
    faces = np.sort(loaded.faces, axis=1)
    print("duplicates", len(faces) - len(np.unique(faces, axis=0)))
    print("degenerate", int((~loaded.nondegenerate_faces(height=1e-6)).sum()))
    print("down", int((loaded.face_normals[:, 2] <= 0).sum()))
    print("parts", loaded.body_count)
    print("euler", loaded.euler_number)
    print("area", repr(float(loaded.area)))
    edges, longest = not_delaunay(loaded.vertices[:, :2], loaded.faces)
    print("inner_edges", len(loaded.face_adjacency))
    print("not_delaunay", edges)
    print("longest_not_delaunay", longest)
    xy = np.loadtxt(places, delimiter=",")
    high = np.column_stack([xy, np.full(len(xy), 1000.0)])
    down = np.tile([0.0, 0.0, -1.0], (len(xy), 1))
    where, ray, _ = loaded.ray.intersects_location(high, down, multiple_hits=False)
    heights = np.full(len(xy), np.nan)
    heights[ray] = where[:, 2]
    for z in heights:
        print("z", repr(float(z)))


if __name__ == "__main__":
    {"delaunay": delaunay, "mesh": mesh}[sys.argv[1]](*sys.argv[2:])
