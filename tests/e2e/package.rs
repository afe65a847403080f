//! The Debian package, as dpkg takes it: built, looked into, installed into a root of its own, upgraded over a store of
//! the first format, put back, removed and purged.
//!
//! dpkg plays all of it without a chroot (`--force-script-chrootless`), so the maintainer scripts run for real.

use std::fs;
use std::io::Read as _;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};
use std::time::Duration;

use pondreeve_tests::{Running, Scratch, one_pond, program, wait_for};

const SOON: Duration = Duration::from_secs(30);

fn repository() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("..").canonicalize().expect("the repository")
}

fn done(command: &mut Command) -> String {
    let output = command.output().unwrap_or_else(|error| panic!("{command:?}: {error}"));
    assert!(output.status.success(), "{command:?}: {}", told(&output));
    told(&output)
}

fn told(output: &Output) -> String {
    String::from_utf8_lossy(&output.stdout).into_owned() + &String::from_utf8_lossy(&output.stderr)
}

/// Builds the package of the program under test.
fn package(scratch: &Scratch, version: &str) -> PathBuf {
    let folder = scratch.path(version);
    let mut build = Command::new("bash");
    build
        .arg("deploy/debian/build.sh")
        .arg("--fast")
        .arg("--program")
        .arg(program("pondreeve"))
        .current_dir(repository());
    done(build.arg("--version").arg(version).arg("--output").arg(&folder));
    let built = fs::read_dir(folder).expect("a folder").map(|entry| entry.expect("an entry").path());
    built.last().expect("one package")
}

/// The same package as another version.
fn newer(scratch: &Scratch, package: &Path, version: &str) -> PathBuf {
    let (folder, path) = (scratch.path("newer"), scratch.path(&format!("pondreeve_{version}.deb")));
    done(Command::new("dpkg-deb").arg("--raw-extract").arg(package).arg(&folder));
    let control = folder.join("DEBIAN/control");
    let text = fs::read_to_string(&control).expect("control");
    fs::write(&control, text.replace("Version: 0.1.0-1", &format!("Version: {version}"))).expect("control");
    done(Command::new("dpkg-deb").args(["-Znone", "--root-owner-group", "--build"]).arg(&folder).arg(&path));
    path
}

/// A machine's files, and its dpkg.
struct Root(PathBuf);

impl Root {
    fn new(scratch: &Scratch) -> Self {
        let root = scratch.path("root");
        for folder in ["var/lib/dpkg/info", "var/lib/dpkg/updates", "var/log", "etc"] {
            fs::create_dir_all(root.join(folder)).expect("folder");
        }
        for file in ["status", "available"] {
            fs::write(root.join("var/lib/dpkg").join(file), "").expect("file");
        }
        Self(root)
    }

    fn dpkg(&self, arguments: &[&str], variables: &[(&str, &str)]) -> Output {
        // As nobody special, where the tests run so.
        let fake = !nix::unistd::geteuid().is_root();
        let mut command = Command::new(if fake { "fakeroot" } else { "dpkg" });
        if fake {
            command.arg("dpkg");
        }
        command
            .arg(format!("--root={}", self.0.display()))
            .args(["--force-not-root", "--force-script-chrootless", "--force-depends", "--force-downgrade"])
            .args(["--force-confold", "--log=/dev/null"])
            .args(arguments)
            .env("DEBIAN_FRONTEND", "noninteractive")
            .envs(variables.iter().copied());
        command.output().expect("dpkg")
    }

    fn install(&self, package: &Path) -> String {
        let output = self.dpkg(&["--install", package.to_str().expect("UTF-8")], &[]);
        assert!(output.status.success(), "{}", told(&output));
        told(&output)
    }

    fn path(&self, path: &str) -> PathBuf {
        self.0.join(path)
    }

    fn check(&self, config: &Path) -> Output {
        let mut command = Command::new(self.path("usr/bin/pondreeve"));
        command.arg("check").arg("--config").arg(config).output().expect("the installed program runs")
    }
}

