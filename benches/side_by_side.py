"""Runs a script on the common C libraries (peer/prep.py), the limit (limit.py) and this program on the same files, in
turns, and prints how their times compare.

    python3 -m venv DIR && DIR/bin/pip install -r benches/peer/requirements.txt
    cargo build --release
    DIR/bin/python benches/side_by_side.py target/release/loadin [--quick]

Eight stems of two minutes meet memory that was touched before, and 32 of four minutes (2.2 GB) whatever the machine has.

A ratio is made of two runs that followed each other; least, middle and greatest of them are printed. One thread and two are
compared more often, since a run on two threads that meets cold memory loses more.
"""

import argparse
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import measured

HERE = Path(__file__).parent


def spread(numbers):
    return f"{min(numbers):5.2f} {statistics.median(numbers):5.2f} {max(numbers):5.2f}"


def verdict(numbers, wanted, at_least=True):
    middle = statistics.median(numbers)
    return "met" if (middle >= wanted if at_least else middle <= wanted) else "MISSED"


# Of each size: stems, parts of the given length, bytes that are warmed before each run; and by rate the aims against the peer and
# the limit. The large delivery meets the machine as it comes.
SIZES = [
    (8, 1, 6 << 30, {48_000: (3.0, 3.0), 44_100: (2.5, None)}),
    (32, 2, 0, {48_000: (1.8, 2.2), 44_100: (1.7, 3.5)}),
]


def against_peer(program, folder, runs, seconds):
    print("time of the peer / ours, and ours / the limit's: least, middle, greatest of", runs)
    recipe = measured.recipe_at(folder, 48)
    for stems, parts, warm_bytes, aims in SIZES:
        for rate, wanted in aims.items():
            delivery = measured.write_delivery(folder / f"{stems}-{rate}", stems, rate, parts * seconds)
            for workers in (1, 2):
                compare(program, folder, runs, delivery, rate, workers, recipe, warm_bytes, wanted)


def compare(program, folder, runs, delivery, rate, workers, recipe, warm_bytes, wanted):
    ahead, beside, megabytes = [], [], sum(path.stat().st_size for path in delivery.iterdir()) / 1e6
    exact = ["--exact"] if rate != 48_000 else []
    peer = [sys.executable, HERE / "peer" / "prep.py", delivery, folder / "peer", "--rate", 48_000]
    peer += ["--peak", -6, "--workers", workers, *exact]
    limit = [sys.executable, HERE / "limit.py", delivery, folder / "limit", workers]
    ours = measured.prepare(program, recipe, delivery, folder / "ours", workers)
    times = []
    for _ in range(runs):
        of_peer, _ = measured.run(peer, folder / "peer", warm_bytes)
        of_limit, _ = measured.run(limit, folder / "limit", warm_bytes)
        own, _ = measured.run(ours, folder / "ours", warm_bytes)
        times.append(own)
        ahead.append(of_peer / own)
        beside.append(own / of_limit)
    name = f"{delivery.name.replace('-', ' stems, ')} Hz, {workers} worker(s)"
    of_peer, of_limit = wanted
    print(f"  {name:32} {spread(ahead)} (wanted {of_peer}: {verdict(ahead, of_peer)}), limit {spread(beside)}", end="")
    met = f" (wanted {of_limit}: {verdict(beside, of_limit, at_least=False)})" if of_limit else ""
    print(f"{met}; ours {megabytes / statistics.median(times):.0f} MB/s", flush=True)


def two_threads(program, folder, pairs, hours):
    recipe = measured.recipe_at(folder, 48)
    many = folder / "8-48000"
    long = folder / "long"
    long.mkdir()
    measured.write_stem(long / "Long.wav", 1, 48_000, hours * 3600)
    for name, delivery, wanted in [("8 stems", many, 1.85), (f"one stem of {hours} h", long, 1.7)]:
        ratios = []
        for _ in range(pairs):
            pair = [
                measured.run(measured.prepare(program, recipe, delivery, folder / "ours", n), folder / "ours")
                for n in (1, 2)
            ]
            ratios.append(pair[0][0] / pair[1][0])
        print(f"one thread / two threads, {name}: {spread(ratios)} (wanted {wanted}: {verdict(ratios, wanted)})")
    for name, delivery in [(f"one stem of {hours} h", long), ("8 stems to 48 kHz", folder / "8-44100")]:
        command = measured.prepare(program, recipe, delivery, folder / "ours", 2, "--memory", "128M")
        _, peak = measured.run(command, folder / "ours")
        print(f"peak memory with --memory 128M, {name}: {peak:.0f} MB (wanted 150: {verdict([peak], 150, False)})")


def small_things(program, folder):
    times = []
    for _ in range(30):
        begun = time.perf_counter()
        subprocess.run([program, "--help"], stdout=subprocess.DEVNULL, check=True)
        times.append(1000 * (time.perf_counter() - begun))
    print(f"--help, ms: {spread(times)} (wanted 10: {verdict(times, 10, False)})")
    delivery = measured.write_delivery(folder / "500", 500, 48_000, 1)
    times = [measured.run([program, "plan", delivery, "--progress", "none"])[0] for _ in range(3)]
    print(f"plan of 500 stems of a second, s: {spread(times)} (wanted 3: {verdict(times, 3, False)})", flush=True)


def main():
    parser = argparse.ArgumentParser(description=__doc__.split("\n\n")[0])
    parser.add_argument("program", type=Path)
    parser.add_argument("--quick", action="store_true", help="short stems, one run of each")
    arguments = parser.parse_args()
    program = arguments.program.resolve()
    runs, pairs, seconds, hours = (1, 1, 10, 0.1) if arguments.quick else (3, 9, 120, 2)
    with tempfile.TemporaryDirectory() as folder:
        folder = Path(folder)
        small_things(program, folder)
        against_peer(program, folder, runs, seconds)
        two_threads(program, folder, pairs, hours)


if __name__ == "__main__":
    main()
