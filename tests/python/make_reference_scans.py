"""Write scans with published libraries and say what those libraries read back from them.

usage: make_reference_scans.py FOLDER POINTS [SEED]

Writes FOLDER/*.las, *.laz, *.e57, *.ply, *.xyz and FOLDER/expected.json: for each file the number
of points, the sums and bounds of x, y, z, the sum of the intensities on the 0..65535 scale, the sum
of the GPS times, and the setups' positions.
"""

import json
import math
import sys
from pathlib import Path

import laspy
import numpy as np
import plyfile
import pye57
from pye57 import libe57


def course(n, rng):
    """Points of an invented strip of road at large coordinates, whole millimetres."""
    x = 500_000 + np.round(rng.uniform(0, 300, n), 3)
    y = 5_400_000 + np.round(rng.uniform(0, 20, n), 3)
    z = 210 + np.round(0.02 * (x - 500_000) + rng.normal(0, 0.003, n), 3)
    return x, y, z


def facts(x, y, z, intensity=None, time=None, setups=None):
    axes = [np.asarray(v, dtype=np.float64) for v in (x, y, z)]
    return {
        "count": len(axes[0]),
        "sums": [math.fsum(v) for v in axes],
        "low": [float(v.min()) for v in axes],
        "high": [float(v.max()) for v in axes],
        "intensity": None if intensity is None else int(np.asarray(intensity, dtype=np.int64).sum()),
        "time": None if time is None else math.fsum(time),
        "setups": setups,
    }


def write_las(path, point_format, version, n, rng, extra):
    header = laspy.LasHeader(point_format=point_format, version=version)
    header.scales, header.offsets = [0.001] * 3, [500_000, 5_400_000, 0]
    if extra:
        header.add_extra_dim(laspy.ExtraBytesParams(name="quality", type=np.float32))
    las = laspy.LasData(header)
    las.x, las.y, las.z = course(n, rng)
    las.intensity = rng.integers(0, 65536, n)
    las.point_source_id = rng.integers(1, 5, n)
    las.classification = rng.integers(0, 20, n)
    if "gps_time" in las.point_format.dimension_names:
        las.gps_time = np.sort(rng.uniform(1e5, 2e5, n))
    if "red" in las.point_format.dimension_names:
        las.red = rng.integers(0, 65536, n)
    if extra:
        las["quality"] = rng.uniform(0, 1, n)
    las.write(path)


def read_las(path):
    las = laspy.read(path)
    has_time = "gps_time" in las.point_format.dimension_names
    ids, counts = np.unique(las.point_source_id, return_counts=True)
    out = facts(las.x, las.y, las.z, las.intensity, las.gps_time if has_time else None)
    out["source_ids"] = {str(i): int(c) for i, c in zip(ids, counts)}
    out["classes"] = {str(c): int(np.sum(las.classification == c)) for c in np.unique(las.classification)}
    return out


def all_las(folder, n, rng):
    out = {}
    for point_format in range(11):
        version = "1.2" if point_format < 4 else "1.3" if point_format < 6 else "1.4"
        for suffix in ("las", "laz"):
            path = folder / f"format{point_format}.{suffix}"
            write_las(path, point_format, version, n, rng, extra=point_format % 2 == 1)
            out[path.name] = read_las(path)
    for version in ("1.1", "1.4"):
        path = folder / f"version{version}.las"
        write_las(path, 1, version, n, rng, extra=False)
        out[path.name] = read_las(path)
    # LAS 1.0 has the layout of 1.2; the library does not write it.
    old = bytearray((folder / "format1.las").read_bytes())
    old[25] = 0
    (folder / "version1.0.las").write_bytes(old)
    out["version1.0.las"] = out["format1.las"]
    return out


def quaternion(axis, angle):
    axis = np.asarray(axis, dtype=float) / np.linalg.norm(axis)
    return np.concatenate([[math.cos(angle / 2)], math.sin(angle / 2) * axis])


