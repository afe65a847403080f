//! The language of the console, and a farm's own texts.

use super::{SMALL, Style, from_text};

/// What cannot be said in the farm's language is told, and never keeps the daemon from watching.
#[test]
fn a_farm_s_own_texts_are_held_against_the_english_ones() {
    let folder = tempfile::tempdir().unwrap();
    let texts = folder.path().join("texts");
    std::fs::create_dir(&texts).unwrap();
    std::fs::write(texts.join("qu.ftl"), "farm-no-alarms = Mana ima.\nfarm-no-alarm = Mana.\n").unwrap();
    let path = folder.path().join("farm.toml");
    let with = |more: &str| SMALL.replace("[local]\n", &format!("[local]\n{more}\n"));
    let told = |more: &str| {
        let loaded = from_text(&path, with(more)).expect("sound");
        let told = loaded.warnings.render(Style::Plain);
        (loaded.farm.local.texts, told.split_whitespace().collect::<Vec<_>>().join(" "))
    };
    let (own, warned) = told("language = \"qu\"\ntexts = \"texts\"");
    assert_eq!((own.language.as_deref(), own.folder.as_deref()), (Some("qu"), Some(texts.as_path())));
    assert!(warned.contains("qu.ftl"), "{warned}");
    assert!(
        warned.contains("line 2: no text is called `farm-no-alarm`; did you mean `farm-no-alarms`?"),
        "{warned}"
    );
    let (_, before) = told("");
    let (_, warned) = told("language = \"es\"");
    assert_eq!(warned, before, "Spanish comes with the program");
    let (_, warned) = told("language = \"xx\"");
    assert!(warned.contains("there are no texts in the language `xx`; there are: en, es"), "{warned}");
    let (_, warned) = told("texts = \"nowhere\"");
    assert!(warned.contains("a folder that cannot be read"), "{warned}");
}
