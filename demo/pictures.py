"""Makes the README's pictures from the demo: what `prep` prints, and the overview of the page.

    cargo build --release && python3 demo/pictures.py target/release/loadin

Needs Python 3 and nothing else. The pictures are SVG and are written to demo/pictures. Only our own program's output goes in.
"""

import pathlib
import re
import subprocess
import sys
import tempfile
from xml.sax.saxutils import escape

DEMO = pathlib.Path(__file__).resolve().parent
PICTURES = DEMO / "pictures"
COLUMNS = 100
ADVANCE, LINE = 7.8, 17.0  # of a monospaced font at 13 px, in px


def prepared(program, out):
    """Prepares the demo; what the program printed. Exit code 1 is right: two stems are broken on purpose."""
    command = [program, "prep", "delivery", "--out", str(out), "--progress", "none", "--columns", str(COLUMNS)]
    ran = subprocess.run(command, cwd=DEMO, capture_output=True, text=True, check=False)
    if ran.returncode != 1:
        sys.exit(f"exit code {ran.returncode} instead of 1: {ran.stderr}")
    # The temporary folder and the time that it took are not of the demo.
    text = ran.stdout.replace(str(out), "prepped")
    return re.sub(r", in [\d.]+ s \(\d+ MB/s\)", "", text)


def terminal(text):
    lines = ["$ loadin prep delivery --out prepped"] + text.splitlines()
    width, height = COLUMNS * ADVANCE + 32, len(lines) * LINE + 32
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:.0f} {height:.0f}" role="img" '
        'aria-label="What prep prints of the demo">',
        '<rect width="100%" height="100%" rx="6" fill="#1b1f24"/>',
        '<g font-family="ui-monospace, Menlo, Consolas, monospace" font-size="13" fill="#e6e6e6">',
    ]
    for number, line in enumerate(lines):
        strong = re.match(r"(all|verdict|client|you|late|missing stems|gain|caution|next): ", line)
        y = 16 + (number + 0.8) * LINE
        # A picture's text has no columns of its own: spaces that do not break keep them.
        shown = escape(line).replace(" ", "\u00a0")
        if strong:
            shown = f'<tspan font-weight="bold" fill="#ffd166">{strong[1]}:</tspan>{shown[len(strong[1]) + 1:]}'
        parts.append(f'<text x="16" y="{y:.1f}">{shown}</text>')
    return "\n".join(parts + ["</g>", "</svg>", ""])


ROW, NAMES, STRIPS = 22.0, 190.0, 610.0  # of the page's picture, in px
STYLE = (
    ".sound{fill:#2b6ca3}.there{fill:none;stroke:#2b6ca3;stroke-width:.75px;stroke-opacity:.55;vector-effect:non-scaling-stroke}"
    ".cut{fill:#b8bec6;fill-opacity:.55}.pad{fill:#eef1f4}.clip{fill:#b00020}text{font:12px sans-serif;fill:#1b1f24}.faint{fill:#5b6570}"
)


def page(html):
    """The overview of the page as a picture of its own: a row a stem, on one scale; None where the page has none."""
    found = re.search(r"<section class=overview.*?</section>", html, re.DOTALL)
    rows = re.findall(r"<li class=row.*?</li>", found[0], re.DOTALL) if found else []
    if not rows:
        return None
    key = dict(re.findall(r"\.(k\d+)\s*{\s*background:\s*(#[0-9a-fA-F]+)", html))
    width, height = NAMES + STRIPS + 16, (len(rows) + 1) * ROW + 16
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:.0f} {height:.0f}" role="img" '
        'aria-label="All stems of the demo on one scale of level">',
        f'<style>{STYLE}</style><rect width="100%" height="100%" rx="6" fill="#fbfbfa"/>',
    ]
    for at, time in re.findall(r'<i style="left:([\d.]+)%">(\d+:\d+)</i>', found[0]):
        x = 8 + NAMES + STRIPS * float(at) / 100
        parts.append(f'<text class="faint" x="{x:.1f}" y="18">{time}</text>')
    for number, row in enumerate(rows):
        y = 8 + (number + 1) * ROW
        name = re.search(r'<a href="#s\d+">(.*?)</a>', row, re.DOTALL)[1]
        sign = re.search(r'class="doubt[^>]*><i aria-hidden=true>(.)</i>', row)
        colour = key.get(re.search(r'class="key (k\d+)"', row)[1], "#5b6570")
        strip = re.search(r"<svg class=[^>]*strip[^>]*viewBox=\"([^\"]*)\"[^>]*>(.*?)</svg>", row, re.DOTALL)
        body = re.sub(r'class=(\w+)', r'class="\1"', strip[2]).replace('fill="url(#cut)" ', "")
        parts.append(f'<rect x="8" y="{y + 4:.1f}" width="8" height="12" fill="{colour}"/>')
        parts.append(f'<text x="22" y="{y + 14:.1f}">{name}{" " + sign[1] if sign else ""}</text>')
        parts.append(
            f'<svg x="{8 + NAMES}" y="{y:.1f}" width="{STRIPS}" height="{ROW - 1}" viewBox="{strip[1]}" '
            f'preserveAspectRatio="none">{body}</svg>'
        )
    return "\n".join(parts + ["</svg>", ""])


def main():
    program = str(pathlib.Path(sys.argv[1] if len(sys.argv) > 1 else "target/release/loadin").resolve())
    PICTURES.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory() as folder:
        out = pathlib.Path(folder) / "prepped"
        (PICTURES / "terminal.svg").write_text(terminal(prepared(program, out)), encoding="utf-8")
        overview = page((out / "report.html").read_text(encoding="utf-8"))
    if overview is None:
        print("the page has no overview: page.svg was not made")
    else:
        (PICTURES / "page.svg").write_text(overview, encoding="utf-8")
    size = sum(path.stat().st_size for path in PICTURES.glob("*.svg"))
    if size > 200_000:
        sys.exit(f"the pictures have {size} bytes, allowed are 200000 together")
    print(f"{size} bytes of pictures in {PICTURES}")


if __name__ == "__main__":
    main()