def write_e57(path, n, rng):
    positions = [[500_010.5, 5_400_003.25, 212.0], [500_120.0, 5_400_010.0, 214.5]]
    poses = [quaternion([0, 0, 1], 0.7), quaternion([0.01, 0.02, 1], -2.1)]
    with_file = pye57.E57(str(path), mode="w")
    for k, (position, rotation) in enumerate(zip(positions, poses)):
        data = {
            "cartesianX": rng.uniform(-50, 50, n),
            "cartesianY": rng.uniform(-50, 50, n),
            "cartesianZ": rng.normal(-1.8, 0.01, n),
            "intensity": rng.uniform(0, 1, n),
            # 0 valid, 1 a direction, 2 invalid.
            "cartesianInvalidState": rng.integers(0, 3, n).astype("b"),
        }
        with_file.write_scan_raw(data, name=f"setup {k}", rotation=rotation, translation=np.array(position))
    with_file.close()


def structure(image, **values):
    """An E57 structure of floating-point numbers."""
    node = libe57.StructureNode(image)
    for name, value in values.items():
        node.set(name, libe57.FloatNode(image, float(value)))
    return node


def write_spherical_e57(path, n, rng):
    """One scan in range and angles, with flags and times, by the library's own bindings to libE57."""
    position, rotation = [500_060.0, 5_400_004.5, 213.0], quaternion([0.02, -0.01, 1], 1.3)
    columns = {
        "sphericalRange": (rng.uniform(1, 60, n), "d"),
        "sphericalAzimuth": (rng.uniform(-math.pi, math.pi, n), "d"),
        "sphericalElevation": (rng.uniform(-1.2, 0.1, n), "d"),
        "sphericalInvalidState": (rng.integers(0, 3, n), "b"),
        "timeStamp": (np.sort(rng.uniform(0, 200, n)), "d"),
    }
    with_file = pye57.E57(str(path), mode="w")
    image = with_file.image_file
    scan, prototype = libe57.StructureNode(image), libe57.StructureNode(image)
    pose = libe57.StructureNode(image)
    scan.set("guid", libe57.StringNode(image, "{a scan in angles}"))
    scan.set("pose", pose)
    pose.set("rotation", structure(image, **dict(zip("wxyz", rotation))))
    pose.set("translation", structure(image, **dict(zip("xyz", position))))
    start = structure(image, dateTimeValue=1e6)
    start.set("isAtomicClockReferenced", libe57.IntegerNode(image, 1))
    scan.set("acquisitionStart", start)
    buffers, held = libe57.VectorSourceDestBuffer(), []
    for name, (values, kind) in columns.items():
        flag = name.endswith("State")
        prototype.set(name, libe57.IntegerNode(image, 0, 0, 2) if flag else libe57.FloatNode(image, 0.0))
        held.append(np.ascontiguousarray(values, dtype=kind))
        buffers.append(libe57.SourceDestBuffer(image, name, held[-1], n, True, True))
    points = libe57.CompressedVectorNode(image, prototype, libe57.VectorNode(image, True))
    scan.set("points", points)
    with_file.data3d.append(scan)
    writer = points.writer(buffers)
    writer.write(n)
    writer.close()
    with_file.close()


def read_spherical_e57(path):
    e57 = pye57.E57(str(path))
    scan = e57.read_scan(0, ignore_missing_fields=True)
    header = e57.get_header(0)
    n = header.point_count
    state, times = np.empty(n, "b"), np.empty(n, "d")
    buffers = libe57.VectorSourceDestBuffer()
    for name, values in (("sphericalInvalidState", state), ("timeStamp", times)):
        buffers.append(libe57.SourceDestBuffer(e57.image_file, name, values, n, True, True))
    header.points.reader(buffers).read()
    times = header["acquisitionStart"]["dateTimeValue"].value() + times[state == 0]
    setups = [[float(v) for v in e57.scan_position(0)[0]]]
    return facts(scan["cartesianX"], scan["cartesianY"], scan["cartesianZ"], time=times, setups=setups)


