"""Exported points against those of the build, as laspy reads both: one JSON line."""
import json
import sys

import laspy
import numpy as np

ours, built = (laspy.read(p) for p in sys.argv[1:])
d = np.abs(np.array(ours["deviation"], float))
classes = np.array(ours.classification)
same = lambda name: bool((np.array(ours[name]) == np.array(built[name])).all())
print(
    json.dumps(
        {
            "points": len(ours.points),
            "same_places": all(same(k) for k in "XYZ")
            and bool((ours.header.offsets == built.header.offsets).all()),
            "same_deviation": same("deviation"),
            "same_setup": same("point_source_id"),
            "same_intensity": same("intensity"),
            "classes": sorted(int(c) for c in np.unique(classes)),
            "road_most_mm": 1e3 * float(d[classes == 11].max()),
            "other_least_mm": 1e3 * float(d[classes == 1].min()),
        }
    )
)
