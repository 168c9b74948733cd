"""Finds what differs between two runs, and says it. Runs nothing."""

import difflib
import hashlib
import json
import os
import re
from dataclasses import dataclass

MOST_LINES = 30

#: Where the program remembers what it has done; other versions of it may remember otherwise.
RECORDS = ".loadin"


def tree(root):
    """Every file and empty folder below a folder, by relative path."""
    found = set()
    for folder, folders, names in os.walk(root):
        inside = os.path.relpath(folder, root)
        found.update(os.path.normpath(os.path.join(inside, name)) for name in names)
        if not folders and not names and inside != ".":
            found.add(inside + os.sep)
    return found


def read(path):
    """The bytes of a file."""
    with open(path, "rb") as file:
        return file.read()


def promised(path):
    """The part of a file that two runs must have in common: bytes, text or JSON."""
    data, name = read(path), os.path.basename(path)
    if name.endswith(".json"):
        return from_json(data)
    if name in ("manifest-sha256.txt", "tagmanifest-sha256.txt", "bag-info.txt"):
        return of_bag(path, data.decode("utf-8", "replace"))
    return data


@dataclass(frozen=True)
class Number:
    """A number as it is written down, since `1.0` and `1` are other bytes."""

    text: str


def from_json(data):
    """The JSON without what is about the run; the bytes where it is none."""
    try:
        value = json.loads(data, parse_float=Number, parse_int=Number)
    except ValueError:
        return data
    if isinstance(value, dict):
        without_run(value)
    return value


def without_run(value):
    """Takes out what manifest, summary and plan say of the run."""
    if "manifest" in value:
        value.pop("run", None)
    if "summary" in value and "started_unix" in value:
        value["started_unix"] = value["seconds"] = None
        for entry in value["deliveries"]:
            entry["seconds"] = None


def of_bag(path, text):
    """The tags of a bag: where they name the digest or the size of what tells of the run, that is proved here."""
    root = os.path.dirname(path)

    def proved(match):
        name = match[2]
        if os.path.basename(name) not in ("manifest.json", "manifest-sha256.txt", "bag-info.txt"):
            return match[0]
        right = hashlib.sha256(read(os.path.join(root, name))).hexdigest() == match[1]
        return f"{'proved' if right else 'WRONG'}  {name}"

    def sized(match):
        sizes = [os.path.getsize(os.path.join(root, "data", name)) for name in tree(os.path.join(root, "data"))]
        right = (str(sum(sizes)), str(len(sizes))) == match.groups()
        return f"Payload-Oxum: {'proved' if right else 'WRONG'}"

    text = re.sub(r"^([0-9a-f]{64})  (.*)$", proved, text, flags=re.M)
    return re.sub(r"^Payload-Oxum: (\d+)\.(\d+)$", sized, text, flags=re.M)


def lines_of(old, new):
    """What differs between two values, as lines; none where they are equal."""
    if type(old) is type(new) and old == new and brief(old) == brief(new):
        return []
    if isinstance(old, (dict, list)) and isinstance(new, (dict, list)):
        return capped(json_lines("", old, new))
    if isinstance(old, bytes) and isinstance(new, bytes):
        try:
            old, new = old.decode(), new.decode()
        except UnicodeDecodeError:
            return byte_lines(old, new)
    if isinstance(old, str) and isinstance(new, str):
        rows = difflib.unified_diff(old.split("\n"), new.split("\n"), n=1, lineterm="")
        return capped([row[:400] for row in rows][2:])
    return [f"old: {str(old)[:400]}", f"new: {str(new)[:400]}"]


def byte_lines(old, new):
    """The first bytes that differ."""
    at = next((n for n, (a, b) in enumerate(zip(old, new)) if a != b), min(len(old), len(new)))
    count = sum(a != b for a, b in zip(old, new))
    window = slice(max(0, at - 8), at + 16)
    return [f"first at byte {at}, {count} bytes differ; old has {len(old)} bytes, new has {len(new)}",
            f"old from {window.start}: {old[window].hex(' ')}", f"new from {window.start}: {new[window].hex(' ')}"]


def json_lines(path, old, new):
    """Each path at which two JSON values differ, with both values; another order of keys differs too."""
    if isinstance(old, dict) and isinstance(new, dict):
        if list(old) != list(new) and set(old) == set(new):
            yield f"{path or '.'}: the keys stand in another order: {list(old)} / {list(new)}"
        for key in list(old) + [key for key in new if key not in old]:
            if key not in new:
                yield f"{path}.{key}: only old: {brief(old[key])[:200]}"
            elif key not in old:
                yield f"{path}.{key}: only new: {brief(new[key])[:200]}"
            else:
                yield from json_lines(f"{path}.{key}", old[key], new[key])
    elif isinstance(old, list) and isinstance(new, list):
        if len(old) != len(new):
            yield f"{path}: old has {len(old)} entries, new has {len(new)}"
        for index, (a, b) in enumerate(zip(old, new)):
            yield from json_lines(f"{path}[{index}]", a, b)
    elif old != new or type(old) is not type(new):
        yield f"{path or '.'}: {brief(old)[:200]} / {brief(new)[:200]}"


def brief(value):
    """A value in one line, its keys in their order."""
    if isinstance(value, bytes):
        return ""
    return json.dumps(value, ensure_ascii=False, default=lambda number: number.text)


def capped(rows):
    """So many lines that a person reads them."""
    rows = list(rows)
    more = len(rows) - MOST_LINES
    return rows[:MOST_LINES] + ([f"… and {more} more lines"] if more > 0 else [])


def layout(path, value):
    """How JSON is written down: the same values in other bytes are a difference."""
    return [] if not isinstance(value, (dict, list)) else [read(path).count(b"\n"), read(path)[:2], read(path)[-2:]]


def files(old_root, new_root, wanted):
    """`(path, lines)` for every file that differs below two folders, of those whose path is `wanted`."""
    old, new = ({path for path in tree(root) if wanted(path)} for root in (old_root, new_root))
    for path in sorted(old | new):
        if path not in new:
            yield path, ["only old"]
        elif path not in old:
            yield path, ["only new"]
        elif not path.endswith(os.sep):
            a, b = os.path.join(old_root, path), os.path.join(new_root, path)
            if read(a) == read(b):
                continue
            left, right = promised(a), promised(b)
            found = lines_of(left, right)
            if not found and layout(a, left) != layout(b, right):
                found = ["the same JSON, laid out in another way"]
            if found:
                yield path, found


def is_record(path):
    """Whether a file is the program's own memory."""
    return RECORDS in path.split(os.sep)
