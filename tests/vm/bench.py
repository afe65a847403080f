"""What the parts of the campaign share: the farm in the guest, the table of promises, the gateway as one machine with
its disk and its lines."""

import json
import os
import subprocess
import time

from disk import Disk
from lines import Line
from machine import Machine, wait_for

HERE = os.path.dirname(os.path.abspath(__file__))
DEPLOY = os.path.join(HERE, "..", "..", "deploy")
STORE = "/var/lib/pondreeve/store"
# On what an installer carries, in the guest: what the READMEs' commands name, at the places that they name.
STICK_TREE = "/media/stick/pondreeve"
CONFIG = "/etc/pondreeve/farm.toml"
SECRET = "heron-over-reed-5127"
# Which socket of the machine's USB hub each adapter is plugged into, and the name that the rules give it.
SOCKETS = {1: ("1", "north-line"), 2: ("2", "south-line")}

FARM = """
[farm]
name = "Guest farm"
gateway = "g1"
time_zone = "-05:00"
latitude = -3.4
longitude = -80.2
[store]
path = "{store}"
durable_within = "{durable_within}"
[local]
socket = "/run/pondreeve/pondreeve.sock"
mode = "660"
group = "pondreeve"
[metrics]
listen = "127.0.0.1:9464"
[[pond]]
id = "p1"
name = "Heron"
species = "vannamei"
stage = "grow-out"
area_m2 = 5000
depth_m = 1.5
salinity_psu = 18
[[bus]]
id = "cabinet"
device = "/dev/ttyS1"
baud = 115200
[[bus.probe]]
id = "cabinet-probe"
pond = "p1"
address = 11
profile = "optical-oxygen"
poll_every = "1s"
timeout = "300ms"
retries = 1
"""

ADAPTER = """
[[bus]]
id = "{name}"
device = "/dev/pondreeve/{name}"
baud = 115200
[[bus.probe]]
id = "{name}-probe"
pond = "p1"
address = {address}
profile = "optical-oxygen"
poll_every = "1s"
timeout = "300ms"
retries = 1
"""

BROKER = """
[[broker]]
id = "local"
host = "127.0.0.1"
port = 1883
username = "pondreeve"
password_file = "credential:broker"
[[broker.probe]]
id = "node"
pond = "p1"
topic = "farm/p1/ph"
sends_every = "1h"
value = [{ quantity = "ph" }]
"""


# How a trial ends that does not come to its end.
TROUBLES = (AssertionError, OSError, RuntimeError, ValueError, KeyError, IndexError)


class Table:
    """What was promised, what was seen."""

    def __init__(self):
        self.rows = []

    def row(self, what, promised, seen, kept):
        self.rows.append((what, promised, str(seen), bool(kept)))
        print(f"  {'kept  ' if kept else 'BROKEN'}  {what}: {promised}: {seen}", flush=True)

    def trial(self, what, promised, does):
        """A row of what `does` tells; one that fails is a broken promise and not the end of the campaign."""
        try:
            seen, kept = does()
        except TROUBLES as error:
            seen, kept = f"{type(error).__name__}: {error}", False
        self.row(what, promised, seen, kept)

    def print(self):
        print(f"\n{'':6}  {'what':<30} {'promised':<58} seen")
        for what, promised, seen, kept in self.rows:
            print(f"{'' if kept else 'BROKEN':6}  {what:<30} {promised:<58} {' '.join(seen.split())[:110]}")
        broken = sum(not row[3] for row in self.rows)
        print(f"{len(self.rows)} promises, {broken} broken")
        return broken


