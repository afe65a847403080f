#!/usr/bin/env python3
"""Cuts the power on paper: records what a program writes and syncs, builds the disk as a cut at any moment may
have left it, and looks whether anything acknowledged is gone.

    python3 tests/faults/crash_images.py PROGRAM [--cuts 500] [--seed 1]

PROGRAM is the test program of the crate `pondreeve` (`cargo test -p pondreeve --lib --no-run` prints its
path). Needs a C compiler for the recorder.

What the disk may hold after a cut: of each file, everything up to its last sync; of what was written
since, any choice of sectors of 512 bytes, whatever the order in which they were written; of what
was created, renamed and removed, everything up to the last that was followed by a sync of its folder, and
of what came after any number, in order. A program may rely on no more than that, and on ext4 not on
less. Runs begin with nothing (the making of a store), with what an earlier cut left (recovery),
and with stores of the earlier formats (migration); they seal, roll up, thin and checkpoint.

KEEP_IMAGES=FOLDER keeps there each disk of which something was lost, as the cut left it.

Exit 0 where our store and SQLite with synchronous=FULL lost nothing and SQLite with synchronous=OFF lost.
"""

import os
import random
import re
import shutil
import struct
import subprocess
import sys
import tempfile

import contestants

SECTOR = 512
HEAD = struct.Struct("<BQQQI")
HERE = os.path.dirname(os.path.abspath(__file__))


class Contents:
    """One file's bytes, whatever its name: a state that is certain, and writes that are not."""

    def __init__(self, certain=b""):
        self.certain = bytearray(certain)
        self.uncertain = []

    def note(self, kind, offset, data):
        self.uncertain.append((kind, offset, data))

    def sync(self):
        for kind, offset, data in self.uncertain:
            apply(self.certain, kind, offset, data)
        self.uncertain = []

    def after_cut(self, dice, way):
        found = bytearray(self.certain)
        for kind, offset, data in self.uncertain:
            if kind == "t":
                if way == "all" or (way != "none" and dice.random() < 0.5):
                    apply(found, kind, offset, data)
                continue
            place = 0
            while place < len(data):
                end = min(len(data), place + SECTOR - (offset + place) % SECTOR)
                if way == "all" or (way == "torn" and dice.random() < 0.5):
                    apply(found, "w", offset + place, data[place:end])
                place = end
        return found


def apply(content, kind, offset, data):
    if kind == "t":
        if offset < len(content):
            del content[offset:]
        else:
            content.extend(bytes(offset - len(content)))
    else:
        if len(content) < offset:
            content.extend(bytes(offset - len(content)))
        content[offset : offset + len(data)] = data


class Disk:
    """What is on the disk for certain, and what may be."""

    def __init__(self, folder):
        self.folder = folder
        self.names = {}  # path -> Contents, or None for a folder
        self.by_inode = {}
        for place, folders, files in os.walk(folder):
            for name in folders:
                self.names[os.path.join(place, name)] = None
            for name in files:
                path = os.path.join(place, name)
                with open(path, "rb") as file:
                    contents = Contents(file.read())
                self.names[path] = contents
                self.by_inode[os.stat(path).st_ino] = contents
        self.pending = []  # changes of names that no sync of a folder has made certain

    def take(self, kind, inode, a, data):
        if kind == "c":
            contents = Contents()
            self.by_inode[inode] = contents
            self.pending.append(("c", data.decode(), contents))
        elif kind == "d":
            self.pending.append(("d", data.decode(), None))
        elif kind == "u":
            self.pending.append(("u", data.decode(), None))
        elif kind == "r":
            old, new = data.decode().split("\0")
            self.pending.append(("r", old, new))
        elif kind in "wt":
            self.by_inode[inode].note(kind, a, bytes(data))
        elif kind == "s":
            self.by_inode[inode].sync()
        elif kind == "f":
            path = data.decode()
            last = max((n for n, change in enumerate(self.pending) if path in parents(change)), default=-1)
            for change in self.pending[: last + 1]:
                change_names(self.names, change)
            del self.pending[: last + 1]

    def cut(self, dice, to):
        """Writes what a cut may have left to the folder `to`."""
        names = dict(self.names)
        for change in self.pending[: dice.randint(0, len(self.pending))]:
            change_names(names, change)
        way = dice.choice(["none", "all", "torn", "torn"])
        for path in sorted(names):
            place = to + path[len(self.folder) :]
            if names[path] is None:
                os.makedirs(place, exist_ok=True)
            else:
                with open(place, "wb") as file:
                    file.write(names[path].after_cut(dice, way))


def parents(change):
    kind, path, other = change
    return {os.path.dirname(path)} | ({os.path.dirname(other)} if kind == "r" else set())


def change_names(names, change):
    kind, path, other = change
    if kind in "cd":
        names[path] = other
    elif kind == "u":
        names.pop(path, None)
    else:
        moved = [(name, names[name]) for name in names if name == path or name.startswith(path + "/")]
        for name, _ in moved:
            del names[name]
        for name, contents in moved:
            names[other + name[len(path) :]] = contents


def records(log):
    with open(log, "rb") as file:
        data = memoryview(file.read())
    at = 0
    while at < len(data):
        kind, inode, a, _, length = HEAD.unpack_from(data, at)
        at += HEAD.size
        yield chr(kind), inode, a, bytes(data[at : at + length])
        at += length


