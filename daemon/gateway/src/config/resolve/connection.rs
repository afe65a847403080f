//! How a broker is reached: host, client id, credentials, TLS.

use std::path::PathBuf;
use std::time::Duration;

use super::super::farm::{BrokerAddress, Tls};
use super::super::reader::At;
use super::super::words::quoted;
use super::Resolver;

const KEEP_ALIVE: Duration = Duration::from_secs(30);

/// The keys that brokers and destinations have in common.
pub(super) struct RawAddress<'a> {
    pub(super) id: Option<&'a At<String>>,
    pub(super) host: Option<&'a At<String>>,
    pub(super) port: Option<&'a At<i64>>,
    pub(super) client_id: Option<&'a At<String>>,
    pub(super) username: Option<&'a At<String>>,
    pub(super) password_file: Option<&'a At<PathBuf>>,
    pub(super) ca_file: Option<&'a At<PathBuf>>,
    pub(super) certificate: Option<&'a At<PathBuf>>,
    pub(super) key: Option<&'a At<PathBuf>>,
    pub(super) keep_alive: Option<&'a At<Duration>>,
}

macro_rules! address_keys {
    ($raw:expr) => {
        RawAddress {
            id: $raw.id.as_ref(),
            host: $raw.host.as_ref(),
            port: $raw.port.as_ref(),
            client_id: $raw.client_id.as_ref(),
            username: $raw.username.as_ref(),
            password_file: $raw.password_file.as_ref(),
            ca_file: $raw.ca_file.as_ref(),
            certificate: $raw.client_certificate_file.as_ref(),
            key: $raw.client_key_file.as_ref(),
            keep_alive: $raw.keep_alive.as_ref(),
        }
    };
}
pub(super) use address_keys;

impl Resolver<'_> {
    pub(super) fn address(&self, raw: &RawAddress<'_>, gateway: &str, way: &str) -> Option<BrokerAddress> {
        let credentials = match (raw.username, raw.password_file) {
            (None, None) => Some(None),
            (Some(name), Some(file)) => {
                let path = self.secret(file, "the password and nothing else");
                path.map(|path| Some((name.value.clone(), path)))
            }
            (Some(name), None) => {
                let problem =
                    self.problems.about(name, "a username without a password_file", "both or neither");
                self.problems.push(
                    problem.with_hint("put the password alone into a file and name it with `password_file`"),
                );
                None
            }
            (None, Some(file)) => {
                self.problems.push(self.problems.about(
                    file,
                    "a password_file without a username",
                    "both or neither",
                ));
                None
            }
        };
        let client = match (raw.certificate, raw.key) {
            (None, None) => Some(None),
            (Some(certificate), Some(key)) => {
                let certificate = self.secret(certificate, "the client's certificate in PEM");
                let key = self.secret(key, "the client's key in PEM");
                certificate.zip(key).map(Some)
            }
            (Some(at), None) | (None, Some(at)) => {
                let accepted = "client_certificate_file and client_key_file, both or neither";
                self.problems.push(self.problems.about(
                    at,
                    "one of the two files of a client certificate",
                    accepted,
                ));
                None
            }
        };
        let tls = match (raw.ca_file, raw.certificate.or(raw.key)) {
            (None, None) => Some(None),
            (None, Some(at)) => {
                let accepted = "`ca_file` with the certificates to trust";
                self.problems.push(self.problems.about(at, "a client certificate without ca_file", accepted));
                None
            }
            (Some(ca), _) => self.secret(ca, "the certificates to trust in PEM").map(Some),
        };
        let (id, host, port) = (raw.id?, raw.host?, raw.port?);
        if host.value.contains(['/', ' ', '@']) || host.value.matches(':').count() == 1 {
            let problem = self.problems.about(
                host,
                format!("the host {}", quoted(&host.value)),
                "a host name or an address alone",
            );
            self.problems.push(problem.with_hint("the port goes to `port`; TLS is switched on by `ca_file`"));
            return None;
        }
        self.warn_of_open_password(raw, host, port);
        let client_id = raw
            .client_id
            .map_or_else(|| format!("pondreeve-{gateway}-{}-{way}", id.value), |at| at.value.clone());
        self.claim_client(raw.client_id.unwrap_or(id), &host.value, port.value, &client_id);
        let client = client?;
        Some(BrokerAddress {
            host: host.value.clone(),
            port: u16::try_from(port.value).ok()?,
            client_id,
            credentials: credentials?,
            tls: tls?.map(|ca_file| Tls { ca_file, client }),
            keep_alive: raw.keep_alive.map_or(KEEP_ALIVE, |at| at.value),
        })
    }

    fn warn_of_open_password(&self, raw: &RawAddress<'_>, host: &At<String>, port: &At<i64>) {
        let near = matches!(host.value.as_str(), "localhost" | "::1") || host.value.starts_with("127.");
        if let (Some(username), None, false) = (raw.username, raw.ca_file, near) {
            let found = "a password that crosses the network readable by anybody on it";
            self.problems
                .push(self.problems.about(username, found, "`ca_file`, which switches TLS on").as_warning());
        }
        if port.value == 8_883 && raw.ca_file.is_none() {
            let found = "port 8883, usually that of MQTT with TLS, without ca_file";
            self.problems
                .push(self.problems.about(port, found, "`ca_file`, or the broker's plain port").as_warning());
        }
        if port.value == 1_883 && raw.ca_file.is_some() {
            let found = "port 1883, usually that of plain MQTT, with ca_file";
            self.problems
                .push(self.problems.about(port, found, "the broker's TLS port, usually 8883").as_warning());
        }
    }

    /// A broker throws out the older of two clients with one id; they would take turns for ever.
    pub(super) fn claim_client(&self, at: &At<String>, host: &str, port: i64, client_id: &str) {
        let key = (host.to_owned(), port, client_id.to_owned());
        if let Some(first) = self.clients.borrow_mut().insert(key, at.span.clone()) {
            let found = format!("the MQTT client id `{client_id}` a second time at {host}:{port}");
            let problem =
                self.problems.about(at, found, "a `client_id` of its own for each connection to one broker");
            self.problems.push(problem.with_also(first, "first used here"));
        }
    }
}
