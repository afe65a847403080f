//! The console's catalogues: complete, alike in both languages, used, and short enough for their columns.

use std::collections::BTreeSet;
use std::path::Path;

use pondreeve_chemistry::formulas::{
    H2S, NH3_NBS, NITRITE_LIMIT, OXYGEN_SATURATION, OXYGEN_TRANSFER, THEIL_SEN,
};
use pondreeve_core::alarm_set::CONDITIONS;
use pondreeve_core::diary::Kind;
use pondreeve_core::dosing::recovery::Mistake;
use pondreeve_core::effect::{AlarmState, Test};
use pondreeve_core::evidence::{Level, Method, Outcome};
use pondreeve_core::input::GatewayPart;
use pondreeve_core::verdict::{Kind as ClueKind, Leaning};
use pondreeve_core::{Event, Input, Quantity, State, Timestamp, gateway_fault};

use super::choice::{SPANISH, english};
use super::*;
use crate::console::text::width;
use crate::console::words::alarm_key;
use crate::local::why::source_key;

fn spanish() -> Words {
    chosen(&Choice { language: Some("es".to_owned()), ..Choice::default() }).unwrap()
}

/// Keys of the sources of limits.
const SOURCES: &str = "limit-source-";

#[test]
fn both_languages_have_the_same_texts_with_the_same_arguments() {
    let (english, wrong) = own::keys(&ENGLISH);
    assert_eq!(wrong, Vec::<String>::new());
    let (spanish, wrong) = own::keys(&SPANISH);
    assert_eq!(wrong, Vec::<String>::new());
    assert!(english.len() > 400, "{}", english.len());
    for (key, names) in &english {
        assert_eq!(spanish.get(key), Some(names), "{key} in Spanish");
    }
    assert_eq!(spanish.keys().find(|key| !english.contains_key(*key)), None, "in Spanish alone");
    assert_eq!(own::problems(&SPANISH), own::Found::default());
}

/// What the sources of a folder say, its tests left out.
fn sources(folder: &Path, out: &mut String) {
    for entry in folder.read_dir().unwrap().flatten() {
        let path = entry.path();
        let name = entry.file_name().to_string_lossy().into_owned();
        if path.is_dir() && name != "tests" {
            sources(&path, out);
        } else if (name.ends_with(".rs") || name.ends_with(".html")) && !name.contains("tests") {
            out.push_str(&std::fs::read_to_string(&path).unwrap());
        }
    }
}

/// Keys that are put together from the id of something, all of them.
fn put_together() -> BTreeSet<String> {
    let mut keys = BTreeSet::new();
    for quantity in Quantity::ALL {
        keys.insert(format!("quantity-{}", quantity.id()));
        keys.insert(format!("quantity-short-{}", quantity.id()));
    }
    for (_, suffix, ..) in CONDITIONS {
        keys.insert(format!("alarm-{suffix}"));
    }
    keys.extend(GatewayPart::ALL.iter().map(|part| alarm_key(&gateway_fault::id(*part, "x")).0));
    keys.extend(["power-lost", "probe-fault", "node-silent"].map(|kind| format!("alarm-{kind}")));
    keys.extend(AlarmState::ALL.iter().map(|state| format!("state-{}", state.id())));
    keys.extend(Kind::ALL.iter().map(|kind| format!("kind-{}", kind.id())));
    keys.extend(crate::local::diary::deeds::KINDS.map(|kind| format!("kind-{kind}")));
    keys.extend(Test::ALL.iter().map(|test| format!("test-{}", test.id().replace('_', "-"))));
    keys.extend(Leaning::ALL.iter().map(|leaning| format!("leaning-do-{}", leaning.id())));
    let levels = [Level::NotEnough, Level::Consistent, Level::Supported, Level::Contradicted];
    keys.extend(Outcome::ALL.iter().map(|outcome| format!("outcome-{}", outcome.id())));
    keys.extend([Method::BeforeAfter, Method::Doses].map(|method| format!("compared-{}", method.id())));
    keys.extend(["aeration", "feed", "water"].map(|factor| format!("factor-unit-{factor}")));
    keys.extend(levels.map(|level| format!("level-{}", level.id().replace('_', "-"))));
    keys.extend(ClueKind::ALL.iter().map(|kind| format!("clue-kind-{}", kind.says())));
    keys.extend(
        [&OXYGEN_SATURATION, &NH3_NBS, &H2S, &NITRITE_LIMIT, &OXYGEN_TRANSFER, &THEIL_SEN].map(source_key),
    );
    keys.extend(GatewayPart::ALL.iter().map(|part| format!("part-{}", part.id())));
    keys.extend(recognised::AUDIT_WORDS.map(recognised::audit_key));
    // What others say, and is recognised: the system, the limits that come with the program, the keeper.
    let (all, _) = own::keys(&ENGLISH);
    keys.extend(
        all.into_keys().filter(|key| ["os-", "mistake-", SOURCES].iter().any(|own| key.starts_with(own))),
    );
    keys.insert("trouble-writer-gone".to_owned());
    for (list, options) in crate::console::diary::CHOICES {
        keys.extend((0..options.len()).map(|place| crate::console::diary::choice_key(list, place)));
    }
    keys.extend((0..crate::console::shelving::REASONS.len()).map(crate::console::shelving::reason_key));
    keys.extend((0..crate::console::limits::REASONS.len()).map(crate::console::limits::reason_key));
    keys
}

