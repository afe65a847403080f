//! A farm of one pond with the same probes on a line of each kind, for `sim probes --bench`.

use std::fs;
use std::net::TcpListener;
use std::path::{Path, PathBuf};

use anyhow::{Context as _, Result};

/// Writes its configuration into a folder.
pub(crate) fn write(folder: &Path) -> Result<PathBuf> {
    // A port that is free now; it is listened on a moment later.
    let listener = TcpListener::bind("127.0.0.1:0").context("finding a free port failed")?;
    let port = listener.local_addr().context("finding a free port failed")?.port();
    drop(listener);
    let path = folder.join("farm.toml");
    fs::write(&path, configuration(folder, port))
        .with_context(|| format!("writing {} failed", path.display()))?;
    Ok(path)
}

fn modbus(id: &str, place: &str) -> String {
    let probe = |name: &str, address: u8, profile: &str, more: &str| {
        format!(
            "\n[[bus.probe]]\nid = \"{id}-{name}\"\n{more}address = {address}\nprofile = \"{profile}\"\npoll_every = \"5s\"\n"
        )
    };
    let pond = "pond = \"p1\"\n";
    format!("\n[[bus]]\nid = \"{id}\"\n{place}\n")
        + &probe("oxygen", 11, "optical-oxygen", pond)
        + &probe("ph", 12, "glass-ph", pond)
        + &probe("salinity", 13, "salinity", pond)
}

fn configuration(folder: &Path, port: u16) -> String {
    let folder = folder.display();
    let head = format!(
        r#"[farm]
name = "Bench"
gateway = "bench"
time_zone = "UTC"
latitude = -3.0
longitude = -5.0

[store]
path = "{folder}/store"

[local]
socket = "{folder}/sock"
mode = "600"

[[pond]]
id = "p1"
name = "Bench"
species = "vannamei"
stage = "grow-out"
area_m2 = 5000
depth_m = 1.5
salinity_psu = 18
"#
    );
    let text = format!(
        r#"
[[line]]
id = "sdi12"
kind = "sdi12"
device = "{folder}/sdi12"

[[line.probe]]
id = "sdi12-oxygen"
pond = "p1"
address = "1"
profile = "sdi12-oxygen"
poll_every = "10s"

[[line.probe]]
id = "sdi12-level"
pond = "p1"
address = "2"
profile = "sdi12-level"
poll_every = "10s"

[[line]]
id = "asked"
kind = "text"
device = "{folder}/asked"

[[line.probe]]
id = "asked-oxygen"
pond = "p1"
profile = "text-oxygen"
poll_every = "5s"

[[line]]
id = "listened"
kind = "text"
device = "{folder}/listened"

[[line.probe]]
id = "listened-weather"
profile = "text-weather"
poll_every = "10s"
"#
    );
    head + &modbus("rtu", &format!("device = \"{folder}/rtu\""))
        + &modbus("ascii", &format!("device = \"{folder}/ascii\"\nframing = \"ascii\""))
        + &modbus("tcp", &format!("server = \"127.0.0.1:{port}\"\nframing = \"tcp\""))
        + &text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_bench_is_a_sound_farm_with_a_line_of_each_kind() {
        let folder = tempfile::tempdir().unwrap();
        let path = write(folder.path()).unwrap();
        let text = fs::read_to_string(&path).unwrap();
        let farm = pondreeve::config::from_text(&path, text).unwrap_or_else(|error| panic!("{error}")).farm;
        assert_eq!((farm.buses.len(), farm.lines.len(), farm.site.probes.len()), (3, 3, 13));
    }
}
