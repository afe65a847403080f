//! Whether the words of a note tell of a storm or a moult, in English and Spanish.

/// Words that do: one of a single word also within a longer one, such as a thunderstorm or moulting.
const UPSETTING: [&[&str]; 7] =
    [&["storm"], &["heavy", "rain"], &["moult"], &["molt"], &["tormenta"], &["lluvia", "fuerte"], &["muda"]];
/// Words that deny what comes next; "t" is what is left of "didn't".
const DENYING: [&str; 11] =
    ["no", "not", "t", "without", "never", "nor", "sin", "ni", "nunca", "ningún", "ninguna"];
/// Words that carry a denial on.
const CARRYING: [&str; 14] =
    ["or", "nor", "o", "u", "ni", "of", "de", "a", "any", "the", "sign", "signs", "señal", "señales"];
/// A denial reaches so many words on.
const REACH: u8 = 2;

/// Whether words tell of a storm or a moult: "storm at noon" does, "no storm" does not.
pub fn upsets(words: &str) -> bool {
    let lower = words.to_lowercase();
    lower.split(['.', ',', ';', ':', '!', '?', '(', ')', '\n']).any(|clause| {
        let own = || clause.split(|c: char| !c.is_alphanumeric()).filter(|word| !word.is_empty());
        let mut denied_for = 0_u8;
        own().enumerate().any(|(place, word)| {
            if DENYING.contains(&word) {
                denied_for = REACH;
                return false;
            }
            if denied_for > 0 && CARRYING.contains(&word) {
                denied_for = REACH;
                return false;
            }
            let tells = |phrase: &&[&str]| match phrase {
                [only] => word.contains(only),
                phrase => own().skip(place).take(phrase.len()).eq(phrase.iter().copied()),
            };
            let is_told = denied_for == 0 && UPSETTING.iter().any(tells);
            denied_for = denied_for.saturating_sub(1);
            is_told
        })
    })
}

#[cfg(test)]
mod tests {
    use super::upsets;

    #[test]
    fn a_storm_that_was_not_is_none() {
        for words in [
            "storm",
            "Thunderstorm at noon",
            "heavy rain since 14:00",
            "many moulting",
            "molts in the tray",
            "tormenta fuerte",
            "Lluvia fuerte",
            "muda en la bandeja",
            "no feed left, storm at four",
            "not fed because of the storm",
            "sin luz por la tormenta",
            "no wind; then a storm",
            "storm passed",
        ] {
            assert!(upsets(words), "{words}");
        }
        for words in [
            "no storm",
            "No storm, no moult.",
            "sin tormenta",
            "sin señales de muda",
            "no rain or storm",
            "ni tormenta ni muda",
            "did not storm",
            "it didn't storm",
            "without any heavy rain",
            "no heavy rain",
            "no signs of moulting",
            "heavy feeding, light rain",
            "overcast",
            "",
        ] {
            assert!(!upsets(words), "{words}");
        }
    }
}
