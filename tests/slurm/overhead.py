"""What the engine costs: seconds a task, a stem and a submitted job, and the file-system operations of a unit.

    python3 tests/slurm/overhead.py PROGRAM     the figures of pipelines/slurm/README.md; needs strace for the operations
"""

import pathlib
import re
import shutil
import subprocess
import sys
import tempfile
import time

import cluster as slurm
import deliveries

STEMS = 64
STEP = pathlib.Path(__file__).resolve().parent.parent.parent / "pipelines" / "slurm" / "step"
FILE_CALLS = "openat,open,stat,lstat,fstat,newfstatat,statx,rename,renameat,renameat2,link,linkat,unlink,unlinkat,mkdir,fsync,fdatasync,getdents64"


def unit(program, step, delivery, out, *more):
    return [program, "unit", step, "--batch", "--out", str(out), "--progress", "none", *more, str(delivery)]


def seconds(work):
    begun = time.monotonic()
    work()
    return time.monotonic() - begun


def engine(program, folder, delivery, cluster):
    """Seconds until a queue of all stems is empty, in shares of so many: of tasks that do nothing, and of surveys."""
    listing = folder / "list"
    listing.write_text(f"{delivery}\n")

    def through(program, out, shares):
        cluster.call("sbatch", "--parsable", f"--array=1-{shares}", "--cpus-per-task=1", "--mem=64", "--time=10", "--output=/dev/null",
                     STEP, "survey", out, listing, str(shares), env={"LOADIN": program})
        cluster.wait(lambda: not cluster.queue(), 600, "an empty queue", every=0.1)

    print("| stems a task | tasks | tasks that do nothing | engine a task | engine a stem | surveys |\n|---|---|---|---|---|---|")
    for per_task in (1, 4, 16, 64):
        shares = STEMS // per_task
        out = folder / f"engine-{per_task}"
        subprocess.run(unit(program, "scan", delivery, out), check=True, capture_output=True)
        empty = seconds(lambda: through("true", out, shares))
        work = seconds(lambda: through(program, out, shares))
        print(f"| {per_task} | {shares} | {empty:.1f} s | {empty / shares:.2f} s | {empty / STEMS:.3f} s | {work:.1f} s |")


def submitting(cluster):
    calls = 50
    took = seconds(lambda: [cluster.call("sbatch", "--hold", "--mem=64", "--array=1-8", "--output=/dev/null", "--wrap", "true") for _ in range(calls)])
    print(f"\nsbatch: {took / calls:.3f} s a call, {calls / took:.0f} calls a second")
    print(f"squeue with {calls} arrays: {seconds(lambda: cluster.call('squeue', '-h', '-o', '%j')):.2f} s")


def operations(program, folder, delivery):
    if not shutil.which("strace"):
        return print("no strace: file-system operations are not counted")
    out = folder / "traced"
    print("\n| unit | file-system operations | of them sync, link, rename, remove | a stem |\n|---|---|---|---|")
    for step in ("scan", "survey", "plan", "render", "seal"):
        log = folder / f"{step}.strace"
        subprocess.run(["strace", "-f", "-qq", "-y", "-e", f"trace={FILE_CALLS}", "-o", log, *unit(program, step, delivery, out, "--jobs", "1")],
                       check=True, capture_output=True)
        lines = [line for line in log.read_text(errors="replace").splitlines() if str(folder) in line]
        heavy = sum(bool(re.search(r"\b(f(data)?sync|linkat?|rename\w*|unlink\w*)\(", line)) for line in lines)
        print(f"| {step} | {len(lines)} | {heavy} | {len(lines) / STEMS:.1f} |")


def peak_memory(command):
    """MB at most that a process had; the system keeps the peak until its end, so it is looked at every few milliseconds."""
    task = subprocess.Popen(command, stdout=subprocess.DEVNULL)
    peak = 0
    while task.poll() is None:
        status = pathlib.Path(f"/proc/{task.pid}/status").read_text()
        if found := re.search(r"VmHWM:\s*(\d+) kB", status):
            peak = int(found.group(1)) if "loadin" in status.split("\n")[0] else peak
        time.sleep(0.003)
    assert task.returncode in (0, 1), f"{command} ended with {task.returncode}"
    return peak / 1024


def memory(program, folder):
    """Peaks of every unit, beside what `scan` asks of the engine."""
    made = []
    for channels, length in ((2, 20.0), (16, 5.0)):
        delivery = folder / f"{channels} channels"
        delivery.mkdir()
        deliveries.stem(delivery / "Stem.wav", 1, 44100, length, channels)
        deliveries.stem(delivery / "Other.wav", 2, 48000, 1.0)
        deliveries.stem(delivery / "Third.wav", 3, 48000, 1.0)
        made.append(delivery)
    made.append(folder / "40 stems of 4 minutes and a rough mix")
    deliveries.with_rough_mix(made[-1], 40, 240)
    print("\n| delivery | scan asks for, a stem | scan asks for, a plan | survey | plan | render | seal |\n|---|---|---|---|---|---|---|")
    for delivery in made:
        scan = subprocess.run(unit(program, "scan", delivery, folder / "memory"), check=True, capture_output=True, text=True)
        stem, plan = (int(scan.stdout.split("\t")[field]) for field in (2, 5))
        peaks = {step: peak_memory(unit(program, step, delivery, folder / "memory", "--jobs", "1"))
                 for step in ("survey", "plan", "render", "seal")}
        print(f"| {delivery.name} | {stem} MB | {plan} MB | " + " | ".join(f"{peak:.0f} MB" for peak in peaks.values()) + " |")
        assert max(peaks["survey"], peaks["render"]) < stem and peaks["plan"] < plan and peaks["seal"] < stem + 256, peaks


def main():
    program = str(pathlib.Path(sys.argv[1]).resolve())
    with tempfile.TemporaryDirectory(prefix="loadin-overhead-") as name:
        folder = pathlib.Path(name)
        [delivery] = deliveries.make(folder / "inbox", 1, STEMS, seconds=1.0)
        cluster = slurm.Cluster(folder / "cluster")
        try:
            cluster.start()
            engine(program, folder, delivery, cluster)
            submitting(cluster)
        finally:
            cluster.end()
        operations(program, folder, delivery)
        memory(program, folder)


if __name__ == "__main__":
    main()
