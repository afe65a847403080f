//! Every formula used here with its source, range and accuracy, as a table that explanations and
//! reports cite by id.

/// A formula and where it comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Formula {
    /// Stable name to cite.
    pub id: &'static str,
    /// What it gives, with its unit.
    pub gives: &'static str,
    /// The formula as text. T is in kelvin, t in °C, S in PSU, P in atmospheres.
    pub formula: &'static str,
    /// Who published it.
    pub source: &'static str,
    /// Where it holds, and what is done beyond.
    pub range: &'static str,
    /// How near the truth it is.
    pub accuracy: &'static str,
}

/// Oxygen at saturation.
pub const OXYGEN_SATURATION: Formula = Formula {
    id: "oxygen_saturation",
    gives: "oxygen at saturation with moist air, mg/L",
    formula: "ln C1 = -139.34411 + 1.575701e5/T - 6.642308e7/T^2 + 1.243800e10/T^3 - 8.621949e11/T^4 \
              - S (1.7674e-2 - 10.754/T + 2140.7/T^2); C = C1 (P-u)(1-hP)/((1-u)(1-h)), \
              h = 0.000975 - 1.426e-5 t + 6.436e-8 t^2, u = exp(11.8571 - 3840.70/T - 216961/T^2)",
    source: "Benson & Krause 1984, pressure term of APHA Standard Methods 4500-O",
    range: "0 to 40 °C, 0 to 40 PSU as published, used to 45 PSU; 850 to 1050 hPa; outside is refused",
    accuracy: "0.02 mg/L; Garcia & Gordon 1992 differs by up to 0.004 mg/L",
};

/// The un-ionised share of ammonia for a buffer reading.
pub const NH3_NBS: Formula = Formula {
    id: "nh3_fraction_nbs",
    gives: "un-ionised share of total ammonia, 0 to 1, for a pH from a probe calibrated in NBS buffers",
    formula: "f = 1/(1 + 10^(pKa - pH)); pKa = 0.09018 + 2729.92/T + (0.1552 - 0.0003142 t) I; \
              I = 19.9273 S/(1000 - 1.005109 S)",
    source: "Emerson et al. 1975, salt term of Khoo et al. 1977",
    range: "0 to 40 °C, 0 to 45 PSU, pH 4 to 11; outside is refused",
    accuracy: "1 % to 40 PSU on the free scale; a buffer reading in salt water gives 4 to 19 % too much, \
               the safe side; 0.1 in pH is some 20 %",
};

/// The un-ionised share of ammonia for a total-scale pH.
pub const NH3_TOTAL: Formula = Formula {
    id: "nh3_fraction_total",
    gives: "un-ionised share of total ammonia, 0 to 1, for a pH on the total scale",
    formula: "f = 1/(1 + 10^(pKa - pH)); pKa of equation 18 of the source, in mol/kg of sea water",
    source: "Clegg & Whitfield 1995",
    range: "0 to 40 °C, 0 to 40 PSU as published, used to 45 PSU; pH 4 to 11; outside is refused",
    accuracy: "5 % on the constant",
};

/// pH scales.
pub const PH_SCALES: Formula = Formula {
    id: "ph_scales",
    gives: "free pH less total pH",
    formula: "log10(1 + ST/KS); ST = 0.14/96.062 S/1.80655 mol/kg; a reading in NBS buffers is taken as free pH",
    source: "KS of Dickson 1990, sulfate of Morris & Riley 1966",
    range: "0 to 40 °C, 0 to 45 PSU",
    accuracy: "0.0005 in the shift; a buffer reading lies 0.02 to 0.07 above free pH in salt water",
};

