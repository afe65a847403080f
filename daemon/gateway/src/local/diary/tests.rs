//! What people are told of each kind, with what to mind.

use pondreeve_chemistry::dose::Basis;
use pondreeve_core::diary::{
    Basin, Crop, Dose, Entry, Feed, Harvest, LastDose, Mortality, Sampling, Stocking, WaterMove, What,
};
use pondreeve_core::site::PondIndex;
use pondreeve_core::state::Doubts;
use pondreeve_core::{Event, Span, Timestamp};

use super::counter::{note_against, settle};
use super::words::Said;
use super::{DoseAsk, EntryAsk, cautions, entries};
use crate::config::farm::Product;
use crate::journal::Deed;

const NOON: Timestamp = Timestamp(1_795_608_000_000);

fn entry(number: u64, what: What) -> Entry {
    let basin = Some(Basin { area_m2: 5_000.0, depth_m: 1.5, is_measured: number.is_multiple_of(2) });
    Entry { number, at: NOON, corrects: None, basin, what }
}

fn dose(kg: f64, containers: Option<f64>) -> What {
    What::Dose(Dose {
        slurry_kg: Some(kg),
        containers,
        lot: Some("M-17".to_owned()),
        basis: Some(Basis::SolidsMass),
        solids_percent: Some(60.0),
        density_kg_l: Some(1.53),
        container_kg: Some(25.0),
        ..Dose::default()
    })
}

/// Hand-worked for 7,500 m3: 50 kg of slurry of 60 % are 4.0 mg/L of solids, 32.7 L, two containers of 25 kg;
/// 0.2 m of 5,000 m2 are 1,000 m3; 600,000 to 5,000 m2 are 120 to the m2.
#[test]
fn each_kind_in_plain_words() {
    let water = WaterMove {
        level_before_m: Some(1.5),
        level_after_m: Some(1.3),
        stop: Some(NOON + Span::from_minutes(90)),
        ..WaterMove::default()
    };
    let taken = Harvest { kg: 1_800.0, abw_g: Some(9.0), price_per_kg: Some(4.6), is_final: false };
    let stocked = Stocking {
        count: 600_000,
        species: Some("vannamei".to_owned()),
        lot: None,
        size: Some("PL10".to_owned()),
        abw_g: None,
    };
    let bare = Dose { slurry_l: Some(20.0), ..Dose::default() };
    let crop = Crop {
        stocked_at: NOON - Span::from_hours(58 * 24),
        day: 58,
        stocked: 600_000.0,
        abw_g: Some((8.9, NOON)),
        harvested_kg: 0.0,
        harvested: 0.0,
        dead: 0.0,
    };
    let last =
        LastDose { number: 1, at: NOON - Span::from_hours(5), stop: NOON, slurry_kg: Some(50.0), mg_l: None };
    let mut told = String::new();
    for what in [
        dose(50.0, Some(2.0)),
        dose(50.0, None),
        What::Dose(bare),
        What::Feed(Feed { kg: 38.25, tray_left_percent: Some(5.0) }),
        What::Drain(water),
        What::Exchange(WaterMove { volume_m3: Some(750.0), ..WaterMove::default() }),
        What::Sampling(Sampling { count: 80, total_g: 712.0 }),
        What::Stocking(stocked),
        What::Mortality(Mortality { count: None, kg: Some(1.25) }),
        What::Harvest(taken),
        What::Price { item: "feed".to_owned(), amount: 1.15, per: "kg".to_owned() },
    ] {
        let entry = entry(2, what);
        let said = Said::of(&entry);
        told.push_str(&format!("{}: {}\n", entry.what.kind().id(), said.words));
        said.told.iter().for_each(|line| told.push_str(&format!("    {line}\n")));
        let minded = cautions::cautions(&entry, Some(last), Some(&crop));
        minded.iter().for_each(|line| told.push_str(&format!("  ! {line}\n")));
        told.push_str(&format!("    {}\n", serde_json::json!(said.values)));
    }
    insta::assert_snapshot!(told);
}

#[test]
fn water_is_kept_two_days_after_a_dose_and_no_longer() {
    let drain = entry(9, What::Drain(WaterMove { volume_m3: Some(10.0), ..WaterMove::default() }));
    let warned = |hours: i64| {
        let at = NOON - Span::from_hours(hours);
        let last = LastDose { number: 1, at, stop: at, slurry_kg: None, mg_l: None };
        cautions::cautions(&drain, Some(last), None).iter().any(|line| line.contains("NOT within 48 h"))
    };
    assert_eq!([1, 48, 49].map(warned), [true, true, false]);
    assert!(!warned(-1), "dosed after it");
}

#[test]
fn words_that_tell_of_a_storm_are_told_what_they_do() {
    let minded = |words: &str| {
        let note = entry(9, What::Note { words: words.to_owned() });
        cautions::cautions(&note, None, None).iter().any(|line| line.contains("no dose for a day"))
    };
    assert_eq!(["storm at noon", "no storm", "sin muda"].map(minded), [true, false, false]);
}

