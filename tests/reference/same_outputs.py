#!/usr/bin/env python3
"""This program beside an older one: every byte that is promised to be the same.

    python3 tests/reference/same_outputs.py OLD NEW [FOLDER] [--records] [--only CHAIN]

Deliveries are made on the spot; OLD and NEW do everything with them that there is to do, and whatever they print and
write is compared. Left out is what the README leaves out: the manifest's `run` object, times and speeds. What a run
remembers (`.loadin`) is compared too, but counts only with --records, since a program may say that it remembers
otherwise. Not compared: what a run leaves behind that is killed or stopped by the clock, bars on a terminal, and lossy
coders, which nothing here can write.

In FOLDER everything stays for a look (some gigabytes); without it a temporary folder is used, which is fastest in
memory: `TMPDIR=/dev/shm`. Needs nothing but Python 3.11, two minutes of processor time (one minute on two processors
that have nothing else to do), and 500 MB of room.

Exit code: 0 nothing differs, 1 something does, 2 wrong arguments.
"""

import argparse
import json
import multiprocessing
import os
import shutil
import subprocess
import sys
import tempfile
from concurrent.futures import ThreadPoolExecutor

from same import chains, compare, coverage, deliveries
from same.side import Side

HERE = os.path.dirname(os.path.abspath(__file__))
CHECKOUT = os.path.dirname(os.path.dirname(HERE))


class Tally:
    """Counts checks and prints a line for each."""

    def __init__(self):
        self.checks, self.differ, self.records = 0, 0, 0

    def check(self, name, lines, counts=True):
        """One check; `lines` say what differs."""
        self.checks += 1
        if lines and counts:
            self.differ += 1
        elif lines:
            self.records += 1
        print(f"{('DIFFERS' if counts else 'records differ') if lines else 'same'}  {name}", flush=True)
        for line in lines:
            print(f"         {line}", flush=True)


def arguments():
    """What was typed."""
    parser = argparse.ArgumentParser(description="Compares every promised byte of two builds of the program.")
    parser.add_argument("old", help="the program as it was")
    parser.add_argument("new", help="the program as it is")
    parser.add_argument("folder", nargs="?", help="a new or empty folder in which everything stays")
    parser.add_argument("--records", action="store_true", help="what runs remember counts too")
    parser.add_argument("--only", action="append", metavar="CHAIN", help="only this chain of commands")
    typed = parser.parse_args()
    for program in (typed.old, typed.new):
        if not os.access(program, os.X_OK):
            parser.error(f"{program} is no program")
    if typed.folder and os.path.isdir(typed.folder) and os.listdir(typed.folder):
        parser.error(f"{typed.folder} is not empty")
    for name in typed.only or []:
        if name not in [chain[0] for chain in chains.CHAINS]:
            parser.error(f"no chain is called {name!r}; there are {', '.join(chain[0] for chain in chains.CHAINS)}")
    return typed


def outcomes(name, sides, tally):
    """Compares what the commands of a chain printed, and how they ended."""
    counts = [len(side.ran) for side in sides]
    tally.check(f"{name}: as many commands", compare.lines_of(*map(str, counts)))
    for old, new in zip(sides[0].ran, sides[1].ran):
        lines = [] if old.code == new.code else [f"exit code {old.code} / {new.code}"]
        left, right = (compare.from_json(ran.out.encode()) for ran in (old, new))
        lines += [f"stdout: {line}" for line in compare.lines_of(left, right)]
        lines += [f"stderr: {line}" for line in compare.lines_of(old.err, new.err)]
        tally.check(f"{name}: {' '.join(old.args)} [{old.code}]", lines)


def written(name, sides, tally, records):
    """Compares the files that a chain left behind, folder by folder, and that the deliveries are as they were."""
    roots = [side.root for side in sides]
    for part in ("out", "kept", "restored", "deliveries"):
        folders = sorted({name for root in roots if os.path.isdir(os.path.join(root, part))
                          for name in os.listdir(os.path.join(root, part))})
        for folder in folders:
            old, new = (os.path.join(root, part, folder) for root in roots)
            count = len(compare.tree(old))
            for what, wanted, counts in (("", lambda path: not compare.is_record(path), True),
                                         ("records of ", compare.is_record, records)):
                found = list(compare.files(old, new, wanted))
                lines = [f"{path}: {line}" for path, rows in found for line in rows]
                tally.check(f"{name}: {what}{part}/{folder}, {count} files", lines, counts)
    loose = [set(os.listdir(root)) for root in roots]
    tally.check(f"{name}: names beside the outputs", compare.lines_of(*map(sorted, loose)))


def run(chain, sides, made, pool):
    """Runs a chain on both sides at once, each with deliveries of its own."""
    name, delivery, work = chain

    def one(side):
        side.ran, side.kept = [], 0
        shutil.rmtree(side.root, ignore_errors=True)
        wanted = [delivery] if delivery else ["songs", "clock", "nothing", "archive"]
        for part in wanted + (["songs", "clock", "nothing"] if work is chains.units else []):
            shutil.copytree(os.path.join(made, part), side.path("deliveries", part))
        try:
            work(side, delivery)
        except (OSError, subprocess.TimeoutExpired) as error:
            # What the next command needs is not there, or a command hangs: the other program need not be so.
            side.broke_off(error)

    list(pool.map(one, sides))
    return name


def make(made):
    """Makes the deliveries, two at a time."""
    jobs = [(made, fill) for fill in range(len(deliveries.ALL))]
    with multiprocessing.Pool(2) as pool:
        pool.starmap(deliveries.make_one, jobs, chunksize=1)
    shutil.copytree(os.path.join(CHECKOUT, "demo", "delivery"), os.path.join(made, "demo"))


def main():
    """Everything."""
    typed = arguments()
    base = os.path.abspath(typed.folder) if typed.folder else tempfile.mkdtemp(prefix="same-outputs-")
    made = os.path.join(base, "made")
    with open(os.path.join(CHECKOUT, "tests", "data", "recipe.schema.json"), encoding="utf-8") as file:
        schema = json.load(file)
    tally, seen = Tally(), coverage.Coverage(CHECKOUT, schema)
    try:
        make(made)
        with ThreadPoolExecutor(2) as pool:
            for chain in chains.CHAINS:
                if typed.only and chain[0] not in typed.only:
                    continue
                programs = {"old": os.path.abspath(typed.old), "new": os.path.abspath(typed.new)}
                sides = [Side(program, programs["old"], schema, os.path.join(base, chain[0], name))
                         for name, program in programs.items()]
                name = run(chain, sides, made, pool)
                outcomes(name, sides, tally)
                written(name, sides, tally, typed.records)
                seen.look(sides[0])
                if not typed.folder:
                    shutil.rmtree(os.path.join(base, chain[0]))
    finally:
        if not typed.folder:
            shutil.rmtree(base, ignore_errors=True)
    for line in seen.lines():
        print(line)
    print(f"{tally.checks} checks: {tally.differ} differ, and {tally.records} where only records do")
    return 1 if tally.differ else 0


if __name__ == "__main__":
    sys.exit(main())
