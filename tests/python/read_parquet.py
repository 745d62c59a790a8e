"""A Parquet table as pyarrow reads it against the same table as CSV: one JSON line."""
import json
import sys

import numpy as np
import pyarrow.parquet as pq

table = pq.read_table(sys.argv[1])
csv = np.genfromtxt(sys.argv[2], delimiter=",", names=True)
worst = 0.0
for name in table.column_names:
    ours, theirs = np.array(table[name]), csv[name]
    assert (np.isnan(ours) == np.isnan(theirs)).all(), name
    worst = max(worst, float(np.nanmax(np.abs(ours - theirs))))
print(
    json.dumps(
        {
            "rows": table.num_rows,
            "csv_rows": len(csv),
            "same_names": tuple(table.column_names) == csv.dtype.names,
            "worst": worst,
            "origin": json.loads(table.schema.metadata[b"origin"]),
        }
    )
)
