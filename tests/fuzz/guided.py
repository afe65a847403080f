#!/usr/bin/env python3
"""Every parser of outside bytes under libFuzzer, for as much of the processor's time as you like.

    nice python3 tests/fuzz/guided.py --minutes 60              # each parser, an hour one after the other
    nice python3 tests/fuzz/guided.py --minutes 10 --up-to 60   # until each has an hour in the book, who has least first
    nice python3 tests/fuzz/guided.py --minutes 10 --each-kind 60   # until the parsers of each kind have an hour together
    python3 tests/fuzz/guided.py --minutes 5 --parser senml --parser capture
    python3 tests/fuzz/guided.py --hours                        # what each parser has had so far
    python3 tests/fuzz/guided.py --fold                       # while none runs: the best of what was learnt into the corpus

Minutes are the processor's: a run that is held up or has little of the machine takes longer and counts no more. Each
run is written into tests/fuzz/hours.tsv as it goes. What it learns lies in target/fuzz/work and is gone on from.

What makes a parser panic (overflows and debug assertions are on), run out of memory or take longer than two seconds is
written to tests/fuzz/found; the next parser is gone on with, and the run ends with 1. Once mended it goes into the corpus.
"""

import argparse
import datetime
import hashlib
import os
import pathlib
import re
import resource
import shutil
import signal
import subprocess
import sys
import tempfile
import threading
import time

FUZZ = pathlib.Path(__file__).resolve().parent
ROOT = FUZZ.parent.parent
TARGET = "x86_64-unknown-linux-gnu"
BUILT = ROOT / "target/fuzz"
FOUND = FUZZ / "found"
CORPUS = FUZZ / "corpus"
HOURS = FUZZ / "hours.tsv"
COLUMNS = ["date", "commit", "parser", "kind", "minutes", "inputs", "findings"]

# Where the bytes come from that each parser reads.
KINDS = {
    "Modbus": ("modbus-rtu", "modbus-ascii", "modbus-tcp"),
    "lines of probes": ("sdi-12", "text-line", "capture"),
    "MQTT": ("mqtt-payload", "mqtt-broker", "mqtt-source", "signed-command"),
    "SenML": ("senml",),
    "tables and lines to compute from": ("csv-replay", "calc-lines"),
    "configuration": ("configuration", "probe-profile", "language"),
    "local socket": ("local-request", "local-reply"),
    "store and backup": ("journal-batch", "journal-record", "journal-tail", "journal-chunk", "journal-shape", "journal-roll-up",
                         "journal-outbox", "journal-day", "checkpoint", "backup-pieces", "backup-list", "audit-row",
                         "kept-sentence"),
}

# Counters for each edge of the program, and what is compared with what: what libFuzzer is led by.
FLAGS = ["-Cpasses=sancov-module", *(f"-Cllvm-args=-sanitizer-coverage-{own}" for own in (
    "level=4", "inline-8bit-counters", "pc-table", "trace-compares"))]

# One input may take so long and so much. A watch that reads it stands still meanwhile.
SLOW_S = 2
MEMORY_MB = 2048
# As the daemon's own threads have.
STACK_MB = 2
LONGEST_INPUT = 16384

# A slice ends by the clock, as long as the share of the processor that the last one had makes fit, and is counted by the
# processor.
SLICE_S = 300
MOST_FINDINGS = 5

# What is kept of a parser's inputs in the repository, beside those that a person put there.
KEPT_FILES = 40
KEPT_BYTES = 32 * 1024
KEPT_FILE_BYTES = 4096
OF_CONTENT = re.compile(r"[0-9a-f]{16}")


def build():
    """The fuzzer, copied away, so that a later build does not change a run."""
    subprocess.run(
        ["cargo", "build", "--release", "--locked", "--target", TARGET, "--target-dir", BUILT,
         "--manifest-path", FUZZ / "guided/Cargo.toml"],
        check=True, env={**os.environ, "RUSTFLAGS": " ".join(FLAGS)})
    copy = pathlib.Path(tempfile.mkdtemp(prefix="run-", dir=BUILT)) / "pondreeve-fuzz"
    shutil.copy2(BUILT / TARGET / "release/pondreeve-fuzz", copy)
    return copy


