#!/usr/bin/env python3
"""Cuts the power under the store, for real, and looks whether anything acknowledged is gone.

An ext4 file system on a loop device is shut down without writing its own journal (the ext4 shutdown
ioctl), in the middle of whatever the program does; then it is mounted again and the store opened. Needs root
and a loop device:

    cargo test -p pondreeve --lib --no-run        # prints the path of the test program
    sudo python3 tests/faults/power_cut.py PROGRAM [--cuts 500] [--seed 1]

Every third cut falls on a new file system, most of them while the store is being made, some while a store
of an earlier format is carried over; the others go on with what the cut before left, so that opening, sealing,
rolling up and thinning are cut as well.

KEEP_IMAGES=FOLDER keeps there the file system of each cut that lost something, as the cut left it.

Exit 0 where our store and SQLite with synchronous=FULL lost nothing and SQLite with synchronous=OFF lost.
"""

import fcntl
import os
import random
import re
import shutil
import subprocess
import sys
import tempfile
import time

import contestants

SHUTDOWN = 0x8004587D  # EXT4_IOC_SHUTDOWN
WITHOUT_LOG_FLUSH = (2).to_bytes(4, "little")


def run(*command):
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)


class Disk:
    """A file system that can be cut."""

    def __init__(self, folder):
        self.image = os.path.join(folder, "image")
        self.place = os.path.join(folder, "disk")
        os.mkdir(self.place)

    def make(self):
        with open(self.image, "wb") as image:
            # Sparse. So large that a fast machine does not fill it between two cuts: on a disk that is nearly full
            # the oldest day is deleted, as it should be, and would be taken for lost.
            image.truncate(1024 * 1024 * 1024)
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


def cut_once(contestant, disk, wait_s, base, told):
    """One cut, so long after the program has begun to work; the last position it had acknowledged.

    What it says goes to the file `told`, on another disk. Only what stands there before the cut begins counts:
    a sync that runs while the file system goes down may return either way.
    """
    command, variables = contestant.child(disk.place, 1_000_000, base)
    with open(told, "wb") as out:
        child = subprocess.Popen(command, env=dict(os.environ, **variables), stdout=out, stderr=subprocess.DEVNULL)
    started = time.monotonic()
    while not contestant.has_begun(disk.place) and time.monotonic() - started < 5:
        time.sleep(0.001)
    time.sleep(wait_s)
    with open(told, "rb") as said:
        kept = re.findall(rb"kept (\d+)\n", said.read())
    disk.cut()
    time.sleep(0.01)
    child.kill()
    child.wait()
    return int(kept[-1]) if kept else None


def campaign(contestant, cuts, dice, enough=None):
    """Cuts so often, or until so many cuts lost something; how many did."""
    lost = unopenable = committed = done = 0
    with tempfile.TemporaryDirectory() as folder:
        disk = Disk(folder)
        told = os.path.join(folder, "told")
        images = os.environ.get("KEEP_IMAGES")
        found = os.path.join(images or folder, "found")
        acknowledged = base = 0
        bad = True
        for cut in range(cuts):
            making = cut % 3 == 0 or bad
            if making:
                disk.make()
                acknowledged = base = 0
            disk.mount()
            if making and cut % 6 == 3 and hasattr(contestant, "earlier_format"):
                acknowledged = base = contestant.earlier_format(disk.place)
                os.sync()
            kept = cut_once(contestant, disk, dice.uniform(0, 0.06 if making else 0.5), base, told)
            if kept is not None:
                acknowledged, committed = max(acknowledged, kept), committed + 1
            disk.unmount()
            if images:
                shutil.copy(disk.image, found)
            disk.mount()
            # A process that stays would keep the file system in use.
            checker = contestant.checker()
            said = checker.look(disk.place, acknowledged, base)
            checker.end()
            disk.unmount()
            bad = not said.startswith("held")
            if bad:
                if not contestant.must_lose:
                    print(f"  {contestant.name}, cut {cut}, {acknowledged} acknowledged: {said[:300]}", flush=True)
                    if images:
                        os.rename(found, os.path.join(images, f"cut-{cut}.ext4"))
                lost, unopenable = lost + said.startswith("lost"), unopenable + said.startswith("unopenable")
            else:
                acknowledged = max(acknowledged, int(said.split()[1]))
            done += 1
            if enough is not None and lost + unopenable >= enough:
                break
    print(
        f"{contestant.name:14} {done:5} cuts, {committed} of them after a commit: "
        f"{lost} lost something, {unopenable} did not open{', as it must' if contestant.must_lose else ''}",
        flush=True,
    )
    return lost + unopenable, committed


def main():
    asked = contestants.asked("cuts", 500)
    dice = random.Random(asked.seed)
    lost, _ = campaign(contestants.Sqlite("OFF"), asked.count, dice, enough=5)
    held, _ = campaign(contestants.Sqlite("FULL"), max(30, asked.count // 4), dice)
    ours, committed = campaign(contestants.Store(asked.program), asked.count, dice)
    sound = contestants.controls(lost, held)
    return 0 if sound and not ours and committed else 1


if __name__ == "__main__":
    sys.exit(main())
