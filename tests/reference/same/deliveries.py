"""The deliveries: each function fills a folder, the same way every time. Knows no program under test.

All is invented. Stems are as short as what is looked for in them allows.
"""

import io
import os
import struct
import zipfile

from . import files, sound
from .sound import RATE


def put(folder, name, data):
    """Writes one file; its folders are made."""
    path = os.path.join(folder, name)
    os.makedirs(os.path.dirname(path), exist_ok=True)
    with open(path, "wb") as file:
        file.write(data if isinstance(data, bytes) else data.encode())


def stem(folder, name, *channels, kind=24, rate=RATE, **more):
    """Writes one WAV file."""
    put(folder, name, files.wav(rate, kind, list(channels), **more))


def stamped(folder, name, reference, *channels, rate=RATE, marks=(), **more):
    """Writes one WAV file with a time stamp, and markers where there are any: `(frame, name)` each."""
    before = [(b"bext", files.bext(reference, name, history="A=PCM,F=48000,W=24,M=mono,T=invented\r\n"))]
    after = []
    if marks:
        after.append((b"cue ", files.cue([(n, frame) for n, (frame, _) in enumerate(marks, 1)])))
        after.append((b"LIST", files.adtl([(n, text) for n, (_, text) in enumerate(marks, 1)])))
    stem(folder, name, *channels, rate=rate, before=before, after=after, **more)


def formats(folder):
    """Every container and depth that is easily written, at four rates."""
    left, right = sound.words(1, 0.25, 2_000, 24_000), sound.words(2, 0.2, 2_000, 24_000)
    mono, both = [left], [left, right]
    put(folder, "Kick.wav", files.wav(RATE, "u8", mono))
    put(folder, "Snare Top.wav", files.wav(44_100, 16, mono))
    put(folder, "Bass DI.wav", files.wav(RATE, 24, both))
    put(folder, "Gtr 1.wav", files.wav(88_200, 32, both))
    put(folder, "Gtr 2.wav", files.wav(96_000, "f32", mono))
    put(folder, "Keys.wav", files.wav(RATE, "f64", both))
    put(folder, "Pad.wav", files.wav(RATE, 24, [sound.scaled(left, n / 7) for n in range(1, 7)], extensible=True,
                                     mask=0x3F))
    put(folder, "Organ.wav", files.wav(RATE, 24, mono, extensible=True, valid=20))
    put(folder, "Lead Vox.rf64", files.wav(RATE, 24, both, form=b"RF64"))
    put(folder, "BV High.wav", files.wav(RATE, 16, mono, form=b"BW64"))
    put(folder, "BV Low.wav", files.wav(RATE, 24, both, form=b"RIFX"))
    put(folder, "BV Mid.w64", files.wave64(RATE, 24, both))
    put(folder, "Hats.wav", files.wav(RATE, "mulaw", mono))
    put(folder, "Crash.aif", files.aiff(RATE, 24, both))
    put(folder, "Ride.aif", files.aiff(44_100, 16, mono, extra=[(b"NAME", b"Ride"), (b"ANNO", b"left of the door")]))
    put(folder, "Tom 1.aiff", files.aiff(RATE, "s8", mono))
    put(folder, "Tom 2.aifc", files.aiff(RATE, 16, both, b"sowt"))
    put(folder, "Tom 3.aifc", files.aiff(RATE, "f32", mono, b"fl32"))
    put(folder, "Strings.caf", files.caf(RATE, 24, both, info=[("title", "Strings")]))
    put(folder, "Brass.caf", files.caf(RATE, "f32", both, little=False))
    put(folder, "Flute.flac", files.flac(44_100, both, comments=["TITLE=Flute"]))
    put(folder, "Sax (stream).flac", files.flac(RATE, mono, stated=False))
    put(folder, "Cello (hurt).flac", files.flac(RATE, mono, spoilt=2))


