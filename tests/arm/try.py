#!/usr/bin/env python3
"""The program for another processor, emulated, beside this machine's: the same bytes, one store for both.

    python3 tests/arm/try.py --here target/release/pondreeve --sim target/release/sim \\
        --there target/package/pondreeve --emulator qemu-arm --libraries /usr/arm-linux-gnueabihf

For 64 bits qemu-aarch64 and /usr/aarch64-linux-gnu. The emulator does the processor and leaves kernel and clock as they
are, so what it shows is what the program does, and nothing of speed. Prints a table; exit 0 where every promise was kept.
"""

import argparse
import contextlib
import gzip
import json
import os
import random
import re
import shutil
import signal
import subprocess
import sys
import tempfile
import time

REPOSITORY = os.path.join(os.path.dirname(os.path.abspath(__file__)), "..", "..")
sys.path += [os.path.join(REPOSITORY, "tests", place) for place in ("vm", "faults")]
from bench import Table  # noqa: E402
from shared import free_port, wait_for  # noqa: E402

EARLIER_STORE = os.path.join(REPOSITORY, "daemon/gateway/src/journal/fixtures/format-3")
# More than all that is in it, and before today.
EARLIER = ["--from", "2026-05-20T00:00:00Z", "--to", "2026-06-01T00:00:00Z", "--pond", "pond"]

FARM = """
[farm]
name = "Emulated farm"
gateway = "g1"
time_zone = "-05:00"
latitude = -3.4
longitude = -80.2
[store]
path = "store"
[local]
socket = "sock"
[[pond]]
id = "pond"
name = "Heron"
species = "vannamei"
stage = "grow-out"
area_m2 = 5000
depth_m = 1.5
salinity_psu = 18
"""

NODE = """
[[broker]]
id = "local"
host = "127.0.0.1"
port = {port}
[[broker.probe]]
id = "node"
pond = "p1"
topic = "farm/p1"
sends_every = "1m"
value = [{{ quantity = "do_mg_l" }}]
"""
PROBES = {"tcp-oxygen", "node"}


class Program:
    """How to start it."""

    def __init__(self, start, libraries=None):
        self.start = start
        self.environment = dict(os.environ, **({"QEMU_LD_PREFIX": libraries} if libraries else {}))

    def run(self, *arguments, given=None, status=0):
        done = subprocess.run([*self.start, *arguments], input=given, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
                              env=self.environment, check=False)
        if done.returncode != status:
            raise AssertionError(f"{' '.join(arguments)[:80]} ended with {done.returncode}: {done.stderr[-400:]!r}")
        return done.stdout

    @contextlib.contextmanager
    def daemon(self, config, end=signal.SIGTERM):
        folder = os.path.dirname(config)
        with open(os.path.join(folder, "daemon.log"), "ab") as log:
            process = subprocess.Popen([*self.start, "run", "--config", config], env=self.environment, stderr=log)
            try:
                wait_for("the daemon", lambda: process.poll() is not None or self.answers(folder), 120, 0.1)
                if process.poll() is not None:
                    raise AssertionError(f"the daemon ended with {process.returncode}: see {folder}/daemon.log")
                yield self
                process.send_signal(end)
                status = process.wait(60)
                if status != (0 if end == signal.SIGTERM else -end):
                    raise AssertionError(f"the daemon ended with {status}")
            finally:
                process.kill()
                process.wait()

    def answers(self, folder):
        return subprocess.run([*self.start, "status", "--socket", f"{folder}/sock"], env=self.environment, check=False,
                              stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL).returncode == 0

    def export(self, folder, *arguments):
        return self.run("export", "--socket", f"{folder}/sock", *arguments)


