"""Compares the converter of sample rates with SciPy, libsoxr and arithmetic (PyPI `numpy`, `scipy`, `soxr`, `soundfile`).

python tests/reference/converter.py PROGRAM

All thirty pairs of 44.1, 48, 88.2, 96, 176.4 and 192 kHz, by whole preparations in 64-bit floats:

- noise that ends at 0.85 of the lower Nyquist frequency, against `scipy.signal.resample_poly` with a Kaiser window of its own and
  against libsoxr at its best;
- sines whose converted samples are known by arithmetic: what is not they, and the gain of each up to 20 kHz;
- twenty stems a pair whose time stamps fall between two frames of the output, as far as the pair has such: the fraction of a frame by which each stands
  beside its place, by least squares on the slope of the sines.

The exit code is 1 where a figure passes its bound.
"""

import json
import math
import pathlib
import random
import subprocess
import sys
import tempfile

import numpy
import scipy.signal
import soundfile
import soxr

from same import files

RATES = (44_100, 48_000, 88_200, 96_000, 176_400, 192_000)
PAIRS = [(source, target) for source in RATES for target in RATES if source != target]

# Decibels, frames, decibels.
MOST_REST, MOST_BESIDE, MOST_RIPPLE = -190.0, 0.001, 0.0005
# At ratios that are no whole number libsoxr's own gain moves by 0.0025 dB, measured with the same sines.
MOST_REST_SOXR = -80.0

STEMS, SECONDS = 20, 0.5

RECIPE = """recipe = 1
name = "converter"
revision = 1
[[stage]]
stage = "decode"
[[stage]]
stage = "resample"
rate = "{} Hz"
[[stage]]
stage = "align-starts"
[[stage]]
stage = "label"
[[stage]]
stage = "re-encode"
container = "wav"
depth = "64-bit float"
"""


def level(part, whole):
    """The energy of one beside the other, in decibels."""
    energy = lambda x: float(numpy.dot(x, x))
    return 10 * math.log10(max(energy(part), 1e-300) / energy(whole))


def prepared(program, stems, target):
    """What becomes of stems, each a rate, samples and a stamp, by their names."""
    with tempfile.TemporaryDirectory() as folder:
        folder = pathlib.Path(folder)
        (folder / "song").mkdir()
        for name, (rate, samples, stamp) in stems.items():
            sound = files.wav(rate, "f64", [samples], before=[(b"bext", files.bext(stamp))])
            (folder / "song" / f"{name}.wav").write_bytes(sound)
        (folder / "recipe.toml").write_text(RECIPE.format(target))
        out = folder / "out"
        typed = [program, "prep", folder / "song", "--out", out, "--recipe", folder / "recipe.toml", "--progress", "none"]
        subprocess.run(typed, check=True, capture_output=True)
        records = json.loads((out / "manifest.json").read_text())["stems"]
        path = lambda record: out / record["output"]["path"]
        name = lambda record: pathlib.PurePath(record["source"]["path"]).stem
        return {name(record): soundfile.read(path(record), dtype="float64")[0] for record in records}


def noise(rate, lower):
    """A second and a half of noise below 0.85 of the lower Nyquist frequency, silent at both ends."""
    frames = rate * 3 // 2
    spectrum = numpy.fft.rfft(numpy.random.default_rng(rate).standard_normal(frames))
    spectrum[int(0.85 * lower / 2 / rate * frames) :] = 0
    return 0.1 * numpy.fft.irfft(spectrum, frames) * scipy.signal.windows.tukey(frames, 0.2)


def by_scipy(samples, source, target):
    """A polyphase filter of SciPy's with a stop band of 200 dB between 0.9 and 1.1 of the lower Nyquist frequency."""
    common = math.gcd(source, target)
    up, down = target // common, source // common
    taps, beta = scipy.signal.kaiserord(200.0, 0.2 / max(up, down))
    window = scipy.signal.firwin(taps | 1, 1 / max(up, down), window=("kaiser", beta))
    return scipy.signal.resample_poly(samples, up, down, window=window)


