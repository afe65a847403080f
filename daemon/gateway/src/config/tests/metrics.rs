//! Where metrics may be fetched.

use std::path::Path;

use super::{SMALL, from_text, told};

#[test]
fn metrics_are_for_this_machine_only() {
    let with = |listen: &str| format!("{SMALL}\n[metrics]\nlisten = \"{listen}\"\n");
    for (listen, found) in [
        ("0.0.0.0:9464", "0.0.0.0:9464, which others than this machine can reach"),
        ("192.168.1.5:9464", "192.168.1.5:9464, which others than this machine can reach"),
        ("[::]:9464", "[::]:9464, which others than this machine can reach"),
        ("localhost", "\"localhost\", which is no address with a port"),
        ("127.0.0.1:0", "without a port"),
    ] {
        let told = told(&with(listen));
        let flat = told.split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(flat.contains(found) && flat.contains("127.0.0.1:9464"), "{told}");
    }
    let Ok(loaded) = from_text(Path::new("/nowhere/farm.toml"), with("[::1]:9464")) else { panic!() };
    assert_eq!(loaded.farm.metrics, Some("[::1]:9464".parse().unwrap()));
}