/// A store of the first format, as the journal's own tests keep it.
fn old_store(at: &Path) {
    fs::create_dir_all(at.join("blobs")).expect("folder");
    let fixture = repository().join("daemon/gateway/src/journal/fixtures/format-1");
    let entries = fs::read_dir(fixture).expect("the fixture").map(|entry| entry.expect("an entry").path());
    for entry in entries.filter(|path| path.extension().is_some_and(|ending| ending == "gz")) {
        let packed = fs::read(&entry).expect("readable");
        let mut bytes = Vec::new();
        flate2::read::GzDecoder::new(&packed[..]).read_to_end(&mut bytes).expect("gzip");
        fs::write(at.join(entry.file_stem().expect("a name")), bytes).expect("written");
    }
}

fn files(folder: &Path) -> Vec<(String, Vec<u8>)> {
    let mut found = Vec::new();
    for entry in fs::read_dir(folder).expect("a folder").map(|entry| entry.expect("an entry").path()) {
        if entry.is_file() {
            found.push((
                entry.file_name().expect("a name").to_string_lossy().into_owned(),
                fs::read(&entry).expect("read"),
            ));
        }
    }
    found.sort();
    found
}

#[test]
fn installed_upgraded_put_back_removed() {
    let scratch = Scratch::new();
    let first = package(&scratch, "0.1.0-1");
    let second = newer(&scratch, &first, "9.0.0-1");

    let contents = done(Command::new("dpkg-deb").arg("--contents").arg(&first));
    for path in [
        "./usr/bin/pondreeve",
        "./usr/lib/systemd/system/pondreeve.service",
        "./usr/lib/sysusers.d/pondreeve.conf",
        "./usr/lib/udev/rules.d/70-pondreeve-serial.rules",
        "./etc/pondreeve/farm.toml",
        "./usr/share/man/man1/pondreeve.1.gz",
        "./usr/share/man/man1/pondreeve-run.1.gz",
        "./usr/share/bash-completion/completions/pondreeve",
        "./usr/share/doc/pondreeve/farm.example.toml",
        "./usr/share/doc/pondreeve/copyright",
    ] {
        assert!(contents.lines().any(|line| line.ends_with(path)), "{path} is not in\n{contents}");
    }
    // udev reads rules by name, and ID_PATH, which ours go by, is found by its 60-serial.rules.
    let rules =
        contents.lines().find_map(|line| line.rsplit_once("/rules.d/").filter(|(_, name)| !name.is_empty()));
    assert!(rules.is_some_and(|(_, name)| name > "60-serial.rules"), "{rules:?} come too early");
    let about = done(Command::new("dpkg-deb").arg("--info").arg(&first));
    assert!(about.contains("Version: 0.1.0-1") && about.contains("Depends: libc6"), "{about}");

    let unpacked = scratch.path("unpacked");
    done(Command::new("dpkg-deb").arg("--extract").arg(&first).arg(&unpacked));
    let parts = fs::read(unpacked.join("usr/share/doc/pondreeve/sbom.cdx.json")).expect("the list of parts");
    let parts: serde_json::Value = serde_json::from_slice(&parts).expect("JSON");
    let has = |name: &str| {
        parts["components"].as_array().is_some_and(|all| all.iter().any(|own| own["name"] == name))
    };
    assert!(parts["bomFormat"] == "CycloneDX" && has("sled") && has("rustls") && !has("proptest"), "{parts}");

    // First installation: nothing is watched until the farm is filled in, and it says what is missing.
    let root = Root::new(&scratch);
    root.install(&first);
    let farm = root.path("etc/pondreeve/farm.toml");
    let missing = root.check(&farm);
    assert_eq!(missing.status.code(), Some(2), "{}", told(&missing));
    assert!(told(&missing).contains("latitude") && told(&missing).contains("pond"), "{}", told(&missing));
    let users = fs::read_to_string(root.path("etc/passwd")).expect("users");
    assert!(users.contains("pondreeve:") && users.contains("/var/lib/pondreeve"), "{users}");
    let page = done(Command::new("zcat").arg(root.path("usr/share/man/man1/pondreeve-run.1.gz")));
    assert!(page.contains("pondreeve\\-run"), "{page}");

    let own = one_pond(Path::new("/var/lib/pondreeve"), "5s", "", "");
    fs::write(&farm, &own).expect("filled in");
    assert!(root.check(&farm).status.success(), "{}", told(&root.check(&farm)));

    // Upgrade over a store of the first format: copied first, kept as it was, configuration kept.
    let store = root.path("var/lib/pondreeve/store");
    old_store(&store);
    let before = files(&store);
    let said = root.install(&second);
    assert!(said.contains("copied to /var/lib/pondreeve/before-upgrade"), "{said}");
    let copy = root.path("var/lib/pondreeve/before-upgrade");
    assert_eq!(files(&copy), before);
    assert_eq!(files(&store), before, "the package itself does not touch it");
    assert_eq!(fs::read_to_string(&farm).expect("farm"), own);
    let version = fs::read_to_string(root.path("var/lib/pondreeve/before-upgrade.version"));
    assert_eq!(version.expect("version").trim(), "0.1.0-1");

    // The installed daemon carries it over, and then it is whole with all its readings.
    let installed = root.path("usr/bin/pondreeve");
    let readable = Command::new(&installed).arg("verify").arg(&store).output().expect("verify");
    assert!(!readable.status.success() && told(&readable).contains("first format"), "{}", told(&readable));
    let here = scratch.write("here.toml", &one_pond(&root.path("var/lib/pondreeve"), "100ms", "", ""));
    let log = scratch.path("daemon.log");
    let mut daemon = Running::start(Command::new(&installed).arg("run").arg("--config").arg(&here), &log);
    let socket = root.path("var/lib/pondreeve/sock");
    wait_for("the installed daemon", SOON, || std::os::unix::net::UnixStream::connect(&socket).ok());
    assert!(daemon.stop(SOON).success());
    let checked = done(Command::new(&installed).arg("verify").arg("--json").arg(&store));
    let checked: serde_json::Value = serde_json::from_str(checked.trim()).expect("JSON");
    // Two readings and a tick a minute for five hours, and what people did.
    assert!(checked["inputs"].as_u64() > Some(900) && checked["damaged"] == 0, "{checked}");

    // The version before is put back: the copy of before stays as it was.
    let said = root.install(&first);
    assert!(said.contains("put back") && said.contains("cp -a /var/lib/pondreeve/before-upgrade"), "{said}");
    assert_eq!(files(&copy), before);

    // Removed: readings and configuration stay. Purged: readings only where somebody said so.
    assert!(root.dpkg(&["--remove", "pondreeve"], &[]).status.success());
    assert!(!root.path("usr/bin/pondreeve").exists() && store.is_dir() && farm.is_file());
    let purged = root.dpkg(&["--purge", "pondreeve"], &[]);
    assert!(purged.status.success() && told(&purged).contains("are kept"), "{}", told(&purged));
    assert!(store.is_dir() && !farm.exists());
    root.install(&first);
    let purged = root.dpkg(&["--purge", "pondreeve"], &[("PONDREEVE_PURGE_READINGS", "yes")]);
    assert!(purged.status.success(), "{}", told(&purged));
    assert!(!root.path("var/lib/pondreeve").exists(), "{}", told(&purged));
}

/// Without room for a copy nothing is changed, unless somebody says that none is wanted.
#[test]
fn the_scripts_are_scripts() {
    for name in ["preinst", "postinst", "prerm", "postrm"] {
        let path = repository().join("deploy/debian").join(name);
        let text = fs::read_to_string(&path).expect("a script");
        assert!(
            text.starts_with("#!/bin/sh\n") && text.contains("set -e\n") && text.ends_with("exit 0\n"),
            "{name}"
        );
        done(Command::new("sh").arg("-n").arg(&path));
        // What was not started here is not stopped here: only a removal stops anything.
        let stops = text.contains("systemctl stop") || text.contains("disable --now");
        assert_eq!(stops, name == "prerm", "{name}");
    }
}
