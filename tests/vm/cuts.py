"""The power goes, at any moment, with a disk that forgets what was not flushed (disk.py). Who remembers stands outside.

What people were told is done (`pondreeve record` and `enter` that came back with 0), what `export` had shown as kept,
and each reading that the probe had answered longer before the cut than `durable_within`: all of it must be there after
the next start. Beside it two controls, of which one must lose and one must not, and at the end a disk that lies.
"""

import json
import random
import threading
import time

from bench import BROKER
from machine import accelerator, wait_for
from service import READY_WITHIN_S, kept_values, slowness

DURABLE_WITHIN_S = 1.0
# From the probe's answer to the daemon's inbox, and for the sync itself; what is emulated takes its time.
ON_ITS_WAY_S = {"kvm": 1.0, "tcg": 4.0}[accelerator()]
# Until the power goes.
LONGEST_S = {"kvm": 8, "tcg": 20}[accelerator()]
CONTROL = "/var/lib/control"

# The control that must hold: one row for each time it is asked, told once it is synced.
SYNCED = """
import sqlite3, sys
base = sqlite3.connect("%s/FULL.db", isolation_level=None)
base.execute("pragma journal_mode=wal")
base.execute("pragma synchronous=FULL")
base.execute("create table if not exists told (number)")
base.execute("insert into told values (?)", (int(sys.argv[1]),))
""" % CONTROL

# The controls that must lose: a row and a line all the time, told at once, synced never.
UNSYNCED = """
import os, sqlite3, sys, time
number = int(sys.argv[1])
base = None
with open("/dev/virtio-ports/control", "wb", buffering=0) as told, open("%s/plain", "a") as plain:
    while True:
        number += 1
        plain.write(f"{number}\\n")
        plain.flush()
        try:
            if base is None:
                base = sqlite3.connect("%s/OFF.db", isolation_level=None)
                base.execute("pragma synchronous=OFF")
                base.execute("create table if not exists told (number)")
            base.execute("insert into told values (?)", (number,))
        except sqlite3.Error:
            # What a cut left of it is no database.
            os.unlink("%s/OFF.db")
            base = None
        told.write(f"{number}\\n".encode())
        time.sleep(0.1)
""" % (CONTROL, CONTROL, CONTROL)

SQLITE_LEFT = """
import json, sqlite3
left = {}
for mode in ("OFF", "FULL"):
    try:
        base = sqlite3.connect(f"%s/{mode}.db")
        left[mode] = [row[0] for row in base.execute("select number from told")]
    except sqlite3.Error as error:
        left[mode] = []
try:
    with open("%s/plain", errors="replace") as plain:
        left["plain"] = [int(line) for line in plain.read().split("\\n") if line.isdigit()]
except OSError:
    left["plain"] = []
print(json.dumps(left))
""" % (CONTROL, CONTROL)


class Observer:
    """Works with the gateway until the power goes, and remembers what it was told. Only what was told before the cut
    begins counts."""

    def __init__(self):
        self.number = 0
        self.notes, self.entered, self.shown = set(), set(), set()
        self.controls = {"OFF": set(), "FULL": set(), "plain": set()}
        self.unsynced_from = self.writes = 0

    def next(self):
        self.number += 1
        return self.number

    def work(self, gateway, over):
        """Several at a time, as people and programs are."""
        self.over = over
        self.unsynced_from += 1_000_000
        self.writes = 0
        gateway.machine.run(f"mkdir -p {CONTROL}; setsid -f python3 /root/unsynced.py {self.unsynced_from}"
                            " </dev/null >/root/unsynced.log 2>&1")
        workers = [threading.Thread(target=self.again, args=(gateway, what), daemon=True)
                   for what in (self.note, self.enter, self.show, self.synced, self.unsynced)]
        for worker in workers:
            worker.start()
        return workers

    def again(self, gateway, what):
        while not self.over.is_set():
            try:
                what(gateway)
            except (OSError, TimeoutError, AssertionError, ValueError):
                # The power is gone, or the daemon refused: nothing was told.
                return

    def note(self, gateway):
        mine = self.next()
        status, _ = gateway.machine.ask(f"runuser -u tech -- pondreeve record --pond p1 note entry-{mine}-end")
        if status == 0 and not self.over.is_set():
            self.notes.add(mine)

    def enter(self, gateway):
        value = round(4 + self.next() * 1e-5, 5)
        status, told = gateway.machine.ask(f"runuser -u tech -- pondreeve enter --json --pond p1 do_mg_l={value}")
        if status == 0 and json.loads(told)["warning"] is None and not self.over.is_set():
            self.entered.add(value)

    def show(self, gateway):
        values = kept_values(gateway)
        if not self.over.is_set():
            self.shown |= values
        time.sleep(0.5)

    def synced(self, gateway):
        mine = self.next()
        status, _ = gateway.machine.ask(f"python3 /root/synced.py {mine}")
        if status == 0 and not self.over.is_set():
            self.controls["FULL"].add(mine)

    def unsynced(self, gateway):
        for line in gateway.machine.control.makefile("r"):
            if self.over.is_set():
                return
            self.controls["OFF"].add(int(line))
            self.controls["plain"].add(int(line))
            self.writes += 1

    def told(self):
        """How much was told of each kind that only a disk that lies can lose."""
        return len(self.notes), len(self.entered), len(self.controls["FULL"])