def metadata(folder):
    """Whatever stands beside samples: stamp, titles, markers, loops, iXML, chunks that nobody knows."""
    line = sound.words(5, 0.2, 15_000, 60_000)
    marks = files.cue([(1, 15_000), (2, 30_000), (3, 59_999)])
    names = files.adtl([(1, "Verse"), (2, "Chorus, l\u00e4uter"), (3, "End")])
    titles = files.info([(b"INAM", "Kick"), (b"ICMT", "from the invented session")])
    stem(folder, "Kick.wav", line, before=[(b"bext", files.bext(480_000, "kick", 2)), (b"LIST", titles)],
         after=[(b"cue ", marks), (b"LIST", names), (b"smpl", files.smpl(20_000, 45_000)), (b"abcd", b"12345")])
    stem(folder, "Bass.wav", sound.scaled(line, 0.5), rate=44_100,
         before=[(b"iXML", files.ixml(44_100, "a note &amp; more")), (b"bext", files.bext(441_000, "bass"))],
         after=[(b"inst", bytes([60, 0, 0, 0, 127, 1, 127])), (b"wxyz", b"even")])
    stem(folder, "Vox.wav", line, line, before=[(b"bext", files.bext(480_000))], form=b"RIFX")
    marked = struct.pack(">HHIB5s", 1, 1, 30_000, 5, b"Verse")
    put(folder, "Pad.aif", files.aiff(RATE, 24, [line, sound.scaled(line, 0.7)],
                                      extra=[(b"MARK", marked), (b"AUTH", b"nobody"), (b"(c) ", b"2020")]))
    put(folder, "Keys.caf", files.caf(RATE, 24, [line], info=[("title", "Keys"), ("comments", "old piano")]))


def faults(folder):
    """Faults of sound, of files and of names, statements that contradict each other, and litter."""
    frames = 72_000
    mid, side = sound.words(11, 0.3, 0, frames), sound.noise(12, 0.0004, frames)
    tone = sound.sine(220, 0.5, frames)
    s = lambda name, *channels, **more: stem(folder, name, *channels, **more)
    s("Dual Keys.wav", mid, mid)
    s("Near Room.wav", sound.total(mid, side), sound.total(mid, sound.scaled(side, -1)))
    s("Dead Pad.wav", sound.silence(frames), mid)
    s("Dead Organ.wav", tone, sound.silence(frames), kind=16)
    s("Inverted Gtr.wav", tone, sound.scaled(tone, -1))
    s("Wide Synth.wav", tone, sound.sine(331, 0.4, frames))
    s("Offset Bass.wav", [0.02 + 0.4 * x for x in tone])
    s("Drift Bass.wav", [0.06 * n / frames + 0.4 * x for n, x in enumerate(tone)])
    s("Clipped Kick.wav", sound.clipped(sound.scaled(tone, 3), 1.0), kind=16)
    s("Flat Snare.wav", sound.clipped(sound.scaled(tone, 3), 0.5), kind=16)
    s("Over Synth.wav", sound.scaled(tone, 5), kind="f32")
    s("Shaker.wav", sound.silence(frames))
    s("Piano.wav", sound.words(13, 0.2, 0, frames))
    s("Piano copy.wav", sound.words(13, 0.2, 0, frames))
    s("Not Finite.wav", tone[:900] + [float("nan")] + tone[901:], kind="f32")
    s("Infinite.wav", tone[:900] + [float("inf")] + tone[901:], kind="f32")
    for name in ("Tamb.L.wav", "Tamb.R.wav"):
        s(name, sound.words(len(name) + ord(name[5]), 0.2, 0, frames))
    s("Choir L.wav", sound.words(15, 0.2, 0, frames))
    s("Choir R.wav", sound.words(16, 0.2, 0, frames - 4_800))
    s("Vox.wav", sound.words(17, 0.1, 0, frames))
    s("takes/VOX.wav", sound.words(18, 0.1, 0, frames))
    s("Voix t\u00e9moin \u2014 \u00e9t\u00e9 \u266f1 \U0001F941.wav", sound.words(19, 0.1, 0, frames))
    s("Cafe\u0301 'live' \"take\".wav", sound.words(20, 0.1, 0, frames))
    s("a rather long name that says what it is, the fourth take of the second afternoon, used.wav",
      sound.words(21, 0.1, 0, frames))
    whole = files.wav(RATE, 16, [tone])
    put(folder, "Cut Short.wav", whole[:80_001])
    put(folder, "Sizes Zero.wav", whole[:40] + bytes(4) + whole[44:])
    put(folder, "Sizes Small.wav", whole[:40] + (100).to_bytes(4, "little") + whole[44:])
    put(folder, "Odd Chunk.wav", whole[:36] + b"LIST\x05\0\0\0INFOx" + whole[36:])
    put(folder, "No Channels.wav", whole[:22] + bytes(2) + whole[24:])
    put(folder, "No Rate.wav", whole[:24] + bytes(4) + whole[28:])
    put(folder, "Header Only.wav", whole[:44])
    put(folder, "Half Header.wav", whole[:30])
    put(folder, "Empty.wav", b"")
    put(folder, "Letter.wav", "Dear engineer, here are the stems.\n")
    put(folder, "Garbage.flac", b"fLaC" + bytes(range(256)) * 8)
    put(folder, "Garbage.aif", bytes(range(255, -1, -1)) * 16)
    litter(folder)


