"""Treated against control: least squares by statsmodels, t by scipy, the effective days by their formula in numpy."""
import math

import numpy as np
import statsmodels.api as sm
from scipy import stats
from statsmodels.tsa.stattools import acf

from table import digits, read, settle


def series(row_id):
    rows = [row for row in read("evidence_series.csv")[1] if row["series_id"] == row_id]
    days = np.array([int(row["day"]) for row in rows])
    return days, np.array([float(row["treated"]) for row in rows]), np.array([float(row["control"]) for row in rows])


def settle_all(write):
    def student(row):
        degrees, chance, t = (float(row[name]) for name in ("degrees", "chance", "t"))
        return {
            "beyond": digits(stats.t.isf(chance / 2, degrees), 12),
            "two_sided": digits(2 * stats.t.sf(t, degrees), 12),
        }

    def compare(row):
        days, treated, control = series(row["id"])
        dose, difference = int(row["first_dose"]), treated - control
        before, after = difference[days < dose], difference[days > dose]
        both = np.concatenate([before, after])
        step = sm.add_constant(np.concatenate([np.zeros(len(before)), np.ones(len(after))]))
        line = sm.OLS(both, step).fit()
        low, high = line.conf_int(0.05)[1]
        plain = stats.ttest_ind(after, before)
        assert math.isclose(plain.pvalue, line.pvalues[1], rel_tol=1e-9)
        # The correlation of the residuals within each period, pooled by their sums of squares. Days are without gaps.
        squares = [((part - part.mean()) ** 2).sum() for part in (before, after)]
        lags = [acf(part, nlags=1, fft=False)[1] for part in (before, after)]
        count = len(both)
        found = np.dot(squares, lags) / sum(squares)
        mended = min(max((count * found + 2) / (count - 8), 0.0), 0.99)
        r = min(mended + math.sqrt((1 - mended**2) / count), 0.99)
        own = [len(part) * (1 - r) / (1 + r) for part in (before, after)]
        spread = math.sqrt(sum(squares) / sum(len(p) * (1 - 1 / e) for p, e in zip((before, after), own)))
        error = spread * math.sqrt(1 / own[0] + 1 / own[1])
        reach = stats.t.isf(0.025, sum(own) - 2) * error
        estimate = line.params[1]
        ring = [np.roll(both, -k) for k in range(count)]
        changes = [abs(own_ring[len(before):].mean() - own_ring[:len(before)].mean()) for own_ring in ring]
        as_large = sum(change >= changes[0] * (1 - 1e-9) for change in changes)
        return {
            "estimate": digits(estimate, 10),
            "naive_error": digits(line.bse[1], 10),
            "naive_low": digits(low, 10),
            "naive_high": digits(high, 10),
            "naive_chance": digits(line.pvalues[1], 10),
            "correlation_found": digits(found, 10),
            "correlation": digits(r, 10),
            "effective_before": digits(own[0], 10),
            "effective_after": digits(own[1], 10),
            "standard_error": digits(error, 10),
            "low": digits(estimate - reach, 10),
            "high": digits(estimate + reach, 10),
            "shift_chance": digits(as_large / count, 10),
        }

    def doses(row):
        days, treated, control = series(row["id"])
        at = {day: place for place, day in enumerate(days)}

        def change(own, day):
            place = at[day]
            return own[place + 1] - own[place - 3:place].mean()

        given = [int(day) for day in row["doses"].split()]
        beyond = [change(treated, day) - change(control, day) for day in given]
        own = stats.ttest_1samp(beyond, 0.0)
        low, high = own.confidence_interval(0.95)
        return {
            "mean": digits(np.mean(beyond), 10),
            "low": digits(low, 10),
            "high": digits(high, 10),
            "naive_chance": digits(stats.ttest_1samp([change(treated, day) for day in given], 0.0).pvalue, 10),
        }

    return settle("student.csv", student, write) + settle("evidence.csv", compare, write) + settle("evidence_doses.csv", doses, write)