class Sines:
    """A sum of sines below 0.85 of the lower Nyquist frequency."""

    def __init__(self, seed, lower):
        dice = random.Random(seed)
        highest = min(20_000.0, 0.85 * lower / 2)
        self.hz = numpy.array([highest * (n + dice.random()) / 12 for n in range(11)] + [highest])
        self.phase = numpy.array([dice.uniform(0, 2 * math.pi) for _ in self.hz])

    def angles(self, times):
        return 2 * numpy.pi * numpy.outer(times, self.hz) + self.phase

    def at(self, times):
        inside = (times >= 0) & (times <= SECONDS)
        fade = numpy.where(inside, numpy.sin(numpy.pi * times / SECONDS) ** 2, 0.0)
        return 0.05 * fade * numpy.sin(self.angles(times)).sum(axis=1)

    def compared(self, samples, rate, start):
        """What of some samples is not these sines, in decibels; by how many frames they are late; the worst gain, in decibels.
        The sines begin `start` seconds after the first sample."""
        times = numpy.arange(len(samples)) / rate - start
        among = (times > 0.05) & (times < SECONDS - 0.05)
        times, samples = times[among], samples[among]
        wanted = self.at(times)
        slope = (self.at(times - 1e-7) - self.at(times + 1e-7)) / 2e-7
        late = float(numpy.dot(samples - wanted, slope) / numpy.dot(slope, slope)) * rate
        shape = 0.05 * numpy.sin(numpy.pi * times / SECONDS)[:, None] ** 2
        columns = numpy.hstack([shape * numpy.sin(self.angles(times)), shape * numpy.cos(self.angles(times))])
        found = numpy.linalg.lstsq(columns, samples, rcond=None)[0]
        gains = numpy.hypot(found[: len(self.hz)], found[len(self.hz) :])
        return level(samples - wanted, wanted), late, float(numpy.abs(20 * numpy.log10(gains)).max())


def pair(program, source, target):
    """All that is measured of one pair, by name with its bound."""
    lower = min(source, target)
    sound = noise(source, lower)
    ours = prepared(program, {"Noise": (source, sound, 0)}, target)["Noise"]
    theirs, best = by_scipy(sound, source, target), soxr.resample(sound, source, target, quality="VHQ")
    frames = min(len(ours), len(theirs), len(best))
    middle = slice(frames // 10, frames - frames // 10)
    figures = {
        "beside SciPy, dB": (level((ours[:frames] - theirs[:frames])[middle], ours[middle]), MOST_REST),
        "beside libsoxr, dB": (level((ours[:frames] - best[:frames])[middle], ours[middle]), MOST_REST_SOXR),
    }
    dice = random.Random(source + target)
    stems = {"Anchor": (target, numpy.full(target // 10, 0.1), 3600 * target)}
    placed = {}
    for stem in range(STEMS):
        sines, frames = Sines(stem, lower), dice.randrange(1, source // 4)
        times = numpy.arange(int(SECONDS * source)) / source
        placed[f"Part {stem}"] = (sines, frames / source)
        stems[f"Part {stem}"] = (source, sines.at(times), 3600 * source + frames)
    outputs = prepared(program, stems, target)
    found = [sines.compared(outputs[name], target, start) for name, (sines, start) in placed.items()]
    rests, lates, ripples = zip(*found)
    figures["beside arithmetic, dB"] = (max(rests), MOST_REST)
    figures["beside their place, frames"] = (max(abs(late) for late in lates), MOST_BESIDE)
    figures["ripple, dB"] = (max(ripples), MOST_RIPPLE)
    return figures


def main():
    program, worse = sys.argv[1], 0
    for source, target in PAIRS:
        figures = pair(program, source, target)
        bad = [what for what, (found, bound) in figures.items() if not found <= bound]
        worse += len(bad)
        told = "; ".join(f"{what} {found:.4g}" for what, (found, _) in figures.items())
        print(f"{'WORSE' if bad else 'ok':5} {source} to {target}: {told}", flush=True)
    print(f"{len(PAIRS)} pairs, {worse} figures beyond their bounds")
    return 1 if worse else 0


if __name__ == "__main__":
    sys.exit(main())
