#!/usr/bin/env python3
"""One program on one processor and on older ones (Debian's `qemu-user` plays them): every byte that is promised the same.

    python3 tests/reference/same_machines.py PROGRAM [--short] [--cpu MODEL…] [--emulator QEMU --other PROGRAM]

Deliveries are made on the spot from noise and sines, at all usual rates, some with a stamp between two frames of the output;
each is prepared natively and under the emulator, by recipes that convert all of it to one rate, in 24 bits with dither and in
64-bit floats, where no rounding hides a last bit. Compared are outputs, papers and the manifest without its `run` object.
A pair of rates that is left to rubato (47 999 Hz) is prepared as well: its manifest must say that the bytes are the
processor's, and whether they differ is printed, not judged. What the steps of a workflow record for each other (inventory,
surveys with their sketches, plan, renders) is compared as well, for one rate.

`--other` is the same program for another kind of machine, such as 64-bit ARM under `qemu-aarch64`. `--short` takes two rates.
Needs nothing but Python 3.11 and the emulator. Exit code: 0 nothing differs, 1 something does, 2 wrong arguments.
"""

import argparse
import json
import math
import os
import pathlib
import random
import shutil
import subprocess
import sys
import tempfile

from same import files

RATES = (44_100, 48_000, 88_200, 96_000, 176_400, 192_000)
SHORT = (44_100, 96_000)
CPUS = ("qemu64", "Nehalem")
SECONDS = 2.5

RECIPE = """recipe = 1
name = "machines"
revision = 1
[[stage]]
stage = "decode"
loudness = true
[[stage]]
stage = "resample"
rate = "{rate} Hz"
[[stage]]
stage = "channel-fix"
[[stage]]
stage = "dc-removal"
[[stage]]
stage = "gain-stage"
[[stage]]
stage = "trim-silence"
[[stage]]
stage = "align-starts"
[[stage]]
stage = "label"
[[stage]]
stage = "re-encode"
container = "wav"
depth = "{depth}"
"""


def delivery(folder, rates):
    """Two stems a rate, of notes and of noise; stamps an hour and some frames after midnight."""
    folder.mkdir(parents=True)
    for nth, rate in enumerate(rates):
        dice, frames, name = random.Random(rate), int(SECONDS * rate), f"{rate}"
        note = lambda n, hz: 0.4 * math.sin(2 * math.pi * hz * n / rate) * math.exp(-4 * ((n / rate) % 0.5))
        notes = [[note(n, hz) for n in range(frames)] for hz in (110 * (nth + 1), 165 * (nth + 1))]
        noise = [[0.3 * dice.uniform(-1, 1) for _ in range(frames)]]
        stems = (("Keys", notes, 3600 * rate + 7 * nth + 1), ("Shaker", noise, 3600 * rate + 5 * nth))
        for stem, channels, stamp in stems:
            sound = files.wav(rate, "f32", channels, before=[(b"bext", files.bext(stamp))])
            (folder / f"{stem} {name}.wav").write_bytes(sound)


def prepared(command, delivery_, out, recipe):
    """Runs the program."""
    typed = [*command, "prep", str(delivery_), "--out", str(out), "--recipe", str(recipe), "--progress", "none"]
    done = subprocess.run(typed, capture_output=True, text=True, check=False)
    if done.returncode not in (0, 1):
        sys.exit(f"{' '.join(typed)} ends with {done.returncode}: {done.stderr[-2000:]}")


def by_steps(command, delivery_, out, recipe):
    """Does the steps of a workflow one by one, up to the renders: what they leave for each other."""
    for step in ("scan", "survey", "plan", "render"):
        typed = [*command, "unit", step, str(delivery_), "--out", str(out), "--recipe", str(recipe), "--progress", "none"]
        done = subprocess.run(typed, capture_output=True, text=True, check=False)
        if done.returncode not in (0, 1):
            sys.exit(f"{' '.join(typed)} ends with {done.returncode}: {done.stderr[-2000:]}")


def records(out):
    """Every record of the steps by its path."""
    memory = out / ".loadin"
    return {str(path.relative_to(memory)): path.read_bytes() for path in sorted(memory.rglob("*")) if path.is_file()}


