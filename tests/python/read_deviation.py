"""Print what laspy finds in a point file: one line a point, from the dimension `deviation`."""
import sys

import laspy

las = laspy.read(sys.argv[1])
dimension = las.point_format.dimension_by_name("deviation")
print(las.header.version, las.header.point_format.id, len(las.points), dimension.dtype)
print(dimension.description.rstrip("\0"))
for row in zip(las.x, las.y, las.z, las["deviation"], las.intensity, las.point_source_id):
    print(*(repr(v.item()) for v in row))
