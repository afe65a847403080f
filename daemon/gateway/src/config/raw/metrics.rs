//! Where metrics can be fetched, as written.

use super::super::rules::Text;
use super::super::tables::table;

table! {
    /// Where a monitoring system on this machine fetches metrics, in OpenMetrics.
    pub struct RawMetrics {
        /// Loopback address and port, such as "127.0.0.1:9464"; `/metrics` and `/healthz` answer there.
        listen: String = needed Text;
    }
}
