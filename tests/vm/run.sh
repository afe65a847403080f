#!/usr/bin/env bash
# The Debian package in a virtual machine with a real systemd: see tests/vm/campaign.py, which has the arguments.
#
#   sudo bash tests/vm/run.sh                        all of it
#   sudo bash tests/vm/run.sh --cuts 50 --seed 7 --only cuts
#
# Needs root, 4 GB of disk below target/vm and the apt registry the first time; /dev/kvm where it runs any kernel, else
# all is emulated (ACCEL=kvm or tcg decides). Emulated on two cores that were busy with other work it took 45 minutes the
# first time: 5 for the package, 3 for the guest, 23 for the parts but the cuts, 1 to 2 for each of ten cuts. Not part of
# tests/all.sh.
set -euo pipefail
cd "$(dirname "$0")/../.."
[ "$(id -u)" = 0 ] || { echo "tests/vm/run.sh: needs root" >&2; exit 1; }
export PATH="$PATH:/usr/sbin:/sbin"

packages=()
command -v qemu-system-x86_64 >/dev/null || packages+=(qemu-system-x86)
command -v debootstrap >/dev/null || packages+=(debootstrap)
command -v mke2fs >/dev/null || packages+=(e2fsprogs)
if [ ${#packages[@]} -gt 0 ]; then
    apt-get update -q
    DEBIAN_FRONTEND=noninteractive apt-get install -y -q --no-install-recommends "${packages[@]}"
fi

given=
for argument in "$@"; do
    case "$argument" in --package | --package=*) given=yes ;; esac
done
if [ -z "$given" ]; then
    bash deploy/debian/build.sh
    # The newest: what was built just now.
    set -- --package "$(ls -t target/debian/pondreeve_*.deb | head -1)" "$@"
fi
bash tests/vm/build_guest.sh target/vm/guest
exec python3 tests/vm/campaign.py target/vm/guest "$@"
