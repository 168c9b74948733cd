"""Tempo of real loops: ours beside that of a general-purpose music analysis library (PyPI `librosa`), on the same files.

apt-get download sonic-pi-samples && dpkg -x sonic-pi-samples_*.deb FOLDER    (CC0 loops; Debian)
pip install librosa soundfile
python tests/reference/tempo_loops.py target/release/loadin FOLDER/usr/share/sonic-pi/samples

Every loop is repeated to at least 12 s and is a delivery of its own. Its length in beats fixes its tempo exactly.
ACC1: within 4 % of it; ACC2: also of twice, three times, a half or a third of it (Gouyon et al., "An experimental
comparison of audio tempo induction algorithms", IEEE TASLP 14, 2006). Exits with 1 where our ACC1 is below the library's.
"""

import json
import pathlib
import subprocess
import sys
import tempfile

import librosa
import numpy
import soundfile

# Frames at 44.1 kHz and beats; a drone has no onsets, and its right answer is that there is none.
LOOPS = {
    "loop_amen_full": (302400, 16),
    "loop_breakbeat": (84000, 4),
    "loop_compus": (286054, 16),
    "loop_mika": (352800, 16),
    "loop_garzul": (352800, 16),
    "loop_electric": (109114, 4),
    "loop_amen": (77321, 4),
    "loop_industrial": (38973, 2),
    "loop_mehackit1": (109114, 4),
    "loop_mehackit2": (109114, 4),
    "loop_perc1": (109114, 4),
    "loop_perc2": (109114, 4),
}
DRONE = "loop_drone_g_97"
LEVELS = (1, 2, 3, 1 / 2, 1 / 3)


def repeated(path):
    samples, rate = soundfile.read(path, always_2d=True)
    return numpy.tile(samples, (int(numpy.ceil(12 * rate / len(samples))), 1)), rate


def ours(loadin, name, samples, rate):
    with tempfile.TemporaryDirectory() as folder:
        delivery = pathlib.Path(folder) / "delivery"
        delivery.mkdir()
        soundfile.write(delivery / f"{name}.flac", samples, rate, subtype="PCM_16")
        page = subprocess.run(
            [loadin, "facts", delivery, "--format", "json", "--progress", "none"],
            check=True, capture_output=True, text=True,
        )
    facts = json.loads(page.stdout)["facts"]
    fact = facts.get("tempo_bpm_estimate")
    if fact is None:
        return None, (facts.get("tempo_estimate_declined") or facts.get("tempo_changes_estimate"))["source"]
    return fact["value"], fact["confidence"]


def right(found, true, levels):
    return found is not None and any(abs(found / (true * level) - 1) <= 0.04 for level in levels)


loadin, folder = sys.argv[1], pathlib.Path(sys.argv[2])
scores = {"loadin": [0, 0], "librosa": [0, 0]}
for name, (frames, beats) in LOOPS.items():
    samples, rate = repeated(folder / f"{name}.flac")
    true = 60 * beats * 44100 / frames
    found, note = ours(loadin, name, samples, rate)
    theirs = float(numpy.atleast_1d(librosa.feature.tempo(y=samples.mean(axis=1).astype("float32"), sr=rate))[0])
    for who, bpm in (("loadin", found), ("librosa", theirs)):
        scores[who][0] += right(bpm, true, (1,))
        scores[who][1] += right(bpm, true, LEVELS)
    print(f"{name:16} {true:8.3f}  loadin {found} ({note})  librosa {theirs:.1f}")
samples, rate = repeated(folder / f"{DRONE}.flac")
print(f"{DRONE:16} no onsets  loadin {ours(loadin, DRONE, samples, rate)}")
for who, (first, second) in scores.items():
    print(f"{who}: ACC1 {first}/{len(LOOPS)}, ACC2 {second}/{len(LOOPS)}")
sys.exit(scores["loadin"][0] < scores["librosa"][0])
