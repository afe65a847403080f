//! Why a connection to a broker failed, in plain words: what was tried, what happened, where to look.

use std::io::ErrorKind;

use rumqttc::{ConnectReturnCode, ConnectionError, StateError, TlsError};

use crate::config::farm::BrokerAddress;
use pondreeve_core::said::{Said, said};

/// `host:port`.
pub(super) fn place(address: &BrokerAddress) -> String {
    format!("{}:{}", address.host, address.port)
}

/// Whether the broker sent a packet larger than any that is read.
pub(super) fn is_oversized(error: &ConnectionError) -> bool {
    matches!(
        error,
        ConnectionError::MqttState(StateError::Deserialization(
            rumqttc::mqttbytes::Error::PayloadSizeLimitExceeded(_)
        ))
    )
}

/// The fault in plain words.
pub(super) fn describe(error: &ConnectionError, address: &BrokerAddress) -> String {
    let (at, client) = (place(address), &address.client_id);
    let told = match error {
        ConnectionError::ConnectionRefused(
            ConnectReturnCode::BadUserNamePassword | ConnectReturnCode::NotAuthorized,
        ) => match &address.credentials {
            Some((user, file)) => said!(
                "trouble-broker-password",
                "broker {at} refuses user `{user}`: wrong user name or password (read from {file})",
                at = at,
                user = user,
                file = file.display().to_string()
            ),
            None => said!(
                "trouble-broker-no-user",
                "broker {at} asks for a user name and password; none is configured",
                at = at
            ),
        },
        ConnectionError::ConnectionRefused(code) => said!(
            "trouble-broker-client",
            "broker {at} refuses client `{client}`: {code}",
            at = at,
            client = client,
            code = format!("{code:?}")
        ),
        ConnectionError::Tls(error) => tls(error, address),
        ConnectionError::Io(error) if error.kind() == ErrorKind::ConnectionRefused => {
            said!("trouble-broker-none", "nothing listens at {at}: is the broker running?", at = at)
        }
        ConnectionError::Io(error) if error.kind() == ErrorKind::InvalidData && address.tls.is_some() => {
            certificate(&error.to_string(), address)
        }
        ConnectionError::Io(error)
            if error.kind() == ErrorKind::ConnectionAborted
                || error.kind() == ErrorKind::UnexpectedEof
                || error.kind() == ErrorKind::ConnectionReset =>
        {
            said!(
                "trouble-broker-closed",
                "broker {at} closed the connection ({error}); its log says why",
                at = at,
                error = error.to_string()
            )
        }
        ConnectionError::Io(error) => said!(
            "trouble-broker-reach",
            "broker {at} cannot be reached: {error}",
            at = at,
            error = error.to_string()
        ),
        ConnectionError::NetworkTimeout | ConnectionError::FlushTimeout => said!(
            "trouble-broker-no-answer",
            "broker {at} does not answer: no route to it, or it hangs",
            at = at
        ),
        ConnectionError::MqttState(StateError::ConnectionAborted | StateError::Io(_)) => said!(
            "trouble-broker-stopped",
            "broker {at} closed the connection: stopped, or another client uses the id `{client}`",
            at = at,
            client = client
        ),
        ConnectionError::MqttState(StateError::AwaitPingResp) => said!(
            "trouble-broker-silent",
            "broker {at} has fallen silent: no answer to a ping within the keep-alive",
            at = at
        ),
        error if is_oversized(error) => said!(
            "trouble-broker-oversized",
            "broker {at} sent a packet too large to read ({error}); what it keeps for client `{client}` is given up, so that the packet does not come again",
            at = at,
            error = error.to_string(),
            client = client
        ),
        error => {
            said!("trouble-broker-other", "broker {at}: {error}", at = at, error = error.to_string())
        }
    };
    told.into()
}

fn tls(error: &TlsError, address: &BrokerAddress) -> Said {
    match error {
        TlsError::Io(error) if error.kind() == ErrorKind::InvalidData => {
            certificate(&error.to_string(), address)
        }
        TlsError::Io(error) => said!(
            "trouble-broker-no-tls",
            "broker {at} does not speak TLS there, or broke off the handshake: {error}",
            at = place(address),
            error = error.to_string()
        ),
        error => certificate(&error.to_string(), address),
    }
}

fn certificate(error: &str, address: &BrokerAddress) -> Said {
    let at = place(address);
    match &address.tls {
        None => said!(
            "trouble-broker-tls",
            "the TLS connection to broker {at} failed: {error}",
            at = at,
            error = error
        ),
        Some(tls) => said!(
            "trouble-broker-certificate",
            "the TLS connection to broker {at} failed: {error}; trusted is what {file} holds, for the name `{host}`",
            at = at,
            error = error,
            file = tls.ca_file.display().to_string(),
            host = &address.host
        ),
    }
}
