"""How time and memory grow with the number of stems and with their length: a table, and a plot as SVG.

    python3 -m venv DIR && DIR/bin/pip install -r benches/peer/requirements.txt
    cargo build --release
    DIR/bin/python benches/growth.py target/release/loadin growth.svg [--quick]

Stems are 24-bit stereo at 48 kHz, of ten seconds where their number grows; where the length grows, there is one mono
stem. The faster of two runs counts, on two threads. A straight line is fitted to the times by least squares of the relative error: its constant part is what a run costs
before the first stem. Peak memory below that of this script, some 75 MB, cannot be seen.
"""

import argparse
import tempfile
from pathlib import Path

import numpy as np

import measured

STEMS = (1, 2, 4, 8, 16, 32, 64, 128, 256, 512)
MINUTES = (1, 2, 4, 8, 15, 30, 60, 120, 240)


def line(sizes, seconds):
    """Constant part, slope, and the greatest relative distance of a point from the line."""
    sizes, seconds = np.array(sizes, float), np.array(seconds)
    columns = np.stack([1 / seconds, sizes / seconds], axis=1)
    (constant, slope), *_ = np.linalg.lstsq(columns, np.ones(len(sizes)), rcond=None)
    worst = np.max(np.abs((constant + slope * sizes) / seconds - 1))
    return constant, slope, worst


def grow(program, folder, name, sizes, write):
    recipe = measured.recipe_at(folder, 48)
    rows = []
    for size in sizes:
        with tempfile.TemporaryDirectory(dir=folder) as inner:
            inner = Path(inner)
            write(inner / "in", size)
            command = measured.prepare(program, recipe, inner / "in", inner / "out", 2, "--memory", "128M")
            runs = [measured.run(command, inner / "out") for _ in range(2)]
        seconds = min(seconds for seconds, _ in runs)
        rows.append((size, seconds, max(peak for _, peak in runs)))
        print(f"| {size} {name} | {seconds:.2f} s | {rows[-1][2]:.0f} MB |", flush=True)
    constant, slope, worst = line([row[0] for row in rows], [row[1] for row in rows])
    print(f"{constant * 1000:.0f} ms + {slope * 1000:.1f} ms for each of the {name}; no point is further off than {worst:.0%}\n")
    return rows, (constant, slope)


def plot(path, panels):
    """One panel each: both axes logarithmic, the points, and the line."""
    parts, width, height = [], 420, 300
    for index, (name, rows, (constant, slope)) in enumerate(panels):
        left = index * (width + 80) + 60
        sizes, seconds = [row[0] for row in rows], [row[1] for row in rows]
        low, high = np.log10(min(sizes)), np.log10(max(sizes))
        least, most = np.floor(np.log10(min(seconds))), np.ceil(np.log10(max(seconds)))

        def x(size):
            return left + width * (np.log10(size) - low) / max(high - low, 1e-9)

        def y(second):
            return 20 + height * (most - np.log10(second)) / max(most - least, 1)

        parts.append(f'<rect x="{left}" y="20" width="{width}" height="{height}" fill="none" stroke="#888"/>')
        fitted = [10 ** (low + (high - low) * step / 60) for step in range(61)]
        points = " ".join(f"{x(size):.1f},{y(max(constant + slope * size, 1e-9)):.1f}" for size in fitted)
        parts.append(f'<polyline points="{points}" fill="none" stroke="#36c"/>')
        for size, second in zip(sizes, seconds):
            parts.append(f'<circle cx="{x(size):.1f}" cy="{y(second):.1f}" r="3"/>')
            parts.append(f'<text x="{x(size):.1f}" y="{height + 36}" text-anchor="middle">{size}</text>')
        for power in range(int(least), int(most) + 1):
            parts.append(f'<text x="{left - 6}" y="{y(10.0**power) + 4:.1f}" text-anchor="end">{10.0**power:g} s</text>')
        parts.append(f'<text x="{left + width / 2}" y="{height + 56}" text-anchor="middle">{name}</text>')
    total = len(panels) * (width + 80) + 20
    head = f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {total} {height + 70}" font-family="sans-serif" font-size="12">'
    Path(path).write_text("\n".join([head, *parts, "</svg>\n"]))


def main():
    parser = argparse.ArgumentParser(description=__doc__.split("\n\n")[0])
    parser.add_argument("program", type=Path)
    parser.add_argument("plot", type=Path)
    parser.add_argument("--quick", action="store_true", help="small sizes only")
    arguments = parser.parse_args()
    program = arguments.program.resolve()
    stems, minutes = (STEMS[:4], MINUTES[:3]) if arguments.quick else (STEMS, MINUTES)

    def many(folder, size):
        measured.write_delivery(folder, size, 48_000, 10)

    def long(folder, size):
        measured.write_delivery(folder, 1, 48_000, 60 * size, channels=1)

    with tempfile.TemporaryDirectory() as folder:
        panels = [
            (name, *grow(program, Path(folder), name, sizes, write))
            for name, sizes, write in [("stems", stems, many), ("minutes", minutes, long)]
        ]
    plot(arguments.plot, panels)


if __name__ == "__main__":
    main()
