"""A Parquet table as pyarrow reads it against the same table as CSV: one JSON line."""
import csv as text
import json
import sys

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

table = pq.read_table(sys.argv[1])
csv = np.genfromtxt(sys.argv[2], delimiter=",", names=True)
with open(sys.argv[2]) as file:
    rows = list(text.DictReader(file))
worst = 0.0
for name in table.column_names:
    if pa.types.is_string(table[name].type):
        assert table[name].to_pylist() == [row[name] for row in rows], name
        continue
    ours, theirs = np.array(table[name]), csv[name]
    assert (np.isnan(ours) == np.isnan(theirs)).all(), name
    if not np.isnan(ours).all():
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
