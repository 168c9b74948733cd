"""A Slurm of two nodes on the loopback of this machine, with its own folder, keys and ports; it ends only what it started."""

import os
import pathlib
import re
import secrets
import shutil
import signal
import socket
import subprocess
import time
from datetime import datetime

NODES = ("n1", "n2")
REQUEUE_HOLD_SECONDS = 20  # Slurm's own default is 120; it follows from cred_expire.
NO_HOLD = "nohold_on_prolog_fail,"


def free_port():
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


class Cluster:
    def __init__(self, folder):
        self.folder = pathlib.Path(folder)
        self.folder.mkdir(parents=True)
        self.daemons = {}
        self.completed = self.folder / "completed"
        host = socket.gethostname().split(".")[0]
        ports = [free_port() for _ in range(3)]
        self.socket = self.folder / "munge.socket"
        key = self.folder / "munge.key"
        key.write_bytes(secrets.token_bytes(128))
        key.chmod(0o600)
        self.folder.chmod(0o755)
        nodes = "\n".join(
            f"NodeName={name} NodeHostname={host} NodeAddr=127.0.0.1 Port={port} CPUs=2 RealMemory=2000 State=UNKNOWN"
            for name, port in zip(NODES, ports[1:])
        )
        self.conf = self.folder / "slurm.conf"
        self.refusing = self.folder / "refusing"
        prolog = self.folder / "prolog"
        prolog.write_text(f"#!/bin/sh\n! grep -qx \"$SLURMD_NODENAME\" {self.refusing} 2>/dev/null\n")
        prolog.chmod(0o755)
        self.conf.write_text(f"""\
ClusterName=loopback
SlurmctldHost={host}(127.0.0.1)
SlurmctldPort={ports[0]}
SlurmUser=root
AuthType=auth/munge
AuthInfo=socket={self.socket},cred_expire={REQUEUE_HOLD_SECONDS}
CommunicationParameters=NoCtldInAddrAny,NoInAddrAny
StateSaveLocation={self.folder}/state
SlurmdSpoolDir={self.folder}/spool-%n
SlurmctldPidFile={self.folder}/controller.pid
SlurmdPidFile={self.folder}/%n.pid
SlurmctldLogFile={self.folder}/controller.log
SlurmdLogFile={self.folder}/%n.log
# A container has no cgroups to give away.
ProctrackType=proctrack/linuxproc
TaskPlugin=task/none
SwitchType=switch/none
MpiDefault=none
JobAcctGatherType=jobacct_gather/none
JobCompType=jobcomp/filetxt
JobCompLoc={self.completed}
SelectType=select/cons_tres
SelectTypeParameters=CR_CPU
# A node that will not start a task costs a wait and not a person (README.md). The rest: a small queue is looked at often.
SchedulerParameters={NO_HOLD}sched_interval=2,sched_min_interval=200000,batch_sched_delay=1
# A site lets its nodes fail before it starts tasks; so that a test can have one that does.
Prolog={prolog}
# Minutes at a site: a node is taken for dead after so many seconds. It is asked for its tasks after seven times as many,
# which is when tasks are missed that it has lost.
SlurmdTimeout=6
SlurmctldTimeout=10
MessageTimeout=5
KillWait=2
# The test looks at jobs that have ended.
MinJobAge=3600
# A node that was lost takes work again when it is back, whatever took it.
ReturnToService=2
RequeueExit=75
{nodes}
PartitionName=all Nodes=ALL Default=YES MaxTime=INFINITE State=UP
""")
        (self.folder / "state").mkdir()
        self.env = {**os.environ, "SLURM_CONF": str(self.conf)}
        for variable in [name for name in self.env if name.startswith(("SLURM_", "SBATCH_")) and name != "SLURM_CONF"]:
            del self.env[variable]

    def start(self):
        self.run_daemon("munge", "munged", "--foreground", "--force", f"--socket={self.socket}",
                        f"--key-file={self.folder}/munge.key", f"--pid-file={self.folder}/munge.pid",
                        f"--log-file={self.folder}/munge.log", f"--seed-file={self.folder}/munge.seed")
        self.wait(self.socket.exists, 10, "the socket of munge")
        self.start_controller()
        for node in NODES:
            self.start_node(node)
        self.wait(lambda: self.call("sinfo", "-h", "-o", "%D %t").split() == ["2", "idle"], 60, "two idle nodes")

    def run_daemon(self, name, *command):
        with open(self.folder / f"{name}.out", "ab") as out:
            self.daemons[name] = subprocess.Popen(command, env=self.env, stdout=out, stderr=out, start_new_session=True)

    def start_controller(self):
        # Without -c: it goes on with the state that is saved.
        self.run_daemon("controller", "slurmctld", "-D", "-f", str(self.conf))
        self.wait(lambda: "UP" in self.call("scontrol", "ping", check=False), 60, "the controller")

    def start_node(self, node, *more):
        self.run_daemon(node, "slurmd", "-D", "-N", node, "-f", str(self.conf), *more)

    def kill(self, name, tasks=True):
        """Ends a daemon at once; with `tasks` also everything that it has started, as when the power goes. Gives how many
        processes besides the daemon that were."""
        daemon = self.daemons.pop(name)
        doomed = [daemon.pid] + (self.tasks_of(name) if tasks else [])
        for pid in doomed:
            try:
                os.kill(pid, signal.SIGKILL)
            except ProcessLookupError:
                pass
        daemon.wait()
        return len(doomed) - 1

    def tasks_of(self, node):
        """The step daemons of a node, which are no children of it any more, and all that they have started."""
        parents, found = {}, []
        for entry in pathlib.Path("/proc").iterdir():
            if not entry.name.isdigit():
                continue
            try:
                parents[int(entry.name)] = int((entry / "stat").read_text().rsplit(")", 1)[1].split()[1])
                environ = (entry / "environ").read_bytes()
                command = (entry / "cmdline").read_bytes()
            except OSError:
                continue
            ours = f"SLURM_CONF={self.conf}".encode() in environ
            if ours and (b"SLURMD_NODENAME=" + node.encode() in environ or b"slurmstepd" in command and self.spool_of(entry, node)):
                found.append(int(entry.name))
        while True:
            more = [pid for pid, parent in parents.items() if parent in found and pid not in found]
            if not more:
                return found
            found += more

    def spool_of(self, process, node):
        try:
            opened = [os.readlink(link) for link in (process / "fd").iterdir()] + [os.readlink(process / "cwd")]
        except OSError:
            return False
        return any(f"spool-{node}" in path or path.endswith(f"/{node}.log") for path in opened)

    def call(self, *command, check=True, **more):
        done = subprocess.run(command, env={**self.env, **more.pop("env", {})}, text=True, capture_output=True, **more)
        if check and done.returncode:
            raise AssertionError(f"{command} ended with {done.returncode}: {done.stdout}{done.stderr}")
        return done.stdout

    def saved_at(self):
        """When the controller last wrote down which jobs run; what it started since then it forgets when it is killed."""
        state = self.folder / "state" / "job_state"
        return state.stat().st_mtime if state.exists() else 0.0

    def started_at(self):
        """When each task was started last, by the controller's log, which is exact to a millisecond where its answers are not."""
        log = (self.folder / "controller.log").read_text()
        found = re.findall(r"^\[(\S+)\] .*(?:Allocate|Started) JobId=(\d+_\d+)\(", log, re.MULTILINE)
        return {task: datetime.fromisoformat(when).timestamp() for when, task in found}

    def drained(self):
        """Nodes that get no work until a person says so, with the reason."""
        lines = self.call("sinfo", "-h", "-N", "-t", "drain", "-o", "%N|%E").splitlines()
        return dict(line.split("|") for line in lines)

    def resume(self, node):
        self.call("scontrol", "update", f"nodename={node}", "state=resume")

    def hold_refused(self, hold):
        """Whether a task that a node refuses to start is held, as a site has it by default."""
        settings = self.conf.read_text().replace(f"={NO_HOLD}", "=")
        self.conf.write_text(settings if hold else settings.replace("SchedulerParameters=", f"SchedulerParameters={NO_HOLD}"))
        self.call("scontrol", "reconfigure")

    def queue(self):
        """Every task that has not ended: name, state, node, number, reason to wait."""
        return [line.split("|") for line in self.call("squeue", "-h", "-r", "-o", "%j|%T|%N|%i|%r", check=False).splitlines()]

    def drain(self, seconds):
        self.wait(lambda: not self.queue(), seconds, "an empty queue", every=1)

    def wait(self, true, seconds, what, every=0.2):
        end = time.monotonic() + seconds
        while not true():
            if time.monotonic() > end:
                raise AssertionError(f"waited {seconds} s for {what}; the queue: {self.queue()}")
            time.sleep(every)

    def end(self):
        for node in NODES:
            for pid in self.tasks_of(node):
                try:
                    os.kill(pid, signal.SIGKILL)
                except ProcessLookupError:
                    pass
        for daemon in reversed(list(self.daemons.values())):
            daemon.kill()
            daemon.wait()
        self.daemons = {}


def missing():
    """Programs of Slurm that are not installed here."""
    return [name for name in ("munged", "slurmctld", "slurmd", "sbatch", "squeue") if not shutil.which(name)]