/// The un-ionised share of sulfide.
pub const H2S: Formula = Formula {
    id: "h2s_fraction",
    gives: "un-ionised share of total sulfide, 0 to 1",
    formula: "f = 1/(1 + 10^(pH - pK1)), total scale; ln K1 = 225.838 - 13275.3/T - 34.6435 ln T + 0.3449 sqrt(S) \
              - 0.0274 S",
    source: "Millero, Plese & Fernandez 1988",
    range: "5 to 25 °C and 5 to 40 PSU as published, used from 0 to 40 °C and 0 to 45 PSU",
    accuracy: "0.02 in pK1 where published; fresh-water tables for fish ponds read 2 to 5 % higher",
};

/// The carbonate system.
pub const CARBONATE: Formula = Formula {
    id: "carbonate_system",
    gives: "dissolved carbon, CO2, its pressure, and pH after a change",
    formula: "TA = HCO3 + 2 CO3 + B(OH)4 + OH - H - HSO4 - HF + NH3, total scale; closed water keeps its carbon, \
              open water comes to 420 uatm of CO2",
    source: "K1, K2 Millero 2010; K0 Weiss 1974; Kw Millero 1995; KB, KS Dickson 1990; KF Dickson & Riley 1979; \
             borate Uppström 1974; ammonium Clegg & Whitfield 1995",
    range: "0 to 40 °C, 0 to 45 PSU, alkalinity 0 to 500 mg/L as CaCO3",
    accuracy: "other published constants move carbon by 0.5 % and CO2 by 5 %; pond ions that differ from diluted \
               sea water move pH by a few hundredths",
};

/// What a dose of magnesium hydroxide adds.
pub const DOSE: Formula = Formula {
    id: "magnesium_hydroxide_dose",
    gives: "slurry kg and L, solids, alkalinity and magnesium added",
    formula: "slurry kg = dose V/1000 (mass of slurry), dose V/1000/solids (mass of solids), dose V density/1000 \
              (volume of slurry); 1 mg/L Mg(OH)2 = 1.7162 mg/L alkalinity as CaCO3 = 0.4168 mg/L Mg",
    source: "atomic masses (IUPAC)",
    range: "0 to 200 mg/L or mL/m3",
    accuracy: "exact for pure Mg(OH)2; the label's solids and density decide",
};

/// Where magnesium hydroxide stops dissolving.
pub const BRUCITE: Formula = Formula {
    id: "brucite_saturation",
    gives: "whether, and at which pH, magnesium hydroxide stops dissolving",
    formula: "Mg(OH)2 + 2 H+ = Mg2+ + 2 H2O, log K = 16.84 at 25 °C, -27.1 kcal/mol; the bound on pH uses the \
              freshly precipitated form, log K 1.95 higher",
    source: "WATEQ4F as carried by PHREEQC; the fresh form from MINTEQ (from memory)",
    range: "0 to 40 °C, 0 to 45 PSU",
    accuracy: "0.1 in pH for brucite",
};

/// Struvite.
pub const STRUVITE: Formula = Formula {
    id: "struvite_saturation",
    gives: "saturation index of struvite and the most that could form, mg/L",
    formula: "SI = log10(aMg aNH4 aPO4 aH2O^6) + 13.26 at 25 °C (22.6 kJ/mol); extended Debye-Hückel activities and \
              ion pairs of phreeqc.dat in diluted sea water",
    source: "Ronteltap et al. 2007; PHREEQC database phreeqc.dat",
    range: "0.3 to 40 PSU, 10 to 35 °C, pH 6.8 to 10 as checked against PHREEQC; used over the accepted ranges",
    accuracy: "0.05 against PHREEQC; 0.6 against nature",
};

/// Oxygen transfer in the field.
pub const OXYGEN_TRANSFER: Formula = Formula {
    id: "oxygen_transfer",
    gives: "oxygen that aerators bring in the field, kg/h",
    formula: "OTR = SOTR alpha (beta C*(t,S,P) - C)/9.0924 theta^(t-20)",
    source: "form of ASCE/EWRI 2 and IS 13166:1992",
    range: "0 to 40 °C, 0 to 45 PSU; negative above saturation",
    accuracy: "exact in arithmetic; alpha is rarely known to 10 %",
};

