"""Recipes that set what the shipped ones leave alone, one setting at a time and all together, and wrong ones."""

import json

STAGES = ["decode", "resample", "channel-fix", "dc-removal", "gain-stage", "trim-silence", "align-starts", "label",
          "re-encode"]

HEAD = 'recipe = 1\nname = "{name}"\nrevision = 7\n'

#: Values of the settings whose schema is a pattern or a range; those of the others stand in the schema.
VALUES = {
    "leave-out": [["*bass*"], ["takes/*", "*.aif"]],
    "references": [["*amp*"]],
    "rate": ["majority", "source", "48 kHz", "44100 Hz", "88.2 kHz", "32 kHz"],
    "dual-mono-residual": ["-30 dB", "-150 dB"],
    "threshold": ["-20 dBFS", "-48 dBFS", "-120 dBFS"],
    "target": ["-6 dBFS", "0 dBFS", "-18.5 dBFS", "-1 dBTP"],
    "max-boost": ["0 dB", "3 dB"],
    "max-cut": ["0 dB", "3 dB"],
    "head": ["0 ms", "50 ms", ["1 bar", "20 ms"], ["2 bars", "1 bar", "0.1 s"]],
    "tail": ["0 ms", "50 ms", ["1 bar", "20 ms"]],
    "fade": ["0 ms", "20 ms"],
    "max-implied-silence": ["1 s", "60 min"],
    "max-chars": [12, 20, 80],
    "separator": ["_", "-", " "],
    "order": ["kick-and-bass-first", "drums-first", "vocals-first", ["lead vocals", "effects", "drums"]],
}

FULL = """
[[stage]]
stage = "decode"
silent = "keep"
duplicates = "set-aside"
lossy = "set-aside"
leave-out = ["*leave me*", "*riser*"]
references = ["*amp*"]
loudness = true

[[stage]]
stage = "resample"
rate = "48 kHz"

[[stage]]
stage = "channel-fix"
dual-mono = "keep"
dual-mono-residual = "-60 dB"
dead-channel = "keep"
pairs = "join"
layout = "stereo"

[[stage]]
stage = "dc-removal"
threshold = "-50 dBFS"

[[stage]]
stage = "gain-stage"
target = "-1 dBTP"
link = "group"
round-down = "0.1 dB"
max-boost = "12 dB"

[[stage]]
stage = "trim-silence"
threshold = "-70 dBFS"
head = ["2 bars", "0.5 s"]
tail = ["1 bar", "200 ms"]
whole-bars = true
fade = "20 ms"

[[stage]]
stage = "align-starts"
starts = "file"

[[stage]]
stage = "label"
max-chars = 20
charset = "unicode"
separator = "-"
number = false
order = "drums-first"
group-folders = true

[[stage]]
stage = "re-encode"
container = "caf"
depth = "32-bit float"
dither = "none"
markers = true
"""

BARE = """
[[stage]]
stage = "decode"
damage = "keep"

[[stage]]
stage = "resample"
rate = "44100 Hz"

[[stage]]
stage = "channel-fix"
layout = "mono"

[[stage]]
stage = "gain-stage"
target = "-0.5 dBFS"
link = "stem"
round-down = "1 dB"
max-boost = "3 dB"
never-lower = true

[[stage]]
stage = "trim-silence"
link = "group"
head = "20 ms"
tail = "100 ms"

[[stage]]
stage = "align-starts"
by-rough-mix = true
max-implied-silence = "2 s"

[[stage]]
stage = "label"
separator = " "
order = ["lead vocals", "drums"]

[[stage]]
stage = "re-encode"
container = "aiff"
depth = "16-bit"
when-over = "fail"
markers = true
"""

