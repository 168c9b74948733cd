#!/usr/bin/env python3
"""Session files (DAWproject 1.0) of generated deliveries, held against the schema by two validators that nobody here wrote
(lxml, xmlschema), against the files on the disk, and against session.mid as mido reads it. The schema is taken from the
package of the crate `dawproject` in cargo's folder; nothing of it is in this repository. Needs PyPI lxml, xmlschema, mido.

    python tests/reference/session_files.py PROGRAM [--deliveries 100] [--seed 1] [--self-check] [--keep FOLDER]

With --self-check six faults are planted in a session file, and each must be caught."""

import argparse, csv, io, json, math, random, re, shutil, struct, subprocess, sys, tempfile, zipfile
from pathlib import Path

import lxml.etree as etree
import mido
import xmlschema

RECIPES = ["mix-prep", "whole-db", "remix-pack", "master-intake", "match-48k", "archive"]
NAMES = ["Kick", "Snare", "Hat", "Bass", "Gtr L", "Gtr R", "Keys", "Pad", "LV", "LV Dbl", "BV Chorus High", "BV Verse 2 Low", "BV",
         "Cello", "Shaker", "Riser", "Audio", "Rough Mix", "a & b <c> 'd' % # +", "Größe é", "歌の声", "🎚 fader", "x" * 180, "Con"]
VOCALS = {"lead vocals": "Lead", "vocal doubles": "Doubles", "backing vocals": "Backing"}


def schemas():
    """The two schemas, for both validators. The package spells one attribute otherwise than files do, and reads it back so."""
    text = subprocess.run(["cargo", "metadata", "--format-version", "1"], capture_output=True, check=True, text=True).stdout
    package = next(p for p in json.loads(text)["packages"] if p["name"] == "dawproject")
    folder = Path(package["manifest_path"]).parent / "assets"
    all = {}
    for document, name in [("project.xml", "FixedProject.xsd"), ("metadata.xml", "FixedMetaData.xsd")]:
        xsd = (folder / name).read_text().replace('name="contentTypes"', 'name="contentType"')
        all[document] = (etree.XMLSchema(etree.fromstring(xsd.encode())), xmlschema.XMLSchema(xsd))
    return all


def wav_facts(path):
    """Rate, channels, frames and time stamp (None without one) of a WAV or AIFF file, by its chunks."""
    data = path.read_bytes()
    big = data[:4] == b"FORM"
    at, found, rate, channels, frames, stamp = 12, {}, None, None, None, None
    while at + 8 <= len(data):
        size = struct.unpack(">I" if big else "<I", data[at + 4:at + 8])[0]
        found.setdefault(data[at:at + 4], data[at + 8:at + 8 + size])
        at += 8 + size + size % 2
    if big:
        channels, frames = struct.unpack(">hI", found[b"COMM"][:6])
        exponent, mantissa = struct.unpack(">HQ", found[b"COMM"][8:18])
        rate = round(mantissa * 2.0 ** (exponent - 16383 - 63))
    else:
        channels, rate, _, block = struct.unpack("<HIIH", found[b"fmt "][2:14])
        frames = len(found[b"data"]) // block
        if b"bext" in found:
            low, high = struct.unpack("<II", found[b"bext"][338:346])
            stamp = low + (high << 32)
    return rate, channels, frames, stamp


def midi_facts(path):
    """Tempi, meters and markers of a MIDI file, with their times in seconds."""
    midi = mido.MidiFile(path)
    seconds, tempo, tempi, meters, markers = 0.0, 500000, [], [], []
    for message in midi.tracks[0]:
        seconds += mido.tick2second(message.time, midi.ticks_per_beat, tempo)
        if message.type == "set_tempo":
            tempo = message.tempo
            tempi.append((seconds, 60e6 / tempo))
        elif message.type == "time_signature":
            meters.append((seconds, (message.numerator, message.denominator)))
        elif message.type == "marker":
            markers.append((seconds, message.text.encode("latin-1").decode("utf-8")))
    return tempi, meters, markers