def litter(folder):
    """Files that are no audio, and notes that contradict each other and the names."""
    put(folder, ".DS_Store", bytes(32))
    put(folder, "__MACOSX/._Piano.wav", b"\0\5\x16\7")
    put(folder, "Thumbs.db", bytes(16))
    put(folder, "notes.txt", "Title: Copper Kettle\r\nTempo: 92\r\nKey: A minor\r\n4/4\r\n0:01 Verse\r\n")
    put(folder, "more notes.txt", "tempo 104 bpm\n3/4\nkey: C# major\n".encode("utf-16"))
    put(folder, "rich.rtf", r"{\rtf1 120 bpm}")
    put(folder, "broken.mid", b"MThd\0\0\0\6\0\1\0\1")
    put(folder, "cover.jpg", b"\xFF\xD8\xFF\xE0" + bytes(64))
    put(folder, "session.pdf", b"%PDF-1.4\n")
    put(folder, "broken.zip", b"PK\3\4" + bytes(40))


def stamps(folder):
    """Time stamps that place stems, one late, one at another rate, one without, with dead air at head and tail."""
    hour, frames = 172_800_000, 7 * RATE
    air = lambda seed, lead, tail: sound.words(seed, 0.2, lead, frames - tail) + sound.silence(tail)
    stamped(folder, "LanternRow_120bpm_Kick.wav", hour, air(31, 2 * RATE, 2 * RATE), marks=[(3 * RATE, "Verse")])
    stamped(folder, "LanternRow_120bpm_Bass.wav", hour, air(32, 3 * RATE, 3 * RATE),
            marks=[(3 * RATE, "Verse"), (4 * RATE, "Bridge")])
    stamped(folder, "LanternRow_120bpm_Pad.wav", hour * 441 // 480, *[air(n, 2 * RATE, 2 * RATE) for n in (33, 34)],
            rate=44_100, kind=16)
    stamped(folder, "LanternRow_120bpm_Lead Vox.wav", hour + 3 * RATE + 17, sound.words(35, 0.1, 0, RATE),
            marks=[(4_800, "Vox in"), (500, "Breath")])
    stamped(folder, "LanternRow_120bpm_Riser.wav", hour + 2 * RATE, sound.words(36, 0.05, 4_800, 2 * RATE), kind="f64")
    stem(folder, "LanternRow_120bpm_Clap.wav", sound.words(37, 0.1, 0, RATE))
    marks = [(4, "Verse"), (8, "Chorus"), (12, "Outro \u2014 leise")]
    put(folder, "LanternRow_map.mid", files.midi(120, marks, (-1, 1)))


def clock(folder):
    """Time stamps that are the time of day at which somebody recorded: not plausible together."""
    for index, name in enumerate(["Kick", "Bass", "Vox"]):
        stamped(folder, f"{name}.wav", 172_800_000 * index, sound.words(41 + index, 0.2, 0, RATE + 100 * index))
    put(folder, "Notes \u00fcber alles.txt", "Tempo: 76,5\n")


def mix(folder):
    """A rough mix with all stems at gains of its own but one, with something in it that is in no stem, and longer than
    they are; one stem begins at its own entry and has no stamp."""
    frames = 12 * RATE
    line = lambda seed, level: sound.dull(sound.words(seed, level, 4_800, frames))
    parts = {"Kick": line(51, 0.5), "Bass": line(52, 0.4), "Audio 03": line(53, 0.3), "Keys": line(54, 0.3)}
    clip = sound.dull(sound.words(55, 0.4, 0, 3 * RATE))
    gone = sound.dull(sound.words(56, 0.6, 0, 3 * RATE))
    for name, part in parts.items():
        stem(folder, f"{name}.wav", part)
    stem(folder, "Solo.wav", clip)
    stem(folder, "Theremin.wav", sound.dull(sound.words(57, 0.3, 0, frames)), kind=16)
    whole = sound.total(*[sound.scaled(part, 0.5 + 0.1 * n) for n, part in enumerate(parts.values())])
    whole = sound.placed(frames + 2 * RATE, [(529, whole), (529 + 5 * RATE + 33, sound.scaled(clip, 0.6)),
                                            (529 + 8 * RATE, sound.scaled(gone, 0.5)),
                                            (frames, sound.noise(58, 0.2, 2 * RATE))])
    stem(folder, "Rough Mix v2.wav", whole, kind=16)


