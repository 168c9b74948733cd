"""What both programs are asked: each chain is a list of commands in one folder. Compares nothing."""

import os
import time

from . import deliveries, recipes
from .side import REUSED

SHIPPED = ["mix-prep", "whole-db", "remix-pack", "master-intake", "match-48k", "archive"]
VERBS = ["audit", "facts", "plan", "prep", "verify", "restore", "report", "recipe", "unit", "completions", "man"]
STEPS = ["scan", "survey", "plan", "render", "seal"]


def recipe(side, name):
    """What stands behind `--recipe`: a shipped recipe's name, or the file of a written one."""
    if name in SHIPPED:
        return name
    return side.write(f"recipes/{name}.toml", recipes.text(name, recipes.WRITTEN[name]))


def words(side, _):
    """Help, manual pages, completions, and what is said of wrong arguments."""
    side.run("--help", quiet=False)
    side.run("--version", quiet=False)
    side.run("-h", quiet=False)
    for verb in VERBS:
        side.run(verb, "--help", quiet=False)
        side.run(verb, "-h", quiet=False)
        side.run("man", verb, quiet=False)
    for verb, actions in (("unit", STEPS), ("recipe", ["list", "show", "check", "schema"])):
        for action in actions:
            side.run(verb, action, "--help", quiet=False)
    for shell in ("bash", "elvish", "fish", "powershell", "zsh", "cmd"):
        side.run("completions", shell, quiet=False)
    side.run("man", quiet=False)
    song = "deliveries/songs"
    for args in (
        [], ["frobnicate"], ["man", "frobnicate"], ["audit"], ["plan"], ["prep", song], ["prep", "--out", "out/x"],
        ["prep", song, "--out", "out/x", "--jobs", "0"], ["prep", song, "--out", "out/x", "--jobs", "many"],
        ["prep", song, "--out", "out/x", "--memory", "lots"], ["prep", song, "--out", "out/x", "--patience", "0"],
        ["prep", song, "--out", "out/x", "--until", "25:00"], ["prep", song, "--out", "out/x", "--order", "mood"],
        ["prep", song, "--out", "out/x", "--format", "xml"], ["prep", song, "--out", "out/x", "--progress", "loud"],
        ["prep", song, "--out", "out/x", "--recipe", "mix-prp"],
        ["prep", song, "--out", "out/x", "--recipe", "no.toml"],
        ["prep", "deliveries/none", "--out", "out/x"], ["prep", "deliveries/nothing", "--out", "out/x"],
        ["audit", "deliveries/none"], ["audit", "deliveries/nothing"], ["facts", "deliveries/none"],
        ["facts", "deliveries/nothing"], ["plan", "deliveries/none"], ["plan", "deliveries/nothing"],
        ["plan", song, "--recipe", "no.toml"], ["verify", song], ["verify", "out/none"],
        ["restore", song, "--to", "out/y"],
        ["restore", "out/none", "--to", "out/y"], ["report", song], ["report", "out/none"],
        ["verify", song, "--replay"],
        ["unit", "scan", song], ["unit", "survey", song, "--out", "out/x", "--shard", "3/2"],
        ["unit", "render", song, "--out", "out/x", "--shard", "1/2", "--stem", "One/Kick.wav"],
        ["unit", "scan", song, "deliveries/clock", "--out", "out/x"],
        ["recipe"], ["recipe", "show", "mix-prp"], ["recipe", "check", "no.toml"], ["recipe", "check"],
    ):
        side.run(*args, quiet=False)


def recipes_(side, _):
    """Recipes: the shipped ones, the written ones and the wrong ones."""
    side.run("recipe", "list")
    side.run("recipe", "schema")
    for name in SHIPPED:
        side.run("recipe", "show", name)
        side.run("recipe", "check", side.write(f"recipes/{name}.toml", side.ran[-1].out))
    for name in recipes.WRITTEN:
        side.run("recipe", "check", recipe(side, name))
    wrong = [side.write(f"wrong/{name}.toml", text) for name, text in recipes.wrong()]
    for path in wrong:
        side.run("recipe", "check", path)
    side.run("recipe", "check", *wrong)
    side.run("prep", "deliveries/songs", "--out", "out/wrong", "--recipe", wrong[0])
    side.run("plan", "deliveries/songs", "--recipe", wrong[7])


