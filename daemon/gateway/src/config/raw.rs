//! The configuration as written: each key once, with what it accepts and why it is there. Nothing here
//! has been compared with anything else yet; that is the resolver's work.

mod annunciation;
mod brokers;
mod commands;
mod limits;
mod lines;
mod machine;
mod metrics;
mod outbox;
mod water_limits;

use std::path::PathBuf;
use std::time::Duration;

use pondreeve_chemistry::dose::Basis;
use pondreeve_core::Quantity;
use pondreeve_core::site::Layer;
use pondreeve_protocol::modbus::Framing;

use super::farm::{Encoding, Parity, Version};
use super::reader::At;
use super::rules::{Choice, FilePath, Id, Length, Text, YesNo, length_ms, length_s, number, whole};
use super::tables::{ListOf, PerQuantity, TableOf, TablesOf, table};
pub use annunciation::{RawAnnunciation, RawCallStep, RawCalls, RawCommand, RawGpio, RawOutput, RawRelay};
pub use brokers::{RawBroker, RawNode, RawTopicProbe, RawTopicValue};
pub use commands::{RawCommands, RawPerson};
pub use limits::{
    RawAmmoniaLimit, RawAmmoniaLimits, RawBlindLimits, RawFallLimit, RawForecastLimits, RawLimits,
    RawLimitsFile, RawOxygenLimit, RawOxygenLimits, RawPhLimit, RawPhLimits, RawThreshold, ThresholdParts,
};
pub use lines::{RawLine, RawLineProbe};
pub use machine::RawMachine;
pub use metrics::RawMetrics;
pub use outbox::RawOutbox;
pub use water_limits::*;

/// More ponds than any one gateway's cables and radio reach (common practice, no source).
pub const MOST_PONDS: usize = 100;
/// Buses and brokers behind one gateway.
pub const MOST_BUSES: usize = 16;
/// Probes on one bus or broker: a Modbus line has 247 addresses.
pub const MOST_PROBES: usize = 247;
/// Aerator groups of one pond.
pub const MOST_AERATORS: usize = 32;

/// Lots of product; those that are used up may stay in the file.
pub const MOST_PRODUCTS: usize = 100;

const DAY_S: u64 = 86_400;
const POLL: Length = length_s(1, DAY_S);

/// Accepted depths of a probe.
pub const LAYERS: Choice<Layer> = Choice(&[("surface", Layer::Surface), ("bottom", Layer::Bottom)]);

/// The parities of a serial line.
pub const PARITIES: Choice<Parity> =
    Choice(&[("none", Parity::None), ("even", Parity::Even), ("odd", Parity::Odd)]);

/// How frames travel on a line.
pub const FRAMINGS: Choice<Framing> =
    Choice(&[("rtu", Framing::Rtu), ("ascii", Framing::Ascii), ("tcp", Framing::Tcp)]);

/// Versions of MQTT that a destination may speak.
pub const VERSIONS: Choice<Version> = Choice(&[("3.1.1", Version::Four), ("5", Version::Five)]);

/// Encodings of what goes to a destination.
pub const ENCODINGS: Choice<Encoding> = Choice(&[("json", Encoding::Json), ("cbor", Encoding::Cbor)]);

/// What the ppm of a dose count.
pub const BASES: Choice<Basis> = Choice(&[
    ("slurry_mass", Basis::SlurryMass),
    ("solids_mass", Basis::SolidsMass),
    ("slurry_volume", Basis::SlurryVolume),
]);