def is_near(one, other, most=1e-3):
    same = lambda a, b: abs(a - b) < most if isinstance(a, float) else a == b
    return len(one) == len(other) and all(abs(a[0] - b[0]) < most and same(a[1], b[1]) for a, b in zip(one, other))


def session_file(out):
    found = list(out.glob("*.dawproject"))
    return found[0] if found else None


def groups_of(stem):
    """Where a stem belongs, from what the manifest says of it."""
    if stem["role"] == "reference":
        return ()
    group = stem["group"]
    if group in VOCALS:
        section = stem["identity"].get("section") if group == "backing vocals" else None
        return ("Vocals", VOCALS[group]) + ((section[0].upper() + section[1:],) if section else ())
    return (group[0].upper() + group[1:],)


def check(out, manifest, known):
    """Everything that is wrong with the session file of a prepared folder."""
    faults, file = [], session_file(out)
    say = lambda ok, text: None if ok else faults.append(text)
    archive = zipfile.ZipFile(file)
    say(archive.testzip() is None, "the archive is damaged")
    say(archive.namelist() == ["metadata.xml", "project.xml"], f"entries {archive.namelist()}")
    for entry in archive.infolist():
        say(entry.compress_type == 0 and entry.date_time == (1980, 1, 1, 0, 0, 0), f"{entry.filename} is packed or dated")
        data = archive.read(entry)
        one, two = known[entry.filename]
        say(one.validate(etree.fromstring(data)), f"lxml: {str(one.error_log.last_error)[:200]}")
        say(two.is_valid(io.BytesIO(data)), f"xmlschema: {entry.filename} is not valid")
    project = etree.fromstring(archive.read("project.xml"))
    for element in project.iter():
        if element.tag in ("Lanes", "Clips", "Audio", "Markers", "TempoAutomation", "TimeSignatureAutomation"):
            say(element.get("timeUnit") == "seconds", f"{element.tag} counts in {element.get('timeUnit')}")
        for name in ("color",):
            value = element.get(name)
            say(value is None or re.fullmatch("#[0-9a-f]{6}", value), f"{element.tag} has the colour {value!r}")
    say(len(ids := project.xpath("//@id")) == len(set(ids)), "an id stands twice")
    check_tracks(out, manifest, project, say)
    check_time(out, manifest, project, say)
    return faults


def check_tracks(out, manifest, project, say):
    sheet = list(csv.DictReader(io.StringIO((out / "track-sheet.csv").read_text("utf-8-sig"))))
    colours = {row["source"]: row["colour"] or None for row in sheet}
    lanes = {lane.get("track"): lane for lane in project.find("Arrangement/Lanes")}
    wanted = {}
    for stem in manifest["stems"]:
        if stem["output"] and stem["output"]["path"].rsplit(".", 1)[1] in ("wav", "aif"):
            wanted.setdefault(stem["output"]["path"], stem)
    stamps = {}
    tracks = [t for t in project.iter("Track") if t.find("Channel").get("role") == "regular"]
    for track in tracks:
        clip = lanes[track.get("id")].find("Clips/Clip")
        audio, path = clip.find("Audio"), clip.find("Audio/File").get("path")
        say(not path.startswith("/") and ".." not in path and ":" not in path.split("/")[0], f"{path} is not relative")
        stem = wanted.pop(path, None)
        if stem is None or not (out / path).is_file():
            say(False, f"{path} is no output")
            continue
        say(clip.find("Audio/File").get("external") == "true", f"{path} is not external")
        rate, channels, frames, stamp = wav_facts(out / path)
        say((int(audio.get("sampleRate")), int(audio.get("channels"))) == (rate, channels), f"{path}: rate or channels")
        for length in (clip.get("duration"), clip.get("playStop"), audio.get("duration")):
            say(float(length) * rate == frames or round(float(length) * rate) == frames, f"{path}: {length} s, {frames} frames")
        stamps[path] = (stamp, rate, float(clip.get("time")))
        around = tuple(group.get("name") for group in track.iterancestors("Track"))[::-1]
        say(around == groups_of(stem), f"{path} is in {around}")
        colour = colours[stem["source"]["path"]]
        say(track.get("color") == colour and clip.get("color") == colour, f"{path} has not the colour of the sheet")
        muted = track.find("Channel/Mute").get("value") == "true"
        say(muted == (stem["role"] == "reference"), f"{path}: mute")
        parent = track.getparent()
        into = parent.find("Channel").get("id") if parent.tag == "Track" else "master"
        say(track.find("Channel").get("destination") == into, f"{path} leads elsewhere")
    say(not wanted, f"not in it: {sorted(wanted)}")
    stamped = [s / r for s, r, _ in stamps.values() if s is not None]
    # Times of day hours apart are clock times, and place nothing.
    if stamped and max(stamped) - min(stamped) < 0.1 and len(stamped) == len(stamps):
        for path, (stamp, rate, time) in stamps.items():
            say(abs(time - (stamp / rate - min(stamped))) < 0.5 / rate, f"{path} stands at {time}")


