"""Makes random deliveries for the null test: stems of every kind, their places, a rough mix that is their exact sum, and a
recipe. Knows nothing of what is expected of the outputs."""

import pathlib
import struct
from dataclasses import dataclass, field
from fractions import Fraction

import numpy
import soundfile
import soxr

RATES = (44_100, 48_000, 88_200, 96_000)

#: No sound of a delivery that is converted goes higher: below this every filter is flat, whatever the rates.
CEILING_HZ = 15_000

NAMES = (
    "Kick Snare Hat Tom Ride Crash Shaker Conga Bass Sub Guitar Banjo Piano Organ Rhodes Strings Cello Horns Trumpet Flute "
    "Synth Pad Lead Pluck Bell Vocal Choir Adlib Harmony Riser"
).split()


@dataclass
class Stem:
    """What the test knows of a file that it has made."""

    name: str
    rate: int
    subtype: str
    stamp: int | None
    sound: numpy.ndarray = field(default=None, repr=False)
    """Frames by channels, as libsndfile reads the file."""
    offset: str = "none"
    """`none`, `true` (in the rests as well) or `false` (a lean of the notes)."""
    constants: tuple = ()
    """A true offset, by channel of the sound."""
    noisy: bool = False
    """Whether its dead air is hiss, or dither of 16 bits."""


@dataclass
class Delivery:
    """A delivery on the disk."""

    folder: pathlib.Path
    recipe: pathlib.Path
    stems: list
    mix: Stem
    head_seconds: float | None
    """Dead air that trimming keeps before and after the sound; `None` where nothing is trimmed."""
    tail_seconds: float | None
    said: str


