"""Invented sound as lists of floats in [-1, 1], the same for the same arguments. Knows no file."""

import math
import random
from array import array

RATE = 48_000


def noise(seed, level, frames):
    """White noise with a peak of `level`."""
    codes = array("h")
    codes.frombytes(random.Random(seed).randbytes(2 * frames))
    factor = level / 32_768
    return [factor * code for code in codes]


def sine(hz, level, frames, rate=RATE):
    """A sine that begins at zero."""
    step = 2 * math.pi * hz / rate
    return [level * math.sin(step * n) for n in range(frames)]


def silence(frames):
    """Digital silence."""
    return [0.0] * frames


def words(seed, level, lead, frames, rate=RATE):
    """`lead` frames of silence, then syllables of noise: a course of level that is like itself at one place only."""
    out = silence(lead)
    sound = noise(seed, level, frames - lead)
    syllable = rate // 20
    for word in range(0, len(sound), syllable):
        count = word // syllable + seed
        factor = 0.0 if (count * count // 7) % 3 == 1 else 0.4 + 0.1 * (count % 6)
        out.extend(factor * sample for sample in sound[word:word + syllable])
    return out


def dull(sound, share=0.85):
    """A low-pass of the first order, so that the sound has something below 2.5 kHz."""
    out, held = [], 0.0
    for sample in sound:
        held += (1 - share) * (sample - held)
        out.append(held)
    return out


def tone(key, level, frames, rate=RATE, partials=6, fade=2.0):
    """A plucked note with partials that fall like 1/n; `key` is a MIDI key number, `fade` the decay a second."""
    hz, steps = 440 * 2 ** ((key - 69) / 12), 4096
    usable = [n for n in range(1, partials + 1) if n * hz < rate / 2]
    wave = [level * sum(math.sin(2 * math.pi * n * step / steps) / n for n in usable) for step in range(steps)]
    step, decay = steps * hz / rate, -fade / rate
    out = [math.exp(decay * frame) * wave[int(step * frame) % steps] for frame in range(frames)]
    rise = min(frames, rate // 200)
    for frame in range(rise):
        out[frame] *= frame / rise
        out[-1 - frame] *= frame / rise
    return out


def hit(seed, hz, level, frames, hiss, rate=RATE):
    """One drum hit: a falling tone and noise, dying away; `hiss` is the share of noise."""
    grain = noise(seed, 1.0, frames)
    out, phase = [], 0.0
    for frame in range(frames):
        t = frame / rate
        phase += 2 * math.pi * hz * (1 + 1.5 * math.exp(-40 * t)) / rate
        out.append(level * math.exp(-14 * t) * ((1 - hiss) * math.sin(phase) + hiss * grain[frame]))
    return out


def placed(frames, parts):
    """A line of `frames` frames with every `(start, sound)` of `parts` added in."""
    out = silence(frames)
    for start, sound in parts:
        end = min(frames, start + len(sound))
        out[start:end] = [a + b for a, b in zip(out[start:end], sound)]
    return out


def scaled(sound, factor):
    """Another level."""
    return [factor * sample for sample in sound]


def later(sound, frames):
    """The sound `frames` frames later, at the same length."""
    return (silence(frames) + sound)[:len(sound)]


def total(*sounds):
    """The sum, as long as the shortest."""
    return [sum(samples) for samples in zip(*sounds)]


def clipped(sound, ceiling):
    """Held at `ceiling` above and below."""
    return [max(-ceiling, min(ceiling, sample)) for sample in sound]
