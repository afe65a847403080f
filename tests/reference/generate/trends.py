"""Theil-Sen, least squares and Kendall's tau by scipy."""
import math

from scipy import stats

from table import digits, read, settle


def settle_all(write):
    series = {}
    for row in read("trends_series.csv")[1]:
        x, y = series.setdefault(row["series_id"], ([], []))
        x.append(float(row["x"]))
        y.append(float(row["y"]))

    def compute(row):
        x, y = series[row["id"]]
        robust = stats.theilslopes(y, x, alpha=0.95, method="separate")
        line = stats.linregress(x, y)
        tau = float(stats.kendalltau(x, y).statistic)
        flat = min(y) == max(y)
        return {
            "theilsen_slope": digits(robust.slope, 10),
            "theilsen_intercept": digits(robust.intercept, 10),
            "theilsen_lo95": digits(robust.low_slope, 10),
            "theilsen_hi95": digits(robust.high_slope, 10),
            "ols_slope": digits(line.slope, 10),
            "ols_intercept": digits(line.intercept, 10),
            "ols_slope_stderr": "" if len(x) < 3 else "0.0" if flat else digits(line.stderr, 10),
            "kendall_tau_b": "" if math.isnan(tau) else digits(tau, 10),
        }

    return settle("trends.csv", compute, write)
