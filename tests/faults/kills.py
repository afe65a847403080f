#!/usr/bin/env python3
"""Kills the store's process (kill -9) at random moments, again and again, and looks whether anything acknowledged
is gone.

    python3 tests/faults/kills.py PROGRAM [--kills 1000] [--seed 1]

PROGRAM is the test program of the crate `pondreeve` (`cargo test -p pondreeve --lib --no-run` prints its
path). The store goes on from kill to kill and is made anew every fortieth time, now and then from one of an
earlier format. Exit 0 where nothing was lost.
"""

import os
import random
import re
import shutil
import subprocess
import sys
import tempfile
import time

import contestants


def kill_once(contestant, folder, wait_s, base):
    command, variables = contestant.child(folder, 1_000_000, base)
    pipe = subprocess.PIPE
    child = subprocess.Popen(command, env=dict(os.environ, **variables), stdout=pipe, stderr=subprocess.DEVNULL)
    started = time.monotonic()
    while not contestant.has_begun(folder) and time.monotonic() - started < 5:
        time.sleep(0.001)
    time.sleep(wait_s)
    child.kill()
    out, _ = child.communicate()
    kept = re.findall(rb"kept (\d+)\n", out)
    return int(kept[-1]) if kept else 0


def main():
    asked = contestants.asked("kills", 1000)
    dice = random.Random(asked.seed)
    contestant = contestants.Store(asked.program)
    checker = contestant.checker()
    lost = committed = 0
    with tempfile.TemporaryDirectory() as above:
        folder = os.path.join(above, "disk")
        acknowledged = base = 0
        bad = True
        for kill in range(asked.count):
            making = bad or kill % 40 == 0
            if making:
                shutil.rmtree(folder, ignore_errors=True)
                os.mkdir(folder)
                acknowledged = base = 0
                if kill % 80 == 40:
                    acknowledged = base = contestant.earlier_format(folder)
            kept = kill_once(contestant, folder, dice.choice([dice.uniform(0, 0.05), dice.uniform(0, 0.5)]), base)
            committed += kept > 0
            acknowledged = max(acknowledged, kept)
            said = checker.look(folder, acknowledged, base)
            bad = not said.startswith("held")
            if bad:
                lost += 1
                print(f"  kill {kill}: {said[:300]}", flush=True)
            else:
                acknowledged = int(said.split()[1])
    checker.end()
    print(f"{asked.count} kills, {committed} of them after a commit: {lost} lost something")
    return 1 if lost or not committed else 0


if __name__ == "__main__":
    sys.exit(main())