def parsers(program):
    """Their names, in the order of daemon/gateway/src/outside.rs."""
    said = subprocess.run([program], env={**os.environ, "PONDREEVE_PARSER": ""}, stderr=subprocess.PIPE, text=True)
    return said.stderr.rpartition("known are: ")[2].split()


def commit():
    """What is built, with a + where it is not what was committed."""
    git = ["git", "-C", ROOT]
    name = subprocess.run([*git, "rev-parse", "--short=9", "HEAD"], check=True, stdout=subprocess.PIPE, text=True).stdout
    changed = subprocess.run([*git, "status", "--porcelain", "--", "daemon", "Cargo.lock", FUZZ / "guided"],
                             check=True, stdout=subprocess.PIPE, text=True).stdout
    return name.strip() + ("+" if changed else "")


class Hours:
    """The book of hours: a line for each day, commit and parser."""

    def __init__(self):
        self.lock = threading.Lock()

    def rows(self):
        lines = HOURS.read_text().splitlines()[1:]
        return [dict(zip(COLUMNS, line.split("\t"))) for line in lines]

    def minutes(self, parser, kind="guided"):
        return sum(float(row["minutes"]) for row in self.rows() if (row["parser"], row["kind"]) == (parser, kind))

    def add(self, commit, parser, minutes, inputs, findings):
        with self.lock:
            rows = self.rows()
            own = {"date": datetime.datetime.now(datetime.UTC).date().isoformat(), "commit": commit,
                   "parser": parser, "kind": "guided"}
            row = next((row for row in rows if own.items() <= row.items()), None)
            if row is None:
                row = {**own, "minutes": 0, "inputs": 0, "findings": 0}
                rows.append(row)
            row["minutes"] = f"{float(row['minutes']) + minutes:.2f}"
            row["inputs"] = int(row["inputs"]) + inputs
            row["findings"] = int(row["findings"]) + findings
            lines = [COLUMNS, *([str(row[name]) for name in COLUMNS] for row in rows)]
            HOURS.write_text("".join("\t".join(line) + "\n" for line in lines))

    def print(self):
        print(f"{'parser':<34} {'guided, min':>12} {'blind, min':>11} {'inputs':>14} {'findings':>9}")
        for kind, names in KINDS.items():
            self.print_line(kind, names)
            for name in names:
                self.print_line(f"  {name}", [name])

    def print_line(self, title, names):
        rows = [row for row in self.rows() if row["parser"] in names]
        guided, blind = (sum(self.minutes(name, kind) for name in names) for kind in ("guided", "blind"))
        inputs, findings = (sum(int(row[column]) for row in rows) for column in ("inputs", "findings"))
        print(f"{title:<34} {guided:>12.1f} {blind:>11.1f} {inputs:>14} {findings:>9}")