CHOSEN = """
[[stage]]
stage = "decode"
loudness = true
[[stage.for]]
stems = ["*kick*", "*/vox*"]
silent = "keep"
duplicates = "set-aside"
[[stage.for]]
stems = "*.aif*"
damage = "keep"
loudness = false

[[stage]]
stage = "resample"

[[stage]]
stage = "channel-fix"
[[stage.for]]
stems = "*vox*"
layout = "stereo"
[[stage.for]]
stems = "*keys*"
dual-mono = "keep"

[[stage]]
stage = "dc-removal"
[[stage.for]]
stems = "*bass*"
threshold = "-20 dBFS"

[[stage]]
stage = "gain-stage"
[[stage.for]]
stems = ["*fx*", "*synth*"]
link = "stem"
target = "-12 dBFS"

[[stage]]
stage = "trim-silence"
[[stage.for]]
stems = "*vox*"
link = "stem"
head = "10 ms"
tail = "10 ms"
fade = "50 ms"

[[stage]]
stage = "align-starts"
by-rough-mix = true
starts = "auto"

[[stage]]
stage = "label"
group-folders = true
order = "vocals-first"

[[stage]]
stage = "re-encode"
container = "flac"
when-over = "fail"
markers = true
[[stage.for]]
stems = "*kick*"
container = "wav"
markers = false
depth = "64-bit float"
[[stage.for]]
stems = "*vox*"
container = "bwf"
depth = "16-bit"
dither = "none"
"""

STAMP = """
[[stage]]
stage = "decode"

[[stage]]
stage = "resample"
rate = "96 kHz"

[[stage]]
stage = "align-starts"
starts = "stamp"
max-implied-silence = "120 min"

[[stage]]
stage = "label"

[[stage]]
stage = "re-encode"
depth = "32-bit"
"""

LOOSE = """
[[stage]]
stage = "decode"
damage = "keep"

[[stage]]
stage = "resample"
rate = "source"
[[stage.for]]
stems = ["*kick*", "*vox*"]
rate = "44.1 kHz"

[[stage]]
stage = "dc-removal"

[[stage]]
stage = "label"
max-chars = 12

[[stage]]
stage = "re-encode"
depth = "source"
dither = "none"
"""

#: Recipes by name, beside the shipped ones.
WRITTEN = {"full": FULL, "bare": BARE, "chosen": CHOSEN, "stamp": STAMP, "loose": LOOSE}

CONTAINERS = ["bwf", "wav", "aiff", "caf", "flac"]
DEPTHS = ["source", "16-bit", "24-bit", "32-bit", "32-bit float", "64-bit float"]


def text(name, body):
    """A whole recipe."""
    return HEAD.format(name=name) + body


def plain(stage=None, settings=(), without=()):
    """All stages but those `without`, by default, and `settings` (lines) in one of them."""
    lines = ""
    for each in STAGES:
        if each in without:
            continue
        lines += f'[[stage]]\nstage = "{each}"\n'
        if each == stage:
            lines += "".join(line + "\n" for line in settings)
    return lines


def alone(schema):
    """`(name, recipe)` for each value of each setting of the schema, everything else by default."""
    for stage in schema["properties"]["stage"]["items"]["oneOf"]:
        name = stage["properties"]["stage"]["const"]
        for setting, about in stage["properties"].items():
            if setting in ("stage", "for"):
                continue
            for value in values(schema, setting, about):
                lines = [f"{setting} = {json.dumps(value)}"]
                if value == "flac":
                    lines.append('when-over = "fail"')
                # One start and one length need one rate.
                without = ["trim-silence", "align-starts"] if value == "source" and name == "resample" else []
                yield f"{name}.{lines[0]}", text("alone", plain(name, lines, without))


def values(schema, setting, about):
    """What a setting is tried with."""
    if setting in VALUES:
        return VALUES[setting]
    if about.get("type") == "boolean":
        return [False, True]
    named = schema["$defs"][about["$ref"].rsplit("/", 1)[1].replace("%20", " ")]
    return [one["const"] for one in named["oneOf"]]


def outputs():
    """`(name, recipe)` for every container in every depth; FLAC holds no floats, which is refused."""
    for container in CONTAINERS:
        for depth in DEPTHS:
            lines = [f'container = "{container}"', f'depth = "{depth}"']
            lines.append({"wav": "markers = false", "flac": 'when-over = "fail"'}.get(container, "markers = true"))
            yield f"{container} {depth}", text("outputs", plain("re-encode", lines))