#[test]
fn every_text_is_used_and_every_key_has_a_text() {
    let mut used = String::new();
    for folder in
        [concat!(env!("CARGO_MANIFEST_DIR"), "/src"), concat!(env!("CARGO_MANIFEST_DIR"), "/../core/src")]
    {
        sources(Path::new(folder), &mut used);
    }
    let put_together = put_together();
    let (english, _) = own::keys(&ENGLISH);
    for key in english.keys() {
        assert!(put_together.contains(key) || used.contains(&format!("\"{key}\"")), "nothing says `{key}`");
    }
    let short = |key: &&String| !key.starts_with("quantity-short-");
    for key in put_together.iter().filter(short) {
        assert!(english.contains_key(key), "no text for `{key}`");
    }
    // Whatever is said by name is in the catalogue: a slip would show on the screen only.
    for (before, after) in [("say!(words, \"", '"'), ("words.get(\"", '"'), (".tell(\"", '"')] {
        for part in used.split(before).skip(1) {
            let key = part.split(after).next().unwrap_or_default();
            assert!(english.contains_key(key), "no text for `{key}`");
        }
    }
}

/// The next text between quotes, and what comes after it.
fn quoted(from: &str) -> Option<(String, &str)> {
    let begin = from.find('"')? + 1;
    let mut text = String::new();
    let mut letters = from.get(begin..)?.char_indices();
    while let Some((at, letter)) = letters.next() {
        match letter {
            '"' => return Some((text, from.get(begin + at + 1..)?)),
            '\\' => text.push(letters.next()?.1),
            other => text.push(other),
        }
    }
    None
}

/// What the core and the daemon say is said in one place, in English; the catalogue has the same, or a farm would translate
/// something else than what its people are told.
#[test]
fn the_catalogue_says_what_the_core_says() {
    let mut core = String::new();
    for folder in ["/../core/src", "/src"] {
        sources(&Path::new(env!("CARGO_MANIFEST_DIR")).join(folder.trim_start_matches('/')), &mut core);
    }
    let mut found = 0;
    for after in core.split("said!(").skip(1) {
        let Some((key, rest)) = quoted(after).filter(|(key, _)| !key.contains(['…', ' ']) && key != "key")
        else {
            continue;
        };
        let (pattern, _) = quoted(rest).unwrap();
        let mut pattern = pattern.replace('{', "{ $").replace('}', " }");
        if let Some(rest) = pattern.strip_prefix(' ') {
            pattern = format!("{{\" \"}}{rest}");
        }
        let line = format!("\n{key} = {pattern}\n");
        assert!(ENGLISH.contains(&line), "the catalogue lacks: {line}");
        found += 1;
    }
    assert!(found > 200, "{found}");
    // Keys that a match gives, such as those of quantities and of an entry's fields.
    for start in ["named-", "unit-", "kind-", "what-", "water-", "test-", "quantity-"] {
        for after in core.split(&format!("=> \"{start}")).skip(1) {
            let key = format!("{start}{}", after.split('"').next().unwrap_or_default());
            assert!(ENGLISH.contains(&format!("\n{key} = ")), "the catalogue lacks: {key}");
        }
    }
}

