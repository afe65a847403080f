//! Brokers that readings come from, and what publishes there.

use std::path::PathBuf;
use std::time::Duration;

use pondreeve_core::Quantity;
use pondreeve_core::site::Layer;

use super::{DAY_S, LAYERS, MOST_PROBES, POLL, RawCalibration, RawQuality};
use crate::config::reader::At;
use crate::config::rules::{FilePath, Id, QuantityId, Text, YesNo, length_s, number, whole};
use crate::config::tables::{PerQuantity, TablesOf, table};

table! {
    /// A broker that readings come from.
    pub struct RawBroker {
        /// Short id.
        id: String = needed Id;
        /// Host name or address.
        host: String = needed Text;
        /// Port; usually 1883, or 8883 with TLS.
        port: i64 = needed whole(1, 65_535, "");
        /// MQTT client id, unique at the broker; by default `pondreeve-<gateway>-<id>-in`.
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
        /// Larger messages are refused before they are looked at.
        max_payload_bytes: i64 = optional whole(16, 262_144, "bytes");
        /// Devices that carry several probes, where more than their id is to be said.
        node: Vec<At<RawNode>> = optional TablesOf::<RawNode>::at_most(MOST_PROBES);
        /// The probes whose messages arrive here.
        probe: Vec<At<RawTopicProbe>> = needed TablesOf::<RawTopicProbe>::at_most(MOST_PROBES);
    }
}

table! {
    /// A device that carries several probes and falls silent with all of them.
    pub struct RawNode {
        /// Its id, as the probes name it.
        id: String = needed Id;
        /// Topic on which it is said whether the device is there; its last will, as a rule.
        availability: String = optional Text;
        /// What is said there while it is not.
        offline: String = optional Text;
        /// It has no power but the mains: silent, it means that the power is lost.
        on_mains: bool = optional YesNo;
    }
}

table! {
    /// A probe that publishes by itself.
    pub struct RawTopicProbe {
        /// Short id, unique on the farm.
        id: String = needed Id;
        /// The pond it stands in; left out for a probe that serves all ponds.
        pond: String = optional Id;
        /// How deep it hangs: just below the surface, or near the bottom. Probes of different depths are not held
        /// against each other, and fresher water at the surface than below is an alarm.
        layer: Layer = optional LAYERS;
        /// Id of the device that carries it together with others: silent together, they are one alarm.
        node: String = optional Id;
        /// MQTT topic filter.
        topic: String = needed Text;
        /// Quality of service to ask for: 0 or 1. With 1 the broker keeps what the gateway has not yet stored.
        qos: i64 = optional whole(0, 1, "");
        /// How often it sends; its silence is judged by this.
        sends_every: Duration = needed POLL;
        /// A message whose own time lies further ahead than this is refused: that clock is wrong. While it is the
        /// gateway's that was never set, the message counts from when it came, as suspect.
        max_ahead: Duration = optional length_s(1, DAY_S);
        /// Messages beyond so many in a minute are refused.
        most_per_minute: i64 = optional whole(1, 1_000_000, "");
        /// JSON Pointer (RFC 6901) to the probe's own time in a JSON payload.
        time: String = optional Text;
        /// What to read out of each message.
        value: Vec<At<RawTopicValue>> = needed TablesOf::<RawTopicValue>::at_most(32);
        /// Correction per quantity, from a calibration.
        calibration: Vec<(At<Quantity>, At<RawCalibration>)> = optional PerQuantity::<RawCalibration>::new();
        /// Parameters of the quality tests that differ from the defaults, per quantity.
        quality: Vec<(At<Quantity>, At<RawQuality>)> = optional PerQuantity::<RawQuality>::new();
    }
}

table! {
    /// One value of a message. With neither `json` nor `senml` the payload is one bare number.
    pub struct RawTopicValue {
        /// What it is.
        quantity: Quantity = needed QuantityId;
        /// JSON Pointer (RFC 6901) to the number.
        json: String = optional Text;
        /// Name of the SenML record (RFC 8428) after base names were put in front.
        senml: String = optional Text;
        /// Unit in which it is sent, if not that of the quantity.
        unit: String = optional Text;
        /// Multiplied with the number found, before the unit is converted.
        scale: f64 = optional number(-1e9, 1e9, "");
        /// Added after the scale.
        offset: f64 = optional number(-1e9, 1e9, "");
        /// Aerator group it tells about, for `aerator_on` and `aerator_kw`.
        aerator: String = optional Id;
    }
}
