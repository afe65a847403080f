//! What every connection to a broker has in common, whichever way the messages go: address, password
//! file, certificates, time-outs, packet limits and the wait between attempts.
//!
//! Files are read anew for each connection, so a mended password or certificate is taken up without a
//! restart.

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use rumqttc::{MqttOptions, NetworkOptions, TlsConfiguration, Transport};
use rustls::ClientConfig;
use rustls::crypto::ring;
use rustls::pki_types::pem::PemObject as _;
use rustls::pki_types::{CertificateDer, PrivateKeyDer, UnixTime};
use rustls::time_provider::TimeProvider;

use crate::clock::Clock;
use crate::config::farm::{BrokerAddress, Tls};

/// Time for connecting, handshakes included. A fleet of brokers that has just lost its leader takes
/// several seconds to answer; less than ten makes a client give up and add to the rush.
pub const CONNECT_WITHIN: Duration = Duration::from_secs(15);

/// First wait after a failed connection.
const FIRST_WAIT: Duration = Duration::from_millis(500);
/// The wait grows to this and stays there for a while: a cluster that has lost its leader takes up to ten seconds to find
/// another, and who waits for twice as long each time then comes late.
const BRISK_WAIT: Duration = Duration::from_secs(4);
/// So many waits before it grows on: about a minute.
const BRISK_WAITS: u32 = 18;
/// Longest wait: a broker that has come back is found within this time and a bit.
const LONGEST_WAIT: Duration = Duration::from_secs(30);

/// Why a connection could not even be tried.
#[derive(Debug, thiserror::Error)]
pub enum LinkError {
    /// The password file.
    #[error("reading the password of broker user `{user}` from {} failed: {source}", path.display())]
    Password {
        /// User name at the broker.
        user: String,
        /// The file.
        path: PathBuf,
        /// What the system said.
        source: std::io::Error,
    },
    /// A certificate or key file.
    #[error("reading {what} from {} failed: {detail}; accepted is a PEM file", path.display())]
    Pem {
        /// What it should hold.
        what: &'static str,
        /// The file.
        path: PathBuf,
        /// What was wrong.
        detail: String,
    },
    /// Certificate and key were read but do not serve.
    #[error("preparing TLS for {host} failed: {detail}")]
    Tls {
        /// The broker.
        host: String,
        /// What was wrong.
        detail: String,
    },
}

/// Connection options for a broker: a clean session (what must not be lost is kept by us and sent
/// again), keep-alive, credentials, TLS.
///
/// # Errors
/// When a password, certificate or key file cannot be used; says which.
pub fn options(address: &BrokerAddress, clock: &Clock) -> Result<MqttOptions, LinkError> {
    let mut options = MqttOptions::new(&address.client_id, &address.host, address.port);
    options.set_keep_alive(address.keep_alive.max(Duration::from_secs(1)));
    options.set_clean_session(true);
    if let Some((user, password)) = login(address)? {
        options.set_credentials(user, password);
    }
    if let Some(config) = tls(address, clock)? {
        options.set_transport(Transport::tls_with_config(TlsConfiguration::Rustls(config)));
    }
    Ok(options)
}

/// User name and password, read now.
///
/// # Errors
/// When the password file cannot be read; says which.
pub fn login(address: &BrokerAddress) -> Result<Option<(String, String)>, LinkError> {
    let Some((user, path)) = &address.credentials else { return Ok(None) };
    let text = std::fs::read_to_string(path).map_err(|source| LinkError::Password {
        user: user.clone(),
        path: path.clone(),
        source,
    })?;
    // Editors end a file with a newline; no password does.
    Ok(Some((user.clone(), text.trim_end_matches(['\r', '\n']).to_owned())))
}

/// Tells TLS what time it is.
#[derive(Debug)]
struct ByClock(Clock);

impl TimeProvider for ByClock {
    fn current_time(&self) -> Option<UnixTime> {
        let since_1970 = u64::try_from(self.0.for_certificates().as_millis()).ok()?;
        Some(UnixTime::since_unix_epoch(Duration::from_millis(since_1970)))
    }
}

/// Settings of TLS where it is used, certificates and key read now.
///
/// # Errors
/// When one of the files cannot be used; says which.
pub fn tls(address: &BrokerAddress, clock: &Clock) -> Result<Option<Arc<ClientConfig>>, LinkError> {
    let Some(tls) = &address.tls else { return Ok(None) };
    tls_config(tls, &address.host, clock).map(|config| Some(Arc::new(config)))
}

/// Socket options: no waiting to fill packets, and a bound on connecting.
pub fn network() -> NetworkOptions {
    let mut network = NetworkOptions::new();
    network.set_tcp_nodelay(true);
    network.set_connection_timeout(CONNECT_WITHIN.as_secs());
    network
}

