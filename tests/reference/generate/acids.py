"""The weak acids whose un-ionised part is toxic: ammonium and hydrogen sulfide."""
import math

import PyCO2SYS

from table import digits, numbers, places, settle

FREE, TOTAL = 3, 1


def constants(t, s, scale):
    return PyCO2SYS.sys(salinity=s, temperature=t, opt_pH_scale=scale, opt_k_carbonic=14)


def share(exponent):
    return 1 / (1 + 10**exponent)


def ammonia(row):
    t, ph, s = numbers(row, "t_c", "ph", "sal_psu")
    fresh = 0.09018 + 2729.92 / (t + 273.15)
    compact = fresh + (0.1552 - 0.0003142 * t) * 19.9273 * s / (1000 - 1.005109 * s)
    total, free = (-math.log10(float(constants(t, s, scale)["k_ammonia"])) for scale in (TOTAL, FREE))
    return {
        "f_emerson_fresh": digits(share(fresh - ph), 7),
        "pka_compact_free": places(compact, 6),
        "f_compact_free": digits(share(compact - ph), 7),
        "f_cw95_total": digits(share(total - ph), 7),
        "f_cw95_free": digits(share(free - ph), 7),
        "ph_free_minus_total": places(scale_shift(t, s), 6),
    }


def scale_shift(t, s):
    """Free pH less total pH, from the two scales' hydrogen in the library's own solution."""
    if s == 0:
        return 0.0
    water = PyCO2SYS.sys(par1=8.0, par1_type=3, par2=2000, par2_type=1, salinity=s, temperature=t, opt_pH_scale=TOTAL,
                         opt_k_carbonic=14)
    return float(water["pH_free"]) - float(water["pH_total"])


def sulfide(row):
    t, ph, s = numbers(row, "t_c", "ph", "sal_psu")
    pk = -math.log10(float(constants(t, s, TOTAL)["k_sulfide"]))
    return {
        "pk1_total": places(pk, 6),
        "f_h2s_ph_total": digits(share(ph - pk), 7),
        "f_h2s_ph_free": digits(share(ph - scale_shift(t, s) - pk), 7),
    }


def settle_all(write):
    return settle("ammonia_fraction.csv", ammonia, write) + settle("sulfide.csv", sulfide, write)
