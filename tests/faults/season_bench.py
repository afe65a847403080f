"""The pieces of the season's campaign: a farm's daemon at speed, its probe on a serial line, its broker, its disk."""

import atexit
import fcntl
import json
import os
import pty
import select
import signal
import socket
import struct
import subprocess
import threading
import time
import tty

from shared import crc, free_port, unit_environment, wait_for

SHUTDOWN = 0x8004587D  # EXT4_IOC_SHUTDOWN
WITHOUT_LOG_FLUSH = (2).to_bytes(4, "little")
PATIENCE_S = 30

FARM = """
[farm]
name = "Campaign farm"
gateway = "g1"
time_zone = "-05:00"
latitude = -3.4
longitude = -80.2
[store]
path = "{disk}/store"
durable_within = "500ms"
max_megabytes = 4000
[local]
socket = "{folder}/sock"
mode = "600"
[machine]
room_low_megabytes = 50
[[pond]]
id = "p1"
name = "Heron"
species = "vannamei"
stage = "grow-out"
area_m2 = 5000
depth_m = 1.5
salinity_psu = 18
[[bus]]
id = "line"
device = "{folder}/tty"
baud = 115200
[[bus.probe]]
id = "deep"
pond = "p1"
address = 11
profile = "optical-oxygen"
poll_every = "{poll}"
timeout = "100ms"
retries = 1
[[broker]]
id = "local"
host = "127.0.0.1"
port = {port}
[[broker.probe]]
id = "node"
pond = "p1"
topic = "nodes/p1"
sends_every = "1h"
value = [{{ quantity = "ph" }}]
"""


class Disk:
    """The store's disk: an ext4 on a loop device where we may make one, else a folder."""

    def __init__(self, folder, megabytes=160):
        self.place = os.path.join(folder, "disk")
        self.image = os.path.join(folder, "image")
        os.mkdir(self.place)
        self.real = os.geteuid() == 0 and subprocess.run(
            ["losetup", "--find"], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, check=False
        ).returncode == 0
        if self.real:
            with open(self.image, "wb") as image:
                image.truncate(megabytes * 1024 * 1024)
            self.run("mkfs.ext4", "-q", "-F", "-m", "0", self.image)
            self.run("mount", "-o", "loop", self.image, self.place)
            atexit.register(self.end)

    @staticmethod
    def run(*command):
        subprocess.run(command, check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)

    def cut(self):
        handle = os.open(self.place, os.O_RDONLY)
        fcntl.ioctl(handle, SHUTDOWN, WITHOUT_LOG_FLUSH)
        os.close(handle)

    def mount_again(self):
        self.run("umount", "-l", self.place)
        time.sleep(0.05)
        self.run("mount", "-o", "loop", self.image, self.place)

    def end(self):
        if self.real:
            quiet = subprocess.DEVNULL
            subprocess.run(["umount", "-l", self.place], check=False, stderr=quiet)


