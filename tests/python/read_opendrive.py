"""Evaluate an OpenDRIVE road by the rules of the standard: one JSON line.

Usage: read_opendrive.py FILE places.csv (x, y, z, ribbon s, t) SCHEMA.xsd
"""
import json
import os
import sys

import lxml.etree as ET
import numpy as np

path, asked, schema = sys.argv[1:]
# The schema's parts include each other by name: two names of one file would be two files.
schema = os.path.realpath(schema)
tree = ET.parse(path)
out = {"schema": bool(ET.XMLSchema(ET.parse(schema)).validate(tree))}
road = tree.find("road")
offset = np.array([float(tree.find("header/offset").get(k)) for k in "xyz"])


def numbers(e, names):
    return [float(e.get(n)) for n in names]


plan = [
    numbers(g, ["s", "x", "y", "hdg", "length"])
    + numbers(g.find("paramPoly3"), ["bU", "cU", "dU", "bV", "cV", "dV"])
    for g in road.findall("planView/geometry")
]
plan = np.array(plan)
starts = plan[:, 0]
length = float(road.get("length"))


def line(s):
    """Place and heading on the reference line."""
    k = np.clip(np.searchsorted(starts, s, side="right") - 1, 0, len(plan) - 1)
    s0, x, y, hdg, long, bu, cu, du, bv, cv, dv = plan[k].T
    p = (s - s0) / long
    u, v = p * (bu + p * (cu + p * du)), p * (bv + p * (cv + p * dv))
    turn = hdg + np.arctan2(bv + p * (2 * cv + 3 * p * dv), bu + p * (2 * cu + 3 * p * du))
    return x + u * np.cos(hdg) - v * np.sin(hdg), y + u * np.sin(hdg) + v * np.cos(hdg), turn


def cubic(elements, station="s"):
    rows = np.array([numbers(e, [station, "a", "b", "c", "d"]) for e in elements])

    def at(s):
        k = np.clip(np.searchsorted(rows[:, 0], s, side="right") - 1, 0, len(rows) - 1)
        d = s - rows[k, 0]
        return rows[k, 1] + d * (rows[k, 2] + d * (rows[k, 3] + d * rows[k, 4]))

    return at


ends = [line(np.array([s])) for s in (starts[1:] - 1e-12)]
ex, ey, eh = (np.array([e[k][0] for e in ends]) for k in range(3))
out["joint_m"] = float(np.hypot(ex - plan[1:, 1], ey - plan[1:, 2]).max())
turn = np.angle(np.exp(1j * (eh - plan[1:, 3])))
out["joint_rad"] = float(np.abs(turn).max())
last = line(np.array([length]))
out["closure_m"] = float(np.hypot(last[0][0] - plan[0, 1], last[1][0] - plan[0, 2]))
out["length_gap_m"] = float(abs(plan[-1, 0] + plan[-1, 4] - length))

elevation = cubic(road.findall("elevationProfile/elevation"))
roll = cubic(road.findall("lateralProfile/superelevation"))
shapes = {}
for e in road.findall("lateralProfile/shape"):
    s, *rest = numbers(e, ["s", "t", "a", "b", "c", "d"])
    shapes.setdefault(s, []).append(rest)
stations = np.array(sorted(shapes))
assert all(np.all(np.diff([r[0] for r in rows]) > 0) for rows in shapes.values())


def shape_at(k, t):
    rows = np.array(shapes[stations[k]])
    i = np.clip(np.searchsorted(rows[:, 0], t, side="right") - 1, 0, len(rows) - 1)
    d = t - rows[i, 0]
    return rows[i, 1] + d * (rows[i, 2] + d * (rows[i, 3] + d * rows[i, 4]))


def shape(s, t):
    k = int(np.clip(np.searchsorted(stations, s, side="right") - 1, 0, len(stations) - 2))
    share = (s - stations[k]) / (stations[k + 1] - stations[k])
    return (1 - share) * shape_at(k, t) + share * shape_at(k + 1, t)


places = np.loadtxt(asked, delimiter=",")
x, y, z = (places[:, :3] - offset).T
# The foot of each place on the road's own line, by Newton's method from the ribbon's station.
s = places[:, 3] * length / places[:, 3].max()
s = np.clip(places[:, 3], 0, length)
for _ in range(6):
    px, py, h = line(s)
    s = np.clip(s + (x - px) * np.cos(h) + (y - py) * np.sin(h), 0, length)
px, py, h = line(s)
t = -(x - px) * np.sin(h) + (y - py) * np.cos(h)
out["place_95_mm"] = 1e3 * float(np.quantile(np.abs(t - places[:, 4]), 0.95))

found = np.empty(len(s))
for i in range(len(s)):
    r, across = roll(s[i : i + 1])[0], t[i]
    for _ in range(4):
        across = (t[i] + shape(s[i], across) * np.sin(r)) / np.cos(r)
    found[i] = elevation(s[i : i + 1])[0] + across * np.sin(r) + shape(s[i], across) * np.cos(r)
off = np.abs(found - z)
out["height_50_mm"], out["height_95_mm"], out["height_worst_mm"] = (
    1e3 * float(np.quantile(off, q)) for q in (0.5, 0.95, 1.0)
)

section = road.find("lanes/laneSection")
ids = [int(lane.get("id")) for lane in section.iter("lane")]
assert ids == [1, 0, -1], ids
middle = cubic(road.findall("lanes/laneOffset"))
width = [cubic(section.find(side + "/lane").findall("width"), "sOffset") for side in ("left", "right")]
grid = np.linspace(0, length, 5000, endpoint=False)
out["width_least_m"] = float(min((w(grid)).min() for w in width))
out["width_worst_mm"] = 1e3 * float(np.abs(width[0](grid) - width[1](grid)).max())
out["middle_most_m"] = float(np.abs(middle(grid)).max())
print(json.dumps(out))
