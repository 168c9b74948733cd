"""What the engine costs: seconds a task, a stem and a submitted job, and the file-system operations of a unit.

    python3 tests/slurm/overhead.py PROGRAM     the figures of pipelines/slurm/README.md; needs strace for the operations
"""

import os
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
    """Seconds for the survey of all stems, in shares of so many."""
    listing = folder / "list"
    listing.write_text(f"{delivery}\n")
    rows = []
    for per_task in (1, 4, 16, 64):
        shares = STEMS // per_task
        direct_out, out = folder / f"direct-{per_task}", folder / f"engine-{per_task}"
        for each in (direct_out, out):
            subprocess.run(unit(program, "scan", delivery, each), check=True, capture_output=True)
        # Two at a time, as the two processors of this machine do them under the engine.
        both = f"seq {shares} | xargs -P 2 -I @ {' '.join(unit(program, 'survey', '$D', direct_out, '--jobs', '1', '--shard', f'@/{shares}'))}"
        direct = seconds(lambda: subprocess.run(["sh", "-c", both.replace("$D", f'"{delivery}"')], check=True, capture_output=True))

        def through():
            cluster.call("sbatch", "--parsable", f"--array=1-{shares}%2", "--cpus-per-task=1", "--mem=64", "--time=10", "--output=/dev/null",
                         STEP, "survey", out, listing, str(shares), env={"LOADIN": program})
            cluster.wait(lambda: not cluster.queue(), 600, "an empty queue", every=0.1)

        wall = seconds(through)
        rows.append((per_task, shares, direct, wall))
    print("| stems a task | tasks | without the engine | with it | engine a task | engine a stem |\n|---|---|---|---|---|---|")
    for per_task, shares, direct, wall in rows:
        cost = max(wall - direct, 0)
        print(f"| {per_task} | {shares} | {direct:.1f} s | {wall:.1f} s | {cost / shares:.2f} s | {cost / STEMS:.3f} s |")


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


def memory(program, folder, delivery):
    out = folder / "memory"
    for step in ("scan", "survey", "plan", "render", "seal"):
        pid = os.posix_spawn(program, unit(program, step, delivery, out, "--jobs", "1"), os.environ,
                             file_actions=[(os.POSIX_SPAWN_OPEN, 1, "/dev/null", os.O_WRONLY, 0)])
        _, _, usage = os.wait4(pid, 0)
        print(f"peak memory of {step}: {usage.ru_maxrss / 1024:.0f} MB")


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
        memory(program, folder, delivery)


if __name__ == "__main__":
    main()
