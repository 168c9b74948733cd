"""What the scripts beside this one share: generated stems, and runs of which time and peak memory are measured."""

import os
import shutil
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import soundfile as sf

BLOCK_SECONDS = 10

NAMES = ["Kick", "Snare", "Hat", "Overheads", "Bass", "Gtr", "Keys", "Pad", "Synth", "Lead Vox", "BV", "Strings"]


def write_stem(path, seed, rate, seconds, channels=2):
    """Strokes that die away, of tones and noise; another sound for every seed. Long stems repeat themselves."""
    rng = np.random.default_rng(seed)
    time_axis = np.arange(int(min(BLOCK_SECONDS, seconds) * rate)) / rate
    strokes = np.exp(-4 * ((time_axis * (1 + seed % 4) * 0.5) % 1))
    hz = 60 + 37 * (seed % 12)
    tone = 0.3 * np.sin(2 * np.pi * hz * time_axis) + 0.05 * np.sin(2 * np.pi * 9.7 * hz * time_axis)
    left = 0.5 * strokes * (tone + 0.02 * rng.standard_normal(len(time_axis)))
    right = 0.8 * np.roll(left, 37) + 0.005 * strokes * rng.standard_normal(len(time_axis))
    block = np.stack([left, right], axis=1)[:, :channels]
    frames = int(seconds * rate)
    with sf.SoundFile(path, "w", rate, channels, "PCM_24") as file:
        for begin in range(0, frames, len(block)):
            file.write(block[: frames - begin])


def write_delivery(folder, stems, rate, seconds, channels=2):
    """A folder of so many stems."""
    folder.mkdir(parents=True)
    for seed in range(stems):
        name, number = NAMES[seed % len(NAMES)], seed // len(NAMES) + 1
        path = folder / (f"{name} {number}.wav" if stems > len(NAMES) else f"{name}.wav")
        write_stem(path, seed, rate, seconds, channels)
    return folder


TOUCH = """
import mmap, sys
halves = [mmap.mmap(-1, int(sys.argv[1]) // 2, flags=mmap.MAP_PRIVATE | mmap.MAP_ANONYMOUS) for _ in range(2)]
if hasattr(mmap, "MADV_HUGEPAGE"):
    halves[1].madvise(mmap.MADV_HUGEPAGE)
for memory in halves:
    while memory.tell() < len(memory):
        memory.write(bytes([1]) * (1 << 20))
"""


def warm(size):
    """Touches memory and lets it go, so that no run waits for the host of a virtual machine to find it; half of it in large
    pages, which the system keeps apart from small ones. Every run that is compared on warm memory gets this before it. In a
    process of its own: the peak of a parent counts as that of its child."""
    subprocess.run([sys.executable, "-c", TOUCH, str(size)], check=True)


def run(command, out=None, warm_bytes=6 << 30):
    """Runs a command whose folder of outputs is taken away before: seconds, and peak resident memory in MB."""
    if out is not None:
        shutil.rmtree(out, ignore_errors=True)
    os.sync()
    if warm_bytes:
        warm(warm_bytes)
    begun = time.perf_counter()
    process = subprocess.Popen([str(part) for part in command], stdout=subprocess.DEVNULL)
    _, status, usage = os.wait4(process.pid, 0)
    seconds = time.perf_counter() - begun
    process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode != 0:
        sys.exit(f"{' '.join(map(str, command))}: exit code {process.returncode}")
    return seconds, usage.ru_maxrss / 1000


def prepare(program, recipe, delivery, out, workers, *more):
    """Our own command."""
    command = [program, "prep", delivery, "--out", out, "--recipe", recipe, "--jobs", workers]
    return [*command, "--progress", "none", *more]


def recipe_at(folder, rate_khz):
    """The default recipe with a fixed rate."""
    text = (Path(__file__).parent.parent / "pipelines" / "mix-prep.toml").read_text()
    assert '"majority"' in text, "the default recipe takes the majority's rate"
    path = folder / f"at-{rate_khz}.toml"
    path.write_text(text.replace('"majority"', f'"{rate_khz} kHz"'))
    return path
