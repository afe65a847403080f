//! The farm inside a journal record: JSON, because it is written once a start, grows with the program
//! and should still be readable by eye in ten years. A field that a later version adds gets a default,
//! so that older records stay readable.

use pondreeve_core::call::{CallPlan, CallStep};
use pondreeve_core::compensation::Compensation;
use pondreeve_core::defaults::AERATION_RISK;
use pondreeve_core::effect::Priority;
use pondreeve_core::site::{
    AeratorGroup, Channel, EnergyPrice, Layer, Node, Pond, PondIndex, Probe, QualityLimits, Site, Timer,
};
use pondreeve_core::{Quantity, Span};
use serde::{Deserialize, Serialize};

use super::codec::Malformed;
use super::limits_record::LimitsRecord;

/// JSON of a farm.
pub fn to_text(site: &Site) -> String {
    // A type of plain fields with text keys: nothing in it can fail to become JSON.
    serde_json::to_string(&SiteRecord::from(site)).unwrap_or_default()
}

/// The farm that a JSON text describes.
pub(super) fn from_text(text: &str) -> Result<Site, Malformed> {
    let record: SiteRecord = serde_json::from_str(text).map_err(|_| Malformed::Unknown)?;
    record.into_site()
}

/// A number that survives JSON whatever it is: infinities and NaN travel as words.
#[derive(Debug, Clone, Copy, Serialize, Deserialize)]
#[serde(untagged)]
pub(super) enum Number {
    Finite(f64),
    Word(Word),
}

#[derive(Debug, Clone, Copy, Serialize, Deserialize)]
pub(super) enum Word {
    #[serde(rename = "inf")]
    Infinite,
    #[serde(rename = "-inf")]
    MinusInfinite,
    #[serde(rename = "nan")]
    NotANumber,
}

impl From<f64> for Number {
    fn from(value: f64) -> Self {
        if value.is_finite() {
            Self::Finite(value)
        } else if value.is_nan() {
            Self::Word(Word::NotANumber)
        } else if value > 0.0 {
            Self::Word(Word::Infinite)
        } else {
            Self::Word(Word::MinusInfinite)
        }
    }
}

impl From<Number> for f64 {
    fn from(number: Number) -> Self {
        match number {
            Number::Finite(value) => value,
            Number::Word(Word::Infinite) => Self::INFINITY,
            Number::Word(Word::MinusInfinite) => Self::NEG_INFINITY,
            Number::Word(Word::NotANumber) => Self::NAN,
        }
    }
}

#[derive(Serialize, Deserialize)]
struct SiteRecord {
    gateway: String,
    latitude_deg: Number,
    longitude_deg: Number,
    pressure_hpa: Number,
    ponds: Vec<PondRecord>,
    probes: Vec<ProbeRecord>,
    summary_every_ms: i64,
    #[serde(default)]
    energy_price: Option<EnergyPriceRecord>,
    /// Missing in records of before anybody was called: nobody is.
    #[serde(default)]
    calls: Option<CallPlanRecord>,
}

#[derive(Serialize, Deserialize)]
struct CallPlanRecord {
    /// Id, name, and milliseconds after the alarm.
    steps: Vec<(String, String, i64)>,
    repeat_every_ms: Option<i64>,
    mildest: Option<u8>,
}

#[derive(Serialize, Deserialize)]
struct EnergyPriceRecord {
    per_kwh: Number,
    currency: String,
}

#[derive(Serialize, Deserialize)]
struct PondRecord {
    id: String,
    name: String,
    area_m2: Number,
    depth_m: Number,
    salinity_psu: Number,
    aerators: Vec<AeratorRecord>,
    limits: LimitsRecord,
    #[serde(default)]
    aeration_risk: Option<Number>,
    #[serde(default)]
    like: Option<u16>,
    #[serde(default)]
    dose_every_ms: Option<i64>,
}

