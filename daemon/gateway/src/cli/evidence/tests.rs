//! Results as an adviser reads them.

use super::*;
use crate::cli::fits;
use crate::cli::spanish_tests::{english_in, spanish};
use crate::local::evidence::{EffectStatus, LostStatus, TogetherStatus};
use crate::local::trial::TrialStatus;

fn fixed() -> TrialStatus {
    TrialStatus {
        trial: 2,
        fixed_at: "2026-04-30T14:05:00Z".to_owned(),
        fixed_by: "ana".to_owned(),
        treated: "p1".to_owned(),
        control: "p2".to_owned(),
        outcome: "tan".to_owned(),
        outcome_words: "total ammonia nitrogen (TAN)".to_owned(),
        wanted: "fall".to_owned(),
        method: "before_after".to_owned(),
        method_words: "before and after the first dose, treated less control".to_owned(),
        from: "2026-05-01T05:00:00Z".to_owned(),
        to: "2026-06-13T05:00:00Z".to_owned(),
        days_before: 14,
        days_after: 28,
        chosen_by: "adviser".to_owned(),
        reason: "drawn by lot".to_owned(),
        after_first_dose: false,
        replaces: Some(1),
        replaced_by: None,
    }
}

fn effect(estimate: f64, standard_error: f64, (low, high): (f64, f64), chance: Option<f64>) -> EffectStatus {
    EffectStatus { estimate, standard_error, degrees: 8.5, low, high, chance }
}

fn factor(
    words: &str,
    unit: &str,
    treated: [f64; 2],
    control: [f64; 2],
    balanced: Option<bool>,
) -> DifferedStatus {
    DifferedStatus {
        factor: words.to_owned(),
        words: words.to_owned(),
        unit: unit.to_owned(),
        treated: treated.map(Some),
        control: control.map(Some),
        change: Some((treated[1] - treated[0]) - (control[1] - control[0])),
        share: (control[0] > 0.0).then(|| treated[1] / treated[0] / (control[1] / control[0]) - 1.0),
        balanced,
    }
}

/// TAN of the treated pond from 0.92 to 0.71, of the control from 0.88 to 0.95 mg/L; standard error 0.14, which
/// the usual test takes for 0.07.
fn tan() -> EvidenceStatus {
    let period = |from: &str, to: &str, days: usize, known: usize, worth: f64, treated: f64, control: f64| {
        PeriodStatus {
            from: Some(from.to_owned()),
            to: Some(to.to_owned()),
            days,
            known,
            effective: Some(worth),
            treated: Some(treated),
            control: Some(control),
        }
    };
    EvidenceStatus {
        trial: fixed(),
        earlier: vec![TrialStatus {
            trial: 1,
            replaces: None,
            replaced_by: Some(2),
            reason: "the pond nearest the house".to_owned(),
            ..fixed()
        }],
        level: "not_enough_evidence".to_owned(),
        verdict: "Not enough evidence".to_owned(),
        reasons: vec!["the interval spans zero".to_owned()],
        unit: "mg/L".to_owned(),
        decimals: 2,
        effect: Some(effect(-0.28, 0.144, (-0.609, 0.049), None)),
        usual: Some(effect(-0.28, 0.072, (-0.426, -0.134), Some(0.0004))),
        before: period("2026-05-01", "2026-05-14", 14, 14, 3.5, 0.92, 0.88),
        after: period("2026-05-16", "2026-06-12", 28, 26, 7.0, 0.71, 0.95),
        correlation: Some(0.6),
        chance_elsewhere: Some(0.095),
        doses: vec!["2026-05-15".to_owned(), "2026-05-22".to_owned(), "2026-05-29".to_owned()],
        doses_counted: None,
        doses_lost: Vec::new(),
        differed: vec![
            factor("aerator energy", "kWh/day", [301.0, 296.0], [300.0, 303.0], Some(true)),
            factor("water let out", "% of the pond a day", [4.1, 0.3], [4.0, 3.9], Some(false)),
            DifferedStatus {
                treated: [None; 2],
                control: [None; 2],
                change: None,
                share: None,
                ..factor("light", "µmol/m2/s", [0.0; 2], [0.0; 2], None)
            },
        ],
        noted: vec!["2026-05-20 p2: probe p2-do serviced".to_owned()],
        treated_days: Vec::new(),
        control_days: Vec::new(),
        together: None,
        caution: pondreeve_core::evidence::verdict::caution().into(),
        formulas: vec!["n days are worth n (1 - r) / (1 + r)".to_owned()],
        said: None,
    }
}

fn clock() -> FarmClock {
    FarmClock::new("2026-06-20T20:30:00Z", -5 * 3_600)
}

#[test]
fn not_enough_evidence_with_everything_beside_it() {
    insta::assert_snapshot!(fits(&told(&tan(), clock())));
}

/// As the daemon names what differed, by its id.
fn by_id(own: EvidenceStatus) -> EvidenceStatus {
    let id = |words: &str| match words {
        "aerator energy" => "aeration".to_owned(),
        "water let out" => "water".to_owned(),
        other => other.to_owned(),
    };
    let differed = own.differed.iter();
    let differed =
        differed.map(|one| DifferedStatus { factor: id(&one.words), ..one.clone() }).collect::<Vec<_>>();
    EvidenceStatus { differed, formulas: Vec::new(), ..own }
}

/// The same in Spanish, where the daemon tells no more than English; and English is what it was, by id too.
#[test]
fn results_in_spanish() {
    let own = by_id(tan());
    assert_eq!(told(&own, clock()), told(&EvidenceStatus { formulas: Vec::new(), ..tan() }, clock()));
    let in_spanish = |mut own: EvidenceStatus| {
        // What a person wrote stays as it was written.
        let earlier = own.earlier.iter_mut();
        earlier.chain([&mut own.trial]).for_each(|trial| trial.reason = "por sorteo".to_owned());
        told(&own, clock().read_in(spanish()))
    };
    let shown = [own, by_id(doses())].map(in_spanish).join("\n");
    assert_eq!(english_in(&shown), Vec::<String>::new(), "{shown}");
    insta::assert_snapshot!(fits(&shown));
}

fn doses() -> EvidenceStatus {
    EvidenceStatus {
        trial: TrialStatus {
            outcome: "dawn_minimum".to_owned(),
            outcome_words: "lowest oxygen of the night".to_owned(),
            wanted: "rise".to_owned(),
            method: "doses".to_owned(),
            method_words: "the day after each dose against the three days before, treated less control"
                .to_owned(),
            replaces: None,
            ..fixed()
        },
        earlier: Vec::new(),
        level: "consistent_with_an_effect".to_owned(),
        verdict: "Consistent with an effect".to_owned(),
        reasons: Vec::new(),
        effect: Some(effect(0.48, 0.12, (0.2, 0.76), None)),
        usual: Some(effect(0.31, 0.2, (-0.14, 0.76), Some(0.151))),
        chance_elsewhere: Some(0.004),
        doses_counted: Some(9),
        doses_lost: vec![LostStatus { day: "2026-05-22".to_owned(), why: "a probe was serviced".to_owned() }],
        together: Some(TogetherStatus {
            level: "consistent_with_an_effect".to_owned(),
            verdict: "Consistent with an effect".to_owned(),
            trials: vec![2, 5],
        }),
        ..tan()
    }
}

#[test]
fn doses_one_by_one() {
    insta::assert_snapshot!(fits(&told(&doses(), clock())));
}