/// The gate of the trade lets an adviser override it: what it goes against is named, with the reason, or without one.
#[test]
fn a_dose_against_advice_names_what_it_goes_against_and_why() {
    let doubts = || Doubts {
        against: ["pH 8.60 (limit 8.5)", "no aerator runs"].map(pondreeve_core::said::Said::plain).to_vec(),
        unlikely: Vec::new(),
    };
    let told = |reason: Option<&str>| {
        let What::Dose(own) = dose(30.0, None) else { unreachable!() };
        let mut own = Dose { reason: reason.map(str::to_owned), ..own };
        note_against(&mut own, &doubts(), None);
        let own = entry(9, What::Dose(own));
        let said = cautions::of_doubts(&own, doubts());
        (said[0].english().to_owned(), cautions::wants_reason(&own))
    };
    let (said, asks) = told(Some("adviser said so"));
    assert!(said.contains("NOT NOW: pH 8.60 (limit 8.5); no aerator runs.") && !asks, "{said}");
    assert!(said.contains("Why, as noted: adviser said so."), "{said}");
    for none in [None, Some("  ")] {
        let (said, asks) = told(none);
        assert!(said.contains("Against it: pH 8.60 (limit 8.5); no aerator runs.") && asks, "{said}");
        assert!(said.contains("--correct 9 and --reason"), "{said}");
    }
    let own = entry(9, dose(30.0, None));
    assert!(!cautions::wants_reason(&own));
    assert!(cautions::of_doubts(&own, Doubts::default()).is_empty());
}

/// A corrected weight does not make a dose well advised: what spoke against it, and why it was given, stay with it.
#[test]
fn what_spoke_against_a_dose_stays_with_what_takes_its_place() {
    let kept = |against: Option<&str>, reason: Option<&str>| {
        let What::Dose(own) = dose(30.0, None) else { unreachable!() };
        Dose { against: against.map(str::to_owned), reason: reason.map(str::to_owned), ..own }
    };
    let earlier = entry(9, What::Dose(kept(Some("pH 8.60 (limit 8.5)"), Some("adviser said so"))));
    for (given, reason) in [(None, "adviser said so"), (Some("owner said so"), "owner said so")] {
        let mut own = kept(None, given);
        note_against(&mut own, &Doubts::default(), Some(&earlier));
        let (against, why) = (own.against.as_deref(), own.reason.as_deref());
        assert_eq!((against, why), (Some("pH 8.60 (limit 8.5)"), Some(reason)));
        let line = super::line(&entry(10, What::Dose(own)));
        assert!(line.ends_with(&format!("; against advice ({reason}): pH 8.60 (limit 8.5)")), "{line}");
    }
    let unsaid = super::line(&entry(11, What::Dose(kept(Some("no aerator runs"), None))));
    assert!(unsaid.ends_with("; against advice (nobody says why): no aerator runs"), "{unsaid}");
    let fine = super::line(&entry(12, What::Dose(kept(None, None))));
    assert!(!fine.contains("against"), "{fine}");
}

#[test]
fn a_lot_is_looked_up_and_a_mistyped_one_is_not_taken() {
    let folder = tempfile::tempdir().unwrap();
    let mut farm = crate::engine::tests::farm(folder.path());
    let asked = |farm: &crate::config::Farm, lot: Option<&str>| {
        let ask = DoseAsk { slurry_kg: Some(30.0), lot: lot.map(str::to_owned), ..DoseAsk::default() };
        let read = |_: &str| Err("no time is asked for".to_owned());
        let entry = entries::entry(EntryAsk::Dose(ask), NOON, None, farm, &read)?;
        let What::Dose(dose) = entry.what else { return Err("another kind".to_owned()) };
        Ok((dose.lot, dose.density_kg_l))
    };
    assert_eq!(asked(&farm, Some("B")), Ok((Some("B".to_owned()), None)), "nothing to look it up in");
    let product = |lot: &str| Product {
        lot: lot.to_owned(),
        basis: Basis::SlurryMass,
        solids_percent: 60.0,
        slurry_density_kg_l: 1.53,
        container_kg: None,
    };
    farm.products = vec![product("M-17")];
    assert_eq!(asked(&farm, None), Ok((Some("M-17".to_owned()), Some(1.53))), "the only one");
    let refused = asked(&farm, Some("M-71")).unwrap_err();
    assert!(refused.contains("\"M-71\" is not among") && refused.contains("M-17"), "{refused}");
    farm.products.push(product("M-18"));
    let refused = asked(&farm, None).unwrap_err();
    assert!(
        refused.contains("which lot was given is not said") && refused.contains("M-17, M-18"),
        "{refused}"
    );
}

#[test]
fn what_was_superseded_says_by_what() {
    let deed = |entry: Entry| Deed {
        recorded: NOON,
        pond: Some("p1".to_owned()),
        probe: None,
        event: Event::Diary { pond: PondIndex(0), entry, by: "mira".to_owned() },
        refused: None,
    };
    let feed = |number: u64, kg: f64| entry(number, What::Feed(Feed { kg, tray_left_percent: None }));
    let mended = Entry { corrects: Some(1), ..feed(2, 38.0) };
    let withdrawal = What::Withdrawal { reason: "other pond".to_owned() };
    let gone = Entry { corrects: Some(3), ..entry(4, withdrawal) };
    let told = settle([feed(1, 380.0), mended, feed(3, 5.0), gone].map(deed).into_iter());
    let short: Vec<_> = told
        .iter()
        .map(|(_, own)| (own.number, own.superseded_by, own.withdrawn.as_deref(), own.words.as_str()))
        .collect();
    assert_eq!(
        short,
        [
            (Some(1), Some(2), None, "380 kg of feed"),
            (Some(2), None, None, "38 kg of feed"),
            (Some(3), Some(4), Some("other pond"), "5 kg of feed"),
            (Some(4), None, None, "entry 3 withdrawn: other pond"),
        ]
    );
}
