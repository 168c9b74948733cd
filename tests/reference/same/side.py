"""One program in a folder of its own: what it was asked, and all that it answered. Compares nothing."""

import os
import re
import shutil
import subprocess

#: What nobody promises: durations and speeds, in the words that the program has for them.
TIMES = [
    (re.compile(r"in \d+\.\d s( \(\d+ MB/s\))?"), "in T s"),
]

#: What is done before depends on what is remembered.
REUSED = re.compile(r"; \d+ steps were done before")

#: A table of a batch ends with seconds and MB/s.
TABLE = re.compile(r"^(.*\S) +MB +seconds +MB/s *$")


class Ran:
    """One command with its exit code and what it printed."""

    def __init__(self, args, code, out, err):
        self.args, self.code, self.out, self.err = args, code, out, err


class Side:
    """A program that works in `root` and sees the deliveries in it under the same relative paths as the other one."""

    def __init__(self, program, older, schema, root):
        self.program, self.older, self.schema, self.root = program, older, schema, root
        self.ran, self.kept, self.verbs = [], 0, set()
        kept = ("PATH", "HOME", "TMPDIR", "LD_LIBRARY_PATH")
        self.environment = {key: os.environ[key] for key in kept if key in os.environ}
        self.environment |= {"TZ": "UTC", "LC_ALL": "C.UTF-8", "COLUMNS": "100", "TERM": "dumb"}

    def path(self, *parts):
        """A path below the root."""
        return os.path.join(self.root, *parts)

    def run(self, *args, quiet=True, older=False):
        """Runs the program, or the older one of the two; `quiet` leaves progress out of what it says on stderr."""
        wanted = [*args, "--progress", "none"] if quiet else list(args)
        program = self.older if older else self.program
        done = subprocess.run([program, *wanted], cwd=self.root, env=self.environment, stdin=subprocess.DEVNULL,
                              capture_output=True, timeout=300, check=False)
        out, err = (self.plain(text.decode("utf-8", "backslashreplace")) for text in (done.stdout, done.stderr))
        self.ran.append(Ran(args, done.returncode, out, err))
        self.verbs.add(" ".join(args[:2]) if args and args[0] in ("unit", "recipe") else args[0] if args else "")
        return self.ran[-1]

    def broke_off(self, error):
        """Notes that a chain could not go on."""
        self.ran.append(Ran(["(the chain broke off)"], None, "", self.plain(str(error))))

    def plain(self, text):
        """The text without times, and without what differs by the folder in which it was made."""
        text = text.replace(self.root, "@")
        for pattern, word in TIMES:
            text = pattern.sub(word, text)
        lines, columns = [], 0
        for line in text.split("\n"):
            head = TABLE.match(line)
            if head:
                columns = 2
            elif not line.strip():
                columns = 0
            if columns:
                line = " ".join(line.split()[:-columns])
            lines.append(line)
        return "\n".join(lines)

    def write(self, path, data):
        """Writes a file below the root and returns its relative path."""
        os.makedirs(os.path.dirname(self.path(path)), exist_ok=True)
        with open(self.path(path), "wb") as file:
            file.write(data if isinstance(data, bytes) else data.encode())
        return path

    def keep(self, folder):
        """Puts away a copy of a folder as it is now, to be compared later."""
        self.kept += 1
        shutil.copytree(self.path(folder), self.path("kept", f"{self.kept:02} {folder.replace('/', ' ')}"))

    def forget(self, *folders):
        """Removes folders that were compared."""
        for folder in folders:
            shutil.rmtree(self.path(folder), ignore_errors=True)
