#!/usr/bin/env python3
"""The Debian package in a machine that boots: installed, started by a real systemd, unplugged, its power cut.

    sudo bash tests/vm/run.sh [--cuts 10] [--pulls 5] [--seed 1] [--package FILE.deb]
                                [--only service,adapters,clock,cuts,end,installer]

`run.sh` gets what is needed and starts this. Prints a table of what was promised and what was seen; exit 0 where
every promise was kept and every control lost.
"""

import argparse
import os
import random
import shutil
import sys
import tempfile

import adapters
import clock
import cuts
import installer
import service
from bench import TROUBLES, Gateway, Table

PARTS = {"service": service.run, "adapters": adapters.run, "clock": clock.run, "cuts": cuts.run, "end": service.end,
         "installer": installer.run}


def part(name, gateway, table, asked):
    """One that does not come to its end is a broken promise; the next begins with the disk that it left."""
    try:
        PARTS[name](gateway, table, asked)
    except TROUBLES as error:
        table.row(name, "goes to its end", f"{type(error).__name__}: {error}", False)
        if gateway.machine.process.poll() is None:
            gateway.machine.cut()
        gateway.disk.off()


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("guest", help="folder with base.raw, vmlinuz and initrd")
    parser.add_argument("--package", required=True)
    parser.add_argument("--cuts", type=int, default=10)
    parser.add_argument("--pulls", type=int, default=5)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", default=",".join(PARTS))
    parser.add_argument("--keep", help="a folder for disk, console and logs, to look into afterwards")
    asked = parser.parse_args()
    wanted = asked.only.split(",")
    unknown = [name for name in wanted if name not in PARTS]
    if unknown:
        parser.error(f"--only: {unknown[0]} is none of {', '.join(PARTS)}")
    asked.dice = random.Random(asked.seed)
    folder = asked.keep or tempfile.mkdtemp(prefix="vm-")
    os.makedirs(folder, exist_ok=True)
    table = Table()
    gateway = Gateway(folder, asked.guest, asked.package)
    try:
        print("-- install", flush=True)
        service.install(gateway, table)
        for name in PARTS:
            if name in wanted:
                print(f"-- {name}", flush=True)
                part(name, gateway, table, asked)
    finally:
        if gateway.machine and gateway.machine.process.poll() is None:
            gateway.machine.cut()
        gateway.disk.close()
        if not asked.keep:
            shutil.rmtree(folder, ignore_errors=True)
    print(f"seed {asked.seed}")
    return 1 if table.print() else 0


if __name__ == "__main__":
    sys.exit(main())
