"""Oxygen transfer in the field: the published form, in plain arithmetic."""
from oxygen import benson_krause
from table import digits, numbers, settle


def compute(row):
    sotr, sae, alpha, beta, theta, t, s, hpa, oxygen = numbers(
        row, "sotr_kg_h", "sae_kg_kwh", "alpha", "beta", "theta", "t_c", "sal_psu", "p_hpa", "do_mgL")
    respiration, volume, hours = numbers(row, "oxygen_demand_mgL_h", "volume_m3", "hours")
    standard = benson_krause(20.0, 0.0, 1013.25)
    ratio = alpha * (beta * benson_krause(t, s, hpa) - oxygen) / standard * theta ** (t - 20)
    demand = respiration * volume / 1000
    power = demand / (sae * ratio) if ratio > 0 else None
    return {
        "otr_over_sotr": digits(ratio, 7),
        "otr_kg_h": digits(sotr * ratio, 7),
        "field_ae_kg_kwh": digits(sae * ratio, 7),
        "demand_kg_h": digits(demand, 7),
        "power_to_hold_kw": "" if power is None else digits(power, 7),
        "energy_to_hold_kwh": "" if power is None else digits(power * hours, 7),
    }


def settle_all(write):
    return settle("aeration.csv", compute, write)
