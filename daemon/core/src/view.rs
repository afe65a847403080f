//! What the state knows now, for `status` and the console. Reading it changes nothing.

use alloc::string::String;
use alloc::vec::Vec;

use crate::effect::{Advice, AlarmState, Derived, Forecast, Latest, PartFault, Priority};
use crate::site::PondIndex;
use crate::time::Timestamp;

/// The whole farm at one moment.
#[derive(Debug, Clone, PartialEq)]
pub struct FarmView {
    /// Time of the newest input or deadline.
    pub at: Timestamp,
    /// One per pond, in the order of the site.
    pub ponds: Vec<PondView>,
    /// Alarms not in the normal state, most urgent first, then oldest first.
    pub alarms: Vec<AlarmView>,
    /// Faults of the gateway itself.
    pub faults: Vec<PartFault>,
    /// Whether the horn should sound now.
    pub horn: bool,
}

/// One pond at one moment.
#[derive(Debug, Clone, PartialEq)]
pub struct PondView {
    /// Which.
    pub pond: PondIndex,
    /// Newest judged value per quantity.
    pub latest: Vec<Latest>,
    /// Newest derived values.
    pub derived: Vec<Derived>,
    /// Tonight's forecast.
    pub forecast: Option<Forecast>,
    /// Why there is no forecast, where there is none.
    pub no_forecast: Option<String>,
    /// Present advice.
    pub advice: Option<Advice>,
    /// Sunset of the night that is on or comes next.
    pub sunset: Option<Timestamp>,
    /// Sunrise after that sunset.
    pub sunrise: Option<Timestamp>,
    /// Per aerator group: running, stopped, or not known.
    pub aerators_on: Vec<Option<bool>>,
}

/// One standing or unacknowledged alarm.
#[derive(Debug, Clone, PartialEq)]
pub struct AlarmView {
    /// The pond, if it is about one.
    pub pond: Option<PondIndex>,
    /// Its id.
    pub id: String,
    /// Its name.
    pub name: String,
    /// How urgent.
    pub priority: Priority,
    /// Its state.
    pub state: AlarmState,
    /// When this occurrence was raised.
    pub raised_at: Timestamp,
    /// When the state last changed.
    pub changed_at: Timestamp,
    /// The newest message.
    pub message: String,
    /// Who acknowledged this occurrence, if anybody did.
    pub acknowledged_by: Option<String>,
}