table! {
    /// Configuration of the pondreeve daemon: one farm behind one gateway.
    pub struct RawFarm {
        /// The farm as a whole.
        farm: RawFarmTable = needed TableOf::<RawFarmTable>::new();
        /// Where readings are kept.
        store: RawStore = needed TableOf::<RawStore>::new();
        /// Where the console and the plain commands reach the daemon.
        local: RawLocal = needed TableOf::<RawLocal>::new();
        /// The ponds, in the order in which screens list them.
        pond: Vec<At<RawPond>> = needed TablesOf::<RawPond>::at_most(MOST_PONDS);
        /// Serial lines with Modbus probes.
        bus: Vec<At<RawBus>> = optional TablesOf::<RawBus>::at_most(MOST_BUSES);
        /// Lines on which probes speak text: SDI-12, and plain lines.
        line: Vec<At<RawLine>> = optional TablesOf::<RawLine>::at_most(MOST_BUSES);
        /// MQTT brokers that readings come from.
        broker: Vec<At<RawBroker>> = optional TablesOf::<RawBroker>::at_most(MOST_BUSES);
        /// MQTT brokers that summaries, alarms and health go to.
        destination: Vec<At<RawDestination>> = optional TablesOf::<RawDestination>::at_most(MOST_BUSES);
        /// Lots of mineral slurry on the farm, as their labels describe them.
        product: Vec<At<RawProduct>> = optional TablesOf::<RawProduct>::at_most(MOST_PRODUCTS);
        /// What makes alarms heard and seen, and who is called.
        annunciation: RawAnnunciation = optional TableOf::<RawAnnunciation>::new();
        /// How much may wait for the destinations.
        outbox: RawOutbox = optional TableOf::<RawOutbox>::new();
        /// The gateway computer itself: heat and room.
        machine: RawMachine = optional TableOf::<RawMachine>::new();
        /// Where a monitoring system on this machine fetches metrics.
        metrics: RawMetrics = optional TableOf::<RawMetrics>::new();
        /// Readings of a test kit and acknowledgements from people who are not at the gateway.
        commands: RawCommands = optional TableOf::<RawCommands>::new();
    }
}

table! {
    /// The farm as a whole.
    pub struct RawFarmTable {
        /// Name for people.
        name: String = needed Text;
        /// Id of this gateway, as in MQTT topics; changing it makes a new gateway of it for every consumer.
        gateway: String = needed Id;
        /// Farm time: a fixed offset from UTC such as "-05:00", or a name of the time-zone database such as
        /// "Asia/Bangkok". For showing clock times to people and for the horn's test; sunrise and sunset follow the position.
        time_zone: String = needed Text;
        /// Degrees north; negative in the south. With the longitude it gives sunset and sunrise.
        latitude: f64 = needed number(-90.0, 90.0, "degrees");
        /// Degrees east; negative in the west.
        longitude: f64 = needed number(-180.0, 180.0, "degrees");
        /// Air pressure assumed while no probe reports it; 1 % in oxygen saturation for each 10 hPa.
        pressure_hpa: f64 = optional number(850.0, 1050.0, "hPa");
        /// How often each pond is summarised for other systems.
        summary_every: Duration = optional length_s(60, DAY_S);
        /// What a kWh costs; advice then says money beside energy.
        energy_price_per_kwh: f64 = optional number(0.0, 100_000.0, "per kWh");
        /// How money is written, such as "USD".
        currency: String = optional Text;
    }
}

table! {
    /// Where readings are kept.
    pub struct RawStore {
        /// Folder of the database. One daemon at a time.
        path: PathBuf = needed FilePath;
        /// Readings are on disk for good within this long: what a power cut can take. Shorter wears flash
        /// storage sooner.
        durable_within: Duration = optional length_ms(100, 60_000);
        /// Readings are kept this long, days. Roll-ups of quarter hours and what people did are kept for ever. When
        /// time has leapt by more than a week (a long halt, a clock set wrong), none is deleted for its age for two weeks.
        raw_days: i64 = optional whole(2, 36_500, "days");
        /// The store takes about this much at most, megabytes; the oldest readings go first.
        max_megabytes: i64 = optional whole(64, 10_000_000, "MB");
        /// Folder for a file of each day's readings, CSV packed by gzip; best on another disk. None if absent.
        daily_files: PathBuf = optional FilePath;
        /// What the maker says can be written to the card in its life, terabytes (TBW). An alarm asks for a
        /// new card at four fifths of it.
        card_life_terabytes: f64 = optional number(0.01, 100_000.0, "TB");
    }
}