def lines_of_calc(count=3000, seed=5):
    """What `calc` takes: all that it computes in turns, at random water."""
    dice = random.Random(seed)
    for place in range(count):
        water = {"temperature_c": dice.uniform(0, 40), "salinity_psu": dice.uniform(0, 45)}
        ph, alkalinity = {"ph": dice.uniform(5, 9)}, {"alkalinity_mg_l": dice.uniform(10, 300)}
        yield json.dumps([
            {"compute": "oxygen_saturation", **water, "pressure_hpa": dice.uniform(850, 1050),
             "do_mg_l": dice.uniform(0, 15)},
            {"compute": "un_ionised_ammonia", **water, **ph, "tan_mg_l": dice.uniform(0, 5)},
            {"compute": "carbonate", **water, **ph, **alkalinity},
            {"compute": "dose", "volume_m3": 7500, "dose": dice.uniform(0.1, 20), "basis": "slurry_mass",
             "solids_percent": 60, "slurry_density_kg_l": 1.53, **water, **ph, **alkalinity},
        ][place % 4])


def same_calc(here, there):
    given = "\n".join(lines_of_calc()).encode()
    told = [one.run("calc", given=given) for one in (here, there)]
    return f"{len(told[0].splitlines())} lines, {len(told[0])} bytes", told[0] == told[1] and told[0].count(b"\n") == 3000


def same_texts(here, there, folder):
    example = there.run("check", "--example")
    path = os.path.join(folder, "example.toml")
    with open(path, "wb") as file:
        file.write(example)
    told = [one.run("check", "--config", path) for one in (here, there)]
    return f"{len(example)} bytes", told[0] == told[1] and example == here.run("check", "--example") != b""


def same_replay(here, there, folder):
    # `sim ten-days` wrote it: a pond's ten days, with incidents.
    arguments = ["replay", "--config", os.path.join(REPOSITORY, "config/demo/farm.toml"), "--pond", "p1",
                 os.path.join(folder, "p1.csv")]
    told = [one.run(*arguments) for one in (here, there)]
    return f"{len(told[0].splitlines())} lines, {len(told[0])} bytes", told[0] == told[1] != b""


def probes_read(there, sim, table):
    """A simulated probe behind a serial server and one that publishes by MQTT: read, kept with entries through kill -9.
    The emulator cannot set a serial port (it knows no TCGETS2), so the simulator's other lines wait for theirs."""
    port = free_port()
    broker = subprocess.Popen(["mosquitto", "-p", str(port)], stderr=subprocess.DEVNULL)
    bench = subprocess.Popen([sim, "probes", "--bench"], stdout=subprocess.PIPE, text=True)
    try:
        told = ""
        while "farm.toml" not in told:
            told += bench.stdout.readline()
        config = re.search(r"/\S+/farm\.toml", told)[0]
        folder = os.path.dirname(config)
        with open(config, "a", encoding="utf-8") as farm:
            farm.write(NODE.format(port=port))

        def read():
            told = there.export(folder, "--pond", "p1", "--quantity", "do_mg_l").decode()
            return {row[3] for row in (line.split(",") for line in told.splitlines()[1:]) if row[4]}

        def published():
            subprocess.run(["mosquitto_pub", "-p", str(port), "-q", "1", "-t", "farm/p1", "-m", "5.25"], check=True)
            return PROBES <= read()

        def both():
            wait_for(f"readings of {', '.join(PROBES)}", published, 120, 2)
            for number in range(5):
                there.run("record", "--socket", f"{folder}/sock", "--pond", "p1", "note", f"entry-{number}-end")
            return ", ".join(sorted(read())), True

        def kept():
            found = set(re.findall("entry-[0-9]-end", there.export(folder, "--diary").decode()))
            return f"{len(found)} of 5 entries, readings of {', '.join(sorted(read()))}", \
                len(found) == 5 and PROBES <= read()

        with there.daemon(config, end=signal.SIGKILL):
            table.trial("Modbus TCP and MQTT", "each probe is read", both)
        with there.daemon(config):
            table.trial("kill -9", "entries and readings are there", kept)
    finally:
        for process in (bench, broker):
            process.terminate()
            process.wait()


