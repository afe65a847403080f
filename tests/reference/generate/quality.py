"""QARTOD flags by ioos-qc for the series in qartod.csv, with the limits in qartod_params.csv."""
import datetime
import warnings

import numpy as np
from ioos_qc import qartod

from table import read, settle


def flags(rows, limits):
    values = np.array([float(row["value"]) if row["value"] else np.nan for row in rows])
    times = np.array(
        [np.datetime64(datetime.datetime.fromisoformat(row["time_utc"].rstrip("Z")), "ns") for row in rows]
    )
    limit = {name: float(text) for name, text in limits.items() if name not in ("series_id", "n")}
    with warnings.catch_warnings(), np.errstate(all="ignore"):
        warnings.simplefilter("ignore")
        found = {
            "flag_gross_range": qartod.gross_range_test(
                values,
                (limit["fail_min"], limit["fail_max"]),
                (limit["suspect_min"], limit["suspect_max"]),
            ),
            "flag_spike": qartod.spike_test(
                values, limit["spike_suspect"], limit["spike_fail"], method="average"
            ),
            "flag_rate_of_change": qartod.rate_of_change_test(values, times, limit["roc_suspect_per_s"]),
            "flag_flat_line": qartod.flat_line_test(
                values, times, limit["flat_suspect_s"], limit["flat_fail_s"], limit["flat_tolerance"]
            ),
        }
        found = {name: np.ma.filled(flag, 9) for name, flag in found.items()}
        found["flag_compare"] = np.ma.filled(
            qartod.qartod_compare([np.ma.masked_array(flag) for flag in found.values()]), 9
        )
        found["flag_time_gap"] = np.ma.filled(qartod.time_gap_test(times, limit["gap_fail_h"]), 9)
    return found


def settle_all(write):
    limits = {row["series_id"]: row for row in read("qartod_params.csv")[1]}
    series = {}
    for row in read("qartod.csv")[1]:
        series.setdefault(row["series_id"], []).append(row)
    answers = {}
    for name, rows in series.items():
        found = flags(rows, limits[name])
        for place, row in enumerate(rows):
            answers[row["id"]] = {column: str(int(flag[place])) for column, flag in found.items()}
    return settle("qartod.csv", lambda row: answers[row["id"]], write)