def moments(found, cuts, dice):
    """Where to cut: a quarter each while it opens, right after promises, where files come and go, anywhere."""
    promises = [n + 1 for n, (kind, _, _, data) in enumerate(found) if kind == "m" and b"kept" in data]
    opened = promises[0] if promises else len(found)
    coming = [n for n, (kind, _, _, _) in enumerate(found) if kind in "cdruf" and n >= opened]
    chosen = []
    for cut in range(cuts):
        if cut % 4 == 0:
            chosen.append(dice.randint(0, min(len(found), opened + 20)))
        elif cut % 4 == 1 and promises:
            chosen.append(dice.choice(promises))
        elif cut % 4 == 2 and coming:
            # Up to the syncs and the change of the database that follow.
            chosen.append(min(len(found), dice.choice(coming) + dice.randint(0, 12)))
        else:
            chosen.append(dice.randint(0, len(found)))
    return sorted(chosen)


def one_run(contestant, checker, recorder, folder, begin, cuts, commits, dice):
    """Records one run and cuts it; what came of each cut, and one of the disks with what is acknowledged in it."""
    place, log = os.path.join(folder, "run"), os.path.join(folder, "log")
    shutil.rmtree(place, ignore_errors=True)
    acknowledged, base = 0, 0
    if begin is None:
        os.mkdir(place)
    elif begin == "earlier":
        os.mkdir(place)
        acknowledged = base = contestant.earlier_format(place)
    else:
        disk, acknowledged, base = begin
        shutil.copytree(disk, place)
    disk = Disk(place)
    if os.path.exists(log):
        os.remove(log)
    command, variables = contestant.child(place, commits, base)
    environment = dict(os.environ, **variables, LD_PRELOAD=recorder, RECORD_FOLDER=place, RECORD_LOG=log)
    ran = subprocess.run(command, env=environment, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    if ran.returncode != 0:
        raise SystemExit(f"{contestant.name}: the run itself failed: {ran.stdout[-300:]} {ran.stderr[-1500:]}")
    found = list(records(log))
    outcomes, next_begin, done = [], None, 0
    begun = {None: "nothing", "earlier": "an earlier format"}.get(begin, "what a cut left")
    images = os.path.join(folder, "images")
    begun_at = begin[0] if isinstance(begin, tuple) else begin or "nothing"
    for cut, moment in enumerate(moments(found, cuts, dice)):
        for kind, inode, a, data in found[done:moment]:
            if kind == "m":
                kept = re.findall(rb"kept (\d+)\n", data)
                acknowledged = max([acknowledged, *map(int, kept)])
            else:
                disk.take(kind, inode, a, data)
        done = moment
        image = os.path.join(images, str(cut))
        shutil.rmtree(image, ignore_errors=True)
        os.makedirs(image)
        disk.cut(dice, image)
        if next_begin is None and cut >= cuts // 2:
            kept_image = os.path.join(folder, f"begin-{dice.randrange(10**9)}")
            shutil.copytree(image, kept_image)
            next_begin = (kept_image, acknowledged, base)
        images_kept = os.environ.get("KEEP_IMAGES")
        if images_kept:
            as_found = os.path.join(images_kept, f"{os.getpid()}-{os.path.basename(begun_at)}-{cut}-{acknowledged}-{base}")
            shutil.copytree(image, as_found, dirs_exist_ok=True)
        said = checker.look(image, acknowledged, base)
        if images_kept and said.startswith("held"):
            shutil.rmtree(as_found)
        outcomes.append(said)
        if said.startswith("held"):
            shutil.rmtree(image)
        elif not contestant.must_lose:
            print(f"  {contestant.name}, begun with {begun}, record {moment} of {len(found)}: {said[:300]}", flush=True)
    return outcomes, next_begin


def campaign(contestant, recorder, cuts, dice, enough=None):
    """Runs until so many cuts are made, or so many lost something."""
    each = 25
    checker = contestant.checker()
    outcomes, left = [], None
    with tempfile.TemporaryDirectory() as folder:
        turn = 0
        while len(outcomes) < cuts:
            begin = [None, left, left, "earlier"][turn % 4]
            turn += 1
            if begin == "earlier" and not hasattr(contestant, "earlier_format"):
                continue
            commits = dice.choice([20, 60, 400])
            found, left = one_run(contestant, checker, recorder, folder, begin, each, commits, dice)
            outcomes += found
            bad = sum(not said.startswith("held") for said in outcomes)
            if enough is not None and bad >= enough:
                break
    checker.end()
    lost = sum(said.startswith("lost") for said in outcomes)
    mended = sum(said.endswith("mended") for said in outcomes)
    if mended:
        print(f"  {mended} of {contestant.name}'s had a torn database, which its start mended", flush=True)
    unopenable = sum(said.startswith("unopenable") for said in outcomes)
    print(f"{contestant.name:14} {len(outcomes):5} cuts: {lost} lost something, {unopenable} did not open{', as it must' if contestant.must_lose else ''}", flush=True)
    return lost + unopenable


def main():
    asked = contestants.asked("cuts", 500)
    dice = random.Random(asked.seed)
    with tempfile.TemporaryDirectory() as folder:
        recorder = os.path.join(folder, "record.so")
        source = os.path.join(HERE, "record.c")
        subprocess.run(["cc", "-shared", "-fPIC", "-O2", "-o", recorder, source, "-ldl"], check=True)
        lost = campaign(contestants.Sqlite("OFF"), recorder, asked.count, dice, enough=5)
        held = campaign(contestants.Sqlite("FULL"), recorder, asked.count, dice)
        ours = campaign(contestants.Store(asked.program), recorder, asked.count, dice)
    sound = contestants.controls(lost, held)
    return 0 if sound and not ours else 1


if __name__ == "__main__":
    sys.exit(main())
