//! What a day's feed brings into the water and asks of it: nitrogen, oxygen, alkalinity, phosphorus; and how
//! far the water is from forming struvite.
//!
//! Orders of magnitude for an adviser to see which lever matters, not a forecast: algae, sludge and exchange
//! take up and give back what is not counted here.

use pondreeve_chemistry::masses::{CALCIUM_CARBONATE, NITROGEN, OXYGEN_GAS};
use pondreeve_chemistry::seawater::magnesium_mg_l;
use pondreeve_chemistry::struvite::{self, Saturation, Solution};
use pondreeve_chemistry::units::{Celsius, Magnesium, Phosphate, Salinity, TotalAmmonia};

/// Protein to nitrogen: proteins of feeds hold 16 % nitrogen (Jones 1931, USDA Circular 183).
pub const PROTEIN_PER_NITROGEN: f64 = 6.25;

/// Total ammonia, kg N for each kg of protein fed: where solids are taken out (Timmons and Ebeling,
/// "Recirculating Aquaculture"; from memory), and where nothing is (Ebeling, Timmons and Bisogni 2006,
/// Aquaculture 257; from memory).
pub const TAN_PER_PROTEIN: (f64, f64) = (0.092, 0.144);

/// Oxygen that what becomes of the feed takes, kg for each kg of feed (Boyd, "Oxygen demand of aquaculture
/// feed").
pub const OXYGEN_PER_FEED: f64 = 1.25;

/// Alkalinity that nitrification takes, mg CaCO3 for each mg N: two of acid for each ammonium, 7.14.
/// NH4+ + 2 O2 -> NO3- + 2 H+ + H2O.
pub const ALKALINITY_PER_NITROGEN: f64 = CALCIUM_CARBONATE / NITROGEN;

/// Oxygen that nitrification takes, mg for each mg N, by the same: 4.57.
pub const OXYGEN_PER_NITROGEN: f64 = 2.0 * OXYGEN_GAS / NITROGEN;

/// Phosphorus in shrimp feed by mass, and the share of it that shrimp do not keep. (Common practice, no
/// source.)
pub const PHOSPHORUS_PER_FEED: f64 = 0.012;
/// See [`PHOSPHORUS_PER_FEED`].
pub const PHOSPHORUS_NOT_KEPT: f64 = 0.8;

/// Protein in shrimp feed, %, where nobody says. (Common practice, no source.)
pub const USUAL_PROTEIN_PERCENT: f64 = 35.0;

/// Protein that is accepted, %.
pub const PROTEIN_ACCEPTED: (f64, f64) = (10.0, 60.0);

/// What a day's feed comes to.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FeedLoad {
    /// Feed, kg a day.
    pub feed_kg: f64,
    /// Days with feed behind that, of the last seven whole ones; 0 where it was said.
    pub days: usize,
    /// Protein in it, %.
    pub protein_percent: f64,
    /// Water in the pond, m3.
    pub volume_m3: f64,
    /// Nitrogen that goes in, kg a day.
    pub nitrogen_kg: f64,
    /// Total ammonia that comes of it, mg/L a day as N, least and most.
    pub tan_mg_l: (f64, f64),
    /// Oxygen that the feed takes, mg/L a day.
    pub oxygen_mg_l: f64,
    /// Oxygen of it that goes if all of that ammonia is nitrified, mg/L a day.
    pub nitrification_oxygen_mg_l: (f64, f64),
    /// Alkalinity that goes if all of that ammonia is nitrified, mg/L a day as CaCO3.
    pub alkalinity_mg_l: (f64, f64),
    /// Phosphorus that is not kept, mg/L a day as P.
    pub phosphorus_mg_l: f64,
}

impl FeedLoad {
    /// Of so much feed in so much water.
    pub fn of((feed_kg, days): (f64, usize), protein_percent: f64, volume_m3: f64) -> Self {
        let protein_kg = feed_kg * protein_percent / 100.0;
        let mg_l = |kg: f64| kg * 1_000.0 / volume_m3;
        let range = |(least, most): (f64, f64), by: f64| (least * by, most * by);
        let tan_mg_l = range(TAN_PER_PROTEIN, mg_l(protein_kg));
        Self {
            feed_kg,
            days,
            protein_percent,
            volume_m3,
            nitrogen_kg: protein_kg / PROTEIN_PER_NITROGEN,
            tan_mg_l,
            oxygen_mg_l: mg_l(feed_kg * OXYGEN_PER_FEED),
            nitrification_oxygen_mg_l: range(tan_mg_l, OXYGEN_PER_NITROGEN),
            alkalinity_mg_l: range(tan_mg_l, ALKALINITY_PER_NITROGEN),
            phosphorus_mg_l: mg_l(feed_kg * PHOSPHORUS_PER_FEED * PHOSPHORUS_NOT_KEPT),
        }
    }
}

/// How the water stands with struvite.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct StruviteLook {
    /// Total ammonia, mg/L as N.
    pub tan_mg_l: f64,
    /// Phosphate, mg/L as P.
    pub phosphate_mg_l: f64,
    /// Magnesium, mg/L.
    pub magnesium_mg_l: f64,
    /// It was measured, rather than being that of sea water of the pond's salinity.
    pub is_magnesium_measured: bool,
    /// pH.
    pub ph: f64,
    /// The result.
    pub saturation: Saturation,
}

