"""Compares what loadin reads with what libsndfile reads (PyPI `soundfile`), sample for sample.

python tests/reference/read_inputs.py PROGRAM [FILE_OR_FOLDER...]

Makes a file of every form that libsndfile can write and loadin can read, and takes whatever sound files stand at the other
places as well: the test files of PyPI's scipy and ear and of the crates hound, claxon and wavers are good ones. Every file
is a delivery of its own. What only one of both reads is listed; the exit code is 1 where both read and differ.
"""

import json
import pathlib
import subprocess
import sys
import tempfile

import numpy
import soundfile

# Every sample as it is: nothing but reading, and floats that hold what any container holds.
RECIPE = """recipe = 1
name = "as-it-is"
revision = 1
[[stage]]
stage = "decode"
[[stage]]
stage = "label"
[[stage]]
stage = "re-encode"
container = "wav"
depth = "64-bit float"
"""

LOSSY = {"VORBIS": 2e-6, "MPEG_LAYER_III": 4e-6, "OPUS": 0, "IMA_ADPCM": 0.01, "MS_ADPCM": 0.02}
"""How far two decoders of one lossy stream may lie apart: floats of 32 bits, and rounding inside ADPCM."""


ORDER = {f"ALAC_{bits}": [1, 2, 0, 5, 3, 4] for bits in (16, 20, 24, 32)}
"""Six channels in the order of WAV, of a stream in the order of its codec (MPEG 5.1 D: centre, left, right, rear left, rear
right, LFE). libsndfile leaves them so."""

NOT_BY_LIBSNDFILE = {
    "pcmwaveformat-24bit-4byte-48kHz-stereo.wav": "it takes no notice of blockAlign",
    "waveformatextensible-24bit-4byte-48kHz-stereo.wav": "the file has its bits where the standard does not put them",
}


def sound(channels):
    n = numpy.arange(12_001)
    turn = 2 * numpy.pi * n / 48_000
    tones = [0.5 * numpy.sin(440 * (k + 1) * turn) * numpy.exp(-k * n / 48_000) for k in range(channels)]
    return numpy.stack(tones, axis=1)


def generate(folder):
    for form in ("WAV", "WAVEX", "RF64", "W64", "AIFF", "CAF", "FLAC", "OGG", "MP3"):
        for subtype in soundfile.available_subtypes(form):
            for endian in ("FILE", "LITTLE", "BIG"):
                for channels in (1, 2, 6):
                    if soundfile.check_format(form, subtype, endian):
                        write(folder / f"{form}-{subtype}-{endian}-{channels}.{form.lower()}", form, subtype, endian, channels)


def write(path, form, subtype, endian, channels):
    try:
        soundfile.write(path, sound(channels), 48_000, subtype, endian, form)
    except (soundfile.LibsndfileError, ValueError):
        path.unlink(missing_ok=True)


def ours(program, path, scratch):
    """The samples, or what loadin says of the file."""
    delivery, out, recipe = scratch / "delivery", scratch / "out", scratch / "as-it-is.toml"
    delivery.mkdir()
    (delivery / path.name).write_bytes(path.read_bytes())
    recipe.write_text(RECIPE)
    ran = subprocess.run(
        [program, "prep", delivery, "--out", out, "--recipe", recipe, "--progress", "none"],
        capture_output=True,
        check=False,
        text=True,
    )
    if not (out / "manifest.json").exists():
        return ran.stderr.strip().splitlines()[-1]
    manifest = json.loads((out / "manifest.json").read_text())
    for stem in manifest["stems"]:
        if stem["output"]:
            return soundfile.read(out / stem["output"]["path"], dtype="float64", always_2d=True)
        return stem["error"]
    return manifest["ignored"][0]["why"]


def theirs(path):
    try:
        return soundfile.read(path, dtype="float64", always_2d=True)
    except soundfile.LibsndfileError as error:
        return str(error)


def compare(mine, other, path):
    """What is different; None where nothing is."""
    (mine, my_rate), (other, other_rate) = mine, other
    subtype = soundfile.info(path).subtype
    if other.shape[1] == 6 and subtype in ORDER:
        other = other[:, ORDER[subtype]]
    if my_rate != other_rate or mine.shape[1] != other.shape[1]:
        return f"{my_rate} Hz, {mine.shape} against {other_rate} Hz, {other.shape}"
    frames = min(len(mine), len(other)) if subtype in LOSSY else max(len(mine), len(other))
    if subtype not in LOSSY and len(mine) != len(other):
        return f"{len(mine)} frames against {len(other)}"
    worst = numpy.abs(mine[:frames] - other[:frames]).max(initial=0)
    return f"{worst} apart" if worst > LOSSY.get(subtype, 0) else None


def main():
    program, *places = sys.argv[1:]
    program = str(pathlib.Path(program).resolve())
    equal, different, one_only, neither = 0, [], [], 0
    with tempfile.TemporaryDirectory() as made:
        generate(pathlib.Path(made))
        paths = sorted(pathlib.Path(made).iterdir())
        for place in map(pathlib.Path, places):
            paths += sorted(path for path in place.rglob("*") if path.is_file()) if place.is_dir() else [place]
        for path in paths:
            with tempfile.TemporaryDirectory() as scratch:
                mine, other = ours(program, path, pathlib.Path(scratch)), theirs(path)
            if isinstance(mine, str) and isinstance(other, str):
                neither += 1
            elif isinstance(mine, str) and "silence" in mine and not other[0].any():
                equal += 1
            elif path.name in NOT_BY_LIBSNDFILE:
                one_only.append(f"libsndfile does not read {path.name} right: {NOT_BY_LIBSNDFILE[path.name]}")
            elif isinstance(mine, str):
                one_only.append(f"only libsndfile reads {path.name}; loadin: {mine}")
            elif isinstance(other, str):
                one_only.append(f"only loadin reads {path.name}: {mine[0].shape}; libsndfile: {other}")
            elif (difference := compare(mine, other, path)) is not None:
                different.append(f"{path.name}: {difference}")
            else:
                equal += 1
    print(*one_only, *different, sep="\n")
    print(f"{equal} files are equal, {len(different)} differ, {len(one_only)} are read by one only, {neither} by none")
    sys.exit(bool(different))


main()