def loud_mix(folder):
    """A rough mix that was limited, so that nothing can be said of it; the stems of one have no names."""
    frames = 6 * RATE
    parts = [sound.dull(sound.words(61 + n, 0.5, 0, frames)) for n in range(3)]
    for number, part in enumerate(parts, 1):
        stem(folder, f"Audio {number:02}.wav", part, sound.scaled(part, 0.9))
    stem(folder, "Rough Mix.wav", sound.clipped(sound.scaled(sound.total(*parts), 6), 0.9))


def family(folder):
    """Related stems: an amp later than its DI and turned over, two sides of a skin, a copy at another level; and one
    stem whose label of the rate is wrong."""
    frames = 10 * RATE + 480
    direct, skin = sound.dull(sound.words(71, 0.8, 0, frames)), sound.dull(sound.words(72, 0.8, 0, frames))
    hiss = sound.noise(73, 0.002, frames)
    stem(folder, "Gtr DI.wav", direct)
    stem(folder, "Gtr Amp.wav", sound.total(sound.scaled(sound.later(direct, 257), -0.6), hiss))
    stem(folder, "Snare Top.wav", skin)
    stem(folder, "Snare Bottom.wav", sound.total(sound.scaled(sound.later(skin, 12), -0.5), hiss))
    piano = sound.dull(sound.words(74, 0.7, 0, frames))
    stem(folder, "Piano 1.wav", piano)
    stem(folder, "Piano 2.wav", sound.scaled(piano, 0.6))
    stem(folder, "Vox.wav", sound.dull(sound.words(75, 0.7, 0, frames)), rate=44_100)


