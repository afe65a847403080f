"""Reads a SenML export with KPN's SenML library, a pack a line, and prints for each series, in the order in which it came,
its first value, flag and probe: the library hands out a series once.

    check_senml.py FILE
"""

import json
import sys

import kpn_senml.senml_record
from kpn_senml import SenmlPack

# The library asks for Python 2's name of texts where a record has one.
kpn_senml.senml_record.basestring = str

first = {}


def found(record, device=None):
    *pond, quantity = [part for part in record.name.split("/") if part not in ("flag", "raw", "corrected", "probe")]
    of = first.setdefault((*pond, quantity), {"pond": "/".join(pond)})
    what = record.name.rsplit("/", 1)[-1]
    of[what if what in ("flag", "raw", "corrected", "probe") else "value"] = record.value


with open(sys.argv[1], encoding="utf-8") as lines:
    for line in lines:
        SenmlPack("", found).from_json(line)
for own in first.values():
    print(json.dumps(own))
