//! Slime on the cap of an oxygen probe: it takes a share of the oxygen on its way and makes the cap slow,
//! so that the range of the day shrinks and the night reads low.

use super::clock::HOUR_MS;

/// One cap's film.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Film {
    /// The probe's id.
    pub(super) probe: &'static str,
    /// When it begins to grow.
    pub(super) from_ms: i64,
    /// When it is full-grown.
    pub(super) full_ms: i64,
    /// When somebody wipes it off.
    pub(super) wiped_ms: i64,
    /// Share of the oxygen that a full-grown one takes, 0 to 1.
    pub(super) takes_share: f64,
    /// By how much a full-grown one lags, h.
    pub(super) lags_h: f64,
}

/// What the cap sees.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Cap {
    film: Film,
    behind_mg_l: Option<f64>,
}

impl Cap {
    pub(super) const fn new(film: Film) -> Self {
        Self { film, behind_mg_l: None }
    }

    pub(super) fn is_on(&self, probe: &str) -> bool {
        self.film.probe == probe
    }

    /// Moves on by a step in water of this oxygen.
    pub(super) fn step(&mut self, at_ms: i64, do_mg_l: f64, step_ms: i64) {
        let film = &self.film;
        if !(film.from_ms..film.wiped_ms).contains(&at_ms) {
            self.behind_mg_l = None;
            return;
        }
        let grown = (at_ms - film.from_ms) as f64 / (film.full_ms - film.from_ms) as f64;
        let grown = grown.clamp(0.0, 1.0);
        let reaches = do_mg_l * (1.0 - film.takes_share * grown);
        let behind = self.behind_mg_l.unwrap_or(do_mg_l);
        let lag_h = film.lags_h * grown;
        let step_h = step_ms as f64 / HOUR_MS as f64;
        self.behind_mg_l = Some(behind + (reaches - behind) * (step_h / (lag_h + step_h)));
    }

    /// What the cap sees, where there is a film on it.
    pub(super) const fn behind_mg_l(&self) -> Option<f64> {
        self.behind_mg_l
    }
}