#[test]
fn what_the_daemon_keeps_is_what_english_says() {
    for (list, options) in crate::console::diary::CHOICES {
        for (place, option) in options.iter().enumerate() {
            assert_eq!(english().get(&crate::console::diary::choice_key(list, place)), **option);
        }
    }
    for (place, reason) in crate::console::shelving::REASONS.iter().enumerate() {
        assert_eq!(english().get(&crate::console::shelving::reason_key(place)), **reason);
    }
    for (place, reason) in crate::console::limits::REASONS.iter().enumerate() {
        assert_eq!(english().get(&crate::console::limits::reason_key(place)), **reason);
    }
    for word in recognised::AUDIT_WORDS {
        let key = recognised::audit_key(word);
        assert_eq!(english().get(&key).replace('-', " "), word.replace('-', " "), "{key}");
    }
    assert_eq!(english().get("trouble-writer-gone"), crate::engine::WRITER_GONE);
    for outcome in Outcome::ALL {
        assert_eq!(english().get(&format!("outcome-{}", outcome.id())), outcome.words());
    }
    for method in [Method::BeforeAfter, Method::Doses] {
        assert_eq!(english().get(&format!("compared-{}", method.id())), method.words());
    }
    for (kind, _) in crate::console::diary::KINDS {
        assert_eq!(english().get(&format!("kind-{kind}")), kind);
    }
    for (_, suffix, name, _) in CONDITIONS {
        assert_eq!(english().get(&format!("alarm-{suffix}")), name);
    }
}

/// Every alarm that the farm of the demonstration can raise, by the core's own list: its kind has a name.
#[test]
fn every_alarm_of_a_farm_has_a_name_in_every_language() {
    let farm =
        crate::config::load(Path::new(concat!(env!("CARGO_MANIFEST_DIR"), "/../../config/demo/farm.toml")));
    let mut state = State::new();
    let started = Event::Started { site: farm.unwrap().site };
    state.step(&Input { seq: 1, at: Timestamp(1_780_000_000_000), event: started }, &mut Vec::new());
    let known = state.why("none of them").unwrap_err();
    let ids: Vec<String> = known.open.into_iter().chain(known.calm).collect();
    for part in [".node-silent.", ".probe-fault.", "farm.power-lost", ".dose-count"] {
        assert!(ids.iter().any(|id| id.contains(part)), "no alarm {part} among {ids:?}");
    }
    for words in [english(), spanish()] {
        for id in &ids {
            let (key, which) = alarm_key(id);
            assert!(words.has(&key), "{}: no name for the alarm {id}", words.code());
            assert!(!say!(words, &key, which = which).contains(NO_TEXT), "{key}");
        }
    }
}

/// Every source of a limit that comes with the program is said in Spanish, and none is in the catalogue that is no longer.
#[test]
fn every_source_of_a_limit_is_in_the_catalogue() {
    fn sources(value: &toml::Value, found: &mut BTreeSet<String>) {
        match value {
            toml::Value::Table(table) => {
                for (key, value) in table {
                    match value {
                        toml::Value::String(text) if key == "source" => drop(found.insert(text.clone())),
                        value => sources(value, found),
                    }
                }
            }
            toml::Value::Array(list) => list.iter().for_each(|value| sources(value, found)),
            _ => {}
        }
    }
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../config");
    let mut found = BTreeSet::from(["as the default".to_owned()]);
    for file in folder.join("limits").read_dir().unwrap().flatten() {
        let text = std::fs::read_to_string(file.path()).unwrap();
        sources(&toml::Value::Table(text.parse().unwrap()), &mut found);
    }
    assert!(found.len() > 30, "{}", found.len());
    let (keys, _) = own::keys(&ENGLISH);
    let known: BTreeSet<String> =
        keys.keys().filter(|key| key.starts_with(SOURCES)).map(|key| english().get(key)).collect();
    assert_eq!(known, found);
    for source in found {
        assert_ne!(recognised::recognised(spanish(), &source), source);
    }
}