#[derive(Serialize, Deserialize)]
struct AeratorRecord {
    id: String,
    power_kw: Number,
    sae_kg_kwh: Number,
    #[serde(default)]
    must_run: bool,
    /// On and off, milliseconds after midnight UTC.
    #[serde(default)]
    timer_ms: Option<(i64, i64)>,
}

#[derive(Serialize, Deserialize)]
struct ProbeRecord {
    id: String,
    pond: Option<u16>,
    #[serde(default)]
    link: String,
    #[serde(default)]
    node: Option<NodeRecord>,
    channels: Vec<ChannelRecord>,
}

#[derive(Serialize, Deserialize)]
struct NodeRecord {
    id: String,
    is_on_mains: bool,
}

#[derive(Serialize, Deserialize)]
struct ChannelRecord {
    quantity: String,
    aerator: Option<u16>,
    #[serde(default)]
    layer: Option<LayerRecord>,
    calibration_slope: Number,
    calibration_offset: Number,
    #[serde(default)]
    assumed_salinity_psu: Option<Number>,
    #[serde(default)]
    assumed_pressure_hpa: Option<Number>,
    fail: [Number; 2],
    suspect: [Number; 2],
    stale_after_ms: i64,
    missing_after_ms: i64,
    /// Missing in records of before these tests: the defaults of the quantity.
    #[serde(default)]
    tests: Option<TestsRecord>,
}

#[derive(Clone, Copy, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
enum LayerRecord {
    Surface,
    Bottom,
}

#[derive(Serialize, Deserialize)]
struct TestsRecord {
    spike: Option<[Number; 2]>,
    rate_per_h: Option<Number>,
    flat_line: Option<(Number, i64, i64)>,
    climatology: Option<[Number; 2]>,
    attenuated_share: Option<Number>,
    pinned_below: Option<Number>,
    neighbour: Option<Number>,
    #[serde(default)]
    service_every_ms: Option<i64>,
}

impl From<&Site> for SiteRecord {
    fn from(site: &Site) -> Self {
        // Taken apart by name, so that a field added to the core cannot be forgotten here.
        let Site {
            gateway,
            latitude_deg,
            longitude_deg,
            pressure_hpa,
            ponds,
            probes,
            summary_every,
            energy_price,
            calls,
        } = site;
        Self {
            gateway: gateway.clone(),
            latitude_deg: (*latitude_deg).into(),
            longitude_deg: (*longitude_deg).into(),
            pressure_hpa: (*pressure_hpa).into(),
            ponds: ponds.iter().map(PondRecord::from).collect(),
            probes: probes.iter().map(ProbeRecord::from).collect(),
            summary_every_ms: summary_every.as_millis(),
            energy_price: energy_price.as_ref().map(|EnergyPrice { per_kwh, currency }| EnergyPriceRecord {
                per_kwh: (*per_kwh).into(),
                currency: currency.clone(),
            }),
            calls: Some(calls.into()),
        }
    }
}

impl From<&CallPlan> for CallPlanRecord {
    fn from(plan: &CallPlan) -> Self {
        let CallPlan { steps, repeat_every, mildest } = plan;
        Self {
            steps: steps
                .iter()
                .map(|CallStep { id, name, after }| (id.clone(), name.clone(), after.as_millis()))
                .collect(),
            repeat_every_ms: repeat_every.map(Span::as_millis),
            mildest: mildest.map(Priority::number),
        }
    }
}

impl CallPlanRecord {
    fn into_plan(self) -> Result<CallPlan, Malformed> {
        let steps = self.steps.into_iter();
        Ok(CallPlan {
            steps: steps
                .map(|(id, name, after_ms)| CallStep { id, name, after: Span::from_millis(after_ms) })
                .collect(),
            repeat_every: self.repeat_every_ms.map(Span::from_millis),
            mildest: match self.mildest {
                None => None,
                Some(1) => Some(Priority::Critical),
                Some(2) => Some(Priority::High),
                Some(3) => Some(Priority::Medium),
                Some(_) => return Err(Malformed::Unknown),
            },
        })
    }
}