fn tls_config(tls: &Tls, host: &str, clock: &Clock) -> Result<ClientConfig, LinkError> {
    let refused = |detail: String| LinkError::Tls { host: host.to_owned(), detail };
    let mut roots = rustls::RootCertStore::empty();
    for certificate in certificates("certificates to trust", &tls.ca_file)? {
        roots.add(certificate).map_err(|error| LinkError::Pem {
            what: "certificates to trust",
            path: tls.ca_file.clone(),
            detail: error.to_string(),
        })?;
    }
    let time = Arc::new(ByClock(clock.clone()));
    let builder = ClientConfig::builder_with_details(Arc::new(ring::default_provider()), time)
        .with_safe_default_protocol_versions()
        .map_err(|error| refused(error.to_string()))?
        .with_root_certificates(roots);
    let Some((certificate_file, key_file)) = &tls.client else {
        return Ok(builder.with_no_client_auth());
    };
    let chain = certificates("this client's certificate", certificate_file)?;
    let key = PrivateKeyDer::from_pem_file(key_file).map_err(|error| LinkError::Pem {
        what: "this client's key",
        path: key_file.clone(),
        detail: error.to_string(),
    })?;
    builder.with_client_auth_cert(chain, key).map_err(|error| refused(error.to_string()))
}

fn certificates(what: &'static str, path: &Path) -> Result<Vec<CertificateDer<'static>>, LinkError> {
    let bad = |detail: String| LinkError::Pem { what, path: path.to_owned(), detail };
    let all = CertificateDer::pem_file_iter(path)
        .and_then(Iterator::collect::<Result<Vec<_>, _>>)
        .map_err(|error| bad(error.to_string()))?;
    if all.is_empty() { Err(bad("it holds no certificate".to_owned())) } else { Ok(all) }
}

/// The wait between attempts: doubling, bounded, brisk for the first minute, and scattered so that a fleet of gateways
/// does not fall upon a broker that has just come back.
#[derive(Debug, Clone)]
pub struct Backoff {
    next: Duration,
    waits: u32,
}

impl Default for Backoff {
    fn default() -> Self {
        Self { next: FIRST_WAIT, waits: 0 }
    }
}

impl Backoff {
    /// How long to wait before the next attempt: between half of and the whole present wait.
    pub fn wait(&mut self) -> Duration {
        let whole = self.next;
        self.waits = self.waits.saturating_add(1);
        let bound = if self.waits < BRISK_WAITS { BRISK_WAIT } else { LONGEST_WAIT };
        self.next = (whole * 2).min(bound);
        // Without randomness the attempts still happen, only not scattered.
        let scatter = f64::from(getrandom::u32().unwrap_or(u32::MAX)) / f64::from(u32::MAX);
        whole.mul_f64(0.5 + 0.5 * scatter)
    }

    /// The connection held: begin anew with the short wait.
    pub fn reset(&mut self) {
        *self = Self::default();
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn address() -> BrokerAddress {
        BrokerAddress {
            host: "localhost".to_owned(),
            port: 1,
            client_id: "gateway-one".to_owned(),
            credentials: None,
            tls: None,
            keep_alive: Duration::from_secs(30),
        }
    }

    #[test]
    fn waits_grow_to_a_bound_and_begin_anew() {
        let mut backoff = Backoff::default();
        let waits: Vec<Duration> = (0..24).map(|_| backoff.wait()).collect();
        assert!(waits[0] >= Duration::from_millis(250) && waits[0] <= Duration::from_millis(500));
        let first_minute: Duration = waits[..16].iter().sum();
        assert!(first_minute >= Duration::from_secs(24) && first_minute <= Duration::from_secs(60));
        assert!(waits[..16].iter().all(|wait| *wait <= Duration::from_secs(4)), "{waits:?}");
        assert!(waits[23] >= Duration::from_secs(15) && waits[23] <= Duration::from_secs(30));
        backoff.reset();
        assert!(backoff.wait() <= Duration::from_millis(500));
    }

    #[test]
    fn a_password_file_is_read_without_its_newline() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("password");
        std::fs::write(&file, "dusk till dawn \r\n").unwrap();
        let with = BrokerAddress { credentials: Some(("pond".to_owned(), file)), ..address() };
        let login = options(&with, &Clock::system()).unwrap().credentials().unwrap();
        assert_eq!((login.username.as_str(), login.password.as_str()), ("pond", "dusk till dawn "));
    }

    #[test]
    fn a_missing_password_file_is_named() {
        let with =
            BrokerAddress { credentials: Some(("pond".to_owned(), "/nowhere/pw".into())), ..address() };
        let message = options(&with, &Clock::system()).unwrap_err().to_string();
        assert!(message.contains("`pond`") && message.contains("/nowhere/pw"), "{message}");
    }

    #[test]
    fn a_file_without_certificates_is_named() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("ca.pem");
        std::fs::write(&file, "not a certificate\n").unwrap();
        let with = BrokerAddress { tls: Some(Tls { ca_file: file, client: None }), ..address() };
        let message = options(&with, &Clock::system()).unwrap_err().to_string();
        assert!(message.contains("certificates to trust") && message.contains("ca.pem"), "{message}");
    }
}