def lost(gateway, observer, answered):
    """What was told and is gone, by kind; what the controls lost."""
    machine = gateway.machine
    # Two days suffice: everything here began less than an hour ago.
    diary = machine.run("pondreeve export --diary | grep -o 'entry-[0-9]*-end' || true", patience_s=120)
    notes = {int(line.split("-")[1]) for line in diary.splitlines()}
    by_hand, by_probe = kept_values(gateway, by_hand=True), kept_values(gateway)
    gone = {
        "entries": observer.notes - notes,
        "hand readings": observer.entered - by_hand,
        "readings shown": observer.shown - by_probe,
        "readings answered": answered - by_probe,
    }
    left = json.loads(machine.run("python3 -", given=SQLITE_LEFT))
    controls = {name: len(told - set(left[name])) for name, told in observer.controls.items()}
    # What is gone was told once.
    observer.notes &= notes
    observer.entered &= by_hand
    observer.shown &= by_probe
    for name, told in observer.controls.items():
        told &= set(left[name])
    answered &= by_probe
    return {kind: len(what) for kind, what in gone.items()}, controls


def checked(machine):
    """How the file system came back: what fsck said at the start, and the kernel since."""
    said = machine.run("cat /run/initramfs/fsck.log 2>/dev/null; journalctl -b -o cat -u systemd-fsck-root --no-pager;"
                       " dmesg | grep -E 'EXT4-fs' || true")
    bad = [line for line in said.splitlines()
           if "EXT4-fs error" in line or "UNEXPECTED" in line or "RUN fsck" in line]
    return "recovering journal" in said or "recovery complete" in said, bad


def one_cut(gateway, observer, dice, answered, lies=False):
    """Works for a moment, then cuts; the readings that must be there are added to `answered`."""
    over = threading.Event()
    observer.work(gateway, over)
    # From now on there is something that a cut takes.
    wait_for("the unsynced control", lambda: observer.writes > 0, 240)
    time.sleep(dice.uniform(0.5, LONGEST_S) if not lies else 2)
    if lies:
        gateway.disk.lies = True
        before = observer.told()
        # The first of each may have been synced before the lie.
        wait_for("some of each kind to be told", lambda: all(now > had + 1 for now, had in zip(observer.told(), before)),
                 240)
    over.set()
    at = time.monotonic()
    gateway.machine.cut()
    blocks, gone = gateway.disk.cut(dice if not lies else NothingKept())
    gateway.disk.lies = False
    times = gateway.cabinet.answered
    answered |= {value for when, value in times if when < at - DURABLE_WITHIN_S - ON_ITS_WAY_S}
    since = {value: at - when for when, value in times}
    times.clear()
    return blocks, gone, since


class NothingKept(random.Random):
    """Of all that a disk may leave, the worst: nothing since the last flush that it did not lie about."""

    def choice(self, options):
        return options[0]

    def random(self):
        return 1.0


