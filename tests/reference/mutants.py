"""Compares what our reader makes of structure-aware mutants with what libsndfile makes of them (PyPI `soundfile`).

python tests/reference/mutants.py MUTANTS [--count 50000] [--first 0]

MUTANTS is the program of that name of the tests (`cargo build -p loadin-tests --bin mutants`). It makes the files, says what our
reader makes of each, and is held to no panic, no hang, less than 150 MB and no sample that is not finite. Every mutant whose
samples are untouched must give the same samples, or say what is wrong. Of the mutants that libsndfile reads as the whole file, at
most 2 % may be refused here. The exit code is 1 where one of these does not hold; what differs without a word is listed.
"""

import argparse
import collections
import json
import pathlib
import subprocess
import sys
import tempfile

import numpy
import soundfile

AT_ONCE = 500
MOST_KB = 150 << 10
MOST_SECONDS = 2
MOST_REFUSED = 0.02


def theirs(path, most):
    """Frames and the first samples; None where libsndfile refuses the file."""
    try:
        with soundfile.SoundFile(path) as sound:
            return sound.frames, sound.read(most, dtype="float64", always_2d=True)
    except (soundfile.LibsndfileError, RuntimeError, ValueError, MemoryError, OverflowError):
        return None


def is_same(read, whole):
    return read is not None and read[0] == whole[0] and numpy.array_equal(read[1], whole[1], equal_nan=True)


def batch(program, first, count, folder):
    """What our reader says of some mutants, which are left in the folder; the last line has the memory."""
    command = [program, str(first), str(count), folder]
    ran = subprocess.run(command, capture_output=True, check=False, text=True, timeout=600)
    if ran.returncode != 0:
        sys.exit(f"the mutants from {first} ended with {ran.returncode}: {ran.stderr[-2000:]}")
    return [json.loads(line) for line in ran.stdout.splitlines()]


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("program")
    parser.add_argument("--count", type=int, default=50_000)
    parser.add_argument("--first", type=int, default=0)
    asked = parser.parse_args()
    tally, faults, refused = collections.Counter(), [], collections.Counter()
    peak_kb, slowest = 0, 0
    with tempfile.TemporaryDirectory() as made:
        subprocess.run([asked.program, "0", "0", made], check=True)
        seeds = sorted(pathlib.Path(made).iterdir(), key=lambda path: int(path.stem.split("-")[1]))
        whole = [theirs(path, 20_000) for path in seeds]
    assert all(whole), "libsndfile reads every seed"
    for first in range(asked.first, asked.first + asked.count, AT_ONCE):
        count = min(AT_ONCE, asked.first + asked.count - first)
        with tempfile.TemporaryDirectory() as folder:
            *said, memory = batch(asked.program, first, count, folder)
            peak_kb = max(peak_kb, memory["peak_kb"])
            paths = {int(path.stem): path for path in pathlib.Path(folder).iterdir()}
            for one in said:
                slowest = max(slowest, one["seconds"])
                seed = whole[one["number"] % len(seeds)]
                other = theirs(paths[one["number"]], len(seed[1]) + 1)
                they = "same" if is_same(other, seed) else "refused" if other is None else "other"
                tally[they, one["verdict"]] += 1
                if they == "same" and one["verdict"] == "refused":
                    refused[one["text"].split(" (at byte")[0][:90]] += 1
                is_silent = one["verdict"] == "other" and not one["touched"] and not one["speaks_otherwise"]
                if is_silent or one["verdict"] in ("panicked", "not finite"):
                    faults.append(f"{one['number']} ({one['seed']}): {'; '.join(one['changes'])}: {one['text']}")
    print(f"{'libsndfile':<12}" + "".join(f"{ours:>10}" for ours in ("same", "named", "other", "refused")))
    for they in ("same", "other", "refused"):
        print(f"{they:<12}" + "".join(f"{tally[they, ours]:>10}" for ours in ("same", "named", "other", "refused")))
    same = sum(count for (they, _), count in tally.items() if they == "same")
    share = tally["same", "refused"] / max(same, 1)
    print(f"{tally['same', 'refused']} of {same} that libsndfile reads as the whole file are refused here: {share:.2%} (at most {MOST_REFUSED:.0%})")
    for text, count in refused.most_common(12):
        print(f"  {count:>6}  {text}")
    print(f"{asked.count} mutants: {len(faults)} faults, the slowest took {slowest:.3f} s, most memory {peak_kb / 1024:.1f} MB")
    print(*faults, sep="\n")
    sys.exit(bool(faults) or share > MOST_REFUSED or peak_kb > MOST_KB or slowest > MOST_SECONDS)


main()
