"""The same lines answered in Python; says its own rate on standard error, start-up and imports left out."""
import json
import math
import sys
import time

lines = sys.stdin.read().splitlines()
needed = {json.loads(line)["compute"] for line in lines[:1]}
if needed & {"oxygen_saturation", "carbonate", "dose"}:
    try:
        import gsw
    except ImportError:
        sys.exit("gsw is not installed")
if needed & {"carbonate", "dose"}:
    try:
        import PyCO2SYS
    except ImportError:
        sys.exit("PyCO2SYS is not installed")


def ammonia(given):
    t, s = given["temperature_c"], given["salinity_psu"]
    ionic = 19.9273 * s / (1000 - 1.005109 * s)
    pka = 0.09018 + 2729.92 / (t + 273.15) + (0.1552 - 0.0003142 * t) * ionic
    share = 1 / (1 + 10 ** (pka - given["ph"]))
    return {"nh3_fraction": share, "nh3_n_mg_l": share * given["tan_mg_l"]}


def density(t, s):
    return float(gsw.rho_t_exact(gsw.SR_from_SP(s), t, 0.0))


def oxygen(given):
    t, s = given["temperature_c"], given["salinity_psu"]
    kelvin = t + 273.15
    vapour = math.exp(24.4543 - 6745.09 / kelvin - 4.8489 * math.log(kelvin / 100) - 0.000544 * s)
    atm = given["pressure_hpa"] / 1013.25
    mg_l = float(gsw.O2sol_SP_pt(s, t)) * density(t, s) * 31.9988e-6
    return {"do_saturation_mg_l": mg_l * (atm - vapour) / (1 - vapour)}


def solve(waters, first, kind1, second, kind2, tan=0.0):
    return PyCO2SYS.sys(par1=first, par1_type=kind1, par2=second, par2_type=kind2, salinity=waters["salinity_psu"],
                        temperature=waters["temperature_c"], total_ammonia=tan, opt_pH_scale=1, opt_k_carbonic=14)


def umol_kg(waters, mg_l, grams_per_mole):
    rho = gsw.rho_t_exact(gsw.SR_from_SP(waters["salinity_psu"]), waters["temperature_c"], 0.0)
    return mg_l / grams_per_mole * 1e6 / rho


def carbonate(waters):
    got = solve(waters, umol_kg(waters, waters["alkalinity_mg_l"], 50.04345), 1, waters["ph"], 3)
    return {name: got[name] for name in ("dic", "aqueous_CO2", "pCO2")}


def dose(waters):
    before = umol_kg(waters, waters["alkalinity_mg_l"], 50.04345)
    after = before + umol_kg(waters, waters["dose"] * waters["solids_percent"] / 100 * 1.7162, 50.04345)
    tan = umol_kg(waters, waters["tan_mg_l"], 14.0067)
    start = solve(waters, before, 1, waters["ph"], 3, tan)
    closed = solve(waters, after, 1, start["dic"], 2, tan)
    aired, plain = (solve(waters, alkalinity, 1, 420.0, 4, tan) for alkalinity in (after, before))
    return {"mixed": closed["pH"], "aired": aired["pH"], "plain": plain["pH"], "nh3": closed["NH3"]}


def all_at_once(compute):
    """PyCO2SYS is made for arrays: all lines are read, solved together and answered."""
    import numpy

    given = [json.loads(line) for line in lines]
    numbers = [name for name, value in given[0].items() if isinstance(value, (int, float))]
    got = compute({name: numpy.array([one[name] for one in given], float) for name in numbers})
    for values in zip(*got.values()):
        print(json.dumps(dict(zip(got, map(float, values)))))


one_by_one = {"un_ionised_ammonia": ammonia, "oxygen_saturation": oxygen}
together = {"carbonate": carbonate, "dose": dose}
started = time.process_time()
(name,) = needed
if name in together:
    all_at_once(together[name])
else:
    for line in lines:
        print(json.dumps(one_by_one[name](json.loads(line))))
print("lines/s", len(lines) / (time.process_time() - started), file=sys.stderr)