/// Looks at water: temperature, salinity, pH, total ammonia, phosphate, and magnesium where it was measured.
/// `None` where a value is out of its range.
pub fn struvite_look(
    temperature_c: f64,
    salinity_psu: f64,
    ph: f64,
    (tan_mg_l, phosphate_mg_l): (f64, f64),
    measured_mg_l: Option<f64>,
) -> Option<StruviteLook> {
    let (temperature, salinity) = (Celsius::new(temperature_c).ok()?, Salinity::new(salinity_psu).ok()?);
    let magnesium_mg_l = measured_mg_l.unwrap_or_else(|| magnesium_mg_l(temperature, salinity));
    // Outside this no pond is, and the activities were not checked.
    if !(4.0..=11.0).contains(&ph) {
        return None;
    }
    let solution = Solution {
        temperature,
        salinity,
        ph,
        magnesium: Magnesium::new(magnesium_mg_l).ok()?,
        tan: TotalAmmonia::new(tan_mg_l).ok()?,
        phosphate: Phosphate::new(phosphate_mg_l).ok()?,
    };
    Some(StruviteLook {
        tan_mg_l,
        phosphate_mg_l,
        magnesium_mg_l,
        is_magnesium_measured: measured_mg_l.is_some(),
        ph,
        saturation: struvite::saturation(&solution),
    })
}

/// What is known of a pond.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MassBalance {
    /// What the feed comes to; `None` where no feed is recorded and none was said.
    pub load: Option<FeedLoad>,
    /// Alkalinity by the newest kit value, mg/L as CaCO3.
    pub alkalinity_mg_l: Option<f64>,
    /// Struvite in the water; `None` where a value is missing.
    pub struvite: Option<StruviteLook>,
    /// Struvite in the pore water of the sludge; `None` where nobody measured it, or a value is out of its range.
    pub pore_struvite: Option<StruviteLook>,
}

/// Pore water of the sludge as somebody measured it. Its temperature, salinity and magnesium are the pond's.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PoreWater {
    /// Total ammonia, mg/L as N.
    pub tan_mg_l: f64,
    /// Phosphate, mg/L as P.
    pub phosphate_mg_l: f64,
    /// pH.
    pub ph: f64,
}

#[cfg(test)]
mod tests {
    use super::*;

    /// By hand: 152 kg of feed of 35 % protein are 53.2 kg protein and 8.51 kg N; 4.89 to 7.66 kg TAN in 7,500 m3
    /// are 0.653 to 1.021 mg/L; each mg takes 100.087/14.007 = 7.146 mg/L CaCO3 and 4.569 mg/L oxygen; 190 kg
    /// oxygen are 25.3 mg/L; 152 x 0.012 x 0.8 = 1.459 kg P are 0.195 mg/L.
    #[test]
    fn a_day_of_feed_by_hand() {
        let load = FeedLoad::of((152.0, 7), 35.0, 7_500.0);
        let near = |own: f64, wanted: f64, by: f64| assert!((own - wanted).abs() < by, "{own}, not {wanted}");
        near(load.nitrogen_kg, 8.512, 0.001);
        near(load.tan_mg_l.0, 0.6526, 0.0005);
        near(load.tan_mg_l.1, 1.0214, 0.0005);
        near(load.alkalinity_mg_l.0, 4.663, 0.003);
        near(load.alkalinity_mg_l.1, 7.299, 0.003);
        near(load.oxygen_mg_l, 25.333, 0.001);
        near(load.nitrification_oxygen_mg_l.0, 2.982, 0.002);
        near(load.phosphorus_mg_l, 0.19456, 0.0001);
        near(ALKALINITY_PER_NITROGEN, 7.14, 0.01);
        near(OXYGEN_PER_NITROGEN, 4.57, 0.01);
    }

    /// Pore water of sludge, tens of mg/L of TAN and phosphate: PHREEQC says 0.35 and 1.63 (rows st-0131 and st-0100
    /// of the reference table, which `tests/reference` holds the whole formula to).
    #[test]
    fn the_pore_water_of_sludge_may_form_some() {
        let index = |look: Option<StruviteLook>| look.unwrap().saturation.index.unwrap();
        let pore = struvite_look(33.93, 17.32, 8.136, (71.4, 59.86), Some(473.6));
        assert!((index(pore) - 0.35).abs() < 0.1, "{pore:?}");
        let rich = struvite_look(25.0, 10.0, 8.5, (300.0, 100.0), Some(418.5));
        assert!((index(rich) - 1.63).abs() < 0.1 && rich.unwrap().saturation.at_most_mg_l > 0.0, "{rich:?}");
    }

    /// At 20 PSU with 2 mg/L TAN and 0.5 mg/L phosphate, pond water is far below saturation: by a conditional
    /// product some 400 times, an index near -2.6.
    #[test]
    fn pond_water_forms_no_struvite() {
        let look = struvite_look(30.0, 20.0, 8.3, (2.0, 0.5), None).unwrap();
        assert!((look.magnesium_mg_l - 740.0).abs() < 20.0, "sea water holds about 740 mg/L at 20 PSU");
        let index = look.saturation.index.unwrap();
        assert!(index < -1.0, "{index}");
        assert_eq!(look.saturation.at_most_mg_l, 0.0);
        assert!(struvite_look(30.0, 20.0, f64::NAN, (2.0, 0.5), None).is_none());
        assert!(struvite_look(30.0, 20.0, 8.0, (-1.0, 0.5), None).is_none());
    }
}
