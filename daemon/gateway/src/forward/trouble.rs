//! Why there is no connection, in words a technician can act on.

use pondreeve_core::said::said;
use rustls::AlertDescription;

use crate::config::farm::{BrokerAddress, Version};

pub(super) fn no_answer() -> String {
    said!("trouble-forward-no-answer", "no answer in time: is the network up?").into()
}

pub(super) fn closed() -> String {
    said!("trouble-forward-closed", "it closed the connection").into()
}

pub(super) fn tls_failed(error: &impl std::fmt::Display) -> String {
    said!("trouble-forward-tls", "TLS failed: {error}", error = error.to_string()).into()
}

pub(super) fn plain_io(error: &std::io::Error) -> String {
    if let Some(secure) = error.get_ref().and_then(|inner| inner.downcast_ref::<rustls::Error>()) {
        return match secure {
            // With TLS 1.3 it comes behind the handshake, with the first bytes.
            rustls::Error::AlertReceived(AlertDescription::CertificateRequired) => said!(
                "trouble-forward-certificate",
                "it wants a certificate of this gateway: set `client_certificate_file` and `client_key_file`"
            )
            .into(),
            other => tls_failed(other),
        };
    }
    match error.kind() {
        std::io::ErrorKind::ConnectionRefused => {
            said!("trouble-forward-none", "nothing listens there: is the broker running, is the port right?")
                .into()
        }
        std::io::ErrorKind::UnexpectedEof | std::io::ErrorKind::ConnectionReset => closed(),
        _ => error.to_string(),
    }
}

/// The connection ended before there was a greeting.
pub(super) fn unwelcome(error: &std::io::Error, address: &BrokerAddress) -> String {
    let said = plain_io(error);
    if address.tls.is_none() && said == closed() {
        return said!(
            "trouble-forward-no-greeting",
            "it closed the connection without a greeting: does it want TLS? Then set `ca_file`"
        )
        .into();
    }
    said
}

pub(super) fn greeting(other: &str) -> String {
    said!("trouble-forward-greeting", "the broker began with {other} instead of a greeting", other = other)
        .into()
}

pub(super) fn takes_none(reason: u8) -> String {
    said!(
        "trouble-forward-takes-none",
        "it takes no message ({reason}): ask who runs the broker",
        reason = reason_name(reason)
    )
    .into()
}

pub(super) fn leaves(reason: u8) -> String {
    said!("trouble-forward-leaves", "it closed the connection ({reason})", reason = reason_name(reason))
        .into()
}

/// Codes of MQTT 3.1.1, section 3.2.2.3, and MQTT 5.0, section 3.2.2.2.
pub(super) fn refused(code: u8, version: Version, address: &BrokerAddress) -> String {
    match (version, code) {
        (Version::Four, 2) | (Version::Five, 0x85) => bad_client(address),
        (Version::Four, 4 | 5) | (Version::Five, 0x86 | 0x87) => not_let_in(address),
        // A broker that knows nothing newer than 3.1.1 says it in that version's way.
        (Version::Five, 1 | 0x84) => said!(
            "trouble-forward-not-5",
            "it does not speak MQTT 5: set `mqtt = \"3.1.1\"` for this destination"
        )
        .into(),
        (Version::Four, 3) => lets_nobody_in("ServerUnavailable"),
        (Version::Four, 1) => lets_nobody_in("UnsupportedProtocolVersion"),
        _ => lets_nobody_in(&reason_name(code)),
    }
}

fn lets_nobody_in(reason: &str) -> String {
    said!("trouble-forward-refused", "it refuses the connection ({reason})", reason = reason).into()
}

fn not_let_in(address: &BrokerAddress) -> String {
    match &address.credentials {
        Some((user, file)) => said!(
            "trouble-forward-user",
            "it refuses user `{user}` with the password in {file}: ask who runs the broker",
            user = user,
            file = file.display().to_string()
        )
        .into(),
        None => said!(
            "trouble-forward-no-user",
            "it lets nobody in without a user name: add one to the configuration"
        )
        .into(),
    }
}

pub(super) fn bad_client(address: &BrokerAddress) -> String {
    said!("trouble-forward-client", "it refuses the client id `{client}`", client = &address.client_id).into()
}

/// The name that MQTT 5.0 gives a reason code, section 2.4.
fn reason_name(code: u8) -> String {
    let name = match code {
        0x00 => "NormalDisconnection",
        0x80 => "UnspecifiedError",
        0x81 => "MalformedPacket",
        0x82 => "ProtocolError",
        0x83 => "ImplementationSpecificError",
        0x87 => "NotAuthorized",
        0x88 => "ServerUnavailable",
        0x89 => "ServerBusy",
        0x8a => "Banned",
        0x8b => "ServerShuttingDown",
        0x8c => "BadAuthenticationMethod",
        0x8d => "KeepAliveTimeout",
        0x8e => "SessionTakenOver",
        0x90 => "TopicNameInvalid",
        0x91 => "PacketIdentifierInUse",
        0x93 => "ReceiveMaximumExceeded",
        0x95 => "PacketTooLarge",
        0x96 => "MessageRateTooHigh",
        0x97 => "QuotaExceeded",
        0x98 => "AdministrativeAction",
        0x99 => "PayloadFormatInvalid",
        0x9a => "RetainNotSupported",
        0x9b => "QosNotSupported",
        0x9c => "UseAnotherServer",
        0x9d => "ServerMoved",
        0x9f => "ConnectionRateExceeded",
        other => return format!("code {other}"),
    };
    name.to_owned()
}