class Fuzzer:
    """Runs of the program; `stop` ends those that are under way."""

    def __init__(self, program):
        self.program = program
        self.running = set()
        self.stopped = threading.Event()

    def stop(self, *_):
        self.stopped.set()
        for process in list(self.running):
            process.send_signal(signal.SIGINT)

    def run(self, parser, *arguments, before=()):
        """How it ended, the processor's seconds that it took, what it said."""
        with tempfile.TemporaryFile("w+", errors="replace") as said:
            process = subprocess.Popen([*before, self.program, *map(str, arguments)], stdout=said, stderr=said, cwd=BUILT,
                                       env={**os.environ, "PONDREEVE_PARSER": parser})
            self.running.add(process)
            if self.stopped.is_set():
                process.send_signal(signal.SIGINT)
            _, status, usage = os.wait4(process.pid, 0)
            process.returncode = os.waitstatus_to_exitcode(status)
            self.running.discard(process)
            said.seek(0)
            return process.returncode, usage.ru_utime + usage.ru_stime, said.read()

    def is_slow(self, parser, path):
        """Whether an input takes so long by the processor's time: by the clock, a run that was held up does too."""
        code, seconds, _ = self.run(parser, "-timeout=0", "-exact_artifact_path=/dev/null", path,
                                    before=["prlimit", f"--cpu={10 * SLOW_S}"])
        return code != 0 or seconds > SLOW_S

    def fuzz(self, parser, minutes, hours, commit):
        """One parser for so long; its line of the table, and how many findings."""
        work = BUILT / "work" / parser
        for folder in (work, FOUND, BUILT / "logs"):
            folder.mkdir(parents=True, exist_ok=True)
        total = {"seconds": 0.0, "inputs": 0, "edges": 0, "new": 0}
        found, cut_short, share = set(), 0, 1.0
        while total["seconds"] < minutes * 60 and cut_short < MOST_FINDINGS and not self.stopped.is_set():
            left = minutes * 60 - total["seconds"]
            slice_s = int(min(max(left, left / share * 0.7), SLICE_S)) + 1
            began = time.monotonic()
            code, seconds, said = self.run(
                parser, f"-max_total_time={slice_s}", f"-timeout={SLOW_S}",
                f"-rss_limit_mb={MEMORY_MB * 3 // 4}", f"-max_len={LONGEST_INPUT}", "-print_final_stats=1",
                "-reload=0", f"-artifact_prefix={FOUND}/{parser}-", work, CORPUS / parser)
            share = max(seconds / (time.monotonic() - began), 0.01)
            (BUILT / "logs" / parser).write_text(said)
            written = {pathlib.Path(path) for path in re.findall(r"Test unit written to (\S+)", said)}
            # libFuzzer writes down what was merely slower than the others, too.
            by_clock = {path for path in written if re.search("-(slow-unit|timeout)-", path.name)}
            held_up = {path for path in by_clock if path.exists() and not self.is_slow(parser, path)}
            for path in held_up:
                path.unlink()
            if code != 0 and not written and not self.stopped.is_set():
                log = FOUND / f"{parser}-ended-with-{code}.log"
                log.write_text(said)
                written.add(log)
            fresh = written - held_up - found
            found |= fresh
            cut_short += code != 0 and not held_up
            inputs = [0, *map(int, re.findall(r"^(?:#|stat::number_of_executed_units: +)(\d+)\b", said, re.M))]
            new = [0, *map(int, re.findall(r"stat::new_units_added: +(\d+)", said))]
            edges = [0, *map(int, re.findall(r" cov: (\d+)", said))]
            total["seconds"] += seconds
            total["inputs"] += max(inputs)
            total["new"] += max(new)
            total["edges"] = max(total["edges"], *edges)
            hours.add(commit, parser, seconds / 60, max(inputs), len(fresh))
        line = (f"{parser:<16} {total['seconds'] / 60:>8.1f} {total['inputs']:>12} {total['edges']:>7} "
                f"{total['new']:>8} {len(found):>9}")
        return "\n".join([line, *(f"  {path}" for path in sorted(found))]), len(found)

    def fold(self, parser):
        """Puts inputs into the corpus that reach most of what it did not, while they are few and small."""
        work, kept = BUILT / "work" / parser, CORPUS / parser
        with tempfile.TemporaryDirectory(dir=BUILT) as folder:
            folder = pathlib.Path(folder)
            (folder / "out").mkdir()
            control = folder / "control"
            code, _, said = self.run(parser, "-set_cover_merge=1", f"-merge_control_file={control}",
                                     f"-timeout={20 * SLOW_S}", f"-max_len={LONGEST_INPUT}", folder / "out", kept, work)
            if code != 0:
                sys.exit(f"merging the corpus of {parser} ended with {code}:\n{said[-2000:]}")
            reached = edges_by_file(control)
        by_person = {path for path in reached if path.parent == kept and not OF_CONTENT.fullmatch(path.name)}
        covered = set().union(*(reached[path] for path in by_person))
        left = {path: edges for path, edges in reached.items()
                if path not in by_person and path.stat().st_size <= KEPT_FILE_BYTES}
        chosen, size = {}, 0
        while left and len(chosen) < KEPT_FILES:
            best = max(left, key=lambda path: (len(left[path] - covered), -path.stat().st_size, path.name))
            gain, bytes_ = left.pop(best) - covered, best.read_bytes()
            if not gain:
                break
            if size + len(bytes_) <= KEPT_BYTES:
                covered |= gain
                size += len(bytes_)
                chosen[hashlib.sha256(bytes_).hexdigest()[:16]] = bytes_
        for path in kept.iterdir():
            if OF_CONTENT.fullmatch(path.name) and path.name not in chosen:
                path.unlink()
        for name, bytes_ in chosen.items():
            (kept / name).write_bytes(bytes_)
        all_edges = len(set().union(*reached.values()))
        print(f"{parser:<16} {len(by_person):>3} by hand, {len(chosen):>3} folded in, {size:>6} bytes, "
              f"{len(covered)} of {all_edges} edges", flush=True)


