//! What to do after a dose went wrong, by what went wrong. (Common practice, no source.)

use alloc::vec::Vec;

/// What went wrong.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Mistake {
    /// More was given than planned, or twice.
    TooMuch,
    /// It went into another pond than was meant.
    WrongPond,
    /// It was another product or lot, or what it was is not known.
    WrongProduct,
    /// It was poured thick or dry, not stirred into water first.
    NotStirred,
    /// It was given at the wrong hour: in the afternoon at high pH, at dusk, in rain, without aerators.
    WrongHour,
    /// Less was given than planned, or none.
    TooLittle,
}

/// For every mistake but a dose too small, at once.
const AT_ONCE: [&str; 4] = [
    "Stop pouring. Note the time, and what is left in each container: do not throw empties away.",
    "All aerators on, to mix; no feed until pH and TAN are known.",
    "Measure pH and oxygen now at two places, and each hour until pH falls; test TAN now and tomorrow morning. Enter each value.",
    "Add NO acid and nothing else by guess. Let no water out within 48 h without the adviser's approval; exchange a part only if the adviser says so. Call the adviser.",
];

impl Mistake {
    /// Every one.
    pub const ALL: [Self; 6] = [
        Self::TooMuch,
        Self::WrongPond,
        Self::WrongProduct,
        Self::NotStirred,
        Self::WrongHour,
        Self::TooLittle,
    ];

    /// As commands name it.
    pub const fn id(self) -> &'static str {
        match self {
            Self::TooMuch => "too-much",
            Self::WrongPond => "wrong-pond",
            Self::WrongProduct => "wrong-product",
            Self::NotStirred => "not-stirred",
            Self::WrongHour => "wrong-hour",
            Self::TooLittle => "too-little",
        }
    }

    /// In words.
    pub const fn name(self) -> &'static str {
        match self {
            Self::TooMuch => "More was given than planned, or twice",
            Self::WrongPond => "It went into another pond than was meant",
            Self::WrongProduct => "It was another product or lot, or what it was is not known",
            Self::NotStirred => "It was poured thick or dry, not stirred into water first",
            Self::WrongHour => "It was given at the wrong hour, or without aerators",
            Self::TooLittle => "Less was given than planned, or none",
        }
    }

    /// Finds one by its id.
    pub fn from_id(id: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|own| own.id() == id)
    }

    const fn own(self) -> &'static [&'static str] {
        match self {
            Self::TooMuch => &[
                "Correct the entry to what was really given: weigh what is left, count the empties. `plan dose` with that amount says which pH and which peak of ammonia to reckon with.",
                "Watch the next afternoon: pH and the ammonia in it are highest then. If un-ionised ammonia passes its critical limit, ask the adviser about an exchange.",
                "No further dose until pH is back where it was and the adviser agrees.",
            ],
            Self::WrongPond => &[
                "Withdraw the entry of the pond that was meant, record the dose for the pond that got it.",
                "Judge that pond as if it had been planned: `plan dose` for it, with its own pH, TAN and alkalinity. If it was dosed less than 5 days ago, the two count together.",
                "Do not make up for it in the pond that was meant on the same day without a plan of its own.",
                "If either pond is in a trial, tell the adviser: its days are disturbed.",
            ],
            Self::WrongProduct => &[
                "People first: slurry, lime, acid and chlorine burn. Rinse skin and eyes with much water, take off wet clothes; never mix the two products.",
                "Keep the label, the lot and a sample. Read the maker's safety sheet before anything else is done.",
                "Drug, disinfectant, chlorine, or not known: call the vet or the authority, let nothing out, harvest nothing until they have said so.",
                "Record it as what it was: correct the lot, or withdraw the entry and write a note.",
            ],
            Self::NotStirred => &[
                "Clumps on the bottom burn whatever sits on them: spread them from the dike with a hose or a rake. Nobody into the water while aerators are live.",
                "Lift feed trays there. Rinse probes that hang in the cloud: a probe in it does not tell the pond's pH.",
                "Measure pH in the cloud and far from it; feed again once both read alike.",
            ],
            Self::WrongHour => &[
                "Reckon with the highest pH of the day on top of the dose: measure pH and TAN at once and again at dusk.",
                "Given at dusk or in the night: oxygen comes first, watch it by the hour.",
                "Given without aerators: start them now and let them run 30 to 60 min at the least.",
            ],
            Self::TooLittle => &[
                "Do not double the next one. Correct the entry to what was given; plan the next dose as usual.",
            ],
        }
    }

    /// The steps, in order.
    pub fn steps(self) -> Vec<&'static str> {
        let (own, at_once): (&[&str], &[&str]) = (self.own(), &AT_ONCE);
        match self {
            Self::TooLittle => own.to_vec(),
            // What burns people comes before what harms shrimp.
            Self::WrongProduct => {
                own.iter().take(1).chain(at_once).chain(own.iter().skip(1)).copied().collect()
            }
            _ => at_once.iter().chain(own).copied().collect(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_mistake_has_an_id_and_steps_of_its_own() {
        for mistake in Mistake::ALL {
            assert_eq!(Mistake::from_id(mistake.id()), Some(mistake));
            assert!(!mistake.steps().is_empty());
            for other in Mistake::ALL.into_iter().filter(|&other| other != mistake) {
                assert_ne!(mistake.steps(), other.steps(), "{} and {}", mistake.id(), other.id());
            }
        }
        assert_eq!(Mistake::from_id("acid"), None);
    }

    /// Acid added by guess is the one thing that must not be done.
    #[test]
    fn no_acid_by_guess() {
        for mistake in Mistake::ALL.into_iter().filter(|&mistake| mistake != Mistake::TooLittle) {
            assert!(mistake.steps().iter().any(|step| step.contains("NO acid")), "{}", mistake.id());
        }
    }
}