def make(seed, index, folder, recipes):
    """Delivery `index` of a seed, below `folder`."""
    rng = numpy.random.default_rng([seed, index])
    (folder / "Song").mkdir(parents=True)
    majority = int(rng.choice(RATES))
    one_rate = rng.random() < 0.4
    recipe, target, cuts, said = write_recipe(rng, folder, recipes, majority, one_rate)
    converted = not one_rate or target != majority
    count = int(rng.integers(6, 41))
    stamped = rng.random() < 0.65
    level = 10 ** rng.uniform(-1.5, 0)
    origin = int(rng.integers(0, 80_000)) * majority + int(rng.integers(0, majority))
    stems = []
    for number in range(count):
        rate = majority if one_rate or number < count // 2 + 1 else int(rng.choice(RATES))
        subtype = str(rng.choice(["PCM_16", "PCM_24", "FLOAT"], p=[0.3, 0.4, 0.3]))
        name = f"{rng.choice(NAMES)} {number + 1:02}"
        start = 0.0 if number == 0 else rng.uniform(0, 0.4)
        stamp = -(-origin * rate // majority) + int(start * rate) if stamped else None
        stem = Stem(name, rate, subtype, stamp)
        seconds = rng.uniform(0.6, 2.0) if number else 2.0
        sound = draw(rng, stem, int(seconds * rate), converted, level)
        write(folder / "Song" / f"{name}.wav", stem, sound)
        stems.append(stem)
    mix = Stem("Rough Mix", majority, "DOUBLE", origin if stamped else None)
    write(folder / "Song" / "Rough Mix.wav", mix, summed(stems, majority, origin if stamped else None))
    rates, stamps = "one rate" if one_rate else "several rates", "stamps" if stamped else "no stamps"
    said = f"{count} stems at {rates} to {target} Hz, {stamps}, {said}"
    return Delivery(folder / "Song", recipe, stems, mix, *cuts, said)


def write_recipe(rng, folder, recipes, majority, one_rate):
    """A variant of `mix-prep`; gives its path, the rate of the outputs, what trimming keeps, and a few words."""
    text = (recipes / "mix-prep.toml").read_text()

    def put(old, new):
        nonlocal text
        assert text.count(old) == 1, f"mix-prep has no single {old}"
        text = text.replace(old, new)

    target, cuts = majority, (1.0, 3.0)
    if rng.random() < 0.25:
        target = int(rng.choice(RATES))
        put('rate = "majority"', f'rate = "{target} Hz"')
    # Not where something is converted: the bound of 1.5 steps holds for dither, not for a part of its band.
    depths = ["24-bit", "32-bit float", "16-bit"] if one_rate and target == majority else ["24-bit", "32-bit float"]
    depth = str(rng.choice(depths))
    put('depth = "24-bit"', f'depth = "{depth}"')
    trimming = str(rng.choice(["trimmed close", "trimmed", "not trimmed"], p=[0.6, 0.15, 0.25]))
    if trimming == "trimmed close":
        cuts = (0.05, 0.1)
        put('head = ["1 bar", "1 s"]', 'head = "50 ms"')
        put('tail = "3 s"', 'tail = "100 ms"')
    elif trimming == "not trimmed":
        cuts = (None, None)
        before, rest = text.split('[[stage]]\nstage = "trim-silence"')
        text = before + "[[stage]]\n" + rest.split("[[stage]]\n", 1)[1]
    path = folder / "recipe.toml"
    path.write_text(text)
    return path, target, cuts, f"{depth}, {trimming}"


def draw(rng, stem, frames, converted, level):
    """The sound of a stem, before its file rounds it."""
    if rng.random() < 0.03:
        return numpy.zeros((frames, 1))
    stem.offset = str(rng.choice(["none", "true", "false"], p=[0.6, 0.25, 0.15]))
    form = str(rng.choice(["mono", "stereo", "dual mono", "dead"], p=[0.4, 0.4, 0.12, 0.08]))
    dead_air = [int(rng.uniform(0.1, 0.25) * frames) for _ in range(2)]
    # A file that is cut off inside a sound: only where nothing is converted, since every filter rings there in its own way.
    sounding_ends = not converted and stem.offset == "none" and rng.random() < 0.15
    edges = [0, frames] if sounding_ends else [dead_air[0], frames - dead_air[1]]
    channels = [notes(rng, stem, frames, edges, converted) for _ in range(2 if form == "stereo" else 1)]
    over = rng.uniform(1.2, 4.0) if stem.subtype == "FLOAT" and rng.random() < 0.15 else 0.0
    peak = over or level * rng.uniform(0.1, 0.8)
    sound = numpy.stack(channels, axis=1)
    sound *= peak / max(numpy.max(numpy.abs(sound)), 1e-9)
    if rng.random() < 0.25:
        stem.noisy = True
        sound += hiss(rng, sound.shape, stem.rate, converted)
    if stem.offset == "true":
        offset = numpy.array([10 ** rng.uniform(-3, -1) * rng.choice([-1, 1]) for _ in channels])
        stem.constants = tuple(offset)
        gated = rng.random() < 0.3
        sound[edges[0] if gated else 0 : edges[1] if gated else frames] += offset
        if gated:
            sound[: edges[0]] = sound[edges[1] :] = 0
    elif stem.subtype == "PCM_16" and rng.random() < 0.5:
        stem.noisy = True
        dither = (rng.random(sound.shape) - rng.random(sound.shape)) / 2**15
        sound += faded_ends(dither, stem.rate) if converted else dither
    if form == "dual mono":
        sound = numpy.repeat(sound, 2, axis=1)
    if form == "dead":
        silent = numpy.zeros_like(sound)
        sound = numpy.concatenate([sound, silent] if rng.random() < 0.5 else [silent, sound], axis=1)
    return sound


def notes(rng, stem, frames, edges, converted):
    """Notes and rests between the edges; each note rises and falls, except where it meets the end of the file."""
    rate, n = stem.rate, numpy.arange(frames)
    sound, at = numpy.zeros(frames), edges[0]
    lean = stem.offset == "false"
    noisy = not lean and rng.random() < 0.3
    high = CEILING_HZ if converted else 0.49 * rate
    while edges[1] - at > rate // 15:
        end = min(at + int(rng.uniform(0.08, 0.4) * rate), edges[1])
        if edges[1] - end < rate // 20:
            end = edges[1]
        ramp = min(rate // 50, (end - at) // 2)
        shape = numpy.ones(end - at)
        rise = numpy.sin(numpy.pi / 2 * (numpy.arange(ramp) + 0.5) / max(ramp, 1)) ** 2
        if at > 0:
            shape[:ramp] *= rise
        if end < frames:
            shape[len(shape) - ramp :] *= rise[::-1]
        if noisy:
            body = band(rng.standard_normal(end - at), rate, high)
        else:
            hz = rng.uniform(50, 4_000)
            body = numpy.sin(2 * numpy.pi * hz * n[: end - at] / rate + rng.uniform(0, 6))
            body += 0.3 * numpy.sin(2 * numpy.pi * 2 * hz * n[: end - at] / rate)
        sound[at:end] = rng.uniform(0.2, 1) * shape * (body + (0.5 if lean else 0.0))
        at = end + int(rng.uniform(0.02, 0.2) * rate)
    return sound


def hiss(rng, shape, rate, converted):
    """A noise floor."""
    noise = numpy.stack([band(column, rate, CEILING_HZ) for column in rng.standard_normal(shape).T], axis=1)
    return 3e-5 * faded_ends(noise, rate) if converted else 1e-3 * noise


def faded_ends(noise, rate):
    """Noise that begins and ends in silence, for the same reason as sounds that are converted."""
    ramp = rate // 100
    rise = numpy.sin(numpy.pi / 2 * numpy.arange(ramp) / ramp)[:, None] ** 2
    noise[:ramp] *= rise
    noise[-ramp:] *= rise[::-1]
    return noise


def band(noise, rate, hz):
    """Noise without what is above `hz`."""
    spectrum = numpy.fft.rfft(noise)
    spectrum[numpy.fft.rfftfreq(len(noise), 1 / rate) > hz] = 0
    return numpy.fft.irfft(spectrum, len(noise))


def summed(stems, rate, origin):
    """All stems at their places, fractions of a frame included; `origin` is the stamp of the first frame."""
    placed = []
    for stem in stems:
        frames = stem.sound if stem.rate == rate else soxr.resample(stem.sound, stem.rate, rate, quality="VHQ")
        place = Fraction(0) if origin is None else Fraction(stem.stamp * rate, stem.rate) - origin
        placed.append((place, frames))
    total = numpy.zeros((max(int(place) + len(frames) + 1 for place, frames in placed), 2))
    for place, frames in placed:
        whole = place.numerator // place.denominator
        frames = delayed(frames, float(place - whole), len(frames) + 1)
        total[whole : whole + len(frames)] += frames
    return total


def delayed(sound, fraction, length):
    """The sound a part of a frame later, as an ideal filter does it; silence stands around it. Gives `length` frames."""
    if fraction == 0:
        return numpy.pad(sound[:length], ((0, max(length - len(sound), 0)), (0, 0)))
    size = 1 << (max(length, len(sound)) + 8_192).bit_length()
    spectrum = numpy.fft.rfft(sound, size, axis=0)
    turn = numpy.exp(-2j * numpy.pi * fraction * numpy.fft.rfftfreq(size))
    return numpy.fft.irfft(spectrum * turn[:, None], size, axis=0)[:length]


def write(path, stem, sound):
    """Writes a WAV file, with `bext` (EBU Tech 3285, version 1) where the stem has a stamp; reads it by libsndfile."""
    full = {"PCM_16": 2**15, "PCM_24": 2**23}.get(stem.subtype)
    if full:
        whole = numpy.clip(numpy.round(sound * full), -full, full - 1).astype("<i4")
        raw = whole.reshape(-1, 1).view("u1")
        data = raw[:, : 2 if stem.subtype == "PCM_16" else 3].tobytes()
    else:
        data = sound.astype("<f4" if stem.subtype == "FLOAT" else "<f8").tobytes()
    bits = {"PCM_16": 16, "PCM_24": 24, "FLOAT": 32, "DOUBLE": 64}[stem.subtype]
    channels = sound.shape[1]
    frame = channels * bits // 8
    form = struct.pack("<HHIIHH", 1 if full else 3, channels, stem.rate, stem.rate * frame, frame, bits)
    chunks = [(b"fmt ", form)] + ([] if full else [(b"fact", struct.pack("<I", len(sound)))])
    if stem.stamp is not None:
        bext = bytearray(602)
        struct.pack_into("<QH", bext, 338, stem.stamp, 1)
        chunks.append((b"bext", bytes(bext)))
    chunks.append((b"data", data))
    body = b"WAVE" + b"".join(name + struct.pack("<I", len(c)) + c + b"\0" * (len(c) % 2) for name, c in chunks)
    path.write_bytes(b"RIFF" + struct.pack("<I", len(body)) + body)
    stem.sound, rate = soundfile.read(path, dtype="float64", always_2d=True)
    assert rate == stem.rate and len(stem.sound) == len(sound), path
