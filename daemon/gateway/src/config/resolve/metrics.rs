//! Where metrics can be fetched: on this machine only.

use std::net::SocketAddr;

use super::super::raw::RawMetrics;
use super::super::words::quoted;
use super::Resolver;

const ACCEPTED: &str = "a loopback address and a port, such as \"127.0.0.1:9464\" or \"[::1]:9464\"";

impl Resolver<'_> {
    pub(super) fn metrics(&self, raw: &RawMetrics) -> Option<SocketAddr> {
        let at = raw.listen.as_ref()?;
        let address: SocketAddr = match at.value.parse() {
            Ok(address) => address,
            Err(_) => {
                let found = format!("{}, which is no address with a port", quoted(&at.value));
                self.problems.push(self.problems.about(at, found, ACCEPTED));
                return None;
            }
        };
        if !address.ip().is_loopback() {
            let found = format!("{address}, which others than this machine can reach");
            let problem = self.problems.about(at, found, ACCEPTED);
            let hint =
                "the metrics have no password: let a collector on this machine fetch them and pass them on";
            self.problems.push(problem.with_hint(hint));
            return None;
        }
        if address.port() == 0 {
            let found = format!("{address}, without a port that a collector could be told");
            self.problems.push(self.problems.about(at, found, ACCEPTED));
            return None;
        }
        Some(address)
    }
}
