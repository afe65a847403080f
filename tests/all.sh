#!/usr/bin/env bash
# Sets up what the tests need and runs every one of them. Stops at the first thing that cannot be had:
# a test that cannot run is a failure here, not a skip.
#
#   bash tests/all.sh
#
# PONDREEVE_OPEN_DATA  folder with the open oxygen data sets (tests/replay/README.md says where the
#                      originals are). Without it that one part does not run, and this script says so.
set -euo pipefail
cd "$(dirname "$0")/.."

say() { printf '\n== %s\n' "$*"; }
as_root() { if [ "$(id -u)" = 0 ]; then "$@"; else sudo "$@"; fi; }

say "programs: mosquitto, socat, python"
packages=()
command -v mosquitto >/dev/null || [ -x /usr/sbin/mosquitto ] || packages+=(mosquitto)
command -v mosquitto_sub >/dev/null || packages+=(mosquitto-clients)
command -v socat >/dev/null || packages+=(socat)
command -v openssl >/dev/null || packages+=(openssl)
command -v tmux >/dev/null || packages+=(tmux)
command -v cc >/dev/null || packages+=(gcc libc6-dev)
command -v mkfs.ext4 >/dev/null || [ -x /usr/sbin/mkfs.ext4 ] || packages+=(e2fsprogs)
[ -x /usr/sbin/nats-server ] || packages+=(nats-server)
command -v fakeroot >/dev/null || packages+=(fakeroot)
command -v dpkg-shlibdeps >/dev/null || packages+=(dpkg-dev)
command -v systemd-analyze >/dev/null || packages+=(systemd)
[ -d /usr/lib/postgresql ] || packages+=(postgresql)
command -v prometheus >/dev/null || packages+=(prometheus)
[ -x /usr/bin/chromium ] || packages+=(chromium)
python3 -c 'import venv, ensurepip' 2>/dev/null || packages+=(python3 python3-venv)
if [ ${#packages[@]} -gt 0 ]; then
    echo "installing: ${packages[*]}"
    # The tests start the programs themselves, on loopback: no package may start a service of its own now.
    policy=/usr/sbin/policy-rc.d
    if [ ! -e "$policy" ]; then
        printf '#!/bin/sh\nexit 101\n' | as_root tee "$policy" >/dev/null
        as_root chmod 755 "$policy"
        trap 'as_root rm -f "$policy"' EXIT
    fi
    as_root env DEBIAN_FRONTEND=noninteractive apt-get update -q
    as_root env DEBIAN_FRONTEND=noninteractive apt-get install -y -q --no-install-recommends "${packages[@]}"
    trap - EXIT
    if [ -e "$policy" ] && [ "$(cat "$policy")" = "$(printf '#!/bin/sh\nexit 101')" ]; then as_root rm -f "$policy"; fi
fi
export PATH="$PATH:/usr/sbin"
for program in mosquitto mosquitto_sub socat tmux python3 prometheus promtool nats-server chromium; do
    command -v "$program" >/dev/null || { echo "tests/all.sh: $program is needed and could not be installed" >&2; exit 1; }
done

say "cargo-deb, which builds the package"
# Unoptimised: the tests pack one small program, and that is built in a fifth of the time.
command -v cargo-deb >/dev/null ||
    CARGO_PROFILE_DEV_DEBUG=0 cargo install --debug --quiet --locked cargo-deb --version 3.8.0

say "python: reference libraries in .venv"
wanted="$(cat tests/requirements.txt tests/reference/generate/requirements.txt)"
if ! [ -f .venv/ready ] || [ "$wanted" != "$(cat .venv/ready)" ]; then
    rm -rf .venv
    python3 -m venv .venv
    .venv/bin/pip install --quiet --disable-pip-version-check \
        --requirement tests/requirements.txt --requirement tests/reference/generate/requirements.txt
    printf '%s\n' "$wanted" > .venv/ready
fi
export PONDREEVE_VENV="$PWD/.venv"

# Takes minutes of one core, while cargo builds on the others.
tables_log=$(mktemp)
.venv/bin/python tests/reference/generate/all.py > "$tables_log" 2>&1 &
tables=$!
trap 'kill "$tables" 2>/dev/null || true; rm -f "$tables_log"' EXIT

# The same cases each time; PROPTEST_RNG_SEED=$RANDOM bash tests/all.sh looks for new ones.
export PROPTEST_RNG_SEED="${PROPTEST_RNG_SEED:-20261125}"

say "every test; power cuts, kills, a farm's season of faults and two months of soak, a short one of each"
.venv/bin/python tests/side_by_side.py

say "the reference libraries still give the committed tables"
status=0
wait "$tables" || status=$?
cat "$tables_log"
[ "$status" = 0 ] || { echo "tests/all.sh: the tables in tests/reference/data are not what the libraries give" >&2; exit 1; }

if [ -n "${PONDREEVE_OPEN_DATA:-}" ]; then
    say "open data sets in $PONDREEVE_OPEN_DATA: ran with the tests above"
else
    say "NOT RUN: the replay of open data sets, because PONDREEVE_OPEN_DATA names no folder (tests/replay/README.md)"
fi