def contents(out):
    """Every promised file by its path: all but `summary.json`, and of the manifest all but its `run` object."""
    found = {}
    for path in sorted(p for p in out.rglob("*") if p.is_file() and ".loadin" not in p.parts):
        name = str(path.relative_to(out))
        found[name] = path.read_bytes()
        if name == "manifest.json":
            found[name] = json.loads(found[name])
            del found[name]["run"]
        elif name == "checksums.sha256":
            # The manifest's own line counts its `run` object.
            found[name] = [row for row in found[name].decode().splitlines() if not row.endswith("manifest.json")]
    found.pop("summary.json", None)
    return found


def check_arithmetic(out, wanted):
    """What the manifest says of whose arithmetic the bytes are."""
    for stem in json.loads((out / "manifest.json").read_text())["stems"]:
        for row in stem["changes"]:
            if row["stage"] == "resample" and row["arithmetic"] != wanted:
                sys.exit(f"{stem['source']['path']}: the manifest says {row['arithmetic']}, not {wanted}")


def compare(what, native, other, judged, of=contents):
    """Names what differs between two output folders."""
    ours, theirs = of(native), of(other)
    differ = sorted(name for name in ours.keys() | theirs.keys() if ours.get(name) != theirs.get(name))
    word = ("DIFFERS" if judged else "differs") if differ else "same"
    print(f"{word:8} {what}: {len(ours)} files" + ("" if judged else ", as the manifest says that they may"), flush=True)
    for name in differ:
        print(f"         {name}")
    return judged and bool(differ)


def arguments():
    """What was typed."""
    parser = argparse.ArgumentParser(description="Compares every promised byte on this processor and on older ones.")
    parser.add_argument("program")
    parser.add_argument("--short", action="store_true", help="two rates instead of six")
    parser.add_argument("--cpu", nargs="+", default=list(CPUS), help="models that the emulator plays")
    parser.add_argument("--emulator", default="qemu-x86_64", help="the emulator")
    parser.add_argument("--other", help="the program for another kind of machine; then no model is asked for")
    typed = parser.parse_args()
    if not os.access(typed.program, os.X_OK):
        parser.error(f"{typed.program} is no program")
    if not shutil.which(typed.emulator):
        parser.error(f"{typed.emulator} is not there; Debian has it in `qemu-user`")
    return typed


def main():
    typed = arguments()
    rates = SHORT if typed.short else RATES
    program = os.path.abspath(typed.program)
    if typed.other:
        others = {os.path.basename(typed.emulator): [typed.emulator, os.path.abspath(typed.other)]}
    else:
        others = {cpu: [typed.emulator, "-cpu", cpu, program] for cpu in typed.cpu}
    differ = 0
    with tempfile.TemporaryDirectory(prefix="same-machines-") as base:
        base = pathlib.Path(base)
        delivery(base / "song", rates)
        delivery(base / "odd", [47_999])
        recipe = base / "recipe.toml"
        recipe.write_text(RECIPE.format(rate=rates[0], depth="64-bit float"))
        by_steps([program], base / "song", base / "steps", recipe)
        for name, command in others.items():
            by_steps(command, base / "song", base / name, recipe)
            differ += compare(f"{name}, records of every step", base / "steps", base / name, True, records)
            shutil.rmtree(base / name)
        for rate in rates:
            for depth in ("64-bit float", "24-bit"):
                recipe.write_text(RECIPE.format(rate=rate, depth=depth))
                for song, arithmetic in (("song", "fixed"), ("odd", "processor")):
                    native = base / "native" / song
                    prepared([program], base / song, native, recipe)
                    check_arithmetic(native, arithmetic)
                    for name, command in others.items():
                        other = base / name / song
                        prepared(command, base / song, other, recipe)
                        what = f"{name}, {song} to {rate} Hz in {depth}"
                        differ += compare(what, native, other, arithmetic == "fixed")
                        shutil.rmtree(other)
                    shutil.rmtree(native)
    return 1 if differ else 0


if __name__ == "__main__":
    sys.exit(main())
