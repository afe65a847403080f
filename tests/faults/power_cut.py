#!/usr/bin/env python3
"""Cuts the power under the store, for real, and looks whether anything acknowledged is gone.

An ext4 file system on a loop device is shut down without writing its own journal (the ext4 shutdown
ioctl), in the middle of commits and in the middle of making the store; then it is mounted again and the
store opened. Needs root and a loop device, so it is run by hand:

    cargo test -p pondreeve --lib --no-run        # prints the path of the test program
    sudo python3 tests/faults/power_cut.py PATH [CUTS]

Exit 0 if nothing was lost and every store opened, else 1.
"""

import fcntl
import os
import random
import re
import signal
import subprocess
import sys
import tempfile
import time

SHUTDOWN = 0x8004587D  # EXT4_IOC_SHUTDOWN
WITHOUT_LOG_FLUSH = (2).to_bytes(4, "little")
CHILD = ["--exact", "journal::store::tests::kill_child", "--ignored", "--nocapture"]


def run(*command):
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)


class Disk:
    def __init__(self, folder):
        self.image = os.path.join(folder, "image")
        self.place = os.path.join(folder, "disk")
        os.mkdir(self.place)

    def make(self):
        with open(self.image, "wb") as image:
            image.truncate(48 * 1024 * 1024)
        run("mkfs.ext4", "-q", "-F", self.image)

    def mount(self):
        run("mount", "-o", "loop", self.image, self.place)

    def cut(self):
        handle = os.open(self.place, os.O_RDONLY)
        fcntl.ioctl(handle, SHUTDOWN, WITHOUT_LOG_FLUSH)
        os.close(handle)

    def unmount(self):
        run("umount", "-l", self.place)
        time.sleep(0.02)


def start(program, disk):
    environment = dict(os.environ, PONDREEVE_TEST_KILL_STORE=os.path.join(disk.place, "store"), RUST_BACKTRACE="0")
    return subprocess.Popen(
        [program, *CHILD], env=environment, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )


def end(child):
    child.send_signal(signal.SIGKILL)
    out, errors = child.communicate()
    return out, errors


def found_after_remount(program, disk):
    """How far the store goes, by a process that opens it in peace."""
    child = start(program, disk)
    for line in child.stdout:
        match = re.search(r"found (\d+)", line)
        if match:
            end(child)
            return int(match.group(1)), ""
    return None, end(child)[1]


def cut_once(program, disk, wait_s):
    """One cut; the last position acknowledged before it, or None where none was."""
    child = start(program, disk)
    started = time.monotonic()
    while not os.path.exists(os.path.join(disk.place, "store.lock")) and time.monotonic() - started < 5:
        time.sleep(0.001)
    time.sleep(wait_s)
    disk.cut()
    time.sleep(0.01)
    out, _ = end(child)
    kept = re.findall(r"kept (\d+)", out)
    return int(kept[-1]) if kept else None


def main():
    program, cuts = sys.argv[1], int(sys.argv[2]) if len(sys.argv) > 2 else 100
    dice = random.Random(1)
    lost = unopenable = with_commits = 0
    with tempfile.TemporaryDirectory() as folder:
        disk = Disk(folder)
        acknowledged = 0
        for cut in range(cuts):
            making = cut % 3 == 0
            if making:
                disk.make()
                acknowledged = 0
            disk.mount()
            kept = cut_once(program, disk, dice.uniform(0, 0.06 if making else 0.5))
            if kept is not None:
                acknowledged, with_commits = kept, with_commits + 1
            disk.unmount()
            disk.mount()
            found, errors = found_after_remount(program, disk)
            if found is None:
                unopenable += 1
                print(f"cut {cut}: the store does not open: {errors[-500:]}")
            elif found < acknowledged:
                lost += 1
                print(f"cut {cut}: {acknowledged} acknowledged, {found} there")
            acknowledged = max(acknowledged, found or 0)
            disk.unmount()
    print(f"{cuts} cuts, {with_commits} of them after a commit: {lost} lost something, {unopenable} did not open")
    return 1 if lost or unopenable or not with_commits else 0


if __name__ == "__main__":
    sys.exit(main())
