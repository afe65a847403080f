"""Who is put to the test: our store, and SQLite as controls on either side. Each is a process that commits
without a pause and prints `found N` once it is open and `kept N` after each commit, and one that says of a
folder what is left in it.

SQLite with synchronous=FULL must hold, or the method finds faults that are none; with synchronous=OFF it
must lose, or the method finds nothing.
"""

import argparse
import gzip
import os
import shutil
import sqlite3
import subprocess
import sys
import time

HERE = os.path.dirname(os.path.abspath(__file__))
FIXTURES = os.path.join(HERE, "../../daemon/gateway/src/journal/fixtures")
# Stores of earlier formats, each with the position of its last input.
EARLIER = [("format-1", 923), ("format-2", 290), ("format-3", 301)]
TESTS = "journal::power_tests::"


class Store:
    """Our store; `program` is the test program of the crate `pondreeve`."""

    name = "pondreeve"
    must_lose = False

    def __init__(self, program):
        self.program = program
        self.turn = 0

    def child(self, folder, commits, base=0):
        variables = {
            "PONDREEVE_TEST_POWER_STORE": os.path.join(folder, "store"),
            "PONDREEVE_TEST_POWER_COMMITS": str(commits),
            "PONDREEVE_TEST_POWER_BASE": str(base),
            "RUST_BACKTRACE": "0",
        }
        return [self.program, "--exact", TESTS + "power_child", "--ignored", "--nocapture"], variables

    def checker(self):
        command = [self.program, "--exact", TESTS + "power_check", "--ignored", "--nocapture"]
        return Checker(command, {"PONDREEVE_TEST_POWER_CHECK": "1", "RUST_BACKTRACE": "0"}, "store")

    def has_begun(self, folder):
        """Whether its process works on the store by now."""
        path = os.path.join(folder, "store.lock")
        # The lock of the run before lies there; it is written anew at each start.
        return os.path.exists(path) and time.time() - os.stat(path).st_mtime < 0.2

    def earlier_format(self, folder):
        """Puts a store of an earlier format there, another one each time; position of its last input."""
        name, last = EARLIER[self.turn % len(EARLIER)]
        self.turn += 1
        place, fixture = os.path.join(folder, "store"), os.path.join(FIXTURES, name)
        os.makedirs(os.path.join(place, "blobs"))
        for at, _, files in os.walk(fixture):
            below = os.path.join(place, os.path.relpath(at, fixture))
            os.makedirs(below, exist_ok=True)
            for packed in files:
                if packed.endswith(".gz"):
                    with gzip.open(os.path.join(at, packed)) as read, open(os.path.join(below, packed[:-3]), "wb") as out:
                        shutil.copyfileobj(read, out)
        return last


class Sqlite:
    """A table of one row an input in WAL mode."""

    def __init__(self, synchronous):
        self.synchronous = synchronous
        self.name = f"SQLite {synchronous}"
        self.must_lose = synchronous == "OFF"

    def child(self, folder, commits, base=0):
        return [sys.executable, __file__, "child", folder, self.synchronous, str(commits)], {}

    def has_begun(self, folder):
        return os.path.exists(os.path.join(folder, "rows.sqlite"))

    def checker(self):
        return Checker([sys.executable, __file__, "check"], {}, "")


class Checker:
    """Asks a process that stays, one folder at a time."""

    def __init__(self, command, variables, below):
        environment = dict(os.environ, **variables)
        pipe = subprocess.PIPE
        self.below = below
        self.process = subprocess.Popen(
            command, stdin=pipe, stdout=pipe, stderr=subprocess.DEVNULL, text=True, env=environment
        )

    def look(self, folder, acknowledged, base=0):
        """`held N`, `lost …` or `unopenable …`."""
        path = os.path.join(folder, self.below) if self.below else folder
        self.process.stdin.write(f"{path} {acknowledged} {base}\n")
        self.process.stdin.flush()
        for line in self.process.stdout:
            # The test program's own first line may stand before it.
            for verdict in ("held ", "lost ", "unopenable "):
                if verdict in line:
                    return line[line.index(verdict):].strip()
        raise SystemExit("the process that looks at stores ended")

    def end(self):
        self.process.stdin.close()
        self.process.wait()


def asked(count, default):
    """What a campaign is asked for: PROGRAM, `--COUNT N`, `--seed N`."""
    parser = argparse.ArgumentParser()
    parser.add_argument("program")
    parser.add_argument(f"--{count}", dest="count", type=int, default=default)
    parser.add_argument("--seed", type=int, default=1)
    return parser.parse_args()


def controls(off, full):
    """Whether the method is sound, by how many cuts lost something of the control that must lose and of the one that
    must hold."""
    if off == 0:
        print("the control that must lose lost nothing: the method finds nothing")
    if full > 0:
        print("the control that must hold lost something: the method is at fault")
    return off > 0 and full == 0


def body(seq):
    return (f"input {seq} ".encode() * 40)[:400]


def open_table(folder, synchronous):
    table = sqlite3.connect(os.path.join(folder, "rows.sqlite"), isolation_level=None)
    table.execute("pragma journal_mode=wal")
    table.execute(f"pragma synchronous={synchronous}")
    # Often, so that the cut falls into it as well.
    table.execute("pragma wal_autocheckpoint=40")
    table.execute("create table if not exists inputs (seq integer primary key, body blob not null)")
    return table


def commit_without_pause(folder, synchronous, commits):
    table = open_table(folder, synchronous)
    end = table.execute("select coalesce(max(seq), 0) from inputs").fetchone()[0]
    os.write(1, f"found {end}\n".encode())
    for number in range(commits):
        start, end = end + 1, end + 1 + number % 9
        table.execute("begin immediate")
        table.executemany("insert into inputs values (?, ?)", [(seq, body(seq)) for seq in range(start, end + 1)])
        table.execute("commit")
        os.write(1, f"kept {end}\n".encode())


def check_folders():
    for line in sys.stdin:
        folder, acknowledged, _ = line.split(" ")
        try:
            table = open_table(folder, "FULL")
            sound = table.execute("pragma integrity_check").fetchone()[0]
            rows = table.execute("select seq, body from inputs order by seq").fetchall()
            table.close()
            whole = all(seq == place and found == body(seq) for place, (seq, found) in enumerate(rows, 1))
            if sound != "ok" or not whole:
                said = f"lost rows are not what was written: {sound}"
            elif len(rows) < int(acknowledged):
                said = f"lost {acknowledged} acknowledged, {len(rows)} there"
            else:
                said = f"held {len(rows)}"
        except sqlite3.Error as error:
            said = f"unopenable {error}"
        print(said.replace("\n", " "), flush=True)


if __name__ == "__main__":
    if sys.argv[1] == "child":
        commit_without_pause(sys.argv[2], sys.argv[3], int(sys.argv[4]))
    else:
        check_folders()
