#!/usr/bin/env python3
"""A season of everything that happens to a gateway: the whole daemon at speed, one fault after another, and a table of
what was promised and what was seen.

    cargo build --release -p pondreeve-tests --example paced_daemon
    sudo python3 tests/faults/season.py target/release/examples/paced_daemon [--days 120] [--rounds 10] [--seed 1]

As root the store lies on a file system of its own, which is cut, filled, frozen and made read-only; without, those
faults are left out and the table says so. Hand readings are entered all the time; each that was acknowledged must be
there after each fault. Exit 0 where every promise was kept.
"""

import argparse
import os
import random
import socket
import subprocess
import sys
import tempfile
import time

from season_bench import Broker, Disk, Gateway, Probe, wait_for

DAY_MS = 86_400_000


class Campaign:
    def __init__(self, asked, folder):
        self.dice = random.Random(asked.seed)
        self.folder = folder
        self.disk = Disk(folder)
        self.broker = Broker(folder)
        self.probe = Probe(os.path.join(folder, "tty"), self.dice)
        self.short = asked.rounds == 1
        # A season over all faults and rounds, each of which takes about two seconds.
        pace = max(60.0, asked.days * 86_400 / (asked.rounds * len(FAULTS) * 2.5))
        poll_s = max(1, int(pace * 0.2))
        self.gateway = Gateway(asked.program, folder, self.disk, self.broker, pace, f"{min(poll_s, 300)}s")
        self.gateway.start()

    def moment(self):
        return self.dice.uniform(0.1, 0.6)

    def kill(self):
        self.gateway.enter_for(self.moment())
        self.gateway.kill()
        return f"back after {self.gateway.start():.1f} s"

    def power_cut(self):
        self.gateway.enter_for(self.moment())
        self.disk.cut()
        self.gateway.kill()
        self.disk.mount_again()
        return f"back after {self.gateway.start():.1f} s"

    def full_disk(self):
        filler = os.path.join(self.disk.place, "filler")
        with open(filler, "wb") as out:
            try:
                while True:
                    out.write(bytes(1 << 16))
                    out.flush()
            except OSError:
                pass
        # The tail has room made beforehand: it takes some until it is full too.
        refused = 0
        for _ in range(40):
            refused += not self.gateway.enter()
        watching = self.gateway.status()["ponds"][0]["id"] == "p1"
        told = self.gateway.faults("store") + self.gateway.faults("machine")
        os.unlink(filler)
        # Or a power cut that comes soon brings it back.
        folder = os.open(self.disk.place, os.O_RDONLY)
        os.fsync(folder)
        os.close(folder)
        wait_for("the store to take readings again", self.gateway.enter)
        if not watching:
            raise AssertionError("it no longer watches")
        return f"{refused} of 40 refused, {len(told)} faults told, watched on"

    def read_only(self):
        # A card that has given up: from one moment to the next every write fails.
        self.disk.cut()
        refused = sum(not self.gateway.enter() for _ in range(3))
        told = wait_for("the store's fault", lambda: self.gateway.faults("store"))
        if refused != 3:
            raise AssertionError(f"{3 - refused} readings were acknowledged by a disk that takes nothing")
        self.gateway.kill()
        self.disk.mount_again()
        self.gateway.start()
        return f"3 of 3 refused, told: {told[0][:40]}"

    def slow_disk(self):
        self.disk.run("fsfreeze", "--freeze", self.disk.place)
        began = time.monotonic()
        try:
            answered = self.gateway.status()
        finally:
            wait = 1.0 if self.short else self.dice.uniform(1, 7)
            time.sleep(wait)
            self.disk.run("fsfreeze", "--unfreeze", self.disk.place)
        wait_for("a reading to be kept", self.gateway.enter)
        if not answered:
            raise AssertionError("no answer while the disk stood still")
        return f"stood still {time.monotonic() - began:.1f} s, watched on"

    def bit_rot(self):
        self.gateway.stop()
        store = os.path.join(self.disk.place, "store")
        files = [os.path.join(above, name) for above, _, names in os.walk(store) for name in names]
        files = sorted(path for path in files if os.path.getsize(path) > 64 and not path.endswith("lock"))
        path = self.dice.choice(files)
        with open(path, "r+b") as rotten:
            at = self.dice.randrange(os.path.getsize(path))
            rotten.seek(at)
            byte = rotten.read(1)
            rotten.seek(at)
            rotten.write(bytes([byte[0] ^ (1 << self.dice.randrange(8))]))
        self.gateway.start()
        told = self.gateway.faults("store")
        self.rot_told = bool(told)
        return f"{os.path.basename(path)}: {'told' if told else 'nothing was hurt'}"

    def clock_step(self):
        newest = self.gateway.origin_ms
        self.gateway.stop()
        step = self.dice.choice([-newest, -2 * DAY_MS, -3_600_000, 3_600_000, 2 * DAY_MS])
        self.gateway.start(origin_ms=newest + step)
        self.gateway.enter()
        now = self.gateway.status()["at"]
        if self.gateway.origin_ms < newest:
            raise AssertionError(f"farm time ran backwards to {now}")
        return "to 1970" if step == -newest else f"by {step / 3_600_000:+.0f} h"

    def unplug(self):
        self.probe.unplug()
        wait_for("the line's fault", lambda: self.gateway.faults("bus"))
        self.probe.plug()
        began = time.monotonic()
        before = self.probe.answers
        wait_for("the probe to be read again", lambda: self.probe.answers > before + 1, 90)
        return f"told; read again {time.monotonic() - began:.1f} s after"

    def noise(self):
        self.probe.noise = 0.6
        time.sleep(1.0)
        shown = [own for own in self.gateway.status()["ponds"][0]["readings"] if own["quantity"] == "do_mg_l"]
        self.probe.noise = 0.0
        wrong = [own["value"] for own in shown if own["value"] is not None and not 3.9 < own["value"] < 6.6]
        if wrong:
            raise AssertionError(f"a garbled answer was taken for {wrong}")
        return "no garbled answer was taken for a reading"

    def broker_restart(self):
        self.broker.stop()
        time.sleep(0.3)
        self.broker.start()
        began = time.monotonic()

        def heard():
            self.broker.publish(["8.1"])
            readings = self.gateway.status()["ponds"][0]["readings"]
            return any(own["quantity"] == "ph" and own["age_s"] < self.gateway.pace * 3 for own in readings)

        wait_for("the broker's readings", heard, 60)
        return f"heard again after {time.monotonic() - began:.1f} s"

    def memory(self):
        self.gateway.stop()
        self.gateway.start(limits=["prlimit", f"--data={96 << 20}"])
        kept = self.gateway.enter_for(0.3)
        self.gateway.kept()
        with open(f"/proc/{self.gateway.process.pid}/status", encoding="utf-8") as about:
            resident = next(line for line in about if line.startswith("VmRSS"))
        self.gateway.stop()
        self.gateway.start()
        return f"{kept} kept within {int(resident.split()[1]) >> 10} MiB"

    def flood(self):
        count = 500 if self.short else 5000
        self.broker.publish([str(round(8 + place % 10 / 100, 2)) for place in range(count)])
        lines = [socket.socket(socket.AF_UNIX) for _ in range(60)]
        for line in lines:
            line.setblocking(False)
            try:
                line.connect(os.path.join(self.folder, "sock"))
                line.send(b"x" * 10_000)
            except OSError:
                pass
        for line in lines:
            line.close()
        wait_for("a reading to be kept", self.gateway.enter)
        return f"{count} messages, 60 clients"

    def end(self):
        try:
            self.gateway.stop()
        except Exception:  # pylint: disable=broad-except
            self.gateway.kill()
        self.broker.stop()
        self.disk.end()