class Probe:
    """A Modbus RTU oxygen probe on a pseudo terminal, as the generic profile has it: floats in input registers."""

    def __init__(self, path, dice):
        self.path = path
        self.dice = dice
        self.noise = 0.0
        self.answers = 0
        self.value = 5.5
        self.plug()

    def plug(self):
        master, slave = pty.openpty()
        tty.setraw(slave)
        tty.setraw(master)
        name = os.ttyname(slave)
        self.slave = slave
        if os.path.lexists(self.path):
            os.unlink(self.path)
        os.symlink(name, self.path)
        pulled, self.pull = os.pipe()
        self.answering = threading.Thread(target=self.answer, args=(master, pulled), daemon=True)
        self.answering.start()

    def unplug(self):
        os.unlink(self.path)
        os.close(self.slave)
        # Whoever reads a handle closes it. Closed under it, its number may be the next socket's, whose answers it takes.
        os.close(self.pull)
        self.answering.join()

    def answer(self, master, pulled):
        try:
            self.answer_until(master, pulled)
        finally:
            os.close(master)
            os.close(pulled)

    def answer_until(self, master, pulled):
        got = b""
        while True:
            ready, _, _ = select.select([master, pulled], [], [])
            if pulled in ready:
                return
            try:
                got += os.read(master, 256)
            except (OSError, ValueError):
                return
            while len(got) >= 8:
                frame, got = got[:8], got[8:]
                if crc(frame[:6]) != frame[6:]:
                    got = b""
                    break
                unit, function, address, count = struct.unpack(">BBHH", frame[:6])
                words = []
                for register in range(address, address + count):
                    whole = struct.unpack(">HH", struct.pack(">f", self.value + (register // 2)))
                    words.append(whole[register % 2])
                body = struct.pack(">BBB", unit, function, 2 * count) + struct.pack(f">{count}H", *words)
                reply = bytearray(body + crc(body))
                if self.dice.random() < self.noise:
                    for _ in range(self.dice.randrange(1, 4)):
                        reply[self.dice.randrange(len(reply))] ^= 1 << self.dice.randrange(8)
                    if self.dice.random() < 0.3:
                        del reply[self.dice.randrange(len(reply)) :]
                else:
                    self.answers += 1
                try:
                    os.write(master, bytes(reply))
                except OSError:
                    return


class Broker:
    """Debian's mosquitto."""

    def __init__(self, folder):
        self.port = free_port()
        self.config = os.path.join(folder, "mosquitto.conf")
        with open(self.config, "w", encoding="utf-8") as config:
            config.write(f"listener {self.port} 127.0.0.1\nallow_anonymous true\npersistence false\n")
        self.process = None
        self.start()

    def start(self):
        quiet = subprocess.DEVNULL
        self.process = subprocess.Popen(["mosquitto", "-c", self.config], stdout=quiet, stderr=quiet)

    def stop(self):
        self.process.kill()
        self.process.wait()

    def publish(self, lines):
        command = ["mosquitto_pub", "-h", "127.0.0.1", "-p", str(self.port), "-q", "1", "-t", "nodes/p1", "-l"]
        text = "\n".join(lines) + "\n"
        subprocess.run(command, input=text.encode(), stderr=subprocess.DEVNULL, check=False, timeout=PATIENCE_S)


class Gateway:
    """The daemon, and what it has acknowledged."""

    def __init__(self, program, folder, disk, broker, pace, poll):
        self.program, self.folder, self.pace = program, folder, pace
        self.config = os.path.join(folder, "farm.toml")
        self.log = os.path.join(folder, "daemon.log")
        with open(self.config, "w", encoding="utf-8") as config:
            config.write(FARM.format(disk=disk.place, folder=folder, port=broker.port, poll=poll))
        self.process = None
        self.acknowledged = []
        self.entered = 0
        self.origin_ms = 1_780_000_000_000

    def start(self, origin_ms=None, limits=()):
        if origin_ms is not None:
            self.origin_ms = origin_ms
        with open(self.log, "ab") as log:
            command = list(limits) + [self.program, self.config, str(int(self.origin_ms)), str(self.pace)]
            variables = dict(os.environ, RUST_BACKTRACE="0", **unit_environment())
            self.process = subprocess.Popen(command, env=variables, stdout=log, stderr=log)
        began = time.monotonic()
        wait_for("the daemon to answer", self.answers, 60)
        return time.monotonic() - began

    def answers(self):
        if self.process.poll() is not None:
            with open(self.log, encoding="utf-8") as log:
                last = log.read()[-600:]
            raise RuntimeError(f"the daemon ended with {self.process.returncode}: {last}")
        try:
            return self.ask({"what": "status"})
        except (OSError, ValueError):
            return None

    def ask(self, ask, patience_s=PATIENCE_S):
        with socket.socket(socket.AF_UNIX) as line:
            line.settimeout(patience_s)
            line.connect(os.path.join(self.folder, "sock"))
            line.sendall((json.dumps({"ask": ask}) + "\n").encode())
            got = b""
            while not got.endswith(b"\n"):
                more = line.recv(1 << 16)
                if not more:
                    raise OSError("closed")
                got += more
        return json.loads(got)

    def last_words(self):
        """How the daemon's log ends, and whether it still runs."""
        with open(self.log, encoding="utf-8", errors="replace") as log:
            return f"ended: {self.process.poll()}\n{log.read()[-4000:]}"

    def status(self):
        found = self.ask({"what": "status"})
        at = found["at"]
        self.origin_ms = time_ms(at)
        return found

    def faults(self, part):
        return [fault["detail"] for fault in self.status()["faults"] if fault["part"].split(" ")[0] == part]

    def enter(self):
        """A hand reading that no other is like; whether it was acknowledged as kept."""
        self.entered += 1
        value = round(4 + self.entered * 1e-5, 5)
        try:
            said = self.ask({"what": "enter", "pond": "p1", "values": [["do_mg_l", value]], "at": None})
        except (OSError, ValueError):
            return False
        kept = said.get("is") == "done" and not said.get("warning")
        if kept:
            self.acknowledged.append(value)
        return kept

    def enter_for(self, seconds):
        until = time.monotonic() + seconds
        kept = 0
        while time.monotonic() < until:
            kept += self.enter()
        return kept

    def kill(self):
        self.process.send_signal(signal.SIGKILL)
        self.process.wait()

    def stop(self):
        self.process.terminate()
        self.process.wait(PATIENCE_S)

    def kept(self):
        """All hand readings of oxygen that the store has."""
        end = time_ms(self.status()["at"]) + 1
        values = set()
        day = 86_400_000
        for begin in list(range(1_779_900_000_000, end, day)) + [0]:
            ask = {"what": "readings", "pond": "p1", "quantity": "do_mg_l"}
            found = self.ask(dict(ask, **{"from": rfc3339(begin), "to": rfc3339(begin + day)}))
            if found.get("is") != "readings":
                raise RuntimeError(f"the store cannot be read: {found}")
            values.update(round(own["raw"], 5) for own in found["readings"] if not own["probe"] and own["raw"])
        return values

    def lost(self):
        """Acknowledged readings that are gone."""
        kept = self.kept()
        gone = [value for value in self.acknowledged if value not in kept]
        self.acknowledged = [value for value in self.acknowledged if value in kept]
        return len(gone)


def time_ms(text):
    import datetime

    return int(datetime.datetime.fromisoformat(text.replace("Z", "+00:00")).timestamp() * 1000)


def rfc3339(at_ms):
    import datetime

    found = datetime.datetime.fromtimestamp(at_ms / 1000, datetime.timezone.utc)
    return found.isoformat(timespec="milliseconds").replace("+00:00", "Z")