def look(side, delivery, recipe_="mix-prep"):
    """All that only reads."""
    path = f"deliveries/{delivery}"
    side.run("audit", path, "--jobs", "1")
    side.run("audit", path, "--format", "json", "--jobs", "2")
    side.run("audit", path, "--out", f"out/audit {delivery}", "--jobs", "1")
    side.run("facts", path)
    side.run("facts", path, "--format", "json")
    side.run("facts", path, "--stated")
    side.run("facts", path, "--stated", "--format", "json")
    side.run("plan", path, "--recipe", recipe_)
    side.run("plan", path, "--recipe", recipe_, "--format", "json", "--jobs", "1")


def prepare(side, delivery, *names):
    """Prepares by each of the recipes, in turns on one thread and two, and verifies."""
    for number, name in enumerate(names):
        out, path = f"out/{delivery} {name}", recipe(side, name)
        side.run("prep", f"deliveries/{delivery}", "--out", out, "--recipe", path, "--jobs", str(1 + number % 2))
        side.run("verify", out)
        if number and name not in SHIPPED:
            side.run("plan", f"deliveries/{delivery}", "--recipe", path, "--format", "json")


def after(side, delivery, name):
    """What can be done with a prepared delivery."""
    out, path = f"out/{delivery} {name}", f"deliveries/{delivery}"
    side.run("verify", out, "--delivery", path)
    side.run("verify", out, "--delivery", path, "--replay", "--jobs", "2")
    side.run("restore", out, "--to", f"restored/{delivery} {name}")
    side.run("report", out)
    side.run("plan", path, "--out", out, "--recipe", recipe(side, name))
    side.run("prep", path, "--out", out, "--recipe", recipe(side, name))


def everything(*names, again=1):
    """A chain of all of these."""
    def chain(side, delivery):
        look(side, delivery)
        prepare(side, delivery, *names)
        for name in names[:again]:
            after(side, delivery, name)
    return chain


def alone(side, delivery):
    """Each value of each setting by itself."""
    look(side, delivery)
    for number, (name, text) in enumerate(recipes.alone(side.schema)):
        path, out = side.write(f"recipes/alone {number}.toml", text), f"out/{number:02} {name.replace('/', ' ')}"
        side.run("prep", f"deliveries/{delivery}", "--out", out, "--recipe", path, "--jobs", "1")


def outputs(side, delivery):
    """Every container in every depth."""
    for number, (name, text) in enumerate(recipes.outputs()):
        path, out = side.write(f"recipes/outputs {number}.toml", text), f"out/{name}"
        side.run("prep", f"deliveries/{delivery}", "--out", out, "--recipe", path, "--jobs", "2")
        side.run("verify", out)
        side.run("restore", out, "--to", f"restored/{name}")


def late(side, delivery):
    """Late files: pinned, compared, set aside, and linked anew."""
    path, out = f"deliveries/{delivery}", f"out/{delivery}"
    full = recipe(side, "full")
    side.run("prep", path, "--out", out)
    side.run("prep", path, "--out", f"{out} full", "--recipe", full)
    side.keep(out)
    getattr(deliveries, f"come_{delivery}")(side.path(path))
    side.run("verify", out, "--delivery", path)
    side.run("plan", path, "--out", out)
    side.run("plan", path, "--out", out, "--format", "json")
    side.run("prep", path, "--out", out)
    side.run("prep", path, "--out", f"{out} full", "--recipe", full)
    side.keep(out)
    side.run("report", out)
    side.run("verify", out)
    side.run("verify", out, "--delivery", path, "--replay")
    side.run("restore", out, "--to", "restored/late")
    side.run("prep", path, "--out", out)
    side.keep(out)
    side.run("prep", path, "--out", out, "--recipe", recipe(side, "bare"))
    side.keep(out)
    side.run("prep", path, "--out", out, "--relink")
    side.run("verify", out)