def read_e57(path):
    e57 = pye57.E57(str(path))
    scans = [e57.read_scan(k, intensity=True, ignore_missing_fields=True) for k in range(e57.scan_count)]
    joined = {key: np.concatenate([s[key] for s in scans]) for key in scans[0]}
    setups = [[float(v) for v in e57.scan_position(k)[0]] for k in range(e57.scan_count)]
    out = facts(joined["cartesianX"], joined["cartesianY"], joined["cartesianZ"], setups=setups)
    out["intensity_unit"] = math.fsum(joined["intensity"])
    return out


def write_ply(path, n, rng, text, order, with_faces, kind="f8"):
    x, y, z = course(n, rng)
    vertex = np.zeros(n, dtype=[("x", kind), ("y", kind), ("z", kind), ("red", "u1"), ("intensity", "u2")])
    vertex["x"], vertex["y"], vertex["z"] = x, y, z
    vertex["intensity"] = rng.integers(0, 65536, n)
    elements = [plyfile.PlyElement.describe(vertex, "vertex")]
    if with_faces:
        face = np.zeros(7, dtype=[("vertex_indices", "O")])
        face["vertex_indices"] = [np.array([0, 1, 2 + k % 2], dtype=np.int32) for k in range(7)]
        elements.append(plyfile.PlyElement.describe(face, "face"))
    plyfile.PlyData(elements, text=text, byte_order=order, comments=["made for a test"]).write(str(path))


def read_ply(path):
    vertex = plyfile.PlyData.read(str(path))["vertex"]
    return facts(vertex["x"], vertex["y"], vertex["z"], vertex["intensity"])


def all_ply(folder, n, rng):
    out = {}
    for name, text, order in (("ascii", True, "="), ("little", False, "<"), ("big", False, ">")):
        path = folder / f"{name}.ply"
        write_ply(path, n, rng, text, order, with_faces=name != "little")
        out[path.name] = read_ply(path)
    # Single precision, as most programs write it.
    for name, text, order in (("single-little", False, "<"), ("single-big", False, ">"), ("single-ascii", True, "=")):
        path = folder / f"{name}.ply"
        write_ply(path, n, rng, text, order, with_faces=True, kind="f4")
        out[path.name] = read_ply(path)
    return out


def all_text(folder, n, rng):
    out = {}
    for name, delimiter, header in (("comma", ",", "x,y,z,intensity"), ("blank", " ", ""), ("tab", "\t", "")):
        path = folder / f"{name}.xyz"
        columns = np.column_stack([*course(n, rng), rng.integers(2, 65536, n)])
        formats = ["%.3f"] * 3 + ["%d"]
        np.savetxt(path, columns, fmt=formats, delimiter=delimiter, header=header, comments="")
        back = np.loadtxt(path, delimiter=None if delimiter == " " else delimiter, skiprows=1 if header else 0)
        out[path.name] = facts(*back.T[:3], back.T[3])
    # Semicolons; comment lines at the top, in the middle and at the end.
    path = folder / "semicolon.xyz"
    columns = np.column_stack([*course(n, rng), rng.integers(2, 65536, n)])
    with path.open("w") as file:
        for rows, comment in ((columns[: n // 2], "# made for a test"), (columns[n // 2 :], "# the rest")):
            file.write(comment + "\n")
            np.savetxt(file, rows, fmt=formats, delimiter=";")
        file.write("# the end\n")
    back = np.loadtxt(path, delimiter=";")
    out[path.name] = facts(*back.T[:3], back.T[3])
    return out


def main():
    folder, n = Path(sys.argv[1]), int(sys.argv[2])
    rng = np.random.default_rng(int(sys.argv[3]) if len(sys.argv) > 3 else 7)
    folder.mkdir(parents=True, exist_ok=True)
    expected = all_las(folder, n, rng)
    write_e57(folder / "two.e57", n, rng)
    expected["two.e57"] = read_e57(folder / "two.e57")
    write_spherical_e57(folder / "angles.e57", n, rng)
    expected["angles.e57"] = read_spherical_e57(folder / "angles.e57")
    expected.update(all_ply(folder, n, rng))
    expected.update(all_text(folder, n, rng))
    (folder / "expected.json").write_text(json.dumps(expected, indent=1))


main()