def run(gateway, table, asked):
    machine = gateway.boot()
    gateway.configure(BROKER, durable_within=f"{DURABLE_WITHIN_S:.0f}s")
    machine.write("/root/synced.py", SYNCED)
    machine.write("/root/unsynced.py", UNSYNCED)
    # What nobody synced is handed to the disk soon, where it lies in the cache: the more of it a cut takes or tears.
    machine.write("/etc/sysctl.d/90-campaign.conf", "vm.dirty_writeback_centisecs=20\nvm.dirty_expire_centisecs=20\n")
    machine.run("sysctl -q --system; systemctl restart pondreeve && sync", patience_s=120)
    slow = slowness(machine)
    gateway.read(gateway.cabinet)
    gateway.cabinet.answered.clear()
    # What was before the first cut of this part is not asked for.
    answered, observer = set(), Observer()
    total, took, since_kernel, bad = {}, [], [], []
    recovered = blocks_lost = 0
    oldest_lost = 0.0
    control = {"OFF": 0, "FULL": 0, "plain": 0}
    for cut in range(asked.cuts):
        blocks, gone, since_answer = one_cut(gateway, observer, asked.dice, answered)
        blocks_lost += gone
        machine = gateway.start()
        gateway.active(120)
        there = kept_values(gateway)
        oldest_lost = max([oldest_lost] + [age for value, age in since_answer.items() if value not in there])
        ready, since = gateway.ready_s()
        took.append(ready)
        since_kernel.append(since)
        gateway.read(gateway.cabinet, 60)
        missing, controls = lost(gateway, observer, answered)
        for kind, count in missing.items():
            total[kind] = total.get(kind, 0) + count
        for name, count in controls.items():
            control[name] += count > 0
        journal, told = checked(machine)
        recovered += journal
        bad += told
        print(f"  cut {cut + 1}: {gone} of {blocks} unflushed blocks gone, ready after {ready:.2f} s, {since:.0f} s"
              f" after the kernel; there: {len(observer.notes)} entries, {len(observer.entered)} hand readings,"
              f" {len(answered)} readings; lost {missing}, controls {controls}", flush=True)
    count = len(observer.notes) + len(observer.entered)
    table.row(f"{asked.cuts} power cuts", "what was told as done is there", f"{count} told, lost: {total}",
              count > 0 and total["entries"] == 0 and total["hand readings"] == 0)
    table.row("readings through them", "shown by export, or older than durable_within: there",
              f"{len(answered)} answered, {len(observer.shown)} shown; lost {total['readings answered']} and"
              f" {total['readings shown']}; the oldest lost was answered {oldest_lost:.1f} s before its cut",
              len(answered) > 0 and len(observer.shown) > 0
              and total["readings answered"] == total["readings shown"] == 0)
    table.row("file system", "ext4 comes back by its journal, no error",
              f"{recovered} recovered, {len(bad)} errors {bad[:1]}",
              recovered > 0 and not bad)
    table.row("ready after a cut", f"{READY_WITHIN_S:.0f} s times {slow:.1f}",
              f"{min(took):.2f} to {max(took):.2f} s; {min(since_kernel):.0f} to {max(since_kernel):.0f} s after the"
              " kernel",
              max(took) <= READY_WITHIN_S * slow)
    table.row("control: unsynced file, SQLite OFF", "must lose",
              f"lost in {control['plain']} and {control['OFF']} cuts of {asked.cuts} ({blocks_lost} blocks)", control["plain"] > 0 and control["OFF"] > 0)
    table.row("control: SQLite FULL", "must hold", f"lost in {control['FULL']} cuts", control["FULL"] == 0)

    # The same with a disk that says yes to a flush and does nothing: the check must find what is gone.
    one_cut(gateway, observer, asked.dice, set(), lies=True)
    gateway.start()
    gateway.active(120)
    missing, controls = lost(gateway, observer, set())
    table.row("control: a disk that lies", "must lose", f"{missing}, SQLite FULL {controls['FULL']}",
              missing["entries"] > 0 and missing["hand readings"] > 0 and controls["FULL"] > 0)
    faults = [own["detail"] for own in gateway.status()["faults"]]
    print(f"  faults told after the disk that lied: {faults}", flush=True)
    wait_for("watching", lambda: gateway.read(gateway.cabinet, 60))
    gateway.machine.off()
