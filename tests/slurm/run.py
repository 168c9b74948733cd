"""Deliveries over a real Slurm of two nodes: the same bytes as one machine, whatever is killed.

    python3 tests/slurm/run.py PROGRAM        needs slurmctld, slurmd, slurm-client, munge, and root
    python3 tests/slurm/run.py PROGRAM --full more deliveries in the parts that kill
"""

import argparse
import json
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
from watch import Watch, read_tree

HERE = pathlib.Path(__file__).resolve().parent
PARTS = ["undisturbed", "later", "refused", "node_and_controller_killed", "controller_forgets", "split_brain",
         "submitter_killed_and_a_poisoned_stem"]
SCRIPTS = HERE.parent.parent / "pipelines" / "slurm"


class Proof:
    def __init__(self, program, folder, full):
        self.program, self.folder, self.full = program, folder, full
        self.cluster = slurm.Cluster(folder / "cluster")
        self.begun = time.monotonic()

    def say(self, text):
        print(f"[{time.monotonic() - self.begun:5.0f} s] {text}", flush=True)

    def loadin(self, *args, codes=(0,)):
        done = subprocess.run([self.program, *map(str, args), "--progress", "none"], text=True, capture_output=True)
        assert done.returncode in codes, f"{args} ended with {done.returncode}: {done.stdout}{done.stderr}"
        return done.stdout

    def single_machine(self, made, name, codes=(0,)):
        one = self.folder / name
        self.loadin("prep", *made, "--out", one, "--batch", codes=codes)
        return one

    def submit(self, out, made, check=True, **env):
        env = {"LOADIN": str(self.program), **{key: str(value) for key, value in env.items()}}
        return self.cluster.call(SCRIPTS / "submit", out, *made, env=env, check=check)

    def pausing(self, name, script):
        """A program that does something before, or around, the real one."""
        path = self.folder / name
        path.write_text(f"#!/bin/sh\nreal={self.program}\n{script}\n")
        path.chmod(0o755)
        return path

    def check_same(self, out, one, made):
        for delivery in made:
            ours, theirs = read_tree(out / delivery.name), read_tree(one / delivery.name)
            assert ours.keys() == theirs.keys(), f"{delivery.name}: {ours.keys() ^ theirs.keys()}"
            for name, text in theirs.items():
                assert ours[name] == text, f"{delivery.name}/{name} differs from the single-machine run's"
            left = [path.name for path in (out / delivery.name).rglob("*.unfinished")]
            assert not left, f"left behind: {left}"
        self.loadin("verify", *[out / delivery.name for delivery in made])

    def states(self, name=""):
        """How jobs of that name have ended, by Slurm's own record."""
        text = self.cluster.completed.read_text() if self.cluster.completed.exists() else ""
        return re.findall(rf"Name=(loadin-\S*{name}) JobState=(\S+)", text)

    def running(self, step):
        return [job for job in self.cluster.queue() if job[0].endswith(f"-{step}") and job[1] == "RUNNING"]

    def prepare(self):
        self.made = deliveries.make(self.folder / "inbox", 12, 8)
        self.one = self.single_machine(self.made, "one")
        self.cluster.start()

    def undisturbed(self):
        made, out = self.made, self.folder / "plain"
        out.mkdir()
        watch = Watch(out)
        print(self.submit(out, made, STEMS_PER_TASK=24, DELIVERIES_PER_SET=6), end="")
        self.cluster.drain(240)
        self.check_same(out, self.one, made)
        watch.check(12 * 8)
        ended = self.states()
        assert ended and all(state == "COMPLETED" for _, state in ended), ended
        again = self.submit(out, made)
        assert "0 of 12 deliveries queued" in again and "12 are sealed" in again, again
        self.loadin("prep", *made, "--out", out, "--batch")
        reused = [json.loads((out / d.name / "manifest.json").read_text())["run"]["reused"] for d in made]
        assert reused == [16] * 12, f"a later prep finds all of it finished: {reused}"
        self.say("1: 12 deliveries of 8 stems are as on one machine, and queued again is nothing")

    def later(self):
        out, late = self.folder / "later", self.folder / "late-list"
        job = self.cluster.call("sbatch", "--parsable", f"--output={self.folder}/later.log", "--open-mode=append", "--requeue",
                                SCRIPTS / "step", "scan", out, late, "1", env={"LOADIN": str(self.program)}).strip()
        restarts = lambda: re.search(r"Restarts=(\d+)", self.cluster.call("scontrol", "show", "job", job)).group(1)
        self.cluster.wait(lambda: restarts() == "1", 30, "a job that is queued again by its exit code 75")
        late.write_text(f"{self.made[0]}\n")
        self.cluster.drain(240)
        assert (out / self.made[0].name / ".loadin/inventory.json").exists(), "the second try does the work"
        self.say("exit code 75: queued again by the engine, and done when the input was there")

    def node_and_controller_killed(self):
        """What the controller has started is in its saved state when it is killed: it waits for the tasks of n1."""
        self.killed("killed", lambda started, saved: started + 1 < saved, knows=True, down=3)

    def controller_forgets(self):
        """It is killed before it has saved what it has started, and is away until the tasks of n2, which lives on, have ended:
        nobody is there to be told."""
        self.killed("forgotten", lambda started, saved: saved < started and time.time() - saved < 3, knows=False, down=12)
        log = (self.cluster.folder / "controller.log").read_text()
        ends = {end: log.count(end) for end in ("Orphan StepId", "invalid JobId", "Duplicate jobid on nodes")}
        self.say(f"   what it said of the tasks of n2 that it had forgotten: {ends}")
        for node, reason in self.cluster.drained().items():
            assert reason == "Duplicate jobid", f"{node}: {reason}"
            self.say(f"   {node} has refused numbers that it had in use, and is taken back as the guide says")
            self.cluster.resume(node)

    def killed(self, name, moment, knows, down):
        """Kills n1 and all that runs there, then the controller, at a moment chosen by when tasks of n1 were started and when
        the controller last saved its state. Both start again after `down` seconds, and nobody does anything else."""
        made = self.made[: 12 if self.full else 3]
        out = self.folder / name
        out.mkdir()
        watch = Watch(out)
        # Slurm saves its state every five seconds: a render must last longer than that to be in it.
        slow = self.pausing("slow", '[ "$2" = render ] && sleep 10\nexec "$real" "$@"')
        self.submit(out, made, LOADIN=slow, STEMS_PER_TASK=2, DELIVERIES_PER_SET=6)

        def doomed():
            tasks = [job[3] for job in self.running("render") if job[2] == "n1"]
            saved, started = self.cluster.saved_at(), self.cluster.started_at()
            # Not those that are about to end.
            return [task for task in tasks if moment(started[task], saved) and time.time() - started[task] < 8]

        outputs = lambda: len(list(out.glob("*/audio/*.wav")))
        self.cluster.wait(lambda: outputs() and doomed() and self.cluster.tasks_of("n1"), 180, "renders on n1, and an output")
        lost, before = doomed(), outputs()
        processes = self.cluster.kill("n1")
        self.cluster.kill("controller")
        assert lost and before and processes, (lost, before, processes)
        assert before < 8 * len(made), "there is something left to do"
        time.sleep(down)
        self.cluster.start_controller()
        known = {job[3] for job in self.running("render")}
        assert [number in known for number in lost] == [knows] * len(lost), f"lost {lost}, the controller knows {known}"
        self.say(f"   n1 ({len(lost)} tasks, {processes} processes) and the controller were killed at {before} outputs; "
                 f"it {'knew of' if knows else 'had forgotten'} them")
        # A node that lost its power says so when it is back.
        self.cluster.start_node("n1", "-b")
        self.cluster.drain(360)
        self.check_same(out, self.one, made)
        watch.check(8 * len(made))
        self.say(f"2: {len(made)} deliveries are sealed, nothing is lost, no output was committed twice ({name})")

    def refused(self):
        made = self.made[:1]
        out = self.folder / "refused"
        self.cluster.hold_refused(True)
        self.cluster.refusing.write_text("n1\nn2\n")
        self.submit(out, made, STEMS_PER_TASK=8)
        self.cluster.wait(lambda: any(job[4] == "launch failed requeued held" for job in self.cluster.queue()), 60, "a held task")
        self.cluster.refusing.unlink()
        for node in self.cluster.drained():
            self.cluster.resume(node)
        again = self.submit(out, made)
        assert "1 tasks were held" in again and "1 are in the queue already" in again, again
        self.cluster.drain(240)
        self.check_same(out, self.one, made)
        self.cluster.hold_refused(False)
        self.say("   a task that its node refused to start was held, and released by submitting again")

    def split_brain(self):
        made = self.made[:1]
        out = self.folder / "split"
        out.mkdir()
        watch = Watch(out)
        # Both attempts of the render meet before they begin, and say how they ended.
        marks = self.folder / "marks"
        marks.mkdir()
        meeting = self.pausing("meeting", f"""\
[ "$2" = render ] || exec "$real" "$@"
mark={marks}/${{SLURM_RESTART_COUNT:-0}}
echo "$SLURMD_NODENAME" >"$mark.begun"
tries=0
while [ "$(ls {marks} | grep -c begun)" -lt 2 ] && [ "$tries" -lt 1500 ]; do sleep 0.1; tries=$((tries + 1)); done
code=0; "$real" "$@" 2>"$mark.err" || code=$?
echo "$code" >"$mark.ended"
exit "$code\"""")
        self.submit(out, made, LOADIN=meeting, STEMS_PER_TASK=8)
        self.cluster.wait(lambda: (marks / "0.begun").exists(), 120, "the first attempt")
        node = (marks / "0.begun").read_text().strip()
        survivors = self.cluster.tasks_of(node)
        assert survivors, "the task runs"
        self.cluster.kill(node, tasks=False)
        self.say(f"only the daemon of {node} is killed; its task lives on")
        self.cluster.wait(lambda: (marks / "1.begun").exists(), 240, "the second attempt")
        assert (marks / "1.begun").read_text().strip() != node, "it runs elsewhere"
        self.cluster.wait(lambda: len(list(marks.glob("*.ended"))) == 2, 120, "both ends")
        ended = {path.name: (path.read_text().strip(), path.with_suffix(".err").read_text()) for path in marks.glob("*.ended")}
        assert all(end == ("0", "") for end in ended.values()), f"one winner, and no error for the other: {ended}"
        self.cluster.drain(240)
        self.cluster.start_node(node, "-b")
        self.check_same(out, self.one, made)
        watch.check(8)
        self.say("3: two attempts of one render at once: one winner, no difference, no error")

    def submitter_killed_and_a_poisoned_stem(self):
        inbox = self.folder / "poisoned"
        made = [inbox / delivery.name for delivery in self.made[: 12 if self.full else 6]]
        for delivery, copy in zip(self.made, made):
            shutil.copytree(delivery, copy)
        bad = made[4] / "Stem 03.wav"
        good = bad.read_bytes()
        bad.write_bytes(good[: len(good) // 2])
        one = self.single_machine(made, "one-poisoned", codes=(1,))
        out = self.folder / "poisoned-out"
        out.mkdir()
        watch = Watch(out)
        # An sbatch that kills its submitter at the sixth call: the second set is half there.
        shim = self.folder / "shim"
        shim.mkdir()
        real = shutil.which("sbatch")
        (shim / "sbatch").write_text(f"""#!/bin/sh
echo x >>{shim}/calls
if [ "$(wc -l <{shim}/calls)" -gt 6 ]; then
  pid=$PPID
  while grep -q slurm/submit "/proc/$pid/cmdline"; do
    parent=$(cut -d ' ' -f 4 "/proc/$pid/stat")
    kill -9 "$pid"
    pid=$parent
  done
  exit 1
fi
exec {real} "$@"
""")
        (shim / "sbatch").chmod(0o755)
        # The first set must still be in the queue when the second submitter comes.
        slow = self.pausing("slow-survey", '[ "$2" = survey ] && sleep 4\nexec "$real" "$@"')
        settings = dict(LOADIN=slow, STEMS_PER_TASK=8, DELIVERIES_PER_SET=3)
        killed = self.submit(out, made, check=False, PATH=f"{shim}:{os.environ['PATH']}", **settings)
        assert f"of {len(made)} deliveries queued" not in killed, killed
        queued = sorted(name.rsplit("-", 1)[1] for name in {name for name, *_ in self.cluster.queue()})
        assert queued == ["plan", "plan", "render", "seal", "survey", "survey"], f"one set whole, one half: {queued}"
        self.say(f"the submitter is killed; one set is queued whole, the other half")
        resubmitted = self.submit(out, made, **settings)
        print(resubmitted, end="")
        assert "3 are in the queue already" in resubmitted, resubmitted
        self.cluster.drain(240)
        sealed = sorted(path.parent.name for path in out.glob("*/manifest.json"))
        assert sealed == [delivery.name for delivery in made], sealed
        self.check_same(out, one, made)
        assert [state for _, state in self.states("-seal")].count("FAILED") == 1, self.states("-seal")
        logs = "".join(log.read_text() for log in out.glob(".sets/*/seal-*.log"))
        assert f"{made[4]}: sealed" in logs and "failed: Stem 03.wav" in logs, logs
        watch.check(8 * len(made) - 1)
        self.say("4: the others are sealed, and the log of the failed job names delivery and stem")
        bad.write_bytes(good)
        repaired = self.submit(out, made, **settings)
        assert f"1 of {len(made)} deliveries queued" in repaired, repaired
        self.cluster.drain(240)
        self.single_machine(made, "one-poisoned")
        self.check_same(out, one, made)
        again = self.submit(out, made)
        assert f"{len(made)} are sealed" in again, again
        self.say("4: repaired and submitted again, it is complete, and as on one machine with the same history")


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("program", type=pathlib.Path)
    parser.add_argument("--full", action="store_true")
    parser.add_argument("--only", choices=PARTS, nargs="+", default=PARTS, help="these parts alone")
    asked = parser.parse_args()
    if slurm.missing() or os.geteuid() != 0:
        sys.exit(f"needs root and these programs: {slurm.missing()}")
    with tempfile.TemporaryDirectory(prefix="loadin-slurm-") as folder:
        proof = Proof(asked.program.resolve(), pathlib.Path(folder), asked.full)
        try:
            proof.prepare()
            for part in asked.only:
                getattr(proof, part)()
        except BaseException:
            for log in sorted(pathlib.Path(folder).glob("cluster/*.log")) + sorted(pathlib.Path(folder).glob("*/.sets/*/*.log")):
                print(f"--- {log}\n" + "\n".join(log.read_text(errors="replace").splitlines()[-15:]), file=sys.stderr)
            raise
        finally:
            proof.cluster.end()
        proof.say(f"proved: {', '.join(asked.only)}")


if __name__ == "__main__":
    main()