/// What to do after a wrong dose is told from the core, and found by its English.
#[test]
fn every_step_after_a_wrong_dose_is_in_the_catalogue() {
    let all = Mistake::ALL.into_iter().flat_map(|own| [vec![own.name()], own.steps()].concat());
    let told: BTreeSet<String> = all.map(str::to_owned).collect();
    let (keys, _) = own::keys(&ENGLISH);
    let known: BTreeSet<String> =
        keys.keys().filter(|key| key.starts_with("mistake-")).map(|key| english().get(key)).collect();
    assert_eq!(known, told);
    for sentence in told {
        assert_ne!(recognised::recognised(spanish(), &sentence), sentence);
    }
}

/// Columns that texts have, by the beginning of their key or the whole of it.
const COLUMNS: &[(&str, usize)] = &[
    ("quality-short-", 4),
    ("quality-narrow-", 7),
    ("quality-", 9),
    ("quantity-", 18),
    ("quantity-short-", 13),
    ("mark-", 4),
    ("state-", 14),
    ("limit-short-", 4),
    ("limit-1", 9),
    ("limit-2", 9),
    ("limit-3", 9),
    ("head-pond", 9),
    ("head-oxygen", 6),
    ("head-quality", 8),
    ("head-age", 8),
    ("head-share", 4),
    ("head-slope", 5),
    ("head-per-hour", 5),
    ("head-below", 5),
    ("head-lowest", 4),
    ("head-spread", 9),
    ("head-at", 5),
    ("head-do", 12),
    ("crossing-", 5),
    ("do-line-", 45),
    ("do-short-look", 12),
    ("do-short-start-now", 12),
    ("do-short-rest", 12),
    ("panel-what", 7),
    ("panel-called", 7),
    ("panel-oxygen", 7),
    ("panel-left", 7),
    ("panel-do", 7),
    ("panel-caution", 71),
    ("alarms-alarm", 6),
    ("alarms-where", 13),
    ("alarms-what", 10),
    ("alarms-since", 9),
    ("alarms-state", 14),
    ("nights-night-of", 11),
    ("nights-lowest", 7),
    ("nights-at", 6),
    ("nights-forecast", 18),
    ("nights-off", 4),
    ("nights-within", 6),
    ("nights-no-forecast", 18),
    ("nights-note-", 79),
    ("yes", 4),
    ("no-loud", 4),
    ("entry-sampled-at", 11),
    ("entry-as-unknown", 14),
    ("diary-label-what", 12),
    ("field-", 12),
    ("hint-", 53),
    ("shelve-for", 4),
    ("shelve-reason-", 70),
    ("limit-reason-", 70),
    ("alarm-", 32),
    ("plan-without", 8),
    ("plan-with", 8),
    ("plan-ph-", 26),
    ("plan-alkalinity", 26),
    ("plan-nh3-", 26),
    ("plan-h2s", 26),
    ("plan-h2s-hidden", 35),
    // These have values put in.
    ("plan-alkalinity-", 200),
    ("plan-nh3-peak-limit", 200),
    ("plan-nh3-mean-limit", 200),
    ("plan-nh3-band", 200),
    ("plan-later", 35),
    ("feed-nitrogen", 34),
    ("feed-tan", 34),
    ("feed-oxygen", 34),
    ("feed-oxygen-from", 28),
    ("feed-nitrification", 34),
    ("feed-alkalinity", 34),
    ("feed-phosphorus", 34),
    ("feed-solids", 28),
    ("feed-if-all", 28),
    ("feed-no-kit", 28),
    ("feed-to-sludge", 28),
    ("balance-first", 36),
    ("balance-doses", 36),
    ("balance-nitrified", 36),
    ("balance-replaced", 36),
    ("balance-expected", 36),
    ("balance-last", 36),
    ("balance-dissolved", 30),
    ("balance-all-tan", 30),
    ("result-effect", 7),
    ("result-before", 7),
    ("result-after", 7),
    ("result-doses", 7),
];

