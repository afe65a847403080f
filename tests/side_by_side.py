#!/usr/bin/env python3
"""Builds every test program and runs them, several at a time.

    python3 tests/side_by_side.py            each test of the workspace, then the examples in the documentation
    python3 tests/side_by_side.py probes     only programs whose name has this in it

`cargo test` runs one program after the other. Half of ours wait for lines, brokers and clocks most of the time, so
on two cores it leaves one idle. Each program's output is printed when it ends, whole. JOBS=1 runs one at a time.
"""

import json
import os
import queue
import signal
import subprocess
import sys
import threading
import time

ROOT = os.path.dirname(os.path.dirname(os.path.abspath(__file__)))

# Begun first, because the whole is over no sooner than the longest of them.
LONGEST_FIRST = ["probes", "faults: season", "forwarding_kills_short", "faults: campaign", "forwarding", "pondreeve lib",
                 "terminal", "faults: soak", "open_data"]

PACED = "target/debug/examples/paced_daemon"
FAULTS = {
    "faults: campaign": ["bash", "tests/faults/campaign.sh", "--short"],
    "faults: season": ["python3", "tests/faults/season.py", PACED, "--days", "20", "--rounds", "1"],
    "faults: soak": ["python3", "tests/faults/soak.py", PACED, "--years", "0.16", "--minutes-per-year", "1.6"],
}


def build():
    """Every test program: name, command and the folder it expects to run in."""
    made = subprocess.run(
        ["cargo", "test", "--workspace", "--locked", "--no-run", "--message-format=json-render-diagnostics"],
        cwd=ROOT, stdout=subprocess.PIPE, text=True)
    if made.returncode:
        sys.exit(made.returncode)
    jobs, store = [], None
    for line in made.stdout.splitlines():
        told = json.loads(line)
        if told["reason"] != "compiler-artifact" or not told["profile"]["test"] or not told["executable"]:
            continue
        kind, name = told["target"]["kind"][0], told["target"]["name"]
        folder = os.path.dirname(told["manifest_path"])
        package = os.path.basename(folder)
        if kind != "test":
            name = f"{name} {kind}"
        elif package != "tests":
            name = f"{name} of {package}"
        if name == "pondreeve lib":
            store = told["executable"]
        jobs.append((name, [told["executable"]], folder, {"CARGO_MANIFEST_DIR": folder}))
    if store is None:
        sys.exit("tests/side_by_side.py: cargo named no test program of the gateway, which the faults need")
    jobs += [(name, command, ROOT, {"STORE_PROGRAM": store}) for name, command in FAULTS.items()]
    return jobs


def main():
    started = time.monotonic()
    wanted = sys.argv[1:]
    jobs = [job for job in build() if not wanted or any(part in job[0] for part in wanted)]
    if not jobs:
        sys.exit(f"tests/side_by_side.py: no test program has {' or '.join(wanted)} in its name")
    rank = {name: place for place, name in enumerate(LONGEST_FIRST)}
    jobs.sort(key=lambda job: rank.get(job[0], len(rank)))
    waiting = queue.SimpleQueue()
    for job in jobs:
        waiting.put(job)
    built = time.monotonic()
    print(f"{len(jobs)} test programs, built in {built - started:.0f} s", flush=True)

    at_once = int(os.environ.get("JOBS", (os.cpu_count() or 1) + 1))
    running, said, failed, times = set(), threading.Lock(), [], []

    def work():
        while True:
            try:
                name, command, folder, more = waiting.get_nowait()
            except queue.Empty:
                return
            began = time.monotonic()
            # A group and not a session: the first of a session that opens a terminal is hung up on with it.
            child = subprocess.Popen(command, cwd=folder, env=os.environ | more, stdin=subprocess.DEVNULL,
                                     stdout=subprocess.PIPE, stderr=subprocess.STDOUT, process_group=0)
            running.add(child)
            output = child.communicate()[0].decode(errors="replace")
            running.discard(child)
            took = time.monotonic() - began
            with said:
                times.append((took, name))
                if child.returncode:
                    failed.append((name, child.returncode))
                print(f"\n-- {name} ({took:.0f} s{', FAILED' if child.returncode else ''})\n{output}", flush=True)

    workers = [threading.Thread(target=work, daemon=True) for _ in range(at_once)]
    try:
        for worker in workers:
            worker.start()
        for worker in workers:
            worker.join()
    except KeyboardInterrupt:
        for child in list(running):
            os.killpg(child.pid, signal.SIGTERM)
        sys.exit("tests/side_by_side.py: stopped")

    status = 0 if wanted else subprocess.run(["cargo", "test", "--workspace", "--locked", "--doc", "--quiet"],
                                             cwd=ROOT).returncode
    times.sort(reverse=True)
    print(f"\n{len(times)} test programs in {time.monotonic() - built:.0f} s, one after the other "
          f"{sum(took for took, _ in times):.0f} s; longest: "
          + ", ".join(f"{name} {took:.0f} s" for took, name in times[:5]))
    for name, code in failed:
        print(f"FAILED: {name} (ended with {code})")
    sys.exit(1 if failed or status else 0)


main()
