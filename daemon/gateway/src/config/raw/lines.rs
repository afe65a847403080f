//! Lines on which probes speak text: SDI-12, and plain lines.

use std::path::PathBuf;
use std::time::Duration;

use pondreeve_core::Quantity;
use pondreeve_core::site::Layer;

use super::super::farm::{LineKind, Parity, Wake};
use super::super::reader::At;
use super::super::rules::{Choice, FilePath, Id, Text, YesNo, length_ms, whole};
use super::super::tables::{PerQuantity, TablesOf, table};
use super::{LAYERS, MOST_PROBES, PARITIES, POLL, RawCalibration, RawQuality};

/// What is spoken on a line.
pub(super) const KINDS: Choice<LineKind> = Choice(&[("sdi12", LineKind::Sdi12), ("text", LineKind::Text)]);

/// Who wakes the sensors of an SDI-12 line.
pub(super) const WAKES: Choice<Wake> = Choice(&[("break", Wake::Break), ("adapter", Wake::Adapter)]);

table! {
    /// One line on which probes speak text.
    pub struct RawLine {
        /// Short id.
        id: String = needed Id;
        /// What is spoken: sdi12 (SDI-12 sensors behind a serial adapter) or text (plain lines of text).
        kind: LineKind = needed KINDS;
        /// Device; a stable path such as one below /dev/serial/by-path survives replugging.
        device: PathBuf = optional FilePath;
        /// Host and port of a serial server that has the line, in place of `device`.
        server: String = optional Text;
        /// Bits per second: 1200 for SDI-12, 9600 for text by default.
        baud: i64 = optional whole(300, 1_000_000, "bits/s");
        /// Data bits: 7 for SDI-12, 8 for text by default.
        data_bits: i64 = optional whole(7, 8, "bits");
        /// Parity: even for SDI-12, none for text by default.
        parity: Parity = optional PARITIES;
        /// Stop bits.
        stop_bits: i64 = optional whole(1, 2, "bits");
        /// SDI-12 only. Who wakes the sensors: break (the gateway holds the line for 15 ms before each command), or
        /// adapter, for one that does it by itself.
        wake: Wake = optional WAKES;
        /// Silence kept between an answer and the next question.
        turnaround: Duration = optional length_ms(1, 1_000);
        /// File that what goes over the line is written to, with times, for a support case. It is kept small.
        capture: PathBuf = optional FilePath;
        /// The probes on the line have no power but the mains: all of them silent together means that the power is lost.
        on_mains: bool = optional YesNo;
        /// The probes on the line.
        probe: Vec<At<RawLineProbe>> = needed TablesOf::<RawLineProbe>::at_most(MOST_PROBES);
    }
}

table! {
    /// A probe that speaks text.
    pub struct RawLineProbe {
        /// Short id, unique on the farm.
        id: String = needed Id;
        /// The pond it stands in; left out for a probe that serves all ponds, such as a weather mast.
        pond: String = optional Id;
        /// How deep it hangs: just below the surface, or near the bottom. Probes of different depths are not held
        /// against each other, and fresher water at the surface than below is an alarm.
        layer: Layer = optional LAYERS;
        /// SDI-12 only: address, one character of 0-9, a-z, A-Z.
        address: String = optional Text;
        /// What its answer means: the name of a file in the folder `probes` beside this file, or of a built-in one.
        profile: String = needed Id;
        /// Time between polls. Of a probe that sends by itself one line is taken in that time.
        poll_every: Duration = needed POLL;
        /// How long to wait for an answer, or for a line of a probe that sends by itself.
        timeout: Duration = optional length_ms(20, 60_000);
        /// Further attempts within one poll.
        retries: i64 = optional whole(0, 5, "");
        /// Aerator group whose running or power it reports.
        aerator: String = optional Id;
        /// Correction per quantity, from a calibration.
        calibration: Vec<(At<Quantity>, At<RawCalibration>)> = optional PerQuantity::<RawCalibration>::new();
        /// Parameters of the quality tests that differ from the defaults, per quantity.
        quality: Vec<(At<Quantity>, At<RawQuality>)> = optional PerQuantity::<RawQuality>::new();
    }
}
