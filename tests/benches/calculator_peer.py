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


def solve(given, first, kind1, second, kind2, tan=0.0):
    return PyCO2SYS.sys(par1=first, par1_type=kind1, par2=second, par2_type=kind2, salinity=given["salinity_psu"],
                        temperature=given["temperature_c"], total_ammonia=tan, opt_pH_scale=1, opt_k_carbonic=14)


def alkalinity_umol_kg(given, mg_l):
    return mg_l / 50.04345 * 1e6 / density(given["temperature_c"], given["salinity_psu"])


def carbonate(given):
    got = solve(given, alkalinity_umol_kg(given, given["alkalinity_mg_l"]), 1, given["ph"], 3)
    return {name: float(got[name]) for name in ("dic", "aqueous_CO2", "pCO2")}


def dose(given):
    before = alkalinity_umol_kg(given, given["alkalinity_mg_l"])
    after = before + alkalinity_umol_kg(given, given["dose"] * given["solids_percent"] / 100 * 1.7162)
    tan = given["tan_mg_l"] / 14.0067 * 1e6 / density(given["temperature_c"], given["salinity_psu"])
    start = solve(given, before, 1, given["ph"], 3, tan)
    closed = solve(given, after, 1, float(start["dic"]), 2, tan)
    aired, plain = (solve(given, alkalinity, 1, 420.0, 4, tan) for alkalinity in (after, before))
    return {"mixed": float(closed["pH"]), "aired": float(aired["pH"]), "plain": float(plain["pH"]),
            "nh3": float(closed["NH3"])}


computes = {"un_ionised_ammonia": ammonia, "oxygen_saturation": oxygen, "carbonate": carbonate, "dose": dose}
started = time.perf_counter()
for line in lines:
    given = json.loads(line)
    print(json.dumps(computes[given["compute"]](given)))
print("lines/s", len(lines) / (time.perf_counter() - started), file=sys.stderr)
