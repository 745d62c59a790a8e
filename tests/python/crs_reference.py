"""Write scans with a coordinate system, or print the one that laspy finds in a file.

    crs_reference.py write FOLDER     text.las (WKT), keys.las (GeoTIFF keys), feet.las (WKT, feet)
    crs_reference.py FILE             the code in the EPSG register
"""
import sys

import laspy
import numpy as np
from pyproj import CRS


def write(path, point_format, code):
    """Two points of a scan in the system with this code."""
    header = laspy.LasHeader(version="1.4", point_format=point_format)
    header.add_crs(CRS.from_epsg(code))
    las = laspy.LasData(header)
    las.x, las.y, las.z = np.array([[500000.0, 500001.0], [5000000.0, 5000001.0], [1.0, 2.0]])
    las.write(path)


if sys.argv[1] == "write":
    write(f"{sys.argv[2]}/text.las", 6, 25832)
    write(f"{sys.argv[2]}/keys.las", 1, 25832)
    write(f"{sys.argv[2]}/feet.las", 6, 2256)
else:
    with laspy.open(sys.argv[1]) as reader:
        print(reader.header.parse_crs().to_epsg())
