"""Compares how loadin takes offsets away and converts rates with NumPy and libsoxr (PyPI `numpy`, `soundfile`, `soxr`).

python tests/reference/offsets.py PROGRAM

Every case is a delivery of its own; the sounds are made here. The exit code is 1 where a figure passes its bound.

What stands before and after a file is silence, for loadin and for libsoxr alike: that is what a session has there, and
what the other stems of a delivery are padded with. So a sound that is cut off in its midst rings there in both, each with
its own filter; below 18 kHz, where both filters are flat, they agree.
"""

import json
import pathlib
import subprocess
import sys
import tempfile

import numpy
import soundfile
import soxr

RECIPE = """recipe = 1
name = "offsets"
revision = 1
[[stage]]
stage = "decode"
[[stage]]
stage = "resample"
rate = "{} Hz"
[[stage]]
stage = "dc-removal"
[[stage]]
stage = "label"
[[stage]]
stage = "re-encode"
container = "wav"
depth = "64-bit float"
"""

PAIRS = [(44_100, 48_000), (48_000, 44_100), (96_000, 48_000), (48_000, 96_000), (88_200, 48_000), (192_000, 44_100)]

failures = []


def level(amplitude):
    return 20 * numpy.log10(max(float(amplitude), 1e-20))


def check(case, what, found, bound):
    bad = not found <= bound
    print(f"{'WORSE' if bad else 'ok':5} {case}: {what} {found:.1f} dB, at most {bound:.1f} dB")
    if bad:
        failures.append(case)


def prepared(program, sound, rate, target):
    """What becomes of the sound, and the decision of `dc-removal`."""
    with tempfile.TemporaryDirectory() as folder:
        folder = pathlib.Path(folder)
        (folder / "song").mkdir()
        soundfile.write(folder / "song" / "Synth.wav", sound, rate, subtype="DOUBLE")
        (folder / "recipe.toml").write_text(RECIPE.format(target))
        out = folder / "out"
        subprocess.run(
            [program, "prep", folder / "song", "--out", out, "--recipe", folder / "recipe.toml", "--progress", "none"],
            check=True,
            capture_output=True,
        )
        [stem] = json.loads((out / "manifest.json").read_text())["stems"]
        changed = [change["stage"] for change in stem["changes"]]
        return soundfile.read(out / stem["output"]["path"], dtype="float64")[0], "dc-removal" in changed


def notes(rate, lean=0.1):
    """Eight notes of half a second that lean to one side, with rests of half a second: a healthy stem, and where it rests."""
    n = numpy.arange(8 * rate)
    inside = n % rate
    playing = (inside >= rate // 4) & (inside < 3 * rate // 4)
    fade = numpy.where(playing, numpy.sin(numpy.pi * (inside - rate // 4) / (rate // 2)), 0.0)
    return fade * (0.3 * numpy.sin(2 * numpy.pi * 110 * n / rate) + lean * numpy.sign(fade)), ~playing


def steps(sound):
    return numpy.abs(numpy.diff(numpy.concatenate([[0.0], sound, [0.0]])))


def offsets(program):
    rate, rng = 48_000, numpy.random.default_rng(21)
    healthy, resting = notes(rate)
    out, changed = prepared(program, healthy, rate, rate)
    check("a lean of the notes", "what is changed", level(numpy.max(numpy.abs(out - healthy))), -300)
    check("a lean of the notes", "new steps", level(numpy.max(steps(out) - steps(healthy))), -120)
    for offset in (0.1, -0.01, 0.002):
        out, changed = prepared(program, healthy + offset, rate, rate)
        assert changed, offset
        check(f"an offset of {offset}", "rests", level(numpy.max(numpy.abs(out[resting]))), -120)
        check(f"an offset of {offset}", "new steps", level(numpy.max(steps(out) - steps(healthy + offset))), -120)
        check(f"an offset of {offset}", "what else is changed", level(numpy.max(numpy.abs(out - healthy))), -120)
        hiss = 1e-3 * rng.standard_normal(len(healthy))
        out, changed = prepared(program, healthy + hiss + offset, rate, rate)
        assert changed, offset
        rests = out[resting]
        bound = 4 * numpy.std(rests) / numpy.sqrt(len(rests))
        check(f"an offset of {offset} and hiss", "mean of the rests", level(abs(numpy.mean(rests))), level(bound))
    # A recording with an offset that is cut off into digital silence: the step is its own, and goes with the offset.
    gate = (numpy.arange(8 * rate) // (2 * rate)) % 2 == 0
    out, changed = prepared(program, (healthy + 0.02) * gate, rate, rate)
    assert changed
    check("an offset between silence", "what else is changed", level(numpy.max(numpy.abs(out - healthy * gate))), -120)
    # One that was faded into digital silence cannot go without a step there.
    fade = numpy.convolve(gate, numpy.hanning(480) / numpy.sum(numpy.hanning(480)), "same") * gate
    sound = (healthy + 0.02) * fade
    out, changed = prepared(program, sound, rate, rate)
    check("an offset that was faded", "new steps", level(numpy.max(steps(out) - steps(sound))), -120)


def edges(program):
    for rate, target in PAIRS:
        case = f"{rate} to {target} Hz"
        near = target // 100
        ends = lambda sound: numpy.concatenate([sound[:near], sound[-near:]])
        healthy, _ = notes(rate)
        reference = soxr.resample(healthy, rate, target, quality="VHQ")
        for offset in (0.0, 0.01, 0.1):
            out, changed = prepared(program, healthy + offset, rate, target)
            assert changed == (offset > 0), offset
            frames = min(len(out), len(reference))
            worst = numpy.max(numpy.abs(ends(out[:frames]) - ends(reference[:frames])))
            check(case, f"edges that rest at an offset of {offset}", level(worst), -90)
        # White noise that begins and ends at full level, alone and between silence: the same, so that silence is what it is
        # continued by. Compared below 18 kHz or 0.8 of the lower Nyquist frequency, in the silence as well.
        noise = 0.25 * numpy.random.default_rng(22).standard_normal(2 * rate)
        alone, _ = prepared(program, noise, rate, target)
        between, _ = prepared(program, numpy.pad(noise, rate // 10), rate, target)
        inner = between[target // 10 : target // 10 + len(alone)]
        check(case, "silence as the extension", level(numpy.max(numpy.abs(alone - inner))), -160)
        reference = soxr.resample(numpy.pad(noise, rate // 10), rate, target, quality="VHQ")
        frames = min(len(between), len(reference))
        difference = low(between[:frames] - reference[:frames], target, min(18_000, 0.8 * min(rate, target) / 2))
        inner = difference[target // 10 : target // 10 + len(alone)]
        check(case, "edges inside a sound", level(numpy.max(numpy.abs(ends(inner)))), -90)


def low(sound, rate, hz):
    """What is below `hz`, with silence around it."""
    padded = numpy.pad(sound, rate // 10)
    spectrum = numpy.fft.rfft(padded)
    spectrum[numpy.fft.rfftfreq(len(padded), 1 / rate) > hz] = 0
    return numpy.fft.irfft(spectrum, len(padded))[rate // 10 : -(rate // 10)]


def main():
    program = pathlib.Path(sys.argv[1]).resolve()
    offsets(program)
    edges(program)
    if failures:
        sys.exit(f"{len(failures)} figures pass their bounds")


if __name__ == "__main__":
    main()
