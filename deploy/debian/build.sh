#!/usr/bin/env bash
# Builds the Debian package.
#
#   bash deploy/debian/build.sh                      target/debian/pondreeve_…_amd64.deb
#   bash deploy/debian/build.sh --profile dev        quickly, of a debug build, to try the package
#   bash deploy/debian/build.sh --program PATH --fast of a program that is built already, packed loosely (the tests do)
#   bash deploy/debian/build.sh --target aarch64-unknown-linux-gnu    for another machine (deploy/README.md)
#
# Needs cargo-deb (cargo install --locked cargo-deb).
set -euo pipefail
cd "$(dirname "$0")/../.."

profile=gateway target= output=target/debian program= version= fast=
while [ $# -gt 0 ]; do
    case "$1" in
        --profile) profile=$2; shift 2 ;;
        --target) target=$2; shift 2 ;;
        --output) output=$2; shift 2 ;;
        --program) program=$2; shift 2 ;;
        --version) version=$2; shift 2 ;;
        --fast) fast=yes; shift ;;
        *) echo "build.sh: unknown argument $1; accepted is --profile, --target, --program, --version, --fast, --output" >&2; exit 2 ;;
    esac
done
command -v cargo-deb >/dev/null || { echo "build.sh: cargo-deb is needed: cargo install --locked cargo-deb" >&2; exit 1; }

if [ -n "$program" ]; then
    built=$program
else
    # For size: functions that came out the same are kept once, addresses are packed. Only the linker that Rust brings for
    # this kind of machine is known to do both. Where the sources of libraries lie on this machine is nobody's business.
    if [ "$profile" = gateway ]; then
        export CARGO_TARGET_X86_64_UNKNOWN_LINUX_GNU_RUSTFLAGS="-C link-arg=-Wl,--icf=safe -C link-arg=-Wl,-z,pack-relative-relocs -C link-arg=-Wl,-O2 --remap-path-prefix=${CARGO_HOME:-$HOME/.cargo}/registry/src/="
    fi
    cargo build --locked --package pondreeve --profile "$profile" ${target:+--target "$target"}
    folder=$profile
    [ "$profile" = dev ] && folder=debug
    built="target/${target:+$target/}$folder/pondreeve"
fi

# Manual pages and completions come from the program itself. One of another machine cannot be asked here: then this
# machine's says the same.
asked=$built
if [ -n "$target" ] && ! "$built" --version >/dev/null 2>&1; then
    cargo build --locked --package pondreeve --profile "$profile"
    asked="target/$folder/pondreeve"
fi
texts=target/debian-texts
rm -rf "$texts"
mkdir -p "$texts/man" "$output"
"$asked" manual --to "$texts/man"
gzip -9n "$texts"/man/*.1
"$asked" completions bash > "$texts/pondreeve.bash"
"$asked" completions zsh > "$texts/_pondreeve"
"$asked" completions fish > "$texts/pondreeve.fish"
# All parts that are in it, for whoever must know.
python3 deploy/debian/sbom.py > "$texts/sbom.cdx.json"
# The texts of dpkg-deb's changelog want a form of its own; ours is for people.
gzip -9nc CHANGELOG.md > "$texts/CHANGELOG.md.gz"
mkdir -p target/package && cp "$built" target/package/pondreeve
strip=strip
case "$target" in
    aarch64-*) strip=aarch64-linux-gnu-strip ;;
    armv7-*) strip=arm-linux-gnueabihf-strip ;;
esac
"$strip" target/package/pondreeve

cargo deb --quiet --no-build --no-strip --package pondreeve ${target:+--target "$target"} \
    ${fast:+--fast} ${version:+--deb-version "$version"} --output "$output"