def edges_by_file(control):
    """What libFuzzer noted while it merged: each file's features, eight of them (how often) to an edge."""
    lines = control.read_text().splitlines()
    files = [pathlib.Path(line) for line in lines[2:2 + int(lines[0])]]
    reached = {path: set() for path in files}
    for line in lines[2 + len(files):]:
        if line.startswith("FT "):
            number, *features = map(int, line.split()[1:])
            reached[files[number]] = {feature // 8 for feature in features}
    return reached


class Turns:
    """Which parser comes next: the one that had least, of the kind that had least."""

    def __init__(self, names, asked, hours):
        self.names, self.asked, self.hours = names, asked, hours
        self.running, self.done = set(), set()
        self.lock = threading.Lock()

    def due(self):
        """What may be begun, with the order of it."""
        for name in set(self.names) - self.running - self.done:
            own = self.hours.minutes(name)
            kind = sum(self.hours.minutes(of) for of in next(of for of in KINDS.values() if name in of))
            if self.asked.each_kind is not None:
                if kind < self.asked.each_kind:
                    yield kind, own, name
            elif self.asked.up_to is None or own < self.asked.up_to:
                yield own, self.names.index(name), name

    def take(self):
        with self.lock:
            name = min(self.due(), default=(None,))[-1]
            self.running.add(name)
            return name

    def give_back(self, name, findings):
        with self.lock:
            self.running.discard(name)
            # What is not mended is found again at once: another turn would count for nothing.
            if findings or (self.asked.up_to, self.asked.each_kind) == (None, None):
                self.done.add(name)


def campaign(fuzzer, names, asked, hours):
    """Turns of the parsers; how many findings."""
    built = commit()
    print(f"{'parser':<16} {'minutes':>8} {'inputs':>12} {'edges':>7} {'new':>8} {'findings':>9}", flush=True)
    turns, findings = Turns(names, asked, hours), []

    def work():
        while not fuzzer.stopped.is_set() and (name := turns.take()) is not None:
            line, found = fuzzer.fuzz(name, asked.minutes, hours, built)
            findings.append(found)
            print(line, flush=True)
            turns.give_back(name, found)

    workers = [threading.Thread(target=work) for _ in range(asked.jobs)]
    for worker in workers:
        worker.start()
    for worker in workers:
        worker.join()
    return sum(findings)


def main():
    reader = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    reader.add_argument("--minutes", type=float, default=60, help="of the processor, for each parser in its turn")
    until = reader.add_mutually_exclusive_group()
    until.add_argument("--up-to", type=float, help="turns until each parser has so many minutes in the book of hours")
    until.add_argument("--each-kind", type=float, help="turns until the parsers of each kind have so many together")
    reader.add_argument("--parser", action="append", help="this one only; may be given again")
    reader.add_argument("--jobs", type=int, default=1, help="parsers at once")
    reader.add_argument("--hours", action="store_true", help="print what each parser has had, and end")
    reader.add_argument("--fold", action="store_true", help="put the best of what was found into the corpus, and end")
    asked = reader.parse_args()
    hours = Hours()
    if asked.hours:
        return hours.print()
    program = build()
    try:
        known = parsers(program)
        if sorted(known) != sorted(name for names in KINDS.values() for name in names):
            sys.exit("the kinds in guided.py and the parsers in outside.rs are not the same")
        names = asked.parser or known
        for name in names:
            if name not in known:
                sys.exit(f"{name} is no parser; known are: {' '.join(known)}")
        # A length taken at its word is refused, and that ends the run.
        resource.setrlimit(resource.RLIMIT_AS, (MEMORY_MB << 20, MEMORY_MB << 20))
        resource.setrlimit(resource.RLIMIT_STACK, (STACK_MB << 20, STACK_MB << 20))
        fuzzer = Fuzzer(program)
        if asked.fold:
            for name in names:
                fuzzer.fold(name)
            return None
        for number in (signal.SIGINT, signal.SIGTERM):
            signal.signal(number, fuzzer.stop)
        bad = campaign(fuzzer, names, asked, hours)
    finally:
        shutil.rmtree(program.parent)
    return f"{bad} findings, in {FOUND}" if bad else None


if __name__ == "__main__":
    sys.exit(main())
