//! What can be measured, entered or derived, with the ids that users' scripts rely on.

macro_rules! quantities {
    ($( $(#[$doc:meta])* $variant:ident = $id:literal, $unit:literal, $decimals:literal, $derived:literal, $low:literal ..= $high:literal; )*) => {
        /// A measured, entered or derived quantity. The id names the unit, so a value never travels
        /// without one.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
        #[cfg_attr(feature = "checkpoint", derive(serde::Serialize, serde::Deserialize))]
        #[non_exhaustive]
        pub enum Quantity { $( $(#[$doc])* $variant, )* }

        impl Quantity {
            /// Every quantity, in the order of the contract.
            pub const ALL: &'static [Self] = &[ $( Self::$variant, )* ];

            /// The id used in configuration, files, MQTT and commands.
            pub const fn id(self) -> &'static str { match self { $( Self::$variant => $id, )* } }

            /// The unit as a person reads it; empty where there is none.
            pub const fn unit(self) -> &'static str { match self { $( Self::$variant => $unit, )* } }

            /// Decimals worth showing to a person.
            pub const fn decimals(self) -> usize { match self { $( Self::$variant => $decimals, )* } }

            /// Whether it is computed from others rather than measured or entered.
            pub const fn is_derived(self) -> bool { match self { $( Self::$variant => $derived, )* } }

            /// The widest range a value can have at all, as `(lowest, highest)`, both included. Outside
            /// it a value is no measurement of this quantity: it is refused from a person and failed
            /// from a probe. (Common practice, no source: the span of instruments sold for ponds.)
            pub const fn conceivable(self) -> (f64, f64) { match self { $( Self::$variant => ($low, $high), )* } }

            /// Whether a value can be one of this quantity: one in its range, and of a state 0 or 1 alone.
            pub fn can_be(self, value: f64) -> bool {
                let (lowest, highest) = self.conceivable();
                (lowest..=highest).contains(&value) && (!self.is_state() || value == 0.0 || value == 1.0)
            }

            /// Whether it says no more than that something is so (1) or is not (0).
            pub const fn is_state(self) -> bool {
                matches!(self, Self::AeratorOn)
            }

            /// Finds a quantity by its id.
            pub fn from_id(id: &str) -> Option<Self> {
                match id { $( $id => Some(Self::$variant), )* _ => None }
            }
        }
    };
}

quantities! {
    /// Dissolved oxygen.
    DoMgL = "do_mg_l", "mg/L", 2, false, 0.0 ..= 50.0;
    /// Water temperature.
    TemperatureC = "temperature_c", "°C", 1, false, -5.0 ..= 60.0;
    /// pH as a probe calibrated in NBS buffers reads it.
    Ph = "ph", "", 2, false, 0.0 ..= 14.0;
    /// Practical salinity.
    SalinityPsu = "salinity_psu", "PSU", 1, false, 0.0 ..= 100.0;
    /// Electrical conductivity.
    ConductivityMsCm = "conductivity_ms_cm", "mS/cm", 2, false, 0.0 ..= 200.0;
    /// Air pressure at the pond, not reduced to sea level.
    PressureHpa = "pressure_hpa", "hPa", 1, false, 500.0 ..= 1100.0;
    /// Water depth at the gauge.
    DepthM = "depth_m", "m", 2, false, 0.0 ..= 20.0;
    /// Turbidity.
    TurbidityNtu = "turbidity_ntu", "NTU", 0, false, 0.0 ..= 10000.0;
    /// Redox potential against the electrode's own reference.
    OrpMv = "orp_mv", "mV", 0, false, -2000.0 ..= 2000.0;
    /// Light for photosynthesis.
    ParUmolM2S = "par_umol_m2_s", "µmol/m2/s", 0, false, 0.0 ..= 4000.0;
    /// pH in the sludge.
    SludgePh = "sludge_ph", "", 2, false, 0.0 ..= 14.0;
    /// Redox potential in the sludge.
    SludgeOrpMv = "sludge_orp_mv", "mV", 0, false, -2000.0 ..= 2000.0;
    /// Total ammonia nitrogen, as N.
    TanMgL = "tan_mg_l", "mg/L", 2, false, 0.0 ..= 1000.0;
    /// Nitrite, as N.
    NitriteMgL = "nitrite_mg_l", "mg/L", 2, false, 0.0 ..= 1000.0;
    /// Nitrate, as N.
    NitrateMgL = "nitrate_mg_l", "mg/L", 1, false, 0.0 ..= 5000.0;
    /// Orthophosphate, as P.
    PhosphateMgL = "phosphate_mg_l", "mg/L", 2, false, 0.0 ..= 1000.0;
    /// Total alkalinity, as CaCO3.
    AlkalinityMgL = "alkalinity_mg_l", "mg/L", 0, false, 0.0 ..= 5000.0;
    /// Total hardness, as CaCO3.
    HardnessMgL = "hardness_mg_l", "mg/L", 0, false, 0.0 ..= 50000.0;
    /// Calcium.
    CalciumMgL = "calcium_mg_l", "mg/L", 0, false, 0.0 ..= 10000.0;
    /// Magnesium.
    MagnesiumMgL = "magnesium_mg_l", "mg/L", 0, false, 0.0 ..= 10000.0;
    /// Total iron.
    IronMgL = "iron_mg_l", "mg/L", 2, false, 0.0 ..= 1000.0;
    /// Total sulfide, as S.
    SulfideMgL = "sulfide_mg_l", "mg/L", 3, false, 0.0 ..= 1000.0;
    /// Depth at which a Secchi disc vanishes.
    SecchiCm = "secchi_cm", "cm", 0, false, 0.0 ..= 2000.0;
    /// Whether an aerator runs: 0 or 1.
    AeratorOn = "aerator_on", "", 0, false, 0.0 ..= 1.0;
    /// Electrical power an aerator draws.
    AeratorKw = "aerator_kw", "kW", 1, false, 0.0 ..= 1000.0;
    /// Oxygen at saturation for the present temperature, salinity and pressure.
    DoSaturationMgL = "do_saturation_mg_l", "mg/L", 2, true, 0.0 ..= 50.0;
    /// Dissolved oxygen as a share of saturation.
    DoSaturationPercent = "do_saturation_percent", "%", 0, true, 0.0 ..= 1000.0;
    /// Un-ionised ammonia nitrogen, as N.
    Nh3NMgL = "nh3_n_mg_l", "mg/L", 3, true, 0.0 ..= 1000.0;
    /// Un-ionised hydrogen sulfide, as S.
    H2sSMgL = "h2s_s_mg_l", "mg/L", 4, true, 0.0 ..= 1000.0;
    /// Dissolved carbon dioxide.
    Co2MgL = "co2_mg_l", "mg/L", 1, true, 0.0 ..= 1000.0;
    /// Highest less lowest pH of the last 24 hours.
    PhSwing = "ph_swing", "", 2, true, 0.0 ..= 14.0;
    /// Present slope of oxygen at night; negative while it falls.
    NightSlopeMgLH = "night_slope_mg_l_h", "mg/L/h", 2, true, -100.0 ..= 100.0;
    /// Oxygen expected at its lowest between now and one hour after sunrise.
    DawnDoMgL = "dawn_do_mg_l", "mg/L", 1, true, 0.0 ..= 50.0;
}

#[cfg(test)]
mod tests {
    use super::Quantity;

    #[test]
    fn a_state_is_nought_or_one_and_no_other_quantity_is_a_state() {
        let states: alloc::vec::Vec<_> =
            Quantity::ALL.iter().filter(|quantity| quantity.is_state()).collect();
        assert_eq!(states, [&Quantity::AeratorOn]);
        for (value, can_be) in
            [(0.0, true), (-0.0, true), (1.0, true), (0.5, false), (2.0, false), (f64::NAN, false)]
        {
            assert_eq!(Quantity::AeratorOn.can_be(value), can_be, "{value}");
        }
        assert!(Quantity::DoMgL.can_be(0.5) && !Quantity::DoMgL.can_be(50.1) && !Quantity::Ph.can_be(-0.1));
    }

    #[test]
    fn every_id_finds_its_own_quantity() {
        for &quantity in Quantity::ALL {
            assert_eq!(Quantity::from_id(quantity.id()), Some(quantity));
        }
        assert_eq!(Quantity::from_id("dissolved_oxygen"), None);
    }
}
