//! Who of those that may connect may do what.
//!
//! The socket's mode and group say who connects at all, and the kernel says who it is. Looking is open to all of
//! them. An act can be left to named users and groups; root and the daemon's own user may always, so that no
//! configuration locks everybody out.

use pondreeve_core::said::{Said, said};

use super::protocol::{Ask, Reply};
use crate::audit::notes::process_user;

/// What can be left to some.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Act {
    /// Acknowledge, shelve, unshelve and reset alarms.
    Acknowledge,
    /// Enter readings by hand and keep the diary.
    Record,
    /// Take probes out of service and settle what was found.
    Service,
    /// Fix trials.
    Trials,
    /// Borrow a line, test an output, make a backup.
    Maintain,
    /// Change limits.
    Limits,
}

impl Act {
    /// All of them.
    pub const ALL: [Self; 6] =
        [Self::Acknowledge, Self::Record, Self::Service, Self::Trials, Self::Maintain, Self::Limits];

    /// Its key in the configuration, under `[local]`.
    pub const fn key(self) -> &'static str {
        match self {
            Self::Acknowledge => "acknowledge_by",
            Self::Record => "record_by",
            Self::Service => "service_by",
            Self::Trials => "trials_by",
            Self::Maintain => "maintain_by",
            Self::Limits => "limits_by",
        }
    }

    fn said(self) -> Said {
        match self {
            Self::Acknowledge => said!("act-acknowledge", "acknowledge, shelve or reset alarms"),
            Self::Record => said!("act-record", "enter readings or keep the diary"),
            Self::Service => said!("act-service", "service probes"),
            Self::Trials => said!("act-trials", "fix trials"),
            Self::Maintain => said!("act-maintain", "borrow lines, test outputs or make backups"),
            Self::Limits => said!("act-limits", "change limits"),
        }
    }

    /// What a request does; nothing where it only looks.
    pub const fn of(ask: &Ask) -> Option<Self> {
        match ask {
            Ask::Acknowledge { .. } | Ask::Shelve { .. } | Ask::Unshelve { .. } | Ask::Reset { .. } => {
                Some(Self::Acknowledge)
            }
            Ask::Enter { .. } | Ask::Record(_) => Some(Self::Record),
            Ask::Service { .. } => Some(Self::Service),
            Ask::FixTrial(_) => Some(Self::Trials),
            Ask::BorrowLine { .. } | Ask::TestOutput { .. } | Ask::Backup { .. } => Some(Self::Maintain),
            Ask::ChangeLimit { .. } => Some(Self::Limits),
            Ask::Status
            | Ask::Watch
            | Ask::Devices
            | Ask::Deeds { .. }
            | Ask::Readings { .. }
            | Ask::RollUps { .. }
            | Ask::Limits { .. }
            | Ask::Why { .. }
            | Ask::PlanDose(_)
            | Ask::FeedLoad(_)
            | Ask::Trials
            | Ask::Evidence { .. }
            | Ask::AlarmLoad
            | Ask::Facts
            | Ask::Energy { .. }
            | Ask::Night { .. }
            | Ask::ReturnLine
            | Ask::AuditTrail { .. }
            | Ask::History { .. } => None,
        }
    }
}

/// Who connected.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Person {
    /// Name of the user.
    pub name: String,
    /// Names of the user's groups.
    pub groups: Vec<String>,
}

/// Names of users, and of groups led by `@`, by act. An act that is not listed is everybody's, but for limits, which
/// are then nobody else's.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Rights {
    /// Acts that are left to some.
    pub listed: Vec<(Act, Vec<String>)>,
}

impl Rights {
    fn listed(&self, act: Act) -> Option<&[String]> {
        let found = self.listed.iter().find(|(own, _)| *own == act).map(|(_, names)| names.as_slice());
        found.or((act == Act::Limits).then_some(&[]))
    }

    /// Says why a request is refused to this person.
    pub fn refuse(&self, ask: &Ask, by: &Person) -> Option<Reply> {
        let act = Act::of(ask)?;
        let listed = self.listed(act)?;
        let own = process_user();
        let is_one = |listed: &String| match listed.strip_prefix('@') {
            Some(group) => by.groups.iter().any(|own| own == group),
            None => *listed == by.name,
        };
        if by.name == "root" || by.name == own || listed.iter().any(is_one) {
            return None;
        }
        let named = if listed.is_empty() {
            said!("rights-nobody", "nobody else")
        } else {
            Said::plain(listed.join(", "))
        };
        let (name, key) = (&by.name, act.key());
        tracing::warn!(by = name, act = key, "a local request was refused");
        let why = said!(
            "refused-rights",
            "nothing was done: the user {name} may not {what}; root, {own} and those in `{key}` of [local] may: {named}",
            name = name,
            what = act.said(),
            own = &own,
            key = key,
            named = named
        );
        Some(Reply::refusal(&why, true))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn person(name: &str, groups: &[&str]) -> Person {
        Person { name: name.to_owned(), groups: groups.iter().map(|own| (*own).to_owned()).collect() }
    }

    fn acknowledge() -> Ask {
        Ask::Acknowledge { id: "p1/oxygen-low".to_owned() }
    }

    fn change_limit() -> Ask {
        Ask::ChangeLimit { pond: "p1".to_owned(), key: "x".to_owned(), value: None, reason: String::new() }
    }

    #[test]
    fn what_is_not_listed_is_everybodys_but_for_limits() {
        let rights = Rights::default();
        let ana = person("ana", &["ponds"]);
        assert_eq!(rights.refuse(&acknowledge(), &ana), None);
        assert_eq!(rights.refuse(&Ask::Status, &ana), None);
        let Some(Reply::Error { message, bad_request: true, .. }) = rights.refuse(&change_limit(), &ana)
        else {
            panic!("refused");
        };
        assert!(
            message.contains("ana may not change limits") && message.contains("nobody else"),
            "{message}"
        );
        assert_eq!(rights.refuse(&change_limit(), &person("root", &[])), None);
        assert_eq!(rights.refuse(&change_limit(), &person(&process_user(), &[])), None);
    }

    #[test]
    fn users_and_groups_are_let_through() {
        let names = |names: &[&str]| names.iter().map(|own| (*own).to_owned()).collect::<Vec<_>>();
        let listed = vec![(Act::Acknowledge, names(&["@shift", "li"])), (Act::Limits, names(&["@advisers"]))];
        let rights = Rights { listed };
        assert_eq!(rights.refuse(&acknowledge(), &person("ana", &["ponds", "shift"])), None);
        assert_eq!(rights.refuse(&acknowledge(), &person("li", &[])), None);
        assert!(
            rights.refuse(&acknowledge(), &person("shift", &[])).is_some(),
            "a user named like the group"
        );
        assert!(rights.refuse(&acknowledge(), &person("@shift", &[])).is_some_and(|reply| {
            matches!(reply, Reply::Error { message, .. } if message.contains("@shift, li"))
        }));
        assert_eq!(rights.refuse(&Ask::Status, &person("guest", &[])), None, "looking is free");
        assert_eq!(rights.refuse(&change_limit(), &person("bo", &["advisers"])), None);
    }

    #[test]
    fn every_key_is_its_own() {
        let mut keys: Vec<_> = Act::ALL.iter().map(|act| act.key()).collect();
        keys.sort_unstable();
        keys.dedup();
        assert_eq!(keys.len(), Act::ALL.len());
    }
}