class Gateway:
    """The guest with its disk and its lines; `machine` is its present start."""

    def __init__(self, folder, guest, package):
        self.folder, self.guest = folder, guest
        image = os.path.join(folder, "disk.raw")
        subprocess.run(["cp", "--sparse=always", f"{guest}/base.raw", image], check=True)
        self.disk = Disk(image, os.path.join(folder, "nbd"))
        self.counted = 0
        self.cabinet = Line(os.path.join(folder, "line0"), 11, self.next_value)
        self.adapters = {1: Line(os.path.join(folder, "line1"), 21, 5.25),
                         2: Line(os.path.join(folder, "line2"), 22, 7.75)}
        self.stick = os.path.join(folder, "stick.raw")
        self.newer = newer(package, os.path.join(folder, "stick"))
        subprocess.run(["mke2fs", "-q", "-t", "ext4", "-d", os.path.join(folder, "stick"), self.stick, "64M"],
                       check=True, stdout=subprocess.DEVNULL)
        self.machine = None

    def next_value(self):
        """No two readings alike, and all of them water."""
        self.counted += 1
        return round(5 + self.counted * 1e-5, 5)

    def start(self, plugged=(), rtc=None):
        lines = [self.cabinet.path] + [line.path for line in self.adapters.values()]
        self.machine = Machine(self.folder, self.guest, self.disk, self.stick, lines, rtc)
        for line in plugged:
            self.machine.plug(line, SOCKETS[line][0])
        self.machine.wait_until_up()
        return self.machine

    def boot(self, **how):
        """Until the system says that it is up, as far as it gets."""
        machine = self.start(**how)
        machine.run("systemctl is-system-running --wait || true", patience_s=120)
        machine.run("mountpoint -q /media/stick || mount -o ro /dev/disk/by-id/virtio-stick /media/stick")
        return machine

    # -- the daemon in it

    def configure(self, *parts, store=STORE, durable_within="1s"):
        text = FARM.format(store=store, durable_within=durable_within) + "".join(parts)
        self.machine.run(f"cat > {CONFIG}", given=text)

    def show(self, *properties):
        told = self.machine.run(f"systemctl show pondreeve -p {','.join(properties)}")
        return dict(line.split("=", 1) for line in told.splitlines())

    def pid(self):
        return int(self.show("MainPID")["MainPID"])

    def active(self, patience_s=60):
        return wait_for("the unit to be active", lambda: self.show("ActiveState")["ActiveState"] == "active",
                        patience_s, 0.1)

    def ready_s(self):
        """How long from the start of the daemon until it was ready, and since the kernel started."""
        found = self.show("InactiveExitTimestampMonotonic", "ActiveEnterTimestampMonotonic")
        began, ready = (int(found[f"{name}TimestampMonotonic"]) / 1e6 for name in ("InactiveExit", "ActiveEnter"))
        return ready - began, ready

    def status(self):
        return json.loads(self.machine.run("pondreeve status --json").splitlines()[0])

    def log(self, since="-b"):
        return self.machine.run(f"journalctl -u pondreeve {since} -o cat --no-pager")

    def faults(self, part):
        return [own["detail"] for own in self.status()["faults"] if own["part"].split(" ")[0] == part]

    def read(self, line, patience_s=30):
        """How long until the line's probe has been asked again and has answered."""
        before, began = len(line.answered), time.monotonic()
        wait_for("the probe to be read", lambda: len(line.answered) > before + 1, patience_s, 0.02)
        return time.monotonic() - began


def newer(package, stick):
    """The package, the same as a newer version, and what is needed to install by hand, on what an installer carries."""
    os.makedirs(stick, exist_ok=True)
    raw = os.path.join(stick, "..", "newer")
    run = lambda *command: subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
    run("cp", package, os.path.join(stick, "pondreeve.deb"))
    run("rm", "-rf", raw)
    run("dpkg-deb", "--raw-extract", package, raw)
    tree = os.path.join(stick, os.path.basename(STICK_TREE))
    for place in ("target/debian", "target/release"):
        os.makedirs(os.path.join(tree, place), exist_ok=True)
    run("cp", package, os.path.join(tree, "target/debian"))
    run("cp", os.path.join(raw, "usr/bin/pondreeve"), os.path.join(tree, "target/release"))
    run("cp", "-r", DEPLOY, os.path.join(tree, "deploy"))
    control = os.path.join(raw, "DEBIAN", "control")
    with open(control, encoding="utf-8") as about:
        lines = about.read().splitlines()
    with open(control, "w", encoding="utf-8") as about:
        about.write("\n".join("Version: 9.0.0-1" if line.startswith("Version:") else line for line in lines) + "\n")
    run("dpkg-deb", "-Znone", "--root-owner-group", "--build", raw, os.path.join(stick, "newer.deb"))
    return "/media/stick/newer.deb"
