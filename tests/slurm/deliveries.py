"""Invented deliveries of short stems: noise of a fixed seed, two rates."""

import array
import random
import sys
import wave


def stem(path, seed, rate, seconds, channels=2):
    noise = random.Random(seed)
    frames = int(rate * seconds)
    samples = array.array("h", (noise.randrange(-9000, 9000) for _ in range(channels * frames)))
    if sys.byteorder == "big":
        samples.byteswap()
    with wave.open(str(path), "wb") as out:
        out.setnchannels(channels)
        out.setsampwidth(2)
        out.setframerate(rate)
        out.writeframes(samples.tobytes())


def make(folder, deliveries, stems, seconds=1.0):
    made = []
    for number in range(deliveries):
        delivery = folder / f"Reel {number + 1:02}"
        delivery.mkdir(parents=True)
        for index in range(stems):
            rate = 44100 if index % 4 == 3 else 48000
            stem(delivery / f"Stem {index + 1:02}.wav", number * 1000 + index, rate, seconds + index / 20)
        made.append(delivery)
    return made


def with_rough_mix(delivery, stems, seconds, rate=8000):
    """Stems of noise and their sum, so that the plan compares all of them with it."""
    delivery.mkdir(parents=True)
    sounds = [random.Random(index).randbytes(rate * seconds) for index in range(stems)]
    mix = array.array("h", ((sum(together) - 128 * stems) * 256 // stems for together in zip(*sounds)))
    if sys.byteorder == "big":
        mix.byteswap()
    named = {f"Stem {index + 1:02}.wav": (1, sound) for index, sound in enumerate(sounds)}
    for name, (width, sound) in {**named, "Rough Mix.wav": (2, mix.tobytes())}.items():
        with wave.open(str(delivery / name), "wb") as out:
            out.setnchannels(1)
            out.setsampwidth(width)
            out.setframerate(rate)
            out.writeframes(sound)
