"""Reads a Parquet export with pyarrow and holds it against the CSV export of the same stretch, field by field.

    check_parquet.py FILE.parquet FILE.csv

Prints what it found as JSON; ends with an assertion where the two differ.
"""

import collections
import csv
import datetime
import json
import sys

import pyarrow as pa
import pyarrow.parquet as pq

TYPES = {"time_utc": pa.timestamp("ms", tz="UTC"), "from_utc": pa.timestamp("ms", tz="UTC"), "pond": pa.string(),
         "quantity": pa.string(), "probe": pa.string(), "flag": pa.uint8(), "usable": pa.uint32(),
         "suspect": pa.uint32(), "failed": pa.uint32(), "missing": pa.uint32()}


def typed(name, text):
    """The CSV's field as a value; an empty one is none."""
    kind = TYPES.get(name, pa.float64())
    if text == "":
        return None
    if pa.types.is_timestamp(kind):
        return datetime.datetime.fromisoformat(text.replace("Z", "+00:00"))
    if pa.types.is_integer(kind):
        return int(text)
    return text if pa.types.is_string(kind) else float(text)


table_file = pq.ParquetFile(sys.argv[1])
table = table_file.read()
with open(sys.argv[2], newline="", encoding="utf-8") as lines:
    rows = list(csv.reader(lines))
header, rows = rows[0], rows[1:]
assert table.column_names == header, (table.column_names, header)
for name in header:
    assert table.schema.field(name).type == TYPES.get(name, pa.float64()), table.schema
assert table.num_rows == len(rows), (table.num_rows, len(rows))
nulls = {}
for place, name in enumerate(header):
    ours, theirs = table.column(name).to_pylist(), [typed(name, row[place]) for row in rows]
    for row, (one, other) in enumerate(zip(ours, theirs)):
        assert one == other, (name, row, one, other)
    nulls[name] = ours.count(None)
metadata = {key.decode(): value.decode() for key, value in table_file.metadata.metadata.items()}
print(json.dumps({
    "rows": table.num_rows,
    "groups": table_file.num_row_groups,
    "largest_group": max((table_file.metadata.row_group(own).num_rows for own in range(table_file.num_row_groups)), default=0),
    "written_by": table_file.metadata.created_by,
    "nulls": nulls,
    "flags": {str(flag): count for flag, count in collections.Counter(
        table.column("flag").to_pylist() if "flag" in header else []).items()},
    "units": json.loads(metadata["units"]),
    "metadata": metadata,
}))
