//! What a person reads about horn, lamp and calls that cannot be used.

use super::{SMALL, snapshot, told};
use crate::config::annunciation::{Annunciation, DrivenBy};
use crate::config::from_text;

fn with(annunciation: &str) -> String {
    told(&format!("{SMALL}\n{annunciation}"))
}

fn resolved(annunciation: &str) -> (Annunciation, pondreeve_core::call::CallPlan) {
    let text = format!("{SMALL}\n{annunciation}");
    let loaded = from_text(std::path::Path::new("/nowhere/farm.toml"), &text).expect("sound");
    (loaded.farm.annunciation, loaded.farm.site.calls)
}

const HORN: &str = r#"
[annunciation.horn]
label = "siren"
relay = { bus = "line", address = 60, coil = 3, inverted = true }
"#;

#[test]
fn little_needs_to_be_said() {
    let (annunciation, calls) = resolved(HORN);
    let horn = annunciation.horn.expect("a horn");
    let DrivenBy::Relay(relay) = horn.by else { panic!("{horn:?}") };
    assert_eq!((relay.bus, relay.unit, relay.coil, relay.inverted), (0, 60, 3, true));
    let test = annunciation.horn_test.expect("tested by itself");
    assert_eq!((test.at.strftime("%H:%M").to_string(), test.sound.as_secs()), ("17:00".to_owned(), 2));
    assert_eq!(calls.steps, [], "nobody is called unless that is asked for");
    assert_eq!(resolved("").0.horn, None);
}

#[test]
fn the_usual_steps_stand_where_none_are_written() {
    let calls = "[annunciation.calls]\nhigh = true\ncommand = { program = \"/bin/true\" }";
    let (annunciation, plan) = resolved(calls);
    let usual = pondreeve_core::call::CallPlan::usual();
    assert_eq!((plan.steps, plan.repeat_every), (usual.steps, usual.repeat_every));
    assert_eq!(plan.mildest, Some(pondreeve_core::effect::Priority::High));
    assert_eq!(annunciation.call_commands.len(), 4);
    assert!(annunciation.call_commands.iter().all(|command| {
        command.as_ref().is_some_and(|command| command.program == std::path::Path::new("/bin/true"))
    }));
}

#[test]
fn no_output_is_an_aerators() {
    let horn = |label: &str| {
        format!("[annunciation.horn]\nlabel = {label:?}\ngpio = {{ chip = \"/dev/gpiochip0\", line = 1 }}")
    };
    let all = [
        with(&horn("Paddlewheels north")),
        with(&horn("P1 a")),
        with(&horn("a")),
        with("[annunciation.lamp]\nlabel = \"lamp\"\ncommand = { program = \"/bin/true\", arguments = [\"p1/a\"] }"),
        // The relay that a probe reports an aerator from.
        told(
            &SMALL.replace("poll_every = \"1m\"\n", "poll_every = \"1m\"\n[[bus.probe]]\nid = \"p1-motor\"\npond = \"p1\"\naddress = 60\nprofile = \"motor-1\"\naerator = \"a\"\npoll_every = \"1m\"\n").replace("[[broker]]", &format!("{HORN}[[broker]]")),
        ),
    ];
    for told in &all {
        assert!(told.contains("never switches an aerator"), "{told}");
    }
    snapshot("no_output_is_an_aerators", &all.join("\n"));
    assert_eq!(with(&horn("a siren on the roof")), "sound\n", "an ordinary `a`");
}

#[test]
fn outputs_that_cannot_be_used() {
    let all = [
        "[annunciation.horn]\nlabel = \"siren\"",
        "[annunciation.horn]\nlabel = \"siren\"\ngpio = { chip = \"/dev/gpiochip0\", line = 1 }\ncommand = { program = \"/bin/true\" }",
        "[annunciation.horn]\nlabel = \"siren\"\nrelay = { bus = \"lime\", address = 60, coil = 0 }",
        "[annunciation.horn]\nlabel = \"siren\"\nrelay = { bus = \"line\", address = 11, coil = 0 }",
        "[annunciation]\nhorn_test = \"5pm\"\nhorn = { label = \"siren\", command = { program = \"/bin/true\" } }",
        "[annunciation]\nhorn_test = \"17:00\"",
        "[annunciation]\nhorn_test = \"never\"\nhorn = { label = \"siren\", command = { program = \"/bin/true\" } }",
        "[annunciation]\nhorn = { label = \"siren\", gpio = { chip = \"/dev/gpiochip0\", line = 1 } }\nlamp = { label = \"lamp\", gpio = { chip = \"/dev/gpiochip0\", line = 1 } }",
        "[annunciation]\nhorn = { label = \"siren\", command = { program = \"/nowhere/horn\" } }",
    ];
    snapshot("outputs_that_cannot_be_used", &all.map(with).join("\n"));
}

#[test]
fn calls_that_cannot_be_made() {
    let step = |id: &str, after: &str| {
        format!(
            "[[annunciation.calls.step]]\nid = {id:?}\nname = \"someone\"\nafter = {after:?}\ncommand = {{ program = \"/bin/true\" }}\n"
        )
    };
    let all = [
        "[annunciation.calls]".to_owned(),
        "[annunciation.calls]\nstep = [{ id = \"one\", name = \"someone\", after = \"0s\" }]".to_owned(),
        step("one", "3m") + &step("two", "1m"),
        step("one", "0s") + &step("one", "1m"),
        format!("[annunciation.calls]\nrepeat_every = \"5s\"\n{}", step("one", "0s")),
        "[annunciation.calls]\ncomand = { program = \"/bin/true\" }".to_owned(),
    ];
    snapshot("calls_that_cannot_be_made", &all.map(|text| with(&text)).join("\n"));
}