def check_time(out, manifest, project, say):
    real = lambda name: [(float(p.get("time")), float(p.get("value"))) for p in project.iterfind(f"Arrangement/{name}/RealPoint")]
    meter = lambda p: (int(p.get("numerator")), int(p.get("denominator")))
    markers = [(float(m.get("time")), m.get("name")) for m in project.iterfind("Arrangement/Markers/Marker")]
    tempo, signature = project.find("Transport/Tempo"), project.find("Transport/TimeSignature")
    if (out / "session.mid").exists():
        tempi, meters, of_midi = midi_facts(out / "session.mid")
        say(is_near(real("TempoAutomation") or [(0.0, float(tempo.get("value")))], tempi), "the tempo is not that of session.mid")
        points = [(float(p.get("time")), meter(p)) for p in project.iterfind("Arrangement/TimeSignatureAutomation/TimeSignaturePoint")]
        say(is_near(points or [(0.0, meter(s)) for s in [signature] if s is not None], meters), "the meter is not that of session.mid")
        say(is_near(markers, of_midi), f"markers {markers[:3]} are not those of session.mid {of_midi[:3]}")
    stated = manifest["facts"].get("markers")
    if stated and stated["value"]:
        rate = next(s["output"]["rate_hz"] for s in manifest["stems"] if s["output"])
        cut = manifest["link"]["trim_head_frames"] / rate
        at = [(m["seconds"] - cut, m["name"]) for m in stated["value"] if m["seconds"] >= cut]
        say(is_near(markers, sorted(at)), f"markers {markers[:3]} are not the client's {at[:3]}")


def wav(path, seconds, rate, channels, seed, head=0.0, stamp=None):
    random_numbers = random.Random(seed)
    frames = int(seconds * rate)
    sound = [0 if n < head * rate else random_numbers.randrange(-9000, 9000) for n in range(frames) for _ in range(channels)]
    chunks = b"fmt " + struct.pack("<IHHIIHH", 16, 1, channels, rate, rate * channels * 2, channels * 2, 16)
    if stamp is not None:
        bext = bytearray(602)
        bext[338:346] = struct.pack("<II", stamp & 0xFFFFFFFF, stamp >> 32)
        chunks += b"bext" + struct.pack("<I", len(bext)) + bytes(bext)
    data = struct.pack(f"<{len(sound)}h", *sound)
    chunks += b"data" + struct.pack("<I", len(data)) + data
    path.write_bytes(b"RIFF" + struct.pack("<I", 4 + len(chunks)) + b"WAVE" + chunks)


def clients_map(path, choose):
    midi = mido.MidiFile(ticks_per_beat=480)
    track = mido.MidiTrack()
    midi.tracks.append(track)
    track.append(mido.MetaMessage("time_signature", numerator=choose.choice([3, 4]), denominator=4))
    track.append(mido.MetaMessage("set_tempo", tempo=choose.choice([500000, 600000, 616650])))
    for name in ["Count", "Verse", "Chorus & <more>"][:choose.randrange(0, 4)]:
        track.append(mido.MetaMessage("marker", text=name, time=choose.randrange(1, 900)))
    if choose.random() < 0.3:
        track.append(mido.MetaMessage("set_tempo", tempo=450000, time=choose.randrange(1, 2000)))
    midi.save(path)


