"""The carbonate system, and magnesium hydroxide dissolved into it, by PyCO2SYS on the total scale."""
import PyCO2SYS

from oxygen import density
from table import digits, numbers, places, settle

CACO3, MAGNESIUM_HYDROXIDE, MAGNESIUM = 100.0869, 58.3197, 24.305
NITROGEN, CARBON, CARBON_DIOXIDE = 14.0067, 12.011, 44.0095
ALKALINITY, DIC, PH, PCO2 = 1, 2, 3, 4
AIR_UATM = 420.0


def solve(t, s, first, second, tan_umol_kg=0.0):
    (value1, kind1), (value2, kind2) = first, second
    return PyCO2SYS.sys(par1=value1, par1_type=kind1, par2=value2, par2_type=kind2, salinity=s, temperature=t,
                        total_ammonia=tan_umol_kg, opt_pH_scale=1, opt_k_carbonic=14, opt_total_borate=1, opt_k_bisulfate=1)


def water(row):
    t, s, ph, mg_l = numbers(row, "t_c", "sal_psu", "ph_total", "alk_mgL_caco3")
    kg_l = density(t, s) / 1000
    got = solve(t, s, (mg_l / (CACO3 / 2) * 1000 / kg_l, ALKALINITY), (ph, PH))
    value = {name: float(got[name]) for name in ("dic", "aqueous_CO2", "bicarbonate", "carbonate", "pCO2")}
    return {
        "dic_umolkg": places(value["dic"], 3),
        "dic_mgL_c": digits(value["dic"] * kg_l * CARBON / 1000, 6),
        "co2aq_mgL": digits(value["aqueous_CO2"] * kg_l * CARBON_DIOXIDE / 1000, 6),
        "hco3_umolkg": digits(value["bicarbonate"], 6),
        "co3_umolkg": digits(value["carbonate"], 6),
        "pco2_uatm": digits(value["pCO2"], 6),
    }


def dose(row):
    t, s, ph, mg_l, tan, amount = numbers(row, "t_c", "sal_psu", "ph0_total", "alk0_mgL_caco3", "tan_mgL_n", "dose_mgL")
    solids = amount * {"solid": 1.0, "slurry60": 0.6}[row["product"]]
    kg_l = density(t, s) / 1000
    before = mg_l / (CACO3 / 2) * 1000 / kg_l
    after = before + 2000 * solids / MAGNESIUM_HYDROXIDE / kg_l
    nitrogen = tan / NITROGEN * 1000 / kg_l
    start = solve(t, s, (before, ALKALINITY), (ph, PH), nitrogen)
    closed = solve(t, s, (after, ALKALINITY), (float(start["dic"]), DIC), nitrogen)
    aired = solve(t, s, (before, ALKALINITY), (AIR_UATM, PCO2), nitrogen)
    both = solve(t, s, (after, ALKALINITY), (AIR_UATM, PCO2), nitrogen)
    nh3 = lambda got: float(got["NH3"]) * kg_l * NITROGEN / 1000
    co2 = lambda got: float(got["aqueous_CO2"]) * kg_l * CARBON_DIOXIDE / 1000
    return {
        "mgoh2_mgL": digits(solids, 6),
        "alk_added_mgL_caco3": digits(solids * CACO3 / MAGNESIUM_HYDROXIDE, 6),
        "mg_added_mgL": digits(solids * MAGNESIUM / MAGNESIUM_HYDROXIDE, 6),
        "ph_closed_total": places(closed["pH"], 4),
        "ph_open_undosed_total": places(aired["pH"], 4),
        "ph_open_dosed_total": places(both["pH"], 4),
        "co2aq0_mgL": digits(co2(start), 6),
        "co2aq_closed_mgL": digits(co2(closed), 6),
        "nh3n_before_mgL": digits(nh3(start), 6),
        "nh3n_closed_mgL": digits(nh3(closed), 6),
        "nh3n_open_dosed_mgL": digits(nh3(both), 6),
        "nh3_ratio_closed": digits(nh3(closed) / nh3(start), 6),
    }


def settle_all(write):
    return settle("carbonate.csv", water, write) + settle("mgoh2_dose.csv", dose, write)
