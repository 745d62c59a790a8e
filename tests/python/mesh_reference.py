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
