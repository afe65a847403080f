"""Saturation with struvite and brucite, by PHREEQC on diluted reference sea water."""
from phreeqpython import PhreeqPython

from oxygen import density
from table import numbers, places, settle

# mol/kg at 35 PSU (Millero et al. 2008, rounded); 2.4 mmol/L of inorganic carbon.
SEA = {"Na": 0.46906, "K": 0.01021, "Ca": 0.01028, "Cl": 0.54586, "S(6)": 0.02824}
CARBON_MOL_L = 120.0 / 50043.45
MASS = {"Mg": 24.305, "N(-3)": 14.0067, "P": 30.973762}
MINERALS = """PHASES
Struvite
 MgNH4PO4:6H2O = Mg+2 + NH4+ + PO4-3 + 6 H2O
 log_k -13.26
 delta_h 22.6 kJ
Brucite
 Mg(OH)2 + 2 H+ = Mg+2 + 2 H2O
 log_k 16.84
 delta_h -27.1 kcal
END
"""

engine = PhreeqPython(database="phreeqc.dat")
engine.ip.run_string(MINERALS)


def compute(row):
    t, ph, s = numbers(row, "t_c", "ph", "sal_psu")
    salt = 35.16504 / 35 * s / 1000
    water_kg_l = density(t, s) / 1000 * (1 - salt)
    molal = {ion: mol * s / 35 / (1 - salt) for ion, mol in SEA.items()}
    for ion, column in (("Mg", "mg_mgL"), ("N(-3)", "tan_mgL_n"), ("P", "po4_mgL_p")):
        molal[ion] = float(row[column]) / MASS[ion] / 1000 / water_kg_l
    molal["C(4)"] = CARBON_MOL_L / water_kg_l
    plus = molal["Na"] + molal["K"] + 2 * (molal["Ca"] + molal["Mg"]) + molal["N(-3)"]
    minus = 2 * (molal["S(6)"] + molal["P"]) + molal["C(4)"]
    # Charge is closed on chloride, or on sodium where the anions are in excess.
    if plus > minus + 1e-3:
        molal["Cl"], closing = max(plus - minus, 1e-3), "Cl"
    else:
        molal["Na"], closing = max(molal["Na"], 1e-3), "Na"
    text = f"SOLUTION 1\n temp {t}\n pH {ph}\n pe 8\n units mol/kgw\n"
    for ion, value in molal.items():
        text += f" {ion} {max(value, 1e-7):.10g}{' charge' if ion == closing else ''}\n"
    text += "SELECTED_OUTPUT 1\n -reset false\n -high_precision true\n -si Struvite Brucite\nEND\n"
    engine.ip.run_string(text)
    names, *values = engine.ip.get_selected_output_array()
    got = dict(zip(names, values[-1]))
    return {"si_struvite": places(got["si_Struvite"], 4), "si_brucite": places(got["si_Brucite"], 4)}


def settle_all(write):
    return settle("struvite.csv", compute, write)
