//! Why a connection to a broker failed, in plain words: what was tried, what happened, where to look.

use std::io::ErrorKind;

use rumqttc::{ConnectReturnCode, ConnectionError, StateError, TlsError};

use crate::config::farm::BrokerAddress;

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
    let at = place(address);
    match error {
        ConnectionError::ConnectionRefused(
            ConnectReturnCode::BadUserNamePassword | ConnectReturnCode::NotAuthorized,
        ) => match &address.credentials {
            Some((user, file)) => format!(
                "broker {at} refuses user `{user}`: wrong user name or password (read from {})",
                file.display()
            ),
            None => format!("broker {at} asks for a user name and password; none is configured"),
        },
        ConnectionError::ConnectionRefused(code) => {
            format!("broker {at} refuses client `{}`: {code:?}", address.client_id)
        }
        ConnectionError::Tls(error) => tls(error, address),
        ConnectionError::Io(error) if error.kind() == ErrorKind::ConnectionRefused => {
            format!("nothing listens at {at}: is the broker running?")
        }
        ConnectionError::Io(error) if error.kind() == ErrorKind::InvalidData && address.tls.is_some() => {
            certificate(&error.to_string(), address)
        }
        ConnectionError::Io(error)
            if error.kind() == ErrorKind::ConnectionAborted
                || error.kind() == ErrorKind::UnexpectedEof
                || error.kind() == ErrorKind::ConnectionReset =>
        {
            format!("broker {at} closed the connection ({error}); its log says why")
        }
        ConnectionError::Io(error) => format!("broker {at} cannot be reached: {error}"),
        ConnectionError::NetworkTimeout | ConnectionError::FlushTimeout => {
            format!("broker {at} does not answer: no route to it, or it hangs")
        }
        ConnectionError::MqttState(StateError::ConnectionAborted | StateError::Io(_)) => {
            format!(
                "broker {at} closed the connection: stopped, or another client uses the id `{}`",
                address.client_id
            )
        }
        ConnectionError::MqttState(StateError::AwaitPingResp) => {
            format!("broker {at} has fallen silent: no answer to a ping within the keep-alive")
        }
        error if is_oversized(error) => format!(
            "broker {at} sent a packet too large to read ({error}); what it keeps for client `{}` is given up, \
             so that the packet does not come again",
            address.client_id
        ),
        error => format!("broker {at}: {error}"),
    }
}

fn tls(error: &TlsError, address: &BrokerAddress) -> String {
    match error {
        TlsError::Io(error) if error.kind() == ErrorKind::InvalidData => {
            certificate(&error.to_string(), address)
        }
        TlsError::Io(error) => {
            format!("broker {} does not speak TLS there, or broke off the handshake: {error}", place(address))
        }
        error => certificate(&error.to_string(), address),
    }
}

fn certificate(error: &str, address: &BrokerAddress) -> String {
    let trusted = address.tls.as_ref().map_or_else(String::new, |tls| {
        format!("; trusted is what {} holds, for the name `{}`", tls.ca_file.display(), address.host)
    });
    format!("the TLS connection to broker {} failed: {error}{trusted}", place(address))
}