impl SiteRecord {
    fn into_site(self) -> Result<Site, Malformed> {
        Ok(Site {
            gateway: self.gateway,
            latitude_deg: self.latitude_deg.into(),
            longitude_deg: self.longitude_deg.into(),
            pressure_hpa: self.pressure_hpa.into(),
            ponds: self.ponds.into_iter().map(PondRecord::into_pond).collect(),
            probes: self.probes.into_iter().map(ProbeRecord::into_probe).collect::<Result<_, _>>()?,
            summary_every: Span::from_millis(self.summary_every_ms),
            energy_price: self
                .energy_price
                .map(|price| EnergyPrice { per_kwh: price.per_kwh.into(), currency: price.currency }),
            calls: self.calls.map_or_else(|| Ok(CallPlan::default()), CallPlanRecord::into_plan)?,
        })
    }
}

impl From<&Pond> for PondRecord {
    fn from(pond: &Pond) -> Self {
        let Pond {
            id,
            name,
            area_m2,
            depth_m,
            salinity_psu,
            aerators,
            limits,
            aeration_risk,
            like,
            dose_every,
        } = pond;
        Self {
            id: id.clone(),
            name: name.clone(),
            area_m2: (*area_m2).into(),
            depth_m: (*depth_m).into(),
            salinity_psu: (*salinity_psu).into(),
            aerators: aerators
                .iter()
                .map(|AeratorGroup { id, power_kw, sae_kg_kwh, must_run, timer }| AeratorRecord {
                    id: id.clone(),
                    power_kw: (*power_kw).into(),
                    sae_kg_kwh: (*sae_kg_kwh).into(),
                    must_run: *must_run,
                    timer_ms: timer.map(|timer| (timer.on.as_millis(), timer.off.as_millis())),
                })
                .collect(),
            limits: limits.into(),
            aeration_risk: Some((*aeration_risk).into()),
            like: like.map(|like| like.0),
            dose_every_ms: dose_every.map(Span::as_millis),
        }
    }
}

impl PondRecord {
    fn into_pond(self) -> Pond {
        Pond {
            id: self.id,
            name: self.name,
            area_m2: self.area_m2.into(),
            depth_m: self.depth_m.into(),
            salinity_psu: self.salinity_psu.into(),
            aerators: self
                .aerators
                .into_iter()
                .map(|group| AeratorGroup {
                    id: group.id,
                    power_kw: group.power_kw.into(),
                    sae_kg_kwh: group.sae_kg_kwh.into(),
                    must_run: group.must_run,
                    timer: group
                        .timer_ms
                        .map(|(on, off)| Timer { on: Span::from_millis(on), off: Span::from_millis(off) }),
                })
                .collect(),
            limits: self.limits.into(),
            aeration_risk: self.aeration_risk.map_or(AERATION_RISK, Into::into),
            like: self.like.map(PondIndex),
            dose_every: self.dose_every_ms.map(Span::from_millis),
        }
    }
}

