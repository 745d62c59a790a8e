"""What pygltflib finds in an exported glTF file: levels, borders of tiles, materials; one JSON line."""
import json
import sys
from collections import Counter

import numpy as np
from pygltflib import GLTF2

KINDS = {5123: np.uint16, 5125: np.uint32, 5126: np.float32}
WIDTHS = {"SCALAR": 1, "VEC3": 3}


class File:
    def __init__(self, path):
        self.gltf = GLTF2().load(path)
        self.blob = self.gltf.binary_blob()
        self.origin = np.array(self.gltf.asset.extras["origin"], float)

    def values(self, index):
        accessor = self.gltf.accessors[index]
        view = self.gltf.bufferViews[accessor.bufferView]
        width = WIDTHS[accessor.type]
        start = (view.byteOffset or 0) + (accessor.byteOffset or 0)
        flat = np.frombuffer(self.blob, KINDS[accessor.componentType], accessor.count * width, start)
        return flat.reshape(-1, width) if width > 1 else flat

    def tile(self, node):
        """World coordinates and triangles of a node."""
        node = self.gltf.nodes[node]
        mesh = self.gltf.meshes[node.mesh]
        local = self.values(mesh.primitives[0].attributes.POSITION).astype(float)
        turned = local + np.array(node.translation)
        points = np.stack([turned[:, 0], -turned[:, 2], turned[:, 1]], axis=1) + self.origin
        faces = [self.values(p.indices).reshape(-1, 3) for p in mesh.primitives]
        return points, np.vstack(faces).astype(int)

    def tiles(self, level):
        return [self.tile(n) for n in self.gltf.scenes[level].nodes]


def joined(tiles):
    points, faces, start = [], [], 0
    for p, f in tiles:
        points.append(p)
        faces.append(f + start)
        start += len(p)
    return np.vstack(points), np.vstack(faces)


def level(path, which):
    return joined(File(path).tiles(which))


def free_edges(tiles):
    """Edges in one triangle only, by the places of their ends."""
    points, faces = joined(tiles)
    # Tiles lie at whole metres: a common vertex is the same to a thousandth of a millimetre.
    _, name = np.unique(np.round(points, 5), axis=0, return_inverse=True)
    used = name.ravel()[faces]
    keys, first = np.unique(name.ravel(), return_index=True)
    place = {k: tuple(np.round(points[i], 5)) for k, i in zip(keys, first)}
    count = Counter()
    for a, b in ((0, 1), (1, 2), (2, 0)):
        count.update(map(tuple, np.sort(used[:, [a, b]], axis=1).tolist()))
    assert max(count.values()) <= 2
    return {tuple(sorted((place[a], place[b]))) for (a, b), n in count.items() if n == 1}


def height_error(fine, coarse):
    """Greatest height between vertices in use of the fine mesh and the coarse triangles."""
    worst = 0.0
    for (p, f), (q, g) in zip(fine, coarse):
        a, b, c = (q[g[:, k]] for k in range(3))
        used = np.setdiff1d(np.unique(f), np.unique(g))
        low = np.minimum(np.minimum(a, b), c)[:, :2] - 1e-6
        high = np.maximum(np.maximum(a, b), c)[:, :2] + 1e-6
        for v in p[used[::40]]:
            near = np.flatnonzero(((low <= v[:2]) & (v[:2] <= high)).all(axis=1))
            A, B, C = a[near], b[near], c[near]
            cross = lambda m, n: (m[:, 0] - v[0]) * (n[:, 1] - v[1]) - (m[:, 1] - v[1]) * (n[:, 0] - v[0])
            w = np.stack([cross(B, C), cross(C, A), cross(A, B)], axis=1)
            w = w / w.sum(axis=1, keepdims=True)
            k = np.argmax(w.min(axis=1))
            z = w[k] @ [A[k, 2], B[k, 2], C[k, 2]]
            worst = max(worst, abs(z - v[2]))
    return worst


if __name__ == "__main__":
    file = File(sys.argv[1])
    levels = [file.tiles(k) for k in range(3)]
    mixed = [levels[k % 3][k] for k in range(len(levels[0]))]
    full, mix = free_edges(levels[0]), free_edges(mixed)
    first = file.gltf.meshes[0].primitives[0].attributes
    sigma = file.values(getattr(first, "_SIGMA"))
    print(
        json.dumps(
            {
                "free_edges_full": len(full),
                "free_edges_mixed": len(mix),
                "same_free_edges": full == mix,
                **{f"triangles_{k}": sum(len(f) for _, f in levels[k]) for k in range(3)},
                **{f"error_{k}_m": height_error(levels[0], levels[k]) for k in (1, 2)},
                "materials": [m.name for m in file.gltf.materials],
                "sigma_median_mm": 1e3 * float(np.median(sigma)),
            }
        )
    )
