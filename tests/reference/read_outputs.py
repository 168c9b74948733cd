"""Reads prepared deliveries with libsndfile (PyPI `soundfile`), and compares them sample for sample.

python tests/reference/read_outputs.py PREPARED OTHER...

All folders are the same delivery, prepared with different containers. Exits with 1 at the first difference.
32-bit FLAC is left out: libsndfile 1.2.2 has no reader for it.
"""

import json
import pathlib
import sys

import numpy
import soundfile


def outputs(folder):
    manifest = json.loads((folder / "manifest.json").read_text())
    return {
        stem["source"]["path"]: folder / stem["output"]["path"]
        for stem in manifest["stems"]
        if stem["output"]
    }


first, *others = map(pathlib.Path, sys.argv[1:])
wanted = {name: soundfile.read(path, dtype="float64", always_2d=True) for name, path in outputs(first).items()}
for folder in others:
    found = outputs(folder)
    if found.keys() != wanted.keys():
        sys.exit(f"{folder}: {sorted(found)} instead of {sorted(wanted)}")
    for name, path in found.items():
        samples, rate = soundfile.read(path, dtype="float64", always_2d=True)
        if rate != wanted[name][1] or not numpy.array_equal(samples, wanted[name][0]):
            sys.exit(f"{path}: differs from {first}")
    print(f"{folder}: {len(found)} files are equal")
