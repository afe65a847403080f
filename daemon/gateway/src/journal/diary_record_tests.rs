//! Every kind of entry comes back as it was, and no bytes make reading fail otherwise than by an error.

use pondreeve_core::site::PondIndex;
use pondreeve_core::{Event, Input};
use proptest::prelude::*;

use super::super::record::{BatchWriter, read_batch};
use super::*;

fn every_kind() -> Vec<What> {
    let water = WaterMove {
        stop: Some(Timestamp(4_000)),
        level_before_m: Some(1.5),
        level_after_m: Some(1.3),
        refilled_to_m: Some(1.45),
        volume_m3: None,
        ph: Some(7.9),
    };
    let text = |own: &str| Some(own.to_owned());
    vec![
        What::Dose(Dose {
            slurry_kg: Some(30.1),
            slurry_l: Some(19.6),
            containers: Some(1.2),
            lot: text("A-17"),
            basis: Some(Basis::SlurryVolume),
            solids_percent: Some(60.0),
            density_kg_l: Some(1.53),
            container_kg: Some(25.0),
            stop: Some(Timestamp(-7)),
            reason: text("adviser by telephone"),
            is_confirmed: true,
            against: None,
        }),
        What::Dose(Dose {
            slurry_kg: Some(30.0),
            against: text("pH 8.60 (limit 8.5); not the hour for it"),
            ..Dose::default()
        }),
        What::Dose(Dose::default()),
        What::Feed(Feed { kg: 38.25, tray_left_percent: Some(5.0) }),
        What::Drain(water),
        What::Exchange(WaterMove { volume_m3: Some(750.0), ..WaterMove::default() }),
        What::Sampling(Sampling { count: 80, total_g: 712.0 }),
        What::Stocking(Stocking {
            count: u32::MAX,
            species: text("vannamei"),
            lot: text("H3"),
            size: text("PL10"),
            abw_g: Some(0.005),
        }),
        What::Mortality(Mortality { count: Some(12), kg: None }),
        What::Harvest(Harvest { kg: 1_800.5, abw_g: None, price_per_kg: Some(4.6), is_final: true }),
        What::Count(Count {
            lot: Some("M-17".to_owned()),
            left: 12.5,
            delivered: Some(20.0),
            container_kg: Some(25.0),
            reason: Some("two burst".to_owned()),
        }),
        What::Disturbance(Disturbance { stop: Some(Timestamp(9)), words: "bank broke".to_owned() }),
        What::Disturbance(Disturbance { stop: None, words: "crash".to_owned() }),
        What::Sludge(Sludge {
            ph: Some(6.1),
            orp_mv: Some(-180.0),
            depth_cm: None,
            method: text("1:1 in water"),
        }),
        What::Weather { words: "hot, still".to_owned() },
        What::Cost { item: "power".to_owned(), amount: 12.5 },
        What::Price { item: "feed".to_owned(), amount: 1.15, per: "kg".to_owned() },
        What::Note { words: "Wasser grün, 池塘".to_owned() },
        What::Withdrawal { reason: "other pond".to_owned() },
    ]
}

#[test]
fn every_kind_comes_back_as_it_was() {
    let at = Timestamp(1_795_564_800_000);
    let mut batch = BatchWriter::new(70, at);
    let inputs: Vec<Input> = every_kind()
        .into_iter()
        .enumerate()
        .map(|(place, what)| {
            let seq = 70 + place as u64;
            let basin = Basin { area_m2: 5_000.0, depth_m: 1.37, is_measured: place % 3 == 0 };
            let entry = Entry {
                number: place as u64,
                at: Timestamp(at.as_millis() - 1_000 * place as i64),
                corrects: (place % 2 == 1).then_some(3),
                basin: (place > 0).then_some(basin),
                what,
            };
            let event = Event::Diary { pond: PondIndex(2), entry, by: "Ana".to_owned() };
            Input { seq, at, event }
        })
        .collect();
    inputs.iter().for_each(|input| batch.input(input));
    let read = read_batch(70, &batch.finish());
    assert_eq!((read.damaged, read.inputs), (0, inputs));
}

/// The bytes of an entry that stand in stores: they must be read for ever.
#[test]
fn these_bytes_stay_readable() {
    let entry = Entry {
        number: 300,
        at: Timestamp(1_000),
        corrects: Some(5),
        basin: None,
        what: What::Feed(Feed { kg: 1.5, tray_left_percent: None }),
    };
    // 300 in LEB128; 1 s before 2 s, folded; 5; no pond; kind 2; 1.5 as IEEE 754; nothing left in the tray.
    let bytes = [0xac, 2, 0xcf, 0x0f, 5, 0, 2, 0, 0, 0, 0, 0, 0, 0xf8, 0x3f, 0];
    let mut written = Vec::new();
    put(&mut written, Timestamp(2_000), &entry);
    assert_eq!(written, bytes);
    assert_eq!(read(&mut Reader::new(&bytes), Timestamp(2_000)), Ok(entry));
}

proptest! {
    #[test]
    fn any_bytes_are_read_or_refused(bytes in prop::collection::vec(any::<u8>(), 0..200)) {
        let _ = read(&mut Reader::new(&bytes), Timestamp(0));
    }

    #[test]
    fn what_is_cut_short_is_refused(kind in 0..15_usize, cut in any::<prop::sample::Index>()) {
        let what = every_kind()[kind].clone();
        let entry = Entry { number: 9, at: Timestamp(0), corrects: None, basin: None, what };
        let mut bytes = Vec::new();
        put(&mut bytes, Timestamp(0), &entry);
        let cut = cut.index(bytes.len());
        prop_assert!(read(&mut Reader::new(&bytes[..cut]), Timestamp(0)).is_err());
    }
}