def unpacked(folder):
    """A store of an earlier format, of two days and more, whose daemon carries it over at its start."""
    os.makedirs(folder)
    with open(os.path.join(folder, "farm.toml"), "w", encoding="utf-8") as farm:
        farm.write(FARM)
    for place, _, names in os.walk(EARLIER_STORE):
        to = os.path.join(folder, "store", os.path.relpath(place, EARLIER_STORE))
        os.makedirs(to, exist_ok=True)
        for name in (name for name in names if name.endswith(".gz")):
            with gzip.open(os.path.join(place, name)) as packed, open(os.path.join(to, name[:-3]), "wb") as file:
                shutil.copyfileobj(packed, file)
    return folder


def one_store(here, there, folder, table):
    """Written by one, read by the other, both ways."""
    programs = {"here": here, "there": there}
    was = {}
    for name, program in programs.items():
        own = unpacked(os.path.join(folder, name))
        with program.daemon(f"{own}/farm.toml", end=signal.SIGKILL):
            program.run("record", "--socket", f"{own}/sock", "--pond", "pond", "note", f"by-{name}-end")
            was[name] = program.export(own, *EARLIER)
    with open(os.path.join(EARLIER_STORE, "written.txt"), encoding="utf-8") as written:
        put_in = sum(line.startswith("kept\tpond\t") for line in written)

    def read_alike():
        rows = len(was["here"].splitlines()) - 1
        return f"{rows} readings of {put_in}", was["here"] == was["there"] and rows == put_in

    table.trial("an earlier format's store", "carried over, the same readings from both", read_alike)

    def crossed(writer, reader):
        own = os.path.join(folder, writer)
        program = programs[reader]
        for _ in range(2):
            with program.daemon(f"{own}/farm.toml"):
                told = program.export(own, *EARLIER)
                diary = program.export(own, "--diary").decode()
                program.run("record", "--socket", f"{own}/sock", "--pond", "pond", "note", f"by-{reader}-end")
                time.sleep(1)
            program = programs[writer]
        sound = [one.run("verify", "--json", f"{own}/store") for one in programs.values()]
        told_of = json.loads(sound[0])
        return (f"{len(told.splitlines()) - 1} readings, both entries, verify: {told_of['inputs']} inputs,"
                f" {told_of['damaged']} damaged",
                told == was[writer] and f"by-{writer}-end" in diary and f"by-{reader}-end" in diary
                and sound[0] == sound[1] and told_of["damaged"] == 0)

    table.trial("written there, read here", "and there again: all of it, sound", lambda: crossed("there", "here"))
    table.trial("written here, read there", "and here again: all of it, sound", lambda: crossed("here", "there"))


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("--here", required=True, help="this machine's program")
    parser.add_argument("--there", required=True, help="the other's")
    parser.add_argument("--sim", required=True, help="this machine's simulator")
    parser.add_argument("--emulator", required=True)
    parser.add_argument("--libraries", required=True, help="folder with the other machine's C library")
    asked = parser.parse_args()
    # mosquitto is there on Debian.
    os.environ["PATH"] += ":/usr/sbin"
    here, there = Program([asked.here]), Program([asked.emulator, asked.there], asked.libraries)
    table = Table()
    with tempfile.TemporaryDirectory(prefix="arm-") as folder:
        subprocess.run([asked.sim, "ten-days", "--pond", "p1", "--to", folder], check=True, stdout=subprocess.DEVNULL)
        table.trial("calc", "the same bytes", lambda: same_calc(here, there))
        table.trial("check", "the same words", lambda: same_texts(here, there, folder))
        table.trial("replay of ten days", "the same bytes", lambda: same_replay(here, there, folder))
        probes_read(there, asked.sim, table)
        one_store(here, there, folder, table)
    return 1 if table.print() else 0


if __name__ == "__main__":
    sys.exit(main())
