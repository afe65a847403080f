#!/usr/bin/env bash
# Builds the guest: Debian bookworm on an ext4 in a raw file, its kernel and initrd beside it.
#
#   bash tests/vm/build_guest.sh FOLDER      leaves FOLDER/base.raw, vmlinuz, initrd; does nothing where they are
#
# Needs root (debootstrap makes devices and changes its root) and the apt registry; nothing else is downloaded, and the
# guest itself never has a network card.
set -euo pipefail
folder=${1:?a folder}
mkdir -p "$folder"
folder=$(realpath "$folder")
cd "$(dirname "$0")"
# What is in it, so that a change of this file or of the agent builds it anew.
stamp=$(cat build_guest.sh agent.py | sha256sum | cut -d' ' -f1)
if [ -f "$folder/base.raw" ] && [ "$(cat "$folder/stamp" 2>/dev/null)" = "$stamp" ]; then
    exit 0
fi
rm -f "$folder/stamp"

packages=systemd,systemd-sysv,udev,dbus,kmod,adduser,procps,iproute2,e2fsprogs,python3,mosquitto,mosquitto-clients
packages+=,initramfs-tools,linux-image-amd64
mirror=${MIRROR:-http://deb.debian.org/debian}
root=$folder/root
if [ ! -f "$folder/bootstrapped" ]; then
    rm -rf "$root"
    debootstrap --variant=minbase --include="$packages" bookworm "$root" "$mirror" >"$folder/debootstrap.log" 2>&1 ||
        { tail -5 "$folder/debootstrap.log" >&2; exit 1; }
    touch "$folder/bootstrapped"
fi

cp "$root"/boot/vmlinuz-* "$folder/vmlinuz"
cp "$root"/boot/initrd.img-* "$folder/initrd"
# No password, no network: whoever can reach the guest's console started the guest.
chroot "$root" passwd --quiet -d root
echo gateway >"$root/etc/hostname"
printf '127.0.0.1 localhost gateway\n' >"$root/etc/hosts"
echo 'LABEL=gateway / ext4 defaults,errors=remount-ro 0 1' >"$root/etc/fstab"
# The clock is told by the machine's own alone, so that a wrong one stays wrong.
chroot "$root" systemctl --quiet mask systemd-timesyncd.service apt-daily.timer apt-daily-upgrade.timer
chroot "$root" systemctl --quiet disable mosquitto.service
for name in tech visitor; do
    chroot "$root" getent passwd "$name" >/dev/null || chroot "$root" useradd --create-home "$name"
done
install -m 755 agent.py "$root/usr/local/sbin/vm-agent"
cat >"$root/etc/systemd/system/vm-agent.service" <<'UNIT'
[Unit]
Description=Does what the campaign outside asks, over a virtio port
DefaultDependencies=no
After=local-fs.target systemd-udevd.service
[Service]
ExecStart=/usr/local/sbin/vm-agent
Restart=always
OOMScoreAdjust=-950
# What it starts lives on when it ends.
KillMode=process
[Install]
WantedBy=sysinit.target
UNIT
chroot "$root" systemctl --quiet enable vm-agent.service
# The system's log on the disk, so that it outlives a cut.
mkdir -p "$root/var/log/journal" "$root/media/stick"
rm -rf "$root"/var/cache/apt/archives/*.deb "$root"/var/lib/apt/lists/*

rm -f "$folder/base.raw"
mke2fs -q -t ext4 -L gateway -d "$root" -r 1 "$folder/base.raw" 2560M
echo "$stamp" >"$folder/stamp"