def bag(side, delivery):
    """The outputs as a bag, and as none."""
    path = f"deliveries/{delivery}"
    side.run("prep", path, "--out", "out/bag", "--bag")
    side.run("verify", "out/bag", "--delivery", path, "--replay")
    side.run("restore", "out/bag", "--to", "restored/bag")
    side.run("prep", path, "--out", "out/bag", "--bag")
    side.run("prep", path, "--out", "out/bag")
    side.run("report", "out/bag")
    side.run("prep", path, "--out", "out/plain")
    side.run("prep", path, "--out", "out/plain", "--bag")
    side.write("out/bag/data/stranger.txt", "?")
    side.run("verify", "out/bag")


def batch(side, _):
    """Several deliveries at once; one cannot be prepared, since somebody's files stand where its outputs go."""
    paths = [f"deliveries/{name}" for name in ("songs", "clock", "archive/song.zip")]
    finish = ["--on-finish", "cat > finished.json"]
    side.run("audit", *paths, "--out", "out/audit")
    side.run("audit", *paths)
    side.run("audit", *paths, "--format", "json")
    side.run("prep", *paths, "--out", "out/batch", *finish)
    side.run("prep", *paths, "--out", "out/by size", "--order", "size", "--format", "json", "--jobs", "1")
    side.run("prep", *paths[:2], "--out", "out/by name", "--order", "name", "--recipe", "archive", "--memory", "1M")
    side.run("prep", paths[1], "--out", "out/one", "--batch", "--format", "json")
    in_ten_hours = time.strftime("%H:%M", time.gmtime(time.time() + 36_000))
    side.run("prep", paths[1], "--out", "out/in time", "--until", in_ten_hours)
    side.run("prep", paths[0], "--out", "out/lines", "--progress", "lines", "--jobs", "1", quiet=False)
    side.run("prep", paths[0], "--out", "out/json", "--progress", "json", "--jobs", "1", quiet=False)
    side.run("verify", "out/batch/songs", "out/batch/clock")
    side.run("report", "out/batch")
    side.run("report", "out/batch/songs", "out/one")
    side.run("prep", *paths, "--out", "out/batch", *finish)
    side.run("prep", paths[0], "deliveries/../deliveries/songs", "--out", "out/twins")
    side.run("prep", *paths, "deliveries/nothing", "--out", "out/with nothing")
    side.run("audit", *paths, "deliveries/nothing")
    side.write("out/refused/songs/thesis.txt", "years of work")
    side.run("prep", *paths, "--out", "out/refused", *finish, "--recipe", recipe(side, "full"))
    side.run("report", "out/refused")


def units(side, delivery):
    """The steps one by one, too early, in shares, twice, and over a prepared folder."""
    path, out = f"deliveries/{delivery}", "out/units"
    for step in STEPS[1:]:
        side.run("unit", step, path, "--out", out)
    for step, shares in (("scan", 1), ("survey", 3), ("plan", 1), ("render", 2)):
        for share in range(1, shares + 1):
            if step == "survey" and share == 2:
                side.run("unit", "plan", path, "--out", out)
            side.run("unit", step, path, "--out", out, "--shard", f"{share}/{shares}")
    side.keep(out)
    for step in STEPS[-1:] + STEPS:
        side.run("unit", step, path, "--out", out)
    side.run("verify", out, "--delivery", path, "--replay")
    side.run("prep", path, "--out", out)
    several = ["deliveries/clock", "deliveries/songs"]
    side.run("unit", "scan", *several, "deliveries/nothing", "--out", "out/units with nothing", "--batch")
    for step in STEPS:
        full = ["--recipe", recipe(side, "full")]
        side.run("unit", step, *several, "--out", "out/units of several", "--batch", *full)
        for stem in ("Kick.wav", "Bass.wav", "Vox.wav") if step in ("survey", "render") else [""]:
            one = ["--stem", stem] if stem else []
            side.run("unit", step, "deliveries/clock", "--out", "out/by stem", *full, *one)
    side.run("unit", "survey", "deliveries/clock", "--out", "out/by stem", "--stem", "Nobody.wav")
    side.run("report", "out/units of several")


