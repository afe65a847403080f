#!/usr/bin/env bash
# What a store must survive, without a person looking on: power cuts on paper, kills, real power cuts.
#
#   bash tests/faults/campaign.sh           all of it, about a quarter of an hour; real cuts need root and a loop device
#   bash tests/faults/campaign.sh --short   a minute of it, as the tests do
#
# SEED=N draws other moments. STORE_PROGRAM names the gateway's test program where it is built already.
# REAL_CUTS=required fails where the real cuts cannot be made.
set -euo pipefail
cd "$(dirname "$0")/../.."
seed="${SEED:-1}"
if [ "${1:-}" = --short ]; then
    paper=90 kills=40 cuts=24
elif [ $# = 0 ]; then
    paper=2000 kills=1000 cuts=500
else
    echo "tests/faults/campaign.sh: $1: accepted is --short or nothing" >&2
    exit 2
fi

# Of the whole workspace: alone, the gateway's dependencies would be built anew with fewer features.
program=${STORE_PROGRAM:-$(cargo test --workspace --lib --no-run --locked 2>&1 |
    sed -n 's/^ *Executable unittests src\/lib.rs (\(.*\/pondreeve-[0-9a-f]*\))$/\1/p')}
[ -f "$program" ] || { echo "tests/faults/campaign.sh: the test program could not be built" >&2; exit 1; }

program=$(realpath "$program")

echo "-- power cuts on paper: any moment, any choice of unsynced sectors"
python3 tests/faults/crash_images.py "$program" --cuts "$paper" --seed "$seed"
echo "-- kill -9"
python3 tests/faults/kills.py "$program" --kills "$kills" --seed "$seed"
echo "-- real power cuts: ext4 on a loop device, shut down"
as_root=()
[ "$(id -u)" = 0 ] || as_root=(sudo -n)
if "${as_root[@]}" losetup --find >/dev/null 2>&1; then
    "${as_root[@]}" python3 tests/faults/power_cut.py "$program" --cuts "$cuts" --seed "$seed"
else
    echo "NOT RUN: the real power cuts need root (or sudo without a password) and a free loop device"
    [ "${REAL_CUTS:-}" != required ]
fi
