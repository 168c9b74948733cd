"""Deliveries by Snakemake, whose driver is killed twice: the same bytes as one machine, and nothing rendered twice.

    python3 tests/slurm/by_snakemake.py PROGRAM     needs PyPI `snakemake` (9) on the path
"""

import os
import pathlib
import shutil
import signal
import subprocess
import sys
import tempfile
import time

import deliveries
from watch import Watch, read_tree

SNAKEFILE = pathlib.Path(__file__).resolve().parent.parent.parent / "pipelines" / "snakemake" / "Snakefile"
STEMS = 8


def snakemake(folder, program):
    """As the guide has it."""
    log = open(folder / "snakemake.log", "ab")
    command = ["snakemake", "--snakefile", SNAKEFILE, "--directory", folder, "--cores", "4", "--keep-going",
               "--rerun-incomplete", "--nolock", "--config", f"out={folder}/out", f"deliveries={folder}/list", f"loadin={program}"]
    return subprocess.Popen(command, stdout=log, stderr=log, start_new_session=True)


def wait(true, what):
    end = time.monotonic() + 120
    while not true():
        assert time.monotonic() < end, f"waited two minutes for {what}"
        time.sleep(0.02)


def prove(program, folder):
    made = deliveries.make(folder / "inbox", 4, STEMS)
    (folder / "list").write_text("".join(f"{delivery}\n" for delivery in made))
    out, one = folder / "out", folder / "one"
    out.mkdir()
    subprocess.run([program, "prep", *made, "--out", one, "--batch", "--progress", "none"], check=True, stdout=subprocess.DEVNULL)
    # A render takes a while, and says when it is at work.
    slow = folder / "slow"
    slow.write_text(f"""#!/bin/sh
[ "$2" = render ] || exec {program} "$@"
touch {folder}/working.$$
sleep 2
{program} "$@"; code=$?
rm -f {folder}/working.$$
echo "$@" >>{folder}/renders
exit $code
""")
    slow.chmod(0o755)
    watch = Watch(out)
    outputs = lambda: len(list(out.glob("*/audio/*.wav")))
    working = lambda: len(list(folder.glob("working.*")))

    driver = snakemake(folder, slow)
    wait(lambda: outputs() and working(), "an output, and a render at work")
    driver.kill()
    driver.wait()
    survivors, before = working(), outputs()
    assert survivors and before < STEMS * len(made), (survivors, before)
    print(f"the driver alone is killed at {before} outputs; {survivors} of its renders live on beside the next driver's", flush=True)

    driver = snakemake(folder, slow)
    wait(lambda: outputs() >= STEMS * len(made) // 2 and working(), "half of the outputs")
    os.killpg(driver.pid, signal.SIGKILL)
    driver.wait()
    before = outputs()
    assert before < STEMS * len(made), before
    print(f"the driver and all that it has started is killed at {before} outputs", flush=True)

    assert snakemake(folder, slow).wait() == 0, (folder / "snakemake.log").read_text()
    for delivery in made:
        assert read_tree(out / delivery.name) == read_tree(one / delivery.name), f"{delivery.name} differs"
    watch.check(STEMS * len(made))
    subprocess.run([program, "verify", *[out / delivery.name for delivery in made]], check=True, stdout=subprocess.DEVNULL)
    print(f"{len(made)} deliveries are as on one machine; no output was committed twice", flush=True)

    renders = len((folder / "renders").read_text().splitlines())
    assert snakemake(folder, slow).wait() == 0
    assert len((folder / "renders").read_text().splitlines()) == renders, "the same command again has nothing to do"
    # A stem that is replaced is a late file, and the other deliveries are left alone.
    shutil.copy(made[1] / "Stem 01.wav", made[0] / "Stem 02.wav")
    assert snakemake(folder, slow).wait() == 0, (folder / "snakemake.log").read_text()
    subprocess.run([program, "prep", *made, "--out", one, "--batch", "--progress", "none"], check=True, stdout=subprocess.DEVNULL)
    for delivery in made:
        assert read_tree(out / delivery.name) == read_tree(one / delivery.name), f"{delivery.name} differs"
    again = (folder / "renders").read_text().splitlines()[renders:]
    assert again and all(line.endswith(str(made[0])) for line in again), again
    print("a replaced stem: only its delivery was looked at again", flush=True)


def main():
    if not shutil.which("snakemake"):
        sys.exit("needs snakemake (PyPI)")
    with tempfile.TemporaryDirectory(prefix="loadin-snakemake-") as folder:
        prove(str(pathlib.Path(sys.argv[1]).resolve()), pathlib.Path(folder))


if __name__ == "__main__":
    main()