/// Sunrise, sunset and noon.
pub const SUN: Formula = Formula {
    id: "sunrise_sunset",
    gives: "sunrise, sunset and solar noon, UTC",
    formula: "centre of the sun at -0.8333 degrees, searched 12 h on each side of solar noon with the sun's place \
              evaluated at the event",
    source: "Meeus, Astronomical Algorithms, low-accuracy sun, as in the NOAA solar calculator",
    range: "1900 to 2100, all latitudes",
    accuracy: "15 s against the NREL algorithm, 150 s near the polar limit; refraction varies by more",
};

/// Light of a clear sky.
pub const CLEAR_SKY: Formula = Formula {
    id: "clear_sky_light",
    gives: "photosynthetic light of a clear sky",
    formula: "1098 sin h exp(-0.059/sin h) W/m2, times 0.45 and 4.57 umol/J",
    source: "Haurwitz 1945, 1946; McCree 1972 (the shares from memory)",
    range: "sun above the horizon",
    accuracy: "10 % on a clear day",
};

/// Theil–Sen.
pub const THEIL_SEN: Formula = Formula {
    id: "theil_sen",
    gives: "slope and its 95 % limits",
    formula: "median of (yj - yi)/(xj - xi) over pairs with different x; limits at ranks (N -/+ 1.96 sigma)/2, \
              sigma^2 = [n(n-1)(2n+5) - ties]/18",
    source: "Theil 1950, Sen 1968; ties after Kendall",
    range: "2 to 5000 points",
    accuracy: "as scipy.stats.theilslopes; limits assume independent errors",
};

/// Least squares.
pub const LEAST_SQUARES: Formula = Formula {
    id: "least_squares",
    gives: "slope",
    formula: "sum (x - mean x)(y - mean y) / sum (x - mean x)^2",
    source: "Gauss; any textbook",
    range: "2 to 5000 points",
    accuracy: "rounding",
};

/// Nitrite limits.
pub const NITRITE_LIMIT: Formula = Formula {
    id: "nitrite_limit",
    gives: "nitrite that white shrimp juveniles bear, mg/L as N",
    formula: "straight on logarithmic axes through 0.28 at 0.6 PSU, 0.35 at 1, 0.5 at 2, 6.1 at 15, 15.2 at 25, 25.7 at \
              35; warn at half of it and at most 2, critical at it and at most 5",
    source: "low-salinity nitrite study, Aquaculture Research 2016; Gross et al. 2004; Lin & Chen 2003; 2 and 5 mg/L: \
             common practice, no source",
    range: "0.6 to 35 PSU; the end values are held beyond",
    accuracy: "safe values are 5 to 10 % of a 96-h LC50, not a growth study; 2 to 15 PSU is an estimate",
};

/// Unit bases.
pub const CONVERSION: Formula = Formula {
    id: "unit_basis",
    gives: "the same amount on another basis, mg/L",
    formula: "value times the molar mass of the new basis over that of the old, per atom of the shared element",
    source: "atomic masses (IUPAC)",
    range: "any",
    accuracy: "exact",
};

/// Every formula.
pub const ALL: [&Formula; 16] = [
    &OXYGEN_SATURATION,
    &NH3_NBS,
    &NH3_TOTAL,
    &PH_SCALES,
    &H2S,
    &CARBONATE,
    &DOSE,
    &BRUCITE,
    &STRUVITE,
    &OXYGEN_TRANSFER,
    &SUN,
    &CLEAR_SKY,
    &THEIL_SEN,
    &LEAST_SQUARES,
    &NITRITE_LIMIT,
    &CONVERSION,
];

/// The formula of an id.
pub fn by_id(id: &str) -> Option<&'static Formula> {
    ALL.into_iter().find(|formula| formula.id == id)
}