table! {
    /// Where the console and the plain commands reach the daemon.
    pub struct RawLocal {
        /// Path of the Unix socket; at most 107 bytes.
        socket: PathBuf = needed FilePath;
        /// Who may connect, as an octal file mode in quotes. Whoever can connect can acknowledge alarms.
        mode: String = optional Text;
        /// Group that owns the socket.
        group: String = optional Text;
        /// Who may acknowledge, shelve and reset alarms, beside root and the daemon's own user: users, and groups led
        /// by `@`. Left out: everybody who may connect.
        acknowledge_by: Vec<At<String>> = optional ListOf { each: Text, least: 1, most: 32 };
        /// Who may enter readings by hand and keep the diary, likewise.
        record_by: Vec<At<String>> = optional ListOf { each: Text, least: 1, most: 32 };
        /// Who may take probes out of service and settle what was found, likewise.
        service_by: Vec<At<String>> = optional ListOf { each: Text, least: 1, most: 32 };
        /// Who may fix trials, likewise.
        trials_by: Vec<At<String>> = optional ListOf { each: Text, least: 1, most: 32 };
        /// Who may borrow a line (`scan`), test an output (`commission`) and make a backup, likewise.
        maintain_by: Vec<At<String>> = optional ListOf { each: Text, least: 1, most: 32 };
        /// Who may change limits with `pondreeve limit` and at the console, likewise; left out: nobody else.
        limits_by: Vec<At<String>> = optional ListOf { each: Text, least: 0, most: 32 };
        /// Language of the console and the plain lines: `en`, `es`, or one of the folder `texts`.
        language: String = optional Text;
        /// Folder of the farm's own texts: Fluent files, each named after its language, such as qu.ftl.
        texts: PathBuf = optional FilePath;
    }
}

table! {
    /// One pond.
    pub struct RawPond {
        /// Short id, as in commands and topics.
        id: String = needed Id;
        /// Name for people.
        name: String = needed Text;
        /// Species of the crop; with `stage` it picks the file of default limits.
        species: String = needed Id;
        /// Stage of the crop; with `species` it picks the file of default limits.
        stage: String = needed Id;
        /// Water surface.
        area_m2: f64 = needed number(1.0, 1_000_000.0, "m2");
        /// Mean depth, while no gauge reports it.
        depth_m: f64 = needed number(0.1, 10.0, "m");
        /// Salinity assumed while no probe or test reports it. Too low a figure makes oxygen saturation look
        /// higher than it is.
        salinity_psu: f64 = needed number(0.0, 60.0, "PSU");
        /// Aerator groups, each switched as one.
        aerator: Vec<At<RawAerator>> = optional TablesOf::<RawAerator>::at_most(MOST_AERATORS);
        /// Chance of oxygen falling below its forecast limit that the aeration plan accepts.
        aeration_risk: f64 = optional number(0.01, 0.5, "");
        /// A pond alike in build, stocking and water: its probes speak as neighbours where this pond has no
        /// second probe of a quantity.
        like: String = optional Id;
        /// How the pond is farmed, in the farm's own words, such as "lined, intensive": the report sets ponds
        /// of one style beside those of another.
        style: String = optional Text;
        /// How often mineral slurry is given. A reminder falls due on the morning of the day; none if absent.
        dose_every: Duration = optional length_s(5 * DAY_S, 60 * DAY_S);
        /// How much a dose of the pond's programme is, in the unit of the lot's basis, where `plan dose` is not
        /// told; 4 if left out.
        dose_ppm: f64 = optional number(0.1, 200.0, "ppm");
        /// The same before shrimp are put in; 20 if left out.
        dose_before_stocking_ppm: f64 = optional number(0.1, 200.0, "ppm");
        /// Limits that differ from the defaults of the species and stage.
        limits: RawLimits = optional TableOf::<RawLimits>::new();
    }
}

table! {
    /// Aerators that are switched together.
    pub struct RawAerator {
        /// Short id within the pond, as painted on the panel.
        id: String = needed Id;
        /// Electrical power of the whole group.
        power_kw: f64 = needed number(0.05, 500.0, "kW");
        /// Standard aeration efficiency: kg O2 per kWh at 20 °C, no oxygen, clean water.
        sae_kg_kwh: f64 = needed number(0.1, 5.0, "kg O2 per kWh");
        /// It runs through every night whatever a plan says: for mixing, or as the farm's rule.
        must_run: bool = optional YesNo;
        /// From when to when, farm time, the panel's own clock runs it each day, such as "21:30-07:45": the
        /// forecast counts with it. Such a clock knows of no summer time.
        timer: String = optional Text;
    }
}