def song(folder):
    """A song of 120 BPM in D minor whose names and note state another tempo and another key; stems without names."""
    rate = 24_000
    beat, bars = rate // 2, 16
    frames = 4 * beat * bars
    kick, snare = sound.hit(81, 52, 0.8, 4_800, 0.05, rate), sound.hit(82, 190, 0.5, 3_600, 0.6, rate)
    hat = sound.hit(83, 3_000, 0.2, 1_500, 0.9, rate)
    beats = range(4 * bars)
    s = lambda name, sounding, **more: stem(folder, f"Copper Kettle_{name}.wav", sounding, rate=rate, **more)
    drums = {"Kick": [(n * beat, kick) for n in beats if n % 4 in (0, 2)],
             "Snare": [(n * beat, snare) for n in beats if n % 4 in (1, 3)],
             "Hats": [(n * beat // 2, hat) for n in range(8 * bars)]}
    for name, parts in drums.items():
        s(name, sound.placed(frames, parts), kind=16)
    chords = [(50, 53, 57), (43, 50, 58), (45, 49, 52), (50, 53, 57)]
    voiced = [sound.total(*[sound.tone(key, 0.12, 4 * beat, rate, fade=0.8) for key in chord]) for chord in chords]
    low = [sound.tone(chord[0] - 12, 0.3, beat, rate, fade=1.5) for chord in chords]
    song_chords = sound.placed(frames, [(bar * 4 * beat, voiced[bar % 4]) for bar in range(bars)])
    s("Keys", song_chords)
    s("Bass", sound.placed(frames, [(n * beat, low[n // 4 % 4]) for n in beats]))
    tune = [62, 65, 69, 65, 62, 70, 69, 61]
    notes = {key: sound.tone(key, 0.25, beat, rate, fade=1.0) for key in set(tune)}
    lead = [(n * beat, notes[tune[n % 8]]) for n in beats if n // 16 % 2]
    s("Lead Vox", sound.placed(frames, lead))
    s("Audio 07", sound.placed(frames, [(n * beat, kick) for n in beats]), kind=16)
    s("Audio 08", sound.scaled(song_chords, 0.6))
    put(folder, "about.txt", "Title: Copper Kettle\nTempo: 97 bpm\nKey: F# major\nMeter: 4/4\n")


def songs(folder):
    """Two songs in one delivery, and a stem in a third folder."""
    for index, (part, seconds) in enumerate([("One", 1), ("Two", 2)]):
        for number, name in enumerate(["Kick", "Vox"]):
            stem(folder, f"{part}/{name}.wav", sound.words(91 + 2 * index + number, 0.3, 0, seconds * RATE))
    stem(folder, "extra/FX Hit.wav", sound.words(95, 0.1, 0, RATE), rate=96_000)


def settings(folder):
    """A little of everything that settings decide about, for many runs: 12 short stems."""
    frames = RATE // 2
    mid, tone = sound.words(101, 0.3, 4_800, frames), sound.sine(110, 0.4, frames)
    s = lambda name, *channels, **more: stem(folder, name, *channels, **more)
    s("Kick.wav", mid)
    s("Kick (double).wav", mid)
    s("Bass DI.wav", [0.02 + x for x in tone], kind=16)
    s("Bass Amp.wav", sound.scaled(tone, 0.5), rate=44_100)
    s("Keys.wav", mid, mid)
    s("Pad.wav", mid, sound.silence(frames), kind="f32")
    s("Gtr L.wav", sound.words(102, 0.2, 0, frames))
    s("Gtr R.wav", sound.words(103, 0.2, 0, frames))
    s("Lead V\u00f6x.wav", sound.words(104, 0.1, 9_600, frames), sound.words(105, 0.1, 9_600, frames))
    s("FX Riser.wav", sound.scaled(tone, 4), kind="f32")
    s("Shaker.wav", sound.silence(frames))
    s("Hats.wav", mid, kind="mulaw")
    put(folder, "Cut.wav", files.wav(RATE, 16, [tone])[:20_001])
    s("Rough Mix.wav", sound.silence(9_600) + sound.scaled(mid, 0.9) + sound.noise(106, 0.1, 9_600))
    put(folder, "notes.txt", "Tempo: 240\nVerse 0:00.250\n")
    put(folder, "map.mid", files.midi(240, [(1, "Verse"), (2, "Chorus")]))


def late(folder):
    """What comes first; `come_late` is what comes after."""
    frames = 5 * RATE
    for index, (name, level) in enumerate([("Kick", 0.25), ("Bass", 0.12), ("Vox", 0.06), ("Pad", 0.1)]):
        stem(folder, f"{name}.wav", sound.words(111 + index, level, RATE + 100 * index, frames))
    stem(folder, "Keys.wav", *[sound.words(n, 0.1, RATE, frames) for n in (116, 117)], rate=44_100)


def come_late(folder):
    """Two new stems, one replaced by a louder and longer one, one by a quieter and later one, and one removed."""
    stem(folder, "Acoustic Gtr.wav", sound.words(121, 0.1, 44_100, 5 * RATE), rate=44_100, kind=16)
    stem(folder, "Kick 2.wav", sound.words(122, 0.9, 480, 7 * RATE))
    stem(folder, "Bass.wav", sound.words(112, 0.5, 4_800, 8 * RATE))
    stem(folder, "Vox.wav", sound.silence(24_000) + sound.words(113, 0.03, RATE + 200, 5 * RATE))
    os.remove(os.path.join(folder, "Pad.wav"))


def late_stamps(folder):
    """Late files on the time line of stamps; `come_late_stamps` is what comes after."""
    for index, (name, at) in enumerate([("Kick", 480_000), ("Bass", 480_000), ("Vox", 600_000), ("Pad", 576_000)]):
        stamped(folder, f"{name}.wav", at, sound.words(131 + index, 0.1, 0, 3 * RATE))


def come_late_stamps(folder):
    """One stem without a stamp and one with another."""
    stem(folder, "Vox.wav", sound.words(135, 0.1, 0, 3 * RATE), kind="f32")
    stamped(folder, "Pad.wav", 528_000, sound.words(136, 0.1, 0, 3 * RATE))


def archive(folder):
    """A ZIP archive inside of a delivery, deflated and stored, beside a loose stem."""
    files_in = {"Kick.wav": files.wav(RATE, 24, [sound.words(141, 0.3, 0, RATE)]),
                "drums/Snare Top.wav": files.wav(44_100, 16, [sound.words(142, 0.2, 0, RATE)]),
                "Vox.wav": files.wav(RATE, 24, [sound.words(n, 0.2, 0, RATE) for n in (143, 144)]),
                "read me.txt": b"Tempo: 88\n"}
    put(folder, "song.zip", zipped(files_in))
    put(folder, "Loose Bass.wav", files.wav(RATE, 24, [sound.words(145, 0.2, 0, RATE)]))


def zipped(contents):
    """An archive; every other file is stored."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive_:
        for index, (name, data) in enumerate(contents.items()):
            entry = zipfile.ZipInfo(name, (2020, 1, 2, 3, 4, 6))
            entry.compress_type = zipfile.ZIP_DEFLATED if index % 2 else zipfile.ZIP_STORED
            archive_.writestr(entry, data)
    return out.getvalue()


def nothing(folder):
    """No audio at all."""
    put(folder, "notes.txt", "soon")


#: The longest to make stand first.
ALL = [song, family, mix, formats, metadata, faults, stamps, clock, loud_mix, songs, settings, late, late_stamps,
       archive, nothing]


def make_one(folder, number):
    """Makes one delivery of `ALL` in a folder of its name below `folder`."""
    fill = ALL[number]
    os.makedirs(os.path.join(folder, fill.__name__))
    fill(os.path.join(folder, fill.__name__))
