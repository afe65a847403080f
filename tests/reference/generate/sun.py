"""Sunrise, sunset and noon from the NREL solar position; clear-sky light after Haurwitz."""
import datetime

import pandas
import pvlib
from scipy.optimize import brentq

from table import numbers, places, settle

HORIZON_DEG = -0.8333
UTC = datetime.timezone.utc


def position(latitude, longitude, moment):
    return pvlib.solarposition.spa_python(pandas.DatetimeIndex([moment]), latitude, longitude, delta_t=69.2).iloc[0]


def compute(row):
    latitude, longitude = numbers(row, "lat_deg", "lon_deg")
    day = datetime.datetime.fromisoformat(row["local_date"]).replace(tzinfo=UTC)
    mean_noon = day + datetime.timedelta(hours=12 - longitude / 15)
    noon = mean_noon
    for _ in range(3):
        noon = mean_noon - datetime.timedelta(minutes=float(position(latitude, longitude, noon)["equation_of_time"]))
    at = lambda hours: noon + datetime.timedelta(hours=float(hours))
    height = lambda hours: 90 - float(position(latitude, longitude, at(hours))["zenith"]) - HORIZON_DEG
    before, middle, after = height(-12), height(0), height(12)
    clock = lambda moment: (moment + datetime.timedelta(seconds=0.5)).strftime("%Y-%m-%dT%H:%M:%SZ")
    cells = {"transit_utc": clock(noon), "sunrise_utc": "", "sunset_utc": ""}
    if middle <= 0:
        cells["state"] = "polar_night"
    elif before > 0 and after > 0:
        cells["state"] = "polar_day"
    elif before > 0 or after > 0:
        cells["state"] = "partial"
    else:
        cells["state"] = "normal"
        cells["sunrise_utc"] = clock(at(brentq(height, -12, 0, xtol=1e-6)))
        cells["sunset_utc"] = clock(at(brentq(height, 0, 12, xtol=1e-6)))
    return {name: tolerant(row[name], text) for name, text in cells.items()}


def tolerant(old, new):
    """A time a second beside the table's is the same time rounded elsewhere."""
    try:
        was, now = (datetime.datetime.fromisoformat(text.replace("Z", "+00:00")) for text in (old, new))
    except ValueError:
        return new
    return old if abs((was - now).total_seconds()) <= 1 else new


def clear_sky(row):
    (altitude,) = numbers(row, "altitude_deg")
    light = pvlib.clearsky.haurwitz(pandas.Series([90 - altitude]))["ghi"].iloc[0]
    return {"light_w_m2": places(light, 6)}


def settle_all(write):
    return settle("sun.csv", compute, write) + settle("clear_sky.csv", clear_sky, write)
