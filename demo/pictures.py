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
        '<g font-family="ui-monospace, Menlo, Consolas, monospace" font-size="13" fill="#e6e6e6" xml:space="preserve">',
    ]
    for number, line in enumerate(lines):
        strong = re.match(r"(all|verdict|client|you|late|missing stems|gain|caution|next): ", line)
        y = 16 + (number + 0.8) * LINE
        shown = escape(line)
        if strong:
            shown = f'<tspan font-weight="bold" fill="#ffd166">{strong[1]}:</tspan>{escape(line[strong.end() - 1:])}'
        parts.append(f'<text x="16" y="{y:.1f}">{shown}</text>')
    return "\n".join(parts + ["</g>", "</svg>", ""])


def page(html):
    """The overview of the page as a picture of its own; None where the page has none."""
    found = re.search(r"<svg[^>]*class=[\"']?[^>\"']*overview.*?</svg>", html, re.DOTALL)
    if not found:
        return None
    style = "".join(re.findall(r"<style[^>]*>(.*?)</style>", html, re.DOTALL))
    begin, rest = re.match(r"(<svg[^>]*)(>.*)", found[0], re.DOTALL).groups()
    if "xmlns=" not in begin:
        begin += ' xmlns="http://www.w3.org/2000/svg"'
    head, body = rest[:1], rest[1:]
    return f"{begin}{head}<style>{escape(style)}</style>{body}\n"


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
