"""Oxygen at saturation by two independent routes."""
import math

import gsw

from table import numbers, places, settle

ATMOSPHERE_HPA = 1013.25
OXYGEN_G_MOL = 31.9988


def density(t, s):
    """TEOS-10, kg/m3, with practical salinity read as reference salinity."""
    return float(gsw.rho_t_exact(35.16504 / 35.0 * s, t, 0.0))


def benson_krause(t, s, hpa):
    """mg/L; APHA 4500-O form."""
    kelvin = t + 273.15
    coefficients = (-139.34411, 1.575701e5, -6.642308e7, 1.243800e10, -8.621949e11)
    fresh = sum(c / kelvin**power for power, c in enumerate(coefficients))
    salt = s * (0.017674 - 10.754 / kelvin + 2140.7 / kelvin**2)
    vapour = math.exp(11.8571 - 3840.70 / kelvin - 216961 / kelvin**2)
    theta = 0.000975 - 1.426e-5 * t + 6.436e-8 * t * t
    atm = hpa / ATMOSPHERE_HPA
    return math.exp(fresh - salt) * (atm - vapour) * (1 - theta * atm) / ((1 - vapour) * (1 - theta))


def garcia_gordon(t, s, hpa):
    """mg/L; through gsw, with the vapour pressure of Weiss & Price 1980."""
    kelvin = t + 273.15
    vapour = math.exp(24.4543 - 6745.09 / kelvin - 4.8489 * math.log(kelvin / 100) - 0.000544 * s)
    umol_kg = float(gsw.O2sol_SP_pt(s, t))
    atm = hpa / ATMOSPHERE_HPA
    return umol_kg * density(t, s) * OXYGEN_G_MOL * 1e-6 * (atm - vapour) / (1 - vapour)


def compute(row):
    t, s, hpa = numbers(row, "t_c", "sal_psu", "p_hpa")
    return {
        "do_sat_bk84_mgL": places(benson_krause(t, s, hpa), 5),
        "do_sat_gg92_mgL": places(garcia_gordon(t, s, hpa), 5),
        "rho_kg_m3": places(density(t, s), 4),
    }


def settle_all(write):
    return settle("oxygen_solubility.csv", compute, write)