impl From<&Probe> for ProbeRecord {
    fn from(probe: &Probe) -> Self {
        let Probe { id, pond, link, node, channels } = probe;
        let channels = channels.iter().map(|channel| {
            let Channel {
                quantity,
                aerator,
                layer,
                calibration_slope,
                calibration_offset,
                compensation,
                quality,
            } = channel;
            let Compensation { assumed_salinity_psu, assumed_pressure_hpa } = compensation;
            let QualityLimits {
                fail,
                suspect,
                stale_after,
                missing_after,
                spike,
                rate_per_h,
                flat_line,
                climatology,
                attenuated_share,
                pinned_below,
                neighbour,
                service_every,
            } = quality;
            let tests = TestsRecord {
                spike: spike.map(|(suspect, fail)| [suspect.into(), fail.into()]),
                rate_per_h: rate_per_h.map(Into::into),
                flat_line: flat_line.map(|(tolerance, suspect, fail)| {
                    (tolerance.into(), suspect.as_millis(), fail.as_millis())
                }),
                climatology: climatology.map(|(sigmas, least)| [sigmas.into(), least.into()]),
                attenuated_share: attenuated_share.map(Into::into),
                pinned_below: pinned_below.map(Into::into),
                neighbour: neighbour.map(Into::into),
                service_every_ms: service_every.map(Span::as_millis),
            };
            ChannelRecord {
                quantity: quantity.id().to_owned(),
                aerator: *aerator,
                layer: layer.map(|layer| match layer {
                    Layer::Surface => LayerRecord::Surface,
                    Layer::Bottom => LayerRecord::Bottom,
                }),
                calibration_slope: (*calibration_slope).into(),
                calibration_offset: (*calibration_offset).into(),
                assumed_salinity_psu: assumed_salinity_psu.map(Into::into),
                assumed_pressure_hpa: assumed_pressure_hpa.map(Into::into),
                fail: [fail.0.into(), fail.1.into()],
                suspect: [suspect.0.into(), suspect.1.into()],
                stale_after_ms: stale_after.as_millis(),
                missing_after_ms: missing_after.as_millis(),
                tests: Some(tests),
            }
        });
        Self {
            id: id.clone(),
            pond: pond.map(|pond| pond.0),
            link: link.clone(),
            node: node
                .as_ref()
                .map(|Node { id, is_on_mains }| NodeRecord { id: id.clone(), is_on_mains: *is_on_mains }),
            channels: channels.collect(),
        }
    }
}

impl ProbeRecord {
    fn into_probe(self) -> Result<Probe, Malformed> {
        let channels = self.channels.into_iter().map(|channel| {
            let [fail_low, fail_high] = channel.fail;
            let [suspect_low, suspect_high] = channel.suspect;
            let quantity = Quantity::from_id(&channel.quantity).ok_or(Malformed::Unknown)?;
            let known = QualityLimits::for_quantity(quantity);
            let tested = channel.tests.map_or(known, |tests| QualityLimits {
                spike: tests.spike.map(|[suspect, fail]| (suspect.into(), fail.into())),
                rate_per_h: tests.rate_per_h.map(Into::into),
                flat_line: tests.flat_line.map(|(tolerance, suspect, fail)| {
                    (tolerance.into(), Span::from_millis(suspect), Span::from_millis(fail))
                }),
                climatology: tests.climatology.map(|[sigmas, least]| (sigmas.into(), least.into())),
                attenuated_share: tests.attenuated_share.map(Into::into),
                pinned_below: tests.pinned_below.map(Into::into),
                neighbour: tests.neighbour.map(Into::into),
                service_every: tests.service_every_ms.map(Span::from_millis),
                ..known
            });
            Ok(Channel {
                quantity,
                aerator: channel.aerator,
                layer: channel.layer.map(|layer| match layer {
                    LayerRecord::Surface => Layer::Surface,
                    LayerRecord::Bottom => Layer::Bottom,
                }),
                calibration_slope: channel.calibration_slope.into(),
                calibration_offset: channel.calibration_offset.into(),
                compensation: Compensation {
                    assumed_salinity_psu: channel.assumed_salinity_psu.map(Into::into),
                    assumed_pressure_hpa: channel.assumed_pressure_hpa.map(Into::into),
                },
                quality: QualityLimits {
                    fail: (fail_low.into(), fail_high.into()),
                    suspect: (suspect_low.into(), suspect_high.into()),
                    stale_after: Span::from_millis(channel.stale_after_ms),
                    missing_after: Span::from_millis(channel.missing_after_ms),
                    ..tested
                },
            })
        });
        Ok(Probe {
            id: self.id,
            pond: self.pond.map(PondIndex),
            link: self.link,
            node: self.node.map(|NodeRecord { id, is_on_mains }| Node { id, is_on_mains }),
            channels: channels.collect::<Result<_, Malformed>>()?,
        })
    }
}
