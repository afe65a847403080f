#!/usr/bin/env python3
"""Checks an exported audit trail by what the documents say of it, with hashlib and csv alone.

    pondreeve export --audit | python3 tests/e2e/check_trail.py [RECORD:HASH]

Prints the last record's number and hash and exits with 0; or the first thing that is wrong, and exits with 1. A
record's number and hash as they were noted earlier must be in it, if given.
"""

import csv
import hashlib
import io
import sys

FIELDS = "record time_utc time_local user place action object old new reason previous hash".split()


def canonical(fields):
    return ",".join('"' + field.replace('"', '""') + '"' for field in fields)


def check(text, noted=None):
    rows = list(csv.reader(io.StringIO(text)))
    if not rows or rows[0] != FIELDS:
        raise ValueError("the first line does not name the fields")
    previous = "0" * 64
    seen = noted is None
    for number, row in enumerate(rows[1:], 1):
        if len(row) != len(FIELDS):
            raise ValueError(f"record {number} has {len(row)} fields")
        *fields, stated = row
        found = hashlib.sha256(canonical(fields).encode()).hexdigest()
        if found != stated:
            raise ValueError(f"record {number} was changed")
        if fields[0] != str(number):
            raise ValueError(f"in the place of record {number} stands {fields[0]}")
        if fields[10] != previous:
            raise ValueError(f"record {number} does not follow the one before")
        seen = seen or noted == f"{number}:{stated}"
        previous = stated
    if not seen:
        raise ValueError(f"{noted} is not in it")
    return f"{len(rows) - 1}:{previous}"


if __name__ == "__main__":
    try:
        print(check(sys.stdin.read(), *sys.argv[1:]))
    except ValueError as wrong:
        sys.exit(str(wrong))