SOUND = text("wrong", plain("gain-stage", ['target = "-6 dBFS"']))

#: What is replaced in a sound recipe, and by what.
MISTAKES = [
    ("recipe = 1", "recipe = 2"),
    ("recipe = 1\n", ""),
    ('name = "wrong"', 'name = ""'),
    ('name = "wrong"', 'nme = "wrong"'),
    ('name = "wrong"', 'name = "wrong'),
    ("revision = 7", "revision = 0"),
    ("revision = 7", 'revision = "7"'),
    ('stage = "decode"', 'stage = "decod"'),
    ('stage = "decode"\n', 'stage = "decode"\nsilent = "kep"\n'),
    ('stage = "decode"\n', 'stage = "decode"\nsilence = "keep"\n'),
    ('stage = "decode"\n', 'stage = "decode"\nsilent = true\n'),
    ('stage = "decode"\n', 'stage = "decode"\nleave-out = ["[x"]\n'),
    ('stage = "resample"\n', 'stage = "resample"\nrate = "4 GHz"\n'),
    ('stage = "resample"\n', 'stage = "resample"\nrate = 48000\n'),
    ('[[stage]]\nstage = "resample"\n', ""),
    ('[[stage]]\nstage = "label"\n', ""),
    ('[[stage]]\nstage = "re-encode"\n', ""),
    ('[[stage]]\nstage = "decode"\n', ""),
    ('stage = "channel-fix"', 'stage = "decode"'),
    ('stage = "channel-fix"\n', 'stage = "channel-fix"\ndual-mono-residual = "-300 dB"\n'),
    ("-6 dBFS", "+6 dBFS"),
    ("-6 dBFS", "-6 dB"),
    ('target = "-6 dBFS"', 'targt = "-6 dBFS"'),
    ('target = "-6 dBFS"', 'round-down = "2 dB"'),
    ('target = "-6 dBFS"\n', '[[stage.for]]\nlink = "stem"\n'),
    ('target = "-6 dBFS"\n', '[[stage.for]]\nstems = "[x"\n'),
    ('target = "-6 dBFS"\n', '[[stage.for]]\nstems = "*x*"\nlnk = "stem"\n'),
    ('stage = "trim-silence"\n', 'stage = "trim-silence"\nhead = ["1 bar"]\n'),
    ('stage = "trim-silence"\n', 'stage = "trim-silence"\nhead = "1 h"\n'),
    ('stage = "trim-silence"\n', 'stage = "trim-silence"\nfade = "1 bar"\n'),
    ('stage = "align-starts"\n', 'stage = "align-starts"\n[[stage.for]]\nstems = "*fx*"\nstarts = "file"\n'),
    ('stage = "label"\n', 'stage = "label"\nmax-chars = 5\n'),
    ('stage = "label"\n', 'stage = "label"\norder = ["drums", "drums"]\n'),
    ('stage = "label"\n', 'stage = "label"\norder = ["drumz"]\n'),
    ('stage = "re-encode"\n', 'stage = "re-encode"\ndepth = "24"\n'),
    ('stage = "re-encode"\n', 'stage = "re-encode"\ncontainer = "flac"\ndepth = "32-bit float"\n'),
]


def wrong():
    """`(name, recipe)` for each mistake, and a file with several of them."""
    for number, (old, new) in enumerate(MISTAKES):
        if old not in SOUND:
            raise ValueError(f"{old!r} is not in the sound recipe")
        yield f"{number:02}", SOUND.replace(old, new, 1)
    yield "several", SOUND.replace("-6 dBFS", "loud").replace("= 7", "= 0").replace('"label"', '"lable"')
    for first, second in [("gain-stage", "resample"), ("trim-silence", "resample"), ("gain-stage", "dc-removal"),
                          ("gain-stage", "channel-fix"), ("align-starts", "trim-silence")]:
        swapped = SOUND.replace(f'"{first}"', '"?"').replace(f'"{second}"', f'"{first}"').replace('"?"', f'"{second}"')
        yield f"{first} before {second}", swapped