table! {
    /// A lot of mineral slurry, as its label describes it.
    pub struct RawProduct {
        /// Lot, as on the drums.
        lot: String = needed Text;
        /// What a dose of so many ppm counts: slurry_mass (mg of slurry to a litre of water), solids_mass (mg of
        /// the solids in it), slurry_volume (mL of slurry to a m3 of water). The three are up to two thirds
        /// apart, so it is asked once for each lot.
        basis: Basis = needed BASES;
        /// Solids in the slurry by mass.
        solids_percent: f64 = needed number(1.0, 100.0, "%");
        /// Density of the slurry.
        slurry_density_kg_l: f64 = needed number(0.9, 2.4, "kg/L");
        /// Slurry in a full container; emptied containers are then held against what was weighed.
        container_kg: f64 = optional number(0.1, 10_000.0, "kg");
    }
}

table! {
    /// One RS-485 line.
    pub struct RawBus {
        /// Short id.
        id: String = needed Id;
        /// Device; a stable path such as one below /dev/serial/by-path survives replugging.
        device: PathBuf = optional FilePath;
        /// Host and port of a serial server that has the line, in place of `device`.
        server: String = optional Text;
        /// How frames travel: rtu, ascii, or tcp (Modbus TCP, to a serial server alone).
        framing: Framing = optional FRAMINGS;
        /// Bits per second; every probe on the line must be set to the same.
        baud: i64 = optional whole(1_200, 1_000_000, "bits/s");
        /// Data bits. Modbus RTU needs 8, Modbus ASCII is made for 7.
        data_bits: i64 = optional whole(7, 8, "bits");
        /// Parity: none, even or odd.
        parity: Parity = optional PARITIES;
        /// Stop bits.
        stop_bits: i64 = optional whole(1, 2, "bits");
        /// Silence kept between an answer and the next request, for probes that are slow to let go of the line.
        turnaround: Duration = optional length_ms(1, 1_000);
        /// File that what goes over the line is written to, with times, for a support case. It is kept small.
        capture: PathBuf = optional FilePath;
        /// The probes on the line have no power but the mains: all of them silent together means that the power is lost.
        on_mains: bool = optional YesNo;
        /// The probes on the line.
        probe: Vec<At<RawBusProbe>> = needed TablesOf::<RawBusProbe>::at_most(MOST_PROBES);
    }
}

table! {
    /// A Modbus probe.
    pub struct RawBusProbe {
        /// Short id, unique on the farm.
        id: String = needed Id;
        /// The pond it stands in; left out for a probe that serves all ponds, such as a weather mast.
        pond: String = optional Id;
        /// How deep it hangs: just below the surface, or near the bottom. Probes of different depths are not held
        /// against each other, and fresher water at the surface than below is an alarm.
        layer: Layer = optional LAYERS;
        /// Modbus address. Two probes may share one where their profiles read different registers.
        address: i64 = needed whole(1, 247, "");
        /// Register map: the name of a file in the folder `probes` beside this file, or of a built-in one.
        profile: String = needed Id;
        /// Time between polls.
        poll_every: Duration = needed POLL;
        /// How long to wait for an answer.
        timeout: Duration = optional length_ms(20, 10_000);
        /// Further attempts within one poll.
        retries: i64 = optional whole(0, 5, "");
        /// Aerator group whose running or power it reports. A meter for several groups is several probes at
        /// one address, each with its own profile.
        aerator: String = optional Id;
        /// Correction per quantity, from a calibration.
        calibration: Vec<(At<Quantity>, At<RawCalibration>)> = optional PerQuantity::<RawCalibration>::new();
        /// Parameters of the quality tests that differ from the defaults, per quantity.
        quality: Vec<(At<Quantity>, At<RawQuality>)> = optional PerQuantity::<RawQuality>::new();
    }
}

table! {
    /// Correction of one quantity of one probe: value = raw × slope + offset.
    pub struct RawCalibration {
        /// Slope.
        slope: f64 = optional number(0.1, 10.0, "");
        /// Offset, in the unit of the quantity.
        offset: f64 = optional number(-10_000.0, 10_000.0, "");
        /// Oxygen only: the salinity the probe is set to and cannot follow; the gateway then corrects for the
        /// pond's. Left out where the probe follows the salinity itself: never both.
        probe_salinity_psu: f64 = optional number(0.0, 45.0, "PSU");
        /// Oxygen only: the air pressure the probe was told when it was set in air here, where that is not
        /// the farm's; the gateway then corrects.
        probe_pressure_hpa: f64 = optional number(850.0, 1_050.0, "hPa");
    }
}

