"""Audio files, byte by byte, by the published formats. Knows no delivery and no program under test."""

import math
import struct
import sys
from array import array

HEAD = {"u8": 8, "alaw": 8, "mulaw": 8, 16: 16, 24: 24, 32: 32, "f32": 32, "f64": 64}


def interleaved(channels):
    """Frame after frame."""
    return channels[0] if len(channels) == 1 else [sample for frame in zip(*channels) for sample in frame]


def samples(kind, channels, big=False):
    """Samples as bytes: `kind` is a depth in bits, "u8", "f32", "f64", "mulaw"."""
    flat = interleaved(channels)
    if kind == "u8":
        return bytes(max(0, min(255, round(128 + 128 * x))) for x in flat)
    if kind == "s8":
        return bytes(max(-128, min(127, round(128 * x))) & 255 for x in flat)
    if kind == "mulaw":
        return bytes(mu_law(x) for x in flat)
    if kind in ("f32", "f64"):
        codes = array("f" if kind == "f32" else "d", flat)
    else:
        full = 2 ** (kind - 1)
        codes = array("h" if kind == 16 else "i", [max(-full, min(full - 1, round(x * full))) for x in flat])
    if big != (sys.byteorder == "big"):
        codes.byteswap()
    out = codes.tobytes()
    if kind != 24:
        return out
    packed = bytearray(3 * len(codes))
    for byte in range(3):
        packed[byte::3] = out[(byte + 1 if big else byte)::4]
    return bytes(packed)


def mu_law(sample):
    """One code by ITU-T G.711, table 2a."""
    code = min(8158, int(abs(sample) * 8159)) + 33
    segment = max(0, code.bit_length() - 6)
    return ~((0x80 if sample < 0 else 0) | segment << 4 | (code >> (segment + 1)) & 15) & 255


def padded(data):
    """Chunks have an even length."""
    return data + b"\0" * (len(data) % 2)


def chunk(name, data, order="<"):
    """One chunk of RIFF or IFF."""
    return name + struct.pack(order + "I", len(data)) + padded(data)


def fmt(rate, kind, count, order="<", extensible=False, mask=0, valid=None):
    """A `fmt ` chunk's contents."""
    bits = HEAD[kind]
    tag = {"f32": 3, "f64": 3, "alaw": 6, "mulaw": 7}.get(kind, 1)
    block = count * bits // 8
    head = struct.pack(order + "HHIIHH", 0xFFFE if extensible else tag, count, rate, rate * block, block, bits)
    if not extensible:
        return head
    guid = struct.pack(order + "IHH", tag, 0, 0x10) + bytes.fromhex("800000AA00389B71")
    return head + struct.pack(order + "HHI", 22, valid or bits, mask) + guid


def wav(rate, kind, channels, form=b"RIFF", before=(), after=(), **more):
    """A WAV file; `form` is RIFF, RIFX, RF64 or BW64, `before` and `after` are chunks around the samples."""
    order = ">" if form == b"RIFX" else "<"
    data = samples(kind, channels, order == ">")
    long = form in (b"RF64", b"BW64")
    body = b"".join(chunk(name, inside, order) for name, inside in before)
    body += chunk(b"fmt ", fmt(rate, kind, len(channels), order, **more), order)
    body += b"data" + struct.pack(order + "I", 0xFFFFFFFF if long else len(data)) + padded(data)
    body += b"".join(chunk(name, inside, order) for name, inside in after)
    if long:
        sizes = struct.pack("<QQQI", 4 + 36 + len(body), len(data), len(channels[0]), 0)
        return form + b"\xFF\xFF\xFF\xFFWAVE" + chunk(b"ds64", sizes) + body
    return form + struct.pack(order + "I", 4 + len(body)) + b"WAVE" + body


def wave64(rate, kind, channels):
    """A Wave64 file: chunks are named by GUIDs, and their sizes hold their heads."""
    tail = bytes.fromhex("F3ACD3118CD100C04F8EDB8A")

    def part(name, data):
        return name + tail + struct.pack("<Q", 24 + len(data)) + data + b"\0" * (-len(data) % 8)

    body = part(b"fmt ", fmt(rate, kind, len(channels))) + part(b"data", samples(kind, channels))
    riff = b"riff" + bytes.fromhex("2E91CF11A5D628DB04C10000")
    return riff + struct.pack("<Q", 40 + len(body)) + b"wave" + tail + body


def extended(rate):
    """A rate as a float of 80 bits."""
    exponent = int(math.log2(rate))
    return struct.pack(">HQ", 16383 + exponent, int(rate * 2 ** (63 - exponent)))


def aiff(rate, kind, channels, codec=None, extra=()):
    """An AIFF file, or AIFF-C where a `codec` is given."""
    data = samples(kind, channels, big=codec != b"sowt")
    bits = {"f32": 32, "f64": 64, "s8": 8}.get(kind, kind)
    common = struct.pack(">HIH", len(channels), len(channels[0]), bits) + extended(rate)
    body = b"FVER" + struct.pack(">II", 4, 0xA2805140) if codec else b""
    body += chunk(b"COMM", common + (codec + b"\0\0" if codec else b""), ">")
    body += b"".join(chunk(name, inside, ">") for name, inside in extra)
    body += chunk(b"SSND", struct.pack(">II", 0, 0) + data, ">")
    return b"FORM" + struct.pack(">I", 4 + len(body)) + (b"AIFC" if codec else b"AIFF") + body


