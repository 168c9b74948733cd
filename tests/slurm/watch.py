"""What is in a prepared folder, and what ever was."""

import json
import threading
import time


def read_tree(out):
    """Every file of a prepared delivery that its user sees; the manifest without what is about the run."""
    files = {}
    for path in sorted(out.rglob("*")):
        name = path.relative_to(out)
        if path.is_file() and name.parts[0] != ".loadin" and name.name != "summary.json":
            files[str(name)] = path.read_bytes()
    manifest = json.loads(files["manifest.json"])
    del manifest["run"]
    files["manifest.json"] = json.dumps(manifest, sort_keys=True).encode()
    return files


class Watch(threading.Thread):
    """Sees every output that ever stands under a final name: a second commit would be another file (inode)."""

    def __init__(self, out):
        super().__init__(daemon=True)
        self.out, self.seen, self.go_on = out, {}, True
        self.start()

    def look(self):
        for path in self.out.glob("*/audio/*.wav"):
            try:
                self.seen.setdefault(path, set()).add((path.stat().st_ino, path.stat().st_mtime_ns))
            except FileNotFoundError:
                self.seen.setdefault(path, set()).add("gone")

    def run(self):
        while self.go_on:
            self.look()
            time.sleep(0.05)

    def check(self, outputs):
        self.go_on = False
        self.join()
        self.look()
        twice = {str(path): seen for path, seen in self.seen.items() if len(seen) != 1}
        assert not twice, f"committed twice: {twice}"
        assert len(self.seen) == outputs, f"{len(self.seen)} outputs instead of {outputs}"
