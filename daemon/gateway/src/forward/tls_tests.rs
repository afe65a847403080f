//! Brokers that prove who they are, and those that do not.

use std::path::Path;
use std::process::Command;
use std::time::Duration;

use pondreeve_core::Timestamp;

use super::tests::{Consumer, alarm, broker, farm, forwarder, forwarder_by, free_port};
use crate::clock::Clock;
use crate::clock::script::Script;
use crate::config::farm::Tls;

/// Certificates made by openssl for the test: one authority, the broker's certificate for 127.0.0.1, and
/// another authority that has nothing to do with it.
fn certificates(folder: &Path) {
    let openssl = |arguments: &[&str]| {
        let output = Command::new("openssl")
            .current_dir(folder)
            .args(arguments)
            .output()
            .expect("this test needs openssl (Debian: apt-get install openssl)");
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    };
    let curve = ["-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes"];
    for authority in ["ca", "stranger"] {
        let (key, certificate, subject) =
            (format!("{authority}.key"), format!("{authority}.pem"), format!("/CN={authority}"));
        let files = ["-keyout", &key, "-out", &certificate, "-subj", &subject, "-days", "2"];
        openssl(&[&["req", "-x509"], &curve[..], &files[..]].concat());
    }
    let request = ["-keyout", "broker.key", "-out", "broker.csr", "-subj", "/CN=127.0.0.1"];
    openssl(&[&["req"], &curve[..], &request[..]].concat());
    std::fs::write(folder.join("names"), "subjectAltName=IP:127.0.0.1\n").unwrap();
    openssl(&[
        "x509",
        "-req",
        "-in",
        "broker.csr",
        "-CA",
        "ca.pem",
        "-CAkey",
        "ca.key",
        "-CAcreateserial",
        "-out",
        "broker.pem",
        "-days",
        "2",
        "-extfile",
        "names",
    ]);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_broker_is_believed_only_with_a_certificate_from_the_right_authority() {
    let folder = tempfile::tempdir().unwrap();
    certificates(folder.path());
    let (secure, open) = (free_port(), free_port());
    let file = |name: &str| folder.path().join(name);
    let more = format!(
        "allow_anonymous true\ncertfile {}\nkeyfile {}\nlistener {open} 127.0.0.1",
        file("broker.pem").display(),
        file("broker.key").display()
    );
    let _broker = broker(folder.path(), secure, &more);
    let consumer = Consumer::subscribe(open);

    let mut wary = farm(secure);
    wary.destinations[0].address.tls = Some(Tls { ca_file: file("stranger.pem"), client: None });
    let mut running = forwarder(&wary, 1);
    let detail = running.report().await.expect("a fault");
    assert!(
        detail.starts_with(&format!("broker 127.0.0.1:{secure}: TLS failed: "))
            && detail.contains("ertificate"),
        "{detail}"
    );
    assert_eq!(consumer.next_within(Duration::from_millis(300)), None, "something was said to a stranger");
    running.tasks.shutdown().await;

    wary.destinations[0].address.tls = Some(Tls { ca_file: file("ca.pem"), client: None });
    // In 1970 no certificate is valid yet; the newest reading tells that it is later than that.
    let clock = Script::at(Timestamp(0)).1;
    let mut running = forwarder_by(&wary, 1, &clock);
    let detail = running.report().await.expect("a fault");
    assert!(detail.contains("NotValidYet") || detail.contains("not valid yet"), "{detail}");
    running.tasks.shutdown().await;
    clock.not_before(Clock::system().now());
    let mut running = forwarder_by(&wary, 1, &clock);
    running.send(&alarm());
    assert_eq!(consumer.next(), "0 pondreeve/shore/health online");
    assert!(consumer.next().starts_with("0 pondreeve/shore/alarm {"));
}
