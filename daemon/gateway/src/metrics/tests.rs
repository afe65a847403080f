//! When health is refused, and a real connection. That the text is OpenMetrics is for programs that we did not
//! write to say: see `tests/e2e/metrics.rs`.

use pondreeve_core::effect::{Flag, PartFault};
use pondreeve_core::input::GatewayPart;
use pondreeve_core::site::{PondIndex, ProbeIndex};
use pondreeve_core::view::ChannelNow;
use pondreeve_core::{Quantity, State, Timestamp};

use super::health::judged;

fn channel(flag: Flag) -> ChannelNow {
    ChannelNow {
        pond: Some(PondIndex(0)),
        probe: Some(ProbeIndex(0)),
        quantity: Quantity::DoMgL,
        aerator: None,
        value: None,
        flag,
        at: Timestamp(0),
    }
}

fn fault(part: GatewayPart, which: &str) -> PartFault {
    PartFault { part, which: which.to_owned(), detail: "worn out".to_owned(), since: Timestamp(0) }
}

#[test]
fn a_farm_without_probes_or_with_one_that_reports_is_well() {
    let view = State::new().view();
    assert_eq!(judged(&view, &[]), Ok(()));
    assert_eq!(judged(&view, &[channel(Flag::Missing), channel(Flag::Fail)]), Ok(()));
    let missing = [channel(Flag::Missing), ChannelNow { probe: None, ..channel(Flag::Pass) }];
    assert_eq!(judged(&view, &missing), Err(vec!["no probe reports".to_owned()]));
}

#[test]
fn faults_that_stop_the_work_are_told_and_others_are_not() {
    let mut view = State::new().view();
    view.faults = vec![
        fault(GatewayPart::Bus, "east"),
        fault(GatewayPart::Forward, "office"),
        fault(GatewayPart::Clock, ""),
        fault(GatewayPart::Store, "set-aside"),
    ];
    assert_eq!(judged(&view, &[]), Ok(()));
    view.faults = vec![fault(GatewayPart::Store, ""), fault(GatewayPart::Horn, "program")];
    let told = vec!["store: worn out".to_owned(), "horn program: worn out".to_owned()];
    assert_eq!(judged(&view, &[]), Err(told));
}
