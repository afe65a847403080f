//! Who may do what at the local socket.

use super::Resolver;
use crate::config::raw::RawLocal;
use crate::local::rights::{Act, Rights};

impl Resolver<'_> {
    /// The lists as they are written. A user or group that this machine does not know is a warning: the
    /// configuration may have been written elsewhere.
    pub(super) fn rights(&self, raw: &RawLocal) -> Rights {
        let lists = [
            (Act::Acknowledge, &raw.acknowledge_by),
            (Act::Record, &raw.record_by),
            (Act::Service, &raw.service_by),
            (Act::Trials, &raw.trials_by),
            (Act::Maintain, &raw.maintain_by),
            (Act::Limits, &raw.limits_by),
        ];
        let mut listed = Vec::new();
        for (act, list) in lists {
            let Some(list) = list else { continue };
            for name in &list.value {
                let (kind, is_known) = match name.value.strip_prefix('@') {
                    Some(group) => ("group", !matches!(nix::unistd::Group::from_name(group), Ok(None))),
                    None => ("user", !matches!(nix::unistd::User::from_name(&name.value), Ok(None))),
                };
                if !is_known {
                    let found = format!("the {kind} `{}`, which this machine does not know", name.value);
                    let problem =
                        self.problems.about(name, found, "a user of the gateway, or a group led by `@`");
                    self.problems.push(problem.as_warning());
                }
            }
            listed.push((act, list.value.iter().map(|at| at.value.clone()).collect()));
        }
        Rights { listed }
    }
}
