#!/usr/bin/env python3
"""The whole daemon over simulated years: what it takes must be flat, or grow as foretold.

    cargo build --release -p pondreeve-tests --example paced_daemon
    python3 tests/faults/soak.py target/release/examples/paced_daemon [--years 3] [--minutes-per-year 10]

A serial probe and a node over MQTT are read all the time. After each tenth of the way memory, file handles, the store's
size and the bytes written are taken down. Exit 0 where

- file handles do not grow,
- memory after the first third does not grow by more than a quarter or 4 MiB,
- the store does not grow faster than it did in the first third (days beyond `raw_days` go),
- bytes written a day do not grow by more than a half.
"""

import argparse
import os
import random
import subprocess
import sys
import tempfile
import threading
import time
import urllib.request

from season_bench import Broker, Disk, Gateway, Probe
from shared import free_port

STEPS = 10
MESSAGES_PER_S = 60


def resident_mib(pid):
    with open(f"/proc/{pid}/status", encoding="utf-8") as about:
        return next(int(line.split()[1]) / 1024 for line in about if line.startswith("VmRSS"))


def size_mb(folder):
    return sum(
        os.lstat(os.path.join(above, name)).st_blocks * 512 for above, _, names in os.walk(folder) for name in names
    ) / 1e6


def written_mb(port):
    with urllib.request.urlopen(f"http://127.0.0.1:{port}/metrics", timeout=30) as answer:
        for line in answer.read().decode().splitlines():
            if line.startswith("pondreeve_store_written_bytes_total "):
                return float(line.split()[1]) / 1e6
    raise RuntimeError("the metrics do not tell the bytes written")


def feed(broker, stop):
    command = ["mosquitto_pub", "-h", "127.0.0.1", "-p", str(broker.port), "-q", "1", "-t", "nodes/p1", "-l"]
    client = subprocess.Popen(command, stdin=subprocess.PIPE, stderr=subprocess.DEVNULL)
    dice = random.Random(7)
    while not stop.is_set():
        client.stdin.write(f"{8.1 + dice.gauss(0, 0.03):.2f}\n".encode())
        client.stdin.flush()
        time.sleep(1 / MESSAGES_PER_S)
    client.stdin.close()
    client.wait()


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("program")
    parser.add_argument("--years", type=float, default=3)
    parser.add_argument("--minutes-per-year", type=float, default=10)
    asked = parser.parse_args()
    real_s = asked.years * asked.minutes_per_year * 60
    pace = asked.years * 365 * 86_400 / real_s
    with tempfile.TemporaryDirectory(prefix="soak-", ignore_cleanup_errors=True) as folder:
        disk = Disk(folder, megabytes=4096)
        broker = Broker(folder)
        Probe(os.path.join(folder, "tty"), random.Random(1))
        gateway = Gateway(asked.program, folder, disk, broker, pace, f"{max(1, min(300, int(pace / 20)))}s")
        port = free_port()
        with open(gateway.config, "r+", encoding="utf-8") as config:
            text = config.read().replace("max_megabytes = 4000", "max_megabytes = 4000\nraw_days = 60")
            config.seek(0)
            config.write(text + f'\n[metrics]\nlisten = "127.0.0.1:{port}"\n')
        stop = threading.Event()
        feeder = threading.Thread(target=feed, args=(broker, stop), daemon=True)
        rows = []
        try:
            gateway.start()
            feeder.start()
            pid = gateway.process.pid
            print(f"{'farm day':>9} {'memory, MiB':>12} {'handles':>8} {'store, MB':>10} {'written, MB':>12}", flush=True)
            first = None
            for _ in range(STEPS):
                time.sleep(real_s / STEPS)
                gateway.status()
                first = first or gateway.origin_ms - pace * real_s / STEPS * 1000
                handles = len(os.listdir(f"/proc/{pid}/fd"))
                store = size_mb(os.path.join(disk.place, "store"))
                day = (gateway.origin_ms - first) / 86_400_000
                rows.append((day, resident_mib(pid), handles, store, written_mb(port)))
                print("{:>9.0f} {:>12.1f} {:>8} {:>10.1f} {:>12.1f}".format(*rows[-1]), flush=True)
        finally:
            stop.set()
            if gateway.process and gateway.process.poll() is None:
                gateway.stop()
            broker.stop()
            disk.end()
    return judge(rows)


def judge(rows):
    third = len(rows) // 3
    early, late = rows[: third + 1], rows[-third:]

    def rate(part, column):
        return (part[-1][column] - part[0][column]) / max(part[-1][0] - part[0][0], 1e-9)

    memory = max(row[1] for row in early), max(row[1] for row in late)
    handles = max(row[2] for row in early), max(row[2] for row in late)
    said = [
        (f"handles {handles[0]} -> {handles[1]}", handles[1] <= handles[0] + 2),
        (f"memory {memory[0]:.1f} -> {memory[1]:.1f} MiB", memory[1] <= max(memory[0] * 1.25, memory[0] + 4)),
        (
            f"store {rate(early, 3):.3f} -> {rate(late, 3):.3f} MB a day",
            rate(late, 3) <= max(rate(early, 3) * 1.1, rate(early, 3) + 0.05),
        ),
        (
            f"written {rate(early, 4):.3f} -> {rate(late, 4):.3f} MB a day",
            rate(late, 4) <= rate(early, 4) * 1.5 + 0.05,
        ),
    ]
    for text, well in said:
        print(f"{'flat' if well else 'GROWS'}: {text}")
    return 0 if all(well for _, well in said) else 1


if __name__ == "__main__":
    sys.exit(main())