#[test]
fn texts_fit_their_columns() {
    for words in [english(), spanish()] {
        let (keys, _) = own::keys(&ENGLISH);
        for key in keys.keys() {
            let fits = COLUMNS.iter().filter(|(start, _)| key.starts_with(start));
            let Some((_, columns)) = fits.max_by_key(|(start, _)| start.len()) else { continue };
            // The daemon's own English names are cut in the list and stand in full below it.
            if words == english() && key.starts_with("alarm-") {
                continue;
            }
            let text = words.fill(key, &[("which", "rs485-1".into())]);
            let plain = crate::console::text::clean(&text, false);
            assert!(width(&plain) <= *columns, "{}: {key} has {columns} columns: {plain}", words.code());
        }
        // In the form for readings a name has sixteen.
        for quantity in crate::console::entry::FIELDS {
            let name = crate::console::words::quantity_name(words, quantity.id());
            assert!(width(&name) <= 16, "{name}");
        }
        // Aerators have a line of their own.
        for quantity in Quantity::ALL.iter().filter(|own| !own.id().starts_with("aerator_")) {
            let name = crate::console::words::quantity_short_name(words, quantity.id());
            assert!(width(&name) <= 13, "{name}");
        }
    }
}

#[test]
fn without_utf_8_every_letter_of_spanish_is_a_plain_one() {
    for line in SPANISH.lines().filter(|line| !line.starts_with('#')) {
        let plain = crate::console::text::clean(line, false);
        assert!(plain.is_ascii(), "{plain}");
        assert!(line.contains('?') || !plain.contains('?'), "{line}");
    }
}

#[test]
fn who_asks_for_a_language_gets_it_before_configuration_and_locale() {
    let code = |choice: &Choice| chosen(choice).map(|words| words.code().to_owned());
    let variables = |pairs: &'static [(&str, &str)]| {
        move |name: &str| pairs.iter().find(|(own, _)| *own == name).map(|(_, value)| (*value).to_owned())
    };
    let locale = |pairs| Choice::default().with_locale(variables(pairs));
    assert_eq!(code(&Choice::default()).as_deref(), Ok("en"));
    assert_eq!(code(&locale(&[("LANG", "es_EC.UTF-8")])).as_deref(), Ok("es"));
    assert_eq!(code(&locale(&[("LANG", "es_PE"), ("LC_MESSAGES", "C")])).as_deref(), Ok("en"));
    assert_eq!(code(&locale(&[("LC_ALL", "es"), ("LC_MESSAGES", "en_GB")])).as_deref(), Ok("es"));
    assert_eq!(code(&locale(&[("LC_ALL", ""), ("LANG", "fr_FR.UTF-8")])).as_deref(), Ok("en"));
    let configured = Choice { configured: Some("es".to_owned()), ..locale(&[("LANG", "en_US")]) };
    assert_eq!(code(&configured).as_deref(), Ok("es"));
    let asked = Choice { language: Some("en".to_owned()), ..configured };
    assert_eq!(code(&asked).as_deref(), Ok("en"));
    let unknown = Choice { language: Some("xx".to_owned()), ..Choice::default() };
    assert_eq!(code(&unknown).unwrap_err(), "there are no texts in the language `xx`; there are: en, es");
}