/// Two numbers, lowest and highest.
pub const RANGE: ListOf<super::rules::Number> =
    ListOf { each: number(-100_000.0, 100_000.0, ""), least: 2, most: 2 };

table! {
    /// Parameters of the quality tests of one quantity of one probe.
    pub struct RawQuality {
        /// [lowest, highest]: outside, the reading fails.
        fail: Vec<At<f64>> = optional RANGE;
        /// [lowest, highest]: outside, the reading is suspect.
        suspect: Vec<At<f64>> = optional RANGE;
        /// No reading for this long is a gap.
        stale_after: Duration = optional length_s(1, 7 * DAY_S);
        /// No reading for this long, and the value counts as missing.
        missing_after: Duration = optional length_s(1, 30 * DAY_S);
        /// [suspect, fail]: distance of a reading from the middle of its two neighbours.
        spike: Vec<At<f64>> = optional RANGE;
        /// Change per hour that is suspect.
        rate_per_h: f64 = optional number(0.0, 100_000.0, "per hour");
        /// Highest less lowest that still counts as a flat line.
        flat_tolerance: f64 = optional number(0.0, 1_000.0, "");
        /// A flat line of this length is suspect.
        flat_suspect_after: Duration = optional length_s(60, 30 * DAY_S);
        /// A flat line of this length fails.
        flat_fail_after: Duration = optional length_s(60, 30 * DAY_S);
        /// Distance from what is usual at the hour that is suspect, in robust standard deviations.
        climatology_sigmas: f64 = optional number(1.0, 100.0, "");
        /// The same distance is at least this much.
        climatology_least: f64 = optional number(0.0, 100_000.0, "");
        /// Share of the usual range of a day below which the signal is suspect.
        attenuated_share: f64 = optional number(0.0, 1.0, "");
        /// A day and night that stay below this are pinned to the bottom of the scale, and fail.
        pinned_below: f64 = optional number(0.0, 100_000.0, "");
        /// Difference from another probe in the pond, beyond the usual one, that is suspect.
        neighbour: f64 = optional number(0.0, 100_000.0, "");
        /// Cleaned and read in a standard at least this often; 0 s for never. Overdue service is said.
        service_every: Duration = optional length_s(0, 400 * DAY_S);
    }
}

table! {
    /// A broker that summaries, alarms and health go to.
    pub struct RawDestination {
        /// Short id.
        id: String = needed Id;
        /// Host name or address.
        host: String = needed Text;
        /// Port; usually 1883, or 8883 with TLS.
        port: i64 = needed whole(1, 65_535, "");
        /// MQTT client id, unique at the broker; by default `pondreeve-<gateway>-<id>-out`.
        client_id: String = optional Text;
        /// User name.
        username: String = optional Text;
        /// File that holds the password and nothing else.
        password_file: PathBuf = optional FilePath;
        /// Certificates to trust (PEM); switches TLS on.
        ca_file: PathBuf = optional FilePath;
        /// Certificate of this client (PEM), where the broker asks for one.
        client_certificate_file: PathBuf = optional FilePath;
        /// Key of that certificate (PEM).
        client_key_file: PathBuf = optional FilePath;
        /// Keep-alive interval; a vanished broker is noticed after twice this.
        keep_alive: Duration = optional length_s(5, 1_200);
        /// Version of MQTT: "3.1.1" or "5".
        mqtt: Version = optional VERSIONS;
        /// Other nodes of the same cluster, "host" or "host:port": one after the other is tried when one fails.
        further_hosts: Vec<At<String>> = optional ListOf { each: Text, least: 1, most: 8 };
        /// How messages are encoded: "json" or "cbor".
        encoding: Encoding = optional ENCODINGS;
        /// Summaries sent in a second at most, after an outage. Alarms and calls are not held back.
        most_per_second: i64 = optional whole(1, 10_000, "a second");
        /// Summaries are kept back for a part of this, another for each gateway: those of a fleet all fall on the
        /// same quarter of an hour. Alarms and calls are not.
        spread: Duration = optional length_s(0, 3_600);
    }
}
