//! When the night's forecast alarms.

use crate::alarm::{Delays, Sight};
use crate::effect::Forecast;
use crate::site::Limits;

use super::Facts;

/// The forecast is made anew each quarter of an hour; the alarm follows the second in a row.
pub(super) const DELAYS: Delays = Delays::minutes(15, 30);

/// A forecast alarms from this chance on, and is clear below [`FORECAST_CLEAR`]. A night of needless
/// aeration costs little beside a lost pond, so the alarm comes well before "more likely than not".
/// (Common practice, no source.)
pub const FORECAST_ALARM: f64 = 0.35;

/// The same in a pond's first nights: more likely than not for the milder limit, and while the forecast is vague two
/// in three for both. The doubt alone then makes a chance of a third, each evening in every pond, and an alarm that is
/// mostly needless is soon not looked at. Oxygen that is low in truth has alarms of its own. (Common practice, no source.)
const FORECAST_ALARM_AT_FIRST: [f64; 2] = [0.5, 2.0 / 3.0];
/// Fewer nights of a pond than this are its first.
const FIRST_NIGHTS: usize = 3;
/// A forecast whose 80 % interval is wider is vague, mg/L. (Common practice, no source.)
const VAGUE_MG_L: f64 = 3.0;

/// The chance from which on a forecast alarms at a level, 0 for the milder limit, where it rests on so many nights of
/// the pond.
pub fn forecast_alarm(forecast: &Forecast, level: usize, nights: usize) -> f64 {
    let [at_first, while_vague] = FORECAST_ALARM_AT_FIRST;
    let is_vague = forecast.high_80 - forecast.low_80 > VAGUE_MG_L;
    match nights {
        FIRST_NIGHTS.. => FORECAST_ALARM,
        _ if is_vague => while_vague,
        _ if level == 0 => at_first,
        _ => FORECAST_ALARM,
    }
}

/// See [`FORECAST_ALARM`].
pub const FORECAST_CLEAR: f64 = 0.2;

/// What the forecast says of one of its limits.
pub(super) fn sight(limits: &Limits, facts: &Facts<'_>, level: usize) -> Sight {
    if facts.forecast_over {
        return Sight::Clear;
    }
    let Some(forecast) = facts.forecast else { return Sight::Unseen };
    let Some(&limit) = limits.do_forecast_mg_l.get(level) else { return Sight::Unseen };
    let chance = forecast
        .below
        .iter()
        .find(|crossing| crossing.limit_mg_l == limit)
        .map(|crossing| crossing.probability);
    match chance {
        Some(chance) if chance >= forecast_alarm(forecast, level, facts.forecast_nights) => Sight::Beyond,
        Some(chance) if chance < FORECAST_CLEAR => Sight::Clear,
        Some(_) => Sight::Deadband,
        None => Sight::Unseen,
    }
}
