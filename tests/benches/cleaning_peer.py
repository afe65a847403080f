"""Readings per second of processor time through ioos-qc: lines `milliseconds,value` in, one number out."""
import sys
import time
import warnings

import numpy as np
from ioos_qc import qartod

warnings.simplefilter("ignore")
table = np.loadtxt(sys.stdin, delimiter=",")
times = table[:, 0].astype("datetime64[ms]").astype("datetime64[ns]")
values = table[:, 1]
climate = qartod.ClimatologyConfig()
for month in range(1, 13):
    climate.add(tspan=(month, month), vspan=(2.0, 12.0), fspan=(0.0, 25.0), period="month")
depth = np.zeros_like(values)
best = float("inf")
for _ in range(3):
    started = time.process_time()
    qartod.gross_range_test(values, (0.0, 25.0), (0.2, 20.0))
    qartod.spike_test(values, 0.8, 2.0, method="average")
    qartod.rate_of_change_test(values, times, 3.0 / 3600)
    qartod.flat_line_test(values, times, 1800, 5400, 0.01)
    qartod.attenuated_signal_test(values, times, 0.2, 0.1, test_period=86400)
    qartod.climatology_test(climate, values, times, depth)
    best = min(best, time.process_time() - started)
print(len(values) / best)