def generate(folder, choose, stems):
    """A delivery of that many stems, with whatever names, stamps, notes and maps the dice give."""
    folder.mkdir(parents=True)
    if stems == 0:
        wav(folder / "Silent.wav", 0.1, 48000, 1, 0, head=9)
    head, stamped = choose.choice([0, 0, 3.1]), choose.random() < 0.3
    for n in range(stems):
        base = NAMES[n % len(NAMES)] if stems > 100 else choose.choice(NAMES)
        rate, seconds = choose.choice([44100, 48000, 48000]), head + (0.05 if stems > 100 else choose.choice([0.1, 0.3]))
        stamp = rate * 3600 + choose.choice([0, 0, 2400, 777]) if stamped else None
        wav(folder / f"{base[:170]} {n + 1}.wav", seconds, rate, choose.choice([1, 2]), n, head, stamp)
    if choose.random() < 0.5:
        clients_map(folder / "map.mid", choose)
    elif choose.random() < 0.5:
        (folder / "notes.txt").write_text("Title: Ice/Fire: \"50 %\" & <more>\nTempo: 97.3 bpm\nKey: D minor\n")


def recipe(program, path, choose):
    name = choose.choice(RECIPES)
    text = subprocess.run([program, "recipe", "show", name], capture_output=True, check=True, text=True).stdout
    if choose.random() < 0.5:
        text = text.replace('stage = "label"\n', 'stage = "label"\ngroup-folders = true\n')
    if choose.random() < 0.15:
        text = re.sub("when-over = .*", "", text).replace('"bwf"', choose.choice(['"aiff"', '"flac"']) + '\nwhen-over = "fail"')
    path.write_text(text)
    return name


def prep(program, delivery, out, recipe, jobs):
    command = [program, "prep", delivery, "--out", out, "--recipe", recipe, "--jobs", jobs, "--progress", "none"]
    return subprocess.run([str(word) for word in command], capture_output=True, text=True)


def one_delivery(program, folder, choose, stems, known):
    """Prepares a delivery twice and looks at what came; gives what it was, and the faults."""
    delivery, one, two = folder / choose.choice(["Paper Lantern 125bpm Dm", "stems", "Großes & Kleines"]), folder / "one", folder / "two"
    generate(delivery, choose, stems)
    name = recipe(program, folder / "own.toml", choose)
    ran = prep(program, delivery, one, folder / "own.toml", 1)
    if ran.returncode not in (0, 1):
        return name, [f"prep ended with {ran.returncode}: {ran.stderr[:300]}"]
    prep(program, delivery, two, folder / "own.toml", 8)
    manifest, faults = json.loads((one / "manifest.json").read_text()), []
    file = session_file(one)
    if file is None:
        left_out = manifest["session_file"]["left_out"]
        return f"{name}, none: {left_out}", [] if left_out else ["there is no session file, and nobody says why"]
    bytes = file.read_bytes()
    if session_file(two) is None or session_file(two).read_bytes() != bytes or session_file(two).name != file.name:
        faults.append("another number of threads gives other bytes")
    renamed = folder / "renamed & moved"
    one.rename(renamed)
    session_file(renamed).unlink()
    subprocess.run([program, "report", str(renamed)], capture_output=True, check=True)
    if session_file(renamed) is None or session_file(renamed).read_bytes() != bytes:
        faults.append("made again in a renamed folder, it has other bytes")
    verified = subprocess.run([program, "verify", str(renamed), "--progress", "none"], capture_output=True, text=True)
    if verified.returncode != 0:
        faults.append(f"verify ends with {verified.returncode}: {verified.stdout[:300]}")
    return name, faults + check(renamed, manifest, known)