#[test]
fn a_farm_s_own_language_stands_before_english() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("qu.ftl");
    std::fs::write(&file, "farm-no-alarms = Mana ima.\nage-days = { $days } punchaw\n").unwrap();
    for choice in [
        Choice { file: Some(file.clone()), ..Choice::default() },
        Choice {
            language: Some("qu".to_owned()),
            folder: Some(folder.path().to_owned()),
            ..Choice::default()
        },
    ] {
        let words = chosen(&choice).unwrap();
        assert_eq!(words.code(), "qu");
        assert_eq!(say!(words, "farm-no-alarms"), "Mana ima.");
        assert_eq!(say!(words, "age-days", days = "3"), "3 punchaw");
        assert_eq!(say!(words, "in-doubt"), english().get("in-doubt"));
    }
    let away = Choice {
        language: Some("../qu".to_owned()),
        folder: Some(folder.path().join("within")),
        ..Choice::default()
    };
    assert!(chosen(&away).unwrap_err().contains("no texts in the language `../qu`"));
    let missing = Choice { file: Some(folder.path().join("no.ftl")), ..Choice::default() };
    assert!(chosen(&missing).unwrap_err().contains("cannot read the texts in"));
}

#[test]
fn a_farm_s_own_file_is_held_against_the_english_one() {
    let found = own::problems(
        "farm-no-alarm = Mana ima.\nage-days = { $tage } punchaw\nage-under = a\nage-under = b\n%\n",
    );
    let told = found.wrong.join("\n");
    assert!(told.contains("no text is called `farm-no-alarm`; did you mean `farm-no-alarms`?"), "{told}");
    assert!(told.contains("`age-days`: $tage is not put in; accepted: $days"), "{told}");
    assert!(told.contains("`age-under` stands twice"), "{told}");
    assert!(told.contains("line 5: Expected"), "{told}");
    assert!(
        found.missing.contains(&"farm-no-alarms".to_owned())
            && !found.missing.contains(&"age-days".to_owned())
    );
}

#[test]
fn a_text_that_is_missing_shows() {
    assert!(english().get("no-such-text").starts_with(NO_TEXT));
    // What a text wants and is not given shows too, in whatever language.
    assert!(spanish().get("age-days").starts_with(NO_TEXT));
}

/// However deep a farm's own file nests, it is told and English is spoken.
#[test]
fn a_file_that_nests_without_end_is_told_and_not_used() {
    for (open, close) in [("{", "}"), ("{ F(", ") }")] {
        let deep = format!("farm-no-alarms = {}1{}\n", open.repeat(60_000), close.repeat(60_000));
        for source in [deep.clone(), deep.replace('}', "")] {
            let found = own::problems(&source);
            assert!(found.wrong[0].contains("line 1: braces are more than"), "{}", found.wrong[0]);
            let texts = Texts::of("es", &[&source, &ENGLISH]);
            assert!(!texts.code().is_empty());
        }
    }
    assert_eq!(own::too_deep(&ENGLISH), None);
}

/// A plural chosen by a number with so many digits overflows in the library: `check` refuses the file, and none of it is used.
#[test]
fn a_number_that_is_too_long_is_refused_with_its_line() {
    let with = |digits: usize| {
        format!("a = b\nheh = {{3.{} ->\n   [one] x\n  *[other] y\n }}\n", "2".repeat(digits))
    };
    let (keys, wrong) = own::keys(&with(16));
    assert!(keys.is_empty() && wrong[0].starts_with("line 2: a number has more than 15 digits"), "{wrong:?}");
    assert!(!Texts::of("xx", &[&with(90)]).has("heh"));
    assert_eq!(Texts::of("xx", &[&with(15)]).get("heh"), "y");
}

/// Cut short before a letter of two bytes, the library would cut through that.
#[test]
fn an_escape_that_is_cut_short_is_refused_with_its_line() {
    let with = |escape: &str| format!("a = b\nheh = {{\"{escape}\"}}\n");
    let (keys, wrong) = own::keys(&with("\\U5282\u{e9}"));
    assert!(keys.is_empty() && wrong[0].starts_with("line 2: \\u is followed by four"), "{wrong:?}");
    assert!(!Texts::of("xx", &[&with("\\u5\u{e9}\u{e9}")]).has("heh"));
    assert_eq!(Texts::of("xx", &[&with("\\u00e9")]).get("heh"), "\u{e9}");
}
