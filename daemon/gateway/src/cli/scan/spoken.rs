//! `pondreeve scan` on lines on which text is spoken.

use pondreeve_protocol::modbus::Framing;

use crate::config::farm::{LineKind, Wake};
use crate::config::profile::Profile;
use crate::config::{builtin, profile};
use crate::exit_code::{DONE, FAILED, Failure, Outcome};
use crate::scan::Access;
use crate::scan::spoken::{self, Plan};

use super::super::spoken as in_words;
use super::{Arguments, Teller, any_profile, belongs as what_for, own_setting, stable, write_down};
use crate::texts::recognised::recognised;
use crate::texts::say;

const ALL_ADDRESSES: &str = "0-9A-Za-z";

/// What is to be done, as far as the arguments say.
pub(super) fn plan(arguments: &Arguments, kind: LineKind) -> Result<Plan, Failure> {
    let listed = arguments.addresses.as_deref();
    let addresses = match (kind, listed) {
        (LineKind::Sdi12, listed) => {
            spoken::addresses(listed.unwrap_or(ALL_ADDRESSES)).map_err(Failure::usage)?
        }
        (LineKind::Text, None) => Vec::new(),
        (LineKind::Text, Some(_)) => {
            return Err(Failure::usage(say!(in_words(), "scan-text-addresses")));
        }
    };
    if kind == LineKind::Text && arguments.wake.is_some() {
        return Err(Failure::usage(say!(in_words(), "scan-text-wake")));
    }
    if kind == LineKind::Text && arguments.further {
        return Err(Failure::usage(say!(in_words(), "scan-text-further")));
    }
    if kind == LineKind::Text && arguments.watch.is_some() {
        return Err(Failure::usage(say!(in_words(), "scan-text-watch")));
    }
    let belongs = |profile: &Profile| {
        matches!((kind, profile), (LineKind::Sdi12, Profile::Sensor(_)) | (LineKind::Text, Profile::Text(_)))
    };
    let profiles = match arguments.profile.as_slice() {
        [] => {
            let all = builtin::PROFILES.iter();
            all.filter_map(|(name, text)| profile::parse_any(text, name).ok()).filter(belongs).collect()
        }
        named => {
            let named = named.iter().map(|name| any_profile(name)).collect::<Result<Vec<_>, _>>()?;
            if let Some(other) = named.iter().find(|profile| !belongs(profile)) {
                return Err(Failure::usage(say!(
                    in_words(),
                    "scan-profile-for",
                    profile = other.id(),
                    kind = what_for(other),
                )));
            }
            named
        }
    };
    let every_setting = !arguments.speeds.is_empty();
    Ok(Plan {
        device: arguments.line.clone().unwrap_or_default(),
        kind,
        settings: match arguments.speeds.as_slice() {
            [] => Plan::usual_settings(kind),
            named => named.iter().map(|speed| speed.setting(Framing::Rtu)).collect(),
        },
        every_setting,
        wake: match arguments.wake {
            Some(super::Wake::Adapter) => Wake::Adapter,
            Some(super::Wake::Break) | None => Wake::Break,
        },
        addresses,
        further: arguments.further,
        patience: arguments.patience(),
        listen: arguments.listen,
        profiles,
        is_named: !arguments.profile.is_empty(),
        watch: arguments.watch,
    })
}

/// Looks for probes.
pub(super) async fn run(
    arguments: &Arguments,
    kind: LineKind,
    access: &mut Access,
    is_over: &dyn Fn() -> bool,
) -> Outcome {
    let mut plan = plan(arguments, kind)?;
    if let Some(lent) = access.lent() {
        let own = own_setting(lent);
        if arguments.speeds.is_empty() {
            plan.settings.retain(|setting| *setting != own);
            plan.settings.insert(0, own);
        }
        if arguments.wake.is_none() && lent.adapter_wakes {
            plan.wake = Wake::Adapter;
        }
    }
    let mut teller = Teller::new(|address| char::from(address).to_string());
    let outcome = spoken::scan(&plan, access, &mut |progress| teller.tell(progress), is_over).await;
    teller.end();
    let outcome = spoken::Outcome { stable_device: stable(&plan.device), ..outcome };
    let is_begun = outcome.is_found() || outcome.tried.iter().any(|tried| tried.addresses > 0);
    if let Some(why) = outcome.stopped.as_ref().filter(|_| !is_begun) {
        return Err(Failure::failed(recognised(in_words(), why)));
    }
    let written = write_down(arguments, outcome.is_found(), |now| {
        spoken::fragment(&plan, &outcome, arguments.pond.as_deref(), now)
    })?;
    if arguments.json {
        for object in spoken::json(&plan, &outcome, written.as_deref()) {
            super::super::print(&super::super::json_line(&object)?)?;
        }
    } else {
        super::super::print_plain(&spoken::text(&plan, &outcome, written.as_deref(), in_words()))?;
    }
    Ok(if outcome.is_found() { DONE } else { FAILED })
}
