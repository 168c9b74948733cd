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