def caf(rate, kind, channels, little=True, info=()):
    """A CAF file of linear PCM."""
    float_, bits = kind in ("f32", "f64"), {"f32": 32, "f64": 64}.get(kind, kind)
    count = len(channels)
    data = samples(kind, channels, big=not little)
    description = struct.pack(">d4sIIIII", rate, b"lpcm", float_ | little << 1, count * bits // 8, 1, count, bits)
    strings = b"".join(text.encode() + b"\0" for pair in info for text in pair)
    parts = [(b"desc", description)]
    if info:
        parts.append((b"info", struct.pack(">I", len(info)) + strings))
    parts.append((b"data", b"\0\0\0\0" + data))
    body = b"".join(name + struct.pack(">q", len(inside)) + inside for name, inside in parts)
    return b"caff\0\1\0\0" + body


def crc(bits, polynomial):
    """The table of a check sum that begins with the highest bit."""
    table = []
    for byte in range(256):
        value = byte << (bits - 8)
        for _ in range(8):
            value = (value << 1 ^ (polynomial if value >> (bits - 1) else 0)) & (1 << bits) - 1
        table.append(value)
    return table


CRC8, CRC16 = crc(8, 0x07), crc(16, 0x8005)


def crc8(data):
    """Of a frame's head."""
    value = 0
    for byte in data:
        value = CRC8[value ^ byte]
    return value


def crc16(data):
    """Of a whole frame."""
    value = 0
    for byte in data:
        value = (value << 8 & 0xFFFF) ^ CRC16[value >> 8 ^ byte]
    return value


def flac(rate, channels, stated=True, spoilt=None, comments=()):
    """A FLAC file of 16 bits without compression (RFC 9639, verbatim subframes). `stated` says its length in its head,
    and frame `spoilt` has a wrong check sum."""
    count, frames, size = len(channels), len(channels[0]), 4096
    head = struct.pack(">HH", size, size) + b"\0" * 6
    packed = rate << 44 | (count - 1) << 41 | 15 << 36 | (frames if stated else 0)
    blocks = [(0, head + struct.pack(">Q", packed) + b"\0" * 16)]
    if comments:
        texts = [b"invented"] + [text.encode() for text in comments]
        listed = b"".join(struct.pack("<I", len(text)) + text for text in texts[1:])
        blocks.append((4, struct.pack("<I", len(texts[0])) + texts[0] + struct.pack("<I", len(comments)) + listed))
    out = [b"fLaC"]
    for index, (name, inside) in enumerate(blocks):
        last = 0x80 if index == len(blocks) - 1 else 0
        out.append(bytes([last | name]) + struct.pack(">I", len(inside))[1:] + inside)
    for index, start in enumerate(range(0, frames, size)):
        part = [channel[start:start + size] for channel in channels]
        number = bytes([index]) if index < 128 else bytes([0xC0 | index >> 6, 0x80 | index & 63])
        frame = b"\xFF\xF8\x70" + bytes([(count - 1) << 4]) + number + struct.pack(">H", len(part[0]) - 1)
        frame += bytes([crc8(frame)])
        frame += b"".join(b"\x02" + samples(16, [channel], big=True) for channel in part)
        out.append(frame + struct.pack(">H", crc16(frame) ^ (index == spoilt)))
    return b"".join(out)


def bext(reference, description="", version=1, history=""):
    """The contents of a `bext` chunk (EBU Tech 3285)."""
    head = struct.pack("<256s32s32s10s8s", description.encode(), b"invented", b"ref", b"2020-01-02", b"03:04:05")
    return head + struct.pack("<QH64s190s", reference, version, b"", b"") + history.encode()


def cue(points):
    """The contents of a `cue ` chunk: `(id, frame)` each."""
    rows = b"".join(struct.pack("<II4sIII", name, frame, b"data", 0, 0, frame) for name, frame in points)
    return struct.pack("<I", len(points)) + rows


def adtl(labels):
    """The contents of a `LIST` chunk with the names of markers: `(id, text)` each."""
    return b"adtl" + b"".join(chunk(b"labl", struct.pack("<I", name) + text.encode() + b"\0") for name, text in labels)


def info(texts):
    """The contents of a `LIST` chunk with titles."""
    return b"INFO" + b"".join(chunk(name, text.encode() + b"\0") for name, text in texts)


def smpl(first, last):
    """The contents of a `smpl` chunk with one loop."""
    return struct.pack("<9I", 0, 0, 20_833, 60, 0, 0, 0, 1, 0) + struct.pack("<6I", 1, 0, first, last, 0, 0)


def ixml(rate, note):
    """The contents of an `iXML` chunk."""
    return (f'<?xml version="1.0" encoding="UTF-8"?><BWFXML><IXML_VERSION>1.5</IXML_VERSION><NOTE>{note}</NOTE><SPEED>'
            f"<FILE_SAMPLE_RATE>{rate}</FILE_SAMPLE_RATE><TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_LO>480000"
            "</TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_LO></SPEED></BWFXML>").encode()


def quantity(value):
    """A number of variable length in a MIDI file."""
    out = [value & 127]
    while value := value >> 7:
        out.insert(0, 128 | value & 127)
    return bytes(out)


def midi(bpm, markers=(), key=None, beats=4, ticks=480):
    """A MIDI file of one track with tempo, meter, key and markers, `(beat, text)` each."""
    events = [(0, b"\xFF\x58\x04" + bytes([beats, 2, 24, 8])),
              (0, b"\xFF\x51\x03" + struct.pack(">I", round(60e6 / bpm))[1:])]
    if key is not None:
        events.append((0, b"\xFF\x59\x02" + struct.pack("bB", *key)))
    events += [(beat * ticks, b"\xFF\x06" + quantity(len(text.encode())) + text.encode()) for beat, text in markers]
    track, now = b"", 0
    for at, event in events + [(max([e[0] for e in events]), b"\xFF\x2F\x00")]:
        track += quantity(at - now) + event
        now = at
    return b"MThd" + struct.pack(">IHHH", 6, 0, 1, ticks) + b"MTrk" + struct.pack(">I", len(track)) + track
