"""Reads a committed table, recomputes its columns from its own points, and compares or writes."""
import csv
import math
import pathlib

DATA = pathlib.Path(__file__).resolve().parent.parent / "data"


def read(name):
    with open(DATA / name, newline="") as file:
        rows = list(csv.DictReader(file))
    return list(rows[0]), rows


def numbers(row, *columns):
    return [float(row[column]) for column in columns]


def differs(old, new):
    """A cell differs when it is another text, or a number further off than its own rounding."""
    if old == new:
        return False
    try:
        was, now = float(old), float(new)
    except ValueError:
        return True
    step = 10.0 ** -len(old.partition(".")[2].partition("e")[0]) if "e" not in old else abs(was) * 1e-6
    return not math.isclose(was, now, rel_tol=3e-6, abs_tol=1.5 * step)


def settle(name, compute, write):
    """Recomputes `name` with `compute(row) -> {column: text}`; answers how many cells differ."""
    header, rows = read(name)
    wrong = 0
    for row in rows:
        for column, text in compute(row).items():
            if column not in header:
                raise SystemExit(f"{name} has no column {column}")
            if differs(row[column], text):
                wrong += 1
                print(f"{name} {row[header[0]]} {column}: table {row[column]}, library {text}")
            row[column] = text if write else row[column]
    if write:
        with open(DATA / name, "w", newline="") as file:
            writer = csv.DictWriter(file, header, lineterminator="\n")
            writer.writeheader()
            writer.writerows(rows)
    print(f"{name}: {len(rows)} rows, {wrong} cells differ")
    return wrong


def places(value, count):
    return str(round(float(value), count))


def digits(value, count):
    return str(float(f"{float(value):.{count}g}"))
