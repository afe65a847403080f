//! Limits that people change while the program runs.

use alloc::format;
use alloc::string::String;
use alloc::vec::Vec;

use super::State;
use crate::effect::{Effect, LimitChanged};
use crate::limit_change::{self, LimitChange};
use crate::said::{Said, said};
use crate::site::{PondIndex, Site};

impl State {
    /// A farm as it is configured, with what people have changed. A change whose limit has another value in the
    /// configuration than when it was made is over.
    pub(super) fn with_changes(&mut self, configured: &Site) -> Site {
        let mut site = configured.clone();
        self.limit_changes.retain(|change| {
            let Some(pond) = site.ponds.iter_mut().find(|pond| pond.id == change.pond) else { return true };
            if limit_change::value_of(&pond.limits, &change.key) != Some(change.configured) {
                return false;
            }
            match limit_change::changed(&pond.limits, &change.key, change.value) {
                Ok(limits) => pond.limits = limits,
                // Beside other configured limits it can no longer be.
                Err(_) => return false,
            }
            true
        });
        site
    }

    /// Changes a limit, or takes the change back where there is no value.
    pub(super) fn change_limit(
        &mut self,
        index: PondIndex,
        (key, value): (&str, Option<f64>),
        (by, reason): (&str, &str),
        effects: &mut Vec<Effect>,
    ) {
        let at = self.now;
        let Some(mut site) = self.site.clone() else {
            return self
                .refuse_plainly(format!("the limit {key} was not changed: no farm is known yet"), effects);
        };
        let Some(pond) = site.ponds.get_mut(usize::from(index.0)) else {
            let ponds = site.ponds.len();
            return self.refuse_plainly(
                format!("{key} of pond {} was not changed: the farm has {ponds}", index.0),
                effects,
            );
        };
        let pond_id = pond.id.clone();
        let refused = |why: Said| match limit_change::name_of(key) {
            "" => {
                said!(
                    "refused-limit-key",
                    "changing {key} of {pond}: {why}",
                    key = key,
                    pond = &pond_id,
                    why = why
                )
            }
            name => said!(
                "refused-limit",
                "changing the limit of \"{limit}\" of {pond}: {why}",
                limit = name,
                pond = &pond_id,
                why = why
            ),
        };
        let Some(reason) = limit_change::reason(reason) else {
            let why = said!("refused-limit-why", "say in a few words why; nothing was changed");
            return self.refuse(refused(why), effects);
        };
        let known = self.limit_changes.iter().position(|own| own.pond == pond.id && own.key == key);
        let configured = known.and_then(|known| self.limit_changes.get(known)).map(|own| own.configured);
        let old = limit_change::value_of(&pond.limits, key);
        let configured = configured.or(old).unwrap_or_default();
        let value = match (value, known) {
            (Some(value), _) => value,
            (None, Some(_)) => configured,
            (None, None) => {
                let why = said!("refused-limit-same", "it is as configured, so nothing is taken back");
                return self.refuse(refused(why), effects);
            }
        };
        let limits = match limit_change::changed(&pond.limits, key, value) {
            Ok(limits) => limits,
            Err(why) => {
                let why = said!("refused-unchanged", "{why}; nothing was changed", why = why);
                return self.refuse(refused(why), effects);
            }
        };
        pond.limits = limits;
        let id = pond.id.clone();
        if let Some(known) = known {
            self.limit_changes.remove(known);
        }
        if value.to_bits() != configured.to_bits() {
            self.limit_changes.push(LimitChange {
                pond: id,
                key: String::from(key),
                configured,
                value,
                at,
                by: String::from(by),
                reason,
            });
        }
        effects.push(Effect::LimitChanged(LimitChanged {
            at,
            pond: index,
            key: String::from(key),
            old: old.unwrap_or(value),
            new: value,
            configured,
        }));
        // Only this pond is judged anew: what happens to one never moves another.
        self.site = Some(site);
        let Some(scene) = self.scene() else { return };
        if let Some(mut own) = self.ponds.get(usize::from(index.0)).cloned() {
            own.settle(&scene, effects);
            if let Some(place) = self.ponds.get_mut(usize::from(index.0)) {
                *place = own;
            }
        }
    }
}
