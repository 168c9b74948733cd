"""The null test: whole deliveries prepared, and taken back by what the manifest says (PyPI `numpy`, `soundfile`, `soxr`).

    python tests/reference/null_test.py PROGRAM [--deliveries 30] [--seed 21] [--self-check] [--keep FOLDER]

Every delivery is made here at random: 6 to 40 stems at several rates, depths and lengths, with time stamps that fall
between frames, offsets true and false, dual mono, floats over full scale and dead air, and a rough mix that is their exact
sum. What the program makes of them is compared with what was delivered, and nothing of the project is used for it. With
`--self-check`, faults are planted afterwards, and each has to be found.

Prints a line a delivery and the worst figure of every kind beside its bound. The exit code is 1 where a figure passes its
bound, or a planted fault is not found; the first figure is named with its stem and frame.
"""

import argparse
import json
import pathlib
import subprocess
import sys
import tempfile
import time

import numpy
import soundfile

from null import back, deliveries, faults

RECIPES = pathlib.Path(__file__).resolve().parents[2] / "pipelines"

OF_A_LINE = (
    "one rate, dBFS", "one rate, steps", "converted, dBFS", "sum at one rate, dBFS", "sum of several rates, dBFS", "new steps, dBFS",
)  # fmt: skip


def prepare(program, delivery, out):
    """Runs the program; gives the manifest, and every output by its path."""
    command = [program, "prep", delivery.folder, "--out", out, "--recipe", delivery.recipe, "--progress", "none"]
    ran = subprocess.run(command, capture_output=True, check=False, text=True)
    # 1 says that a stem was set aside: one that is silent.
    if ran.returncode not in (0, 1):
        sys.exit(f"{' '.join(map(str, command))} ends with {ran.returncode}:\n{ran.stderr}")
    manifest = json.loads((out / "manifest.json").read_text())
    outputs = {}
    for record in manifest["stems"]:
        if record["output"]:
            path = record["output"]["path"]
            outputs[path] = soundfile.read(out / path, dtype="float64", always_2d=True)
    return manifest, outputs


def check(delivery, manifest, outputs):
    """All figures of one prepared delivery, and how many true offsets are gone."""
    figures, takens, mix, offsets = back.Figures(), [], None, [0, 0]
    records = {record["source"]["path"]: record for record in manifest["stems"]}
    for stem in [*delivery.stems, delivery.mix]:
        record = records.get(f"{stem.name}.wav")
        silent = not stem.sound.any()
        if record is None or (record["output"] is None) != silent:
            figures.wrong("missing", stem.name, "it has no output" if not silent else "silence has an output")
            continue
        if silent:
            continue
        sound, hz = outputs[record["output"]["path"]]
        if hz != record["output"]["rate_hz"] or len(sound) != record["output"]["frames"]:
            figures.wrong("form", stem.name, f"{len(sound)} frames at {hz} Hz are not what the manifest says")
            continue
        taken, converted, gain = back.take(record, stem.sound, sound)
        back.check_stem(figures, stem, taken, converted, gain, delivery)
        removed = back.change(record, "dc-removal") is not None
        if removed and stem.offset == "false":
            figures.wrong("offset", stem.name, "the lean of its notes was removed as an offset")
        if stem.offset == "true":
            offsets = [offsets[0] + removed, offsets[1] + 1]
        if record["role"] == "reference":
            mix = (record, stem.sound)
        else:
            takens.append(taken)
    if mix is None:
        figures.wrong("missing", "the delivery", "the rough mix is no reference")
    elif not any(kind in ("missing", "form") for kind, *_ in figures.beyond):
        back.check_sum(figures, takens, *mix)
    return figures, offsets


def shown(kind, value):
    """A figure in its unit."""
    if kind.endswith("dBFS"):
        return f"{20 * numpy.log10(max(value, 1e-15)):.1f}"
    return f"{value:.3g}"


def said(beyond):
    kind, name, frame, value, bound = beyond
    if isinstance(value, str):
        return f"{kind}: {name}: {value}"
    return f"{kind}: {name}, frame {frame}: {shown(kind, value)}, at most {shown(kind, bound)}"


def main():
    parser = argparse.ArgumentParser(description="The null test of whole deliveries.")
    parser.add_argument("program", type=pathlib.Path)
    parser.add_argument("--deliveries", type=int, default=30)
    parser.add_argument("--seed", type=int, default=21)
    parser.add_argument("--first", type=int, default=0, help="number of the first delivery")
    parser.add_argument("--self-check", action="store_true", help="plant faults as well")
    parser.add_argument("--keep", type=pathlib.Path, help="a new folder in which the deliveries stay")
    chosen = parser.parse_args()
    program, begun = chosen.program.resolve(), time.monotonic()
    worst, first, offsets, planted = {}, None, [0, 0], faults.Planted()
    for index in range(chosen.first, chosen.first + chosen.deliveries):
        with tempfile.TemporaryDirectory() as scratch:
            folder = (chosen.keep or pathlib.Path(scratch)) / f"{index:02}"
            delivery = deliveries.make(chosen.seed, index, folder, RECIPES)
            manifest, outputs = prepare(program, delivery, folder / "out")
        figures, gone = check(delivery, manifest, outputs)
        offsets = [offsets[0] + gone[0], offsets[1] + gone[1]]
        parts = [f"{kind} {shown(kind, figures.worst[kind][1])}" for kind in OF_A_LINE if kind in figures.worst]
        print(f"{'WORSE' if figures.beyond else 'ok':5} {index:02} {delivery.said}: {'; '.join(parts)}", flush=True)
        for beyond in figures.beyond[:5]:
            print(f"      {said(beyond)}")
        if figures.beyond and first is None:
            first = f"delivery {index:02}: {said(figures.beyond[0])}"
        for kind, figure in figures.worst.items():
            if kind not in worst or figure[0] > worst[kind][0][0]:
                worst[kind] = (figure, index)
        if chosen.self_check and not figures.beyond:
            planted.plant(index, delivery, manifest, outputs, check)
    print(f"\nThe worst of {chosen.deliveries} deliveries with seed {chosen.seed}:")
    for kind, ((_, value, bound, name), index) in sorted(worst.items()):
        print(f"  {kind}: {shown(kind, value)}, at most {shown(kind, bound)} ({name} of delivery {index:02})")
    print(f"  true offsets removed: {offsets[0]} of {offsets[1]}; {time.monotonic() - begun:.0f} s")
    failed = planted.report() if chosen.self_check else False
    if first:
        sys.exit(f"first beyond its bound: {first}")
    sys.exit(failed)


if __name__ == "__main__":
    main()
