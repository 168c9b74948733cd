"""What is proposed for real recordings whose names are taken away: the samples of Debian's `sonic-pi-samples` (CC0), each
repeated to a stem of 24 s. Their own names say what they are; a person reads the list.

python tests/reference/hints.py FOLDER_OF_SAMPLES target/debug/loadin-under-test     (needs PyPI `soundfile`)
"""

import json
import pathlib
import subprocess
import sys
import tempfile

import numpy
import soundfile

SECONDS = 24
# Hits follow each other by this at least; loops follow at once.
APART = 0.6

names = {}
with tempfile.TemporaryDirectory() as folder:
    for number, path in enumerate(sorted(pathlib.Path(sys.argv[1]).glob("*.flac"))):
        sound, rate = soundfile.read(path, always_2d=True)
        step = len(sound) if path.stem.startswith("loop") else max(len(sound), int(APART * rate))
        stem = numpy.zeros((SECONDS * rate, sound.shape[1]))
        for start in range(0, len(stem), step):
            part = stem[start : start + len(sound)]
            part += sound[: len(part)]
        name = f"Audio {number:03}.wav"
        names[name] = path.stem
        soundfile.write(pathlib.Path(folder) / name, stem, rate, subtype="PCM_24")
    command = [sys.argv[2], "plan", folder, "--format", "json", "--progress", "none"]
    plan = json.loads(subprocess.run(command, capture_output=True, text=True).stdout)

stems = {names[stem["sources"][0]["path"]]: stem["proposal"] for stem in plan["stems"]}
for name, proposal in sorted(stems.items()):
    print(f"{name:24} {proposal['sounds_like'] if proposal else '-'}")