def planted(text, cut):
    """The six faults, each in a copy of the document."""
    fresh = lambda: etree.fromstring(text)
    order = fresh()
    channel = order.find(".//Channel")
    channel.insert(0, channel.find("Volume"))
    yield "wrong order of elements", order
    beats = fresh()
    beats.find("Arrangement/Lanes").set("timeUnit", "beats")
    yield "seconds for beats", beats
    absolute = fresh()
    file = absolute.find(".//File")
    file.set("path", "/" + file.get("path"))
    yield "absolute path", absolute
    missing = fresh()
    group = next(t for t in missing.iterfind("Structure/Track") if t.find("Track") is not None)
    at = group.getparent().index(group)
    for track in reversed(group.findall("Track")):
        track.find("Channel").set("destination", "master")
        group.getparent().insert(at, track)
    group.getparent().remove(group)
    yield "missing group", missing
    colour = fresh()
    next(t for t in colour.iter("Track") if t.get("color")).set("color", "")
    yield "colour empty", colour
    marker = fresh()
    for element in marker.iter("Marker"):
        element.set("time", repr(float(element.get("time")) + cut))
    yield "marker off by the head cut", marker


def self_check(program, folder, known):
    """One delivery with all of it; every planted fault must be caught."""
    delivery, out, choose = folder / "delivery", folder / "out", random.Random(1)
    delivery.mkdir()
    for n, name in enumerate(["Kick", "LV", "BV Chorus High", "Gtr", "Rough Mix"]):
        wav(delivery / f"{name}.wav", 6.2, 48000, 1, n, head=6.0)
    track = mido.MidiTrack([mido.MetaMessage("set_tempo", tempo=500000), mido.MetaMessage("marker", text="Verse", time=5900)])
    midi = mido.MidiFile(ticks_per_beat=480)
    midi.tracks.append(track)
    midi.save(delivery / "map.mid")
    (folder / "own.toml").write_text(subprocess.run([program, "recipe", "show", "mix-prep"], capture_output=True, text=True).stdout)
    prep(program, delivery, out, folder / "own.toml", 2)
    manifest, file = json.loads((out / "manifest.json").read_text()), session_file(out)
    faults = check(out, manifest, known)
    assert not faults, f"the delivery of the self-check has faults itself: {faults}"
    archive = zipfile.ZipFile(file)
    entries = {name: archive.read(name) for name in archive.namelist()}
    cut, lost = manifest["link"]["trim_head_frames"] / 48000, []
    assert cut > 1 and b"<Marker " in entries["project.xml"], "the self-check needs a cut and a marker"
    for name, project in planted(entries["project.xml"], cut):
        with zipfile.ZipFile(file, "w") as packed:
            for entry, data in (entries | {"project.xml": etree.tostring(project)}).items():
                packed.writestr(zipfile.ZipInfo(entry), data)
        found = check(out, manifest, known)
        print(f"planted: {name}: {found[0] if found else 'NOT CAUGHT'}")
        lost += [name] if not found else []
    return lost


def main():
    parse = argparse.ArgumentParser()
    parse.add_argument("program")
    parse.add_argument("--deliveries", type=int, default=100)
    parse.add_argument("--seed", type=int, default=1)
    parse.add_argument("--self-check", action="store_true")
    parse.add_argument("--keep", type=Path)
    given = parse.parse_args()
    program, known, wrong = str(Path(given.program).resolve()), schemas(), 0
    root = given.keep or Path(tempfile.mkdtemp(prefix="session-files-"))
    root.mkdir(exist_ok=True, parents=True)
    try:
        if given.self_check:
            (root / "self").mkdir()
            wrong += len(self_check(program, root / "self", known))
        seen = {}
        for n in range(given.deliveries):
            choose = random.Random(given.seed * 100_003 + n)
            stems = [0, 1, 400][n] if n < 3 else choose.choice([1, 2, 3, 5, 8, 13, 24])
            folder = root / f"{n:03}"
            folder.mkdir()
            name, faults = one_delivery(program, folder, choose, stems, known)
            seen[name] = seen.get(name, 0) + 1
            for fault in faults[:5]:
                print(f"delivery {n} ({name}, {stems} stems): {fault}")
            wrong += bool(faults)
            if not given.keep:
                shutil.rmtree(folder)
        print(f"{given.deliveries} deliveries, {wrong} with faults: {seen}")
    finally:
        if not given.keep:
            shutil.rmtree(root)
    sys.exit(1 if wrong else 0)


if __name__ == "__main__":
    main()
