#!/usr/bin/env python3
"""What the program takes of a small gateway, with a farm of 20 ponds of 8 quantities each ten seconds.

    cargo build --release -p pondreeve && python3 tests/benches/targets.py target/release/pondreeve [--minutes 5]

Prints: the stripped program's size, the time from its start until it is ready (by the service manager's own message),
memory and processor time while it is fed, and the ports it has open. It is killed and started again in the middle, so
the second start has what the first wrote. A year of history under it is measured by `cargo bench -p pondreeve-tests
--bench store -- --days 365 --ours`.
"""

import argparse
import json
import os
import shutil
import socket
import subprocess
import sys
import tempfile
import time

sys.path.insert(0, os.path.join(os.path.dirname(os.path.abspath(__file__)), "..", "faults"))
from shared import free_port, unit_environment  # noqa: E402

QUANTITIES = [
    ("do_mg_l", 5.4), ("temperature_c", 28.6), ("ph", 8.1), ("salinity_psu", 18.2),
    ("depth_m", 1.5), ("turbidity_ntu", 30.0), ("orp_mv", 180.0), ("conductivity_ms_cm", 29.5),
]  # fmt: skip
PONDS = 20


def farm(folder, port):
    text = f"""
[farm]
name = "Targets"
gateway = "g1"
time_zone = "-05:00"
latitude = -3.4
longitude = -80.2
[store]
path = "{folder}/store"
[local]
socket = "{folder}/sock"
mode = "600"
"""
    for pond in range(PONDS):
        text += f"""
[[pond]]
id = "p{pond}"
name = "Pond {pond}"
species = "vannamei"
stage = "grow-out"
area_m2 = 5000
depth_m = 1.5
salinity_psu = 18
"""
    text += f'\n[[broker]]\nid = "local"\nhost = "127.0.0.1"\nport = {port}\n'
    for pond in range(PONDS):
        values = ", ".join(f'{{ quantity = "{name}", json = "/{name}" }}' for name, _ in QUANTITIES)
        text += f'\n[[broker.probe]]\nid = "node-{pond}"\npond = "p{pond}"\ntopic = "n/{pond}"\n'
        text += f'sends_every = "10s"\nvalue = [{values}]\n'
    return text


def start(program, folder):
    path = os.path.join(folder, "notify")
    if os.path.exists(path):
        os.unlink(path)
    manager = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
    manager.bind(path)
    manager.settimeout(60)
    variables = dict(os.environ, NOTIFY_SOCKET=path, **unit_environment())
    began = time.monotonic()
    with open(os.path.join(folder, "log"), "ab") as log:
        command = [program, "run", "--config", os.path.join(folder, "farm.toml")]
        process = subprocess.Popen(command, env=variables, stdout=log, stderr=log)
    while not manager.recv(4096).startswith(b"READY=1"):
        pass
    return process, time.monotonic() - began


def used_s(pid):
    with open(f"/proc/{pid}/stat", encoding="utf-8") as stat:
        fields = stat.read().rsplit(") ", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def resident(pid, what="VmRSS"):
    with open(f"/proc/{pid}/status", encoding="utf-8") as about:
        return next(int(line.split()[1]) / 1024 for line in about if line.startswith(what))


def listening(pid):
    own = set()
    for handle in os.listdir(f"/proc/{pid}/fd"):
        try:
            own.add(os.readlink(f"/proc/{pid}/fd/{handle}"))
        except OSError:
            pass
    found = []
    for table, state in [("tcp", "0A"), ("tcp6", "0A"), ("udp", None), ("udp6", None)]:
        with open(f"/proc/{pid}/net/{table}", encoding="utf-8") as lines:
            for line in list(lines)[1:]:
                fields = line.split()
                if f"socket:[{fields[9]}]" in own and state in (None, fields[3]):
                    found.append(f"{table} {fields[1]}")
    return found


def feed(client, turn):
    for pond in range(PONDS):
        values = {name: round(value + (turn * 7 + pond) % 13 / 100, 2) for name, value in QUANTITIES}
        client[pond].stdin.write((json.dumps(values) + "\n").encode())
        client[pond].stdin.flush()


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("program")
    parser.add_argument("--minutes", type=float, default=5)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="targets-") as folder:
        stripped = os.path.join(folder, "stripped")
        shutil.copy(asked.program, stripped)
        subprocess.run(["strip", stripped], check=True)
        size = os.path.getsize(stripped) / (1 << 20)
        port = free_port()
        with open(os.path.join(folder, "mosquitto.conf"), "w", encoding="utf-8") as config:
            config.write(f"listener {port} 127.0.0.1\nallow_anonymous true\npersistence false\n")
        quiet = subprocess.DEVNULL
        broker = subprocess.Popen(["mosquitto", "-c", config.name], stdout=quiet, stderr=quiet)
        with open(os.path.join(folder, "farm.toml"), "w", encoding="utf-8") as config:
            config.write(farm(folder, port))
        time.sleep(0.5)
        client = [
            subprocess.Popen(
                ["mosquitto_pub", "-h", "127.0.0.1", "-p", str(port), "-q", "1", "-t", f"n/{pond}", "-l"],
                stdin=subprocess.PIPE, stderr=quiet,
            )
            for pond in range(PONDS)
        ]  # fmt: skip
        process, first = start(asked.program, folder)
        try:
            turns = max(2, int(asked.minutes * 6))
            for turn in range(turns):
                if turn == turns // 2:
                    process.kill()
                    process.wait()
                    process, again = start(asked.program, folder)
                    used, began = used_s(process.pid), time.monotonic()
                feed(client, turn)
                time.sleep(10)
            share = (used_s(process.pid) - used) / (time.monotonic() - began) * 100
            memory, own = resident(process.pid), resident(process.pid, "RssAnon")
            ports = listening(process.pid)
        finally:
            process.kill()
            broker.kill()
            for one in client:
                one.kill()
    rows = [
        ("program, stripped", f"{size:.1f} MiB", "12 MiB", size <= 12),
        ("ready, first start", f"{first:.2f} s", "1 s", first <= 1),
        ("ready, after a kill", f"{again:.2f} s", "1 s", again <= 1),
        ("memory", f"{memory:.1f} MiB, {own:.1f} of them its own", "32 MiB", memory <= 32),
        ("processor", f"{share:.2f} % of one core", "1 %", share <= 1),
        ("ports open", f"{len(ports)} {' '.join(ports)}", "0", not ports),
    ]
    print(f"{PONDS} ponds of {len(QUANTITIES)} quantities each 10 s, {asked.minutes} minutes")
    for name, found, target, met in rows:
        print(f"{name:<22} {found:<34} target {target:<8} {'met' if met else 'NOT MET'}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