# Name, what does it, whether it needs a disk of its own, what is promised.
FAULTS = [
    ("kill -9", Campaign.kill, False, "nothing acknowledged is lost"),
    ("power cut", Campaign.power_cut, True, "nothing acknowledged is lost"),
    ("full disk", Campaign.full_disk, True, "watches on; what is not kept is not acknowledged"),
    ("disk takes no write", Campaign.read_only, True, "told; nothing is acknowledged"),
    ("disk stands still", Campaign.slow_disk, True, "watches on, keeps afterwards"),
    ("bit rot", Campaign.bit_rot, False, "opens; what is lost is told"),
    ("clock set", Campaign.clock_step, False, "farm time never runs backwards"),
    ("serial unplugged", Campaign.unplug, False, "told; read again by itself"),
    ("bus noise", Campaign.noise, False, "no garbled value is taken"),
    ("broker restart", Campaign.broker_restart, False, "heard again by itself"),
    ("memory pressure", Campaign.memory, False, "works within 96 MiB of data"),
    ("flood", Campaign.flood, False, "readings are taken all the same"),
]


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("program")
    parser.add_argument("--days", type=float, default=120)
    parser.add_argument("--rounds", type=int, default=10)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    rows = {name: dict(times=0, lost=0, seen="", broken=[]) for name, *_ in FAULTS}
    with tempfile.TemporaryDirectory(prefix="season-", ignore_cleanup_errors=True) as folder:
        campaign = Campaign(asked, folder)
        first = campaign.gateway.status()["at"]
        try:
            for turn in range(asked.rounds):
                order = list(FAULTS)
                campaign.dice.shuffle(order)
                for name, does, needs_disk, _ in order:
                    if needs_disk and not campaign.disk.real:
                        continue
                    row = rows[name]
                    row["times"] += 1
                    try:
                        campaign.gateway.enter_for(0.2)
                        campaign.rot_told = False
                        row["seen"] = does(campaign)
                        lost = campaign.gateway.lost()
                        row["lost"] += lost
                        if lost and not campaign.rot_told:
                            row["broken"].append(f"{lost} acknowledged readings are gone, and nobody was told")
                    except (AssertionError, OSError, RuntimeError) as error:
                        row["broken"].append(str(error))
                        print(campaign.gateway.last_words(), flush=True)
                        if campaign.gateway.process.poll() is None:
                            campaign.gateway.kill()
                        campaign.gateway.start()
                    print(f"  {turn + 1}: {name}: {row['broken'][-1] if row['broken'] else row['seen']}", flush=True)
            last = campaign.gateway.status()["at"]
            count = len(campaign.gateway.acknowledged)
        finally:
            campaign.end()
    print(f"\nseed {asked.seed}; farm time {first[:10]} to {last[:10]}; {count} acknowledged readings are there")
    print(f"{'fault':<20} {'times':>5}  {'promised':<48} {'seen (the last time)':<52} {'lost':>4}")
    broken = 0
    for name, _, _, promised in FAULTS:
        row = rows[name]
        seen = "NOT RUN: needs root and a loop device" if not row["times"] else row["seen"]
        if row["broken"]:
            broken += 1
            seen = "BROKEN: " + row["broken"][0]
        print(f"{name:<20} {row['times']:>5}  {promised:<48} {seen[:52]:<52} {row['lost']:>4}")
    return 1 if broken else 0


if __name__ == "__main__":
    sys.exit(main())