def tampered(side, delivery):
    """Prepared folders that somebody changed, and places where nothing may be written."""
    path, out = f"deliveries/{delivery}", "out/tampered"
    side.run("prep", path, "--out", out)
    audio = sorted(os.listdir(side.path(out, "audio")))
    first = f"{out}/audio/{audio[0]}"
    with open(side.path(first), "rb") as file:
        whole = file.read()
    side.write(first, whole[:-1] + bytes([whole[-1] ^ 1]))
    side.run("verify", out)
    side.run("restore", out, "--to", "restored/tampered")
    side.run("prep", path, "--out", out)
    side.write(first, whole)
    os.remove(side.path(out, "audio", audio[1]))
    side.write(f"{out}/audio/stranger.wav", whole)
    side.run("verify", out)
    os.remove(side.path(out, "audio/stranger.wav"))
    side.run("prep", path, "--out", out)
    side.write(f"{out}/client-note.md", "an edited note\n")
    side.write(f"{out}/track-sheet.csv", "an edited sheet\n")
    side.run("report", out)
    side.run("verify", out)
    side.keep(out)
    with open(side.path(out, "manifest.json"), "rb") as file:
        manifest = file.read()
    for changed in (manifest[:-20], b"{}", manifest.replace(b'"gain_db": ', b'"gain_db": 1')):
        side.write(f"{out}/manifest.json", changed)
        side.run("verify", out)
        side.run("report", out)
    side.run("prep", path, "--out", out)
    side.write("out/foreign/thesis.txt", "years of work")
    side.run("prep", path, "--out", "out/foreign")
    side.run("prep", path, "--out", f"{path}/out")
    side.write("out/file", "no folder")
    side.run("prep", path, "--out", "out/file")
    side.run("restore", out, "--to", "out/foreign")


def taken_over(side, delivery):
    """What the older program has prepared, in the hands of the program: nothing is made that is there, and late files
    are pinned. It may remember otherwise, so what was done before is not compared here."""
    path, out = f"deliveries/{delivery}", f"out/{delivery}"

    def run(*args):
        ran = side.run(*args)
        ran.out = REUSED.sub("", ran.out)
        if os.path.exists(side.path(out, "summary.json")):
            os.remove(side.path(out, "summary.json"))

    side.run("prep", path, "--out", out, older=True)
    for args in (["verify", out, "--delivery", path, "--replay"], ["report", out], ["prep", path, "--out", out]):
        run(*args)
    side.keep(out)
    deliveries.come_late(side.path(path))
    run("plan", path, "--out", out)
    run("prep", path, "--out", out)
    run("verify", out, "--delivery", path, "--replay")
    run("restore", out, "--to", "restored/taken over")
    run("prep", path, "--out", out, "--relink")


#: Name, delivery, and what is done with it.
CHAINS = [
    ("words", "", words),
    ("recipes", "", recipes_),
    ("demo", "demo", everything("mix-prep", "full", "remix-pack")),
    ("formats", "formats", everything("mix-prep", "full", "bare", "chosen", "archive", "match-48k", "loose", again=2)),
    ("metadata", "metadata", everything("mix-prep", "full", "bare", "chosen", "archive", "stamp", "loose", again=4)),
    ("faults", "faults",
     everything("mix-prep", "full", "bare", "chosen", "master-intake", "whole-db", "loose", again=2)),
    ("stamps", "stamps", everything("mix-prep", "full", "bare", "chosen", "stamp", "remix-pack", again=3)),
    ("clock", "clock", everything("mix-prep", "chosen")),
    ("rough mix", "mix", everything("mix-prep", "bare")),
    ("limited mix", "loud_mix", everything("mix-prep", "full")),
    ("siblings", "family", everything("mix-prep", "full")),
    ("song", "song", everything("mix-prep", "remix-pack")),
    ("songs", "songs", everything("mix-prep", "match-48k")),
    ("archive", "archive", everything("mix-prep", "full")),
    ("settings", "settings", alone),
    ("outputs", "metadata", outputs),
    ("late", "late", late),
    ("late stamps", "late_stamps", late),
    ("taken over", "late", taken_over),
    ("bag", "metadata", bag),
    ("batch", "", batch),
    ("units", "settings", units),
    ("tampered", "songs", tampered),
]
