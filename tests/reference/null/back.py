"""Takes prepared stems back by the manifest's numbers alone, and says what is left beside their sources.

The source is carried as far as the manifest says (channels, constants, rate, place, cuts), the output is freed of its gain,
and what remains of the two is the residual, at the source's level. A converted source is converted by libsoxr (very high
quality); then only what is below 0.45 of the lower rate counts, where every filter is flat.
"""

from dataclasses import dataclass, field

import numpy
import soxr

from .deliveries import delayed

SILENCE = 2.0**-32
SAME_RATE, CONVERTED = 1e-6, 1e-5
"""-120 and -100 dBFS."""
STEPS = 1.5
"""TPDF of two steps from peak to peak and the rounding: |error| is at most 1.5 steps of the output's depth."""
SOURCE_STEP = {"PCM_16": 2.0**-15, "PCM_24": 2.0**-23}
CUT = 10 ** (-90 / 20)
"""What `mix-prep` calls dead air, after the gain."""
REST = 4 / 2**15
"""A noise floor up to here is dead air, whatever the gain: dithered silence of 16 bits, and what a change of rate makes of it."""


class Figures:
    """The worst of every kind, as a share of its bound, and all that is beyond it."""

    def __init__(self):
        self.worst, self.beyond = {}, []

    def add(self, kind, name, values, bound, unit=1.0, first_frame=0):
        """`values` by frame (and channel) against one bound; `unit` is what the printed figure is counted in."""
        values = numpy.abs(numpy.atleast_1d(values))
        if values.size == 0:
            return
        values = values.reshape(len(values), -1).max(axis=1, initial=0)
        most = float(values.max())
        if kind not in self.worst or most / bound > self.worst[kind][0]:
            self.worst[kind] = (most / bound, most / unit, bound / unit, name)
        if not most <= bound:
            frame = int(numpy.flatnonzero(~(values <= bound))[0]) + first_frame
            self.beyond.append((kind, name, frame, most / unit, bound / unit))

    def wrong(self, kind, name, what):
        """Something that has no size."""
        self.beyond.append((kind, name, 0, what, ""))


@dataclass
class Taken:
    """An output at the level of its source, beside what it should be."""

    record: dict
    sound: numpy.ndarray = field(repr=False)
    wanted: numpy.ndarray = field(repr=False)
    removed: numpy.ndarray = field(repr=False)
    """What `dc-removal` took, at the source's rate."""
    sides: list
    """Where the channels lie in the source."""
    step: float
    """Step of the output's depth, at the level of the source; 0 for floats."""
    faded: tuple
    """Frames that a fade has changed, at the head and at the tail."""
    place: float
    """Frame of the output at which the source starts, by its stamp: the fraction that the manifest names is taken out."""


def change(record, stage):
    found = [row for row in record["changes"] if row["stage"] == stage]
    return found[0] if found else None


def same_rate(record):
    return record["time_map"]["source_hz"] == record["time_map"]["output_hz"]


def rescaled(frames, from_hz, to_hz):
    return (2 * frames * to_hz + from_hz) // (2 * from_hz)


def digital_silence(channel, least):
    """Where a channel is digital silence for `least` frames or more."""
    silent = numpy.abs(channel) <= SILENCE
    edges = numpy.flatnonzero(numpy.diff(numpy.concatenate([[0], silent.astype(int), [0]])))
    result = numpy.zeros(len(channel), bool)
    for start, end in edges.reshape(-1, 2):
        result[start:end] = end - start >= least
    return result


def convert(sound, from_hz, to_hz):
    """By libsoxr, in as many frames as the rates make of them."""
    if from_hz == to_hz:
        return sound
    frames = rescaled(len(sound), from_hz, to_hz)
    made = soxr.resample(sound, from_hz, to_hz, quality="VHQ")[:frames]
    return numpy.pad(made, ((0, frames - len(made)), (0, 0)))


def low(sound, rate, hz):
    """What is below `hz`; silence stands before and after it."""
    pad = rate // 10
    padded = numpy.pad(sound, ((pad, pad), (0, 0)))
    spectrum = numpy.fft.rfft(padded, axis=0)
    spectrum[numpy.fft.rfftfreq(len(padded), 1 / rate) > hz] = 0
    return numpy.fft.irfft(spectrum, len(padded), axis=0)[pad : pad + len(sound)]


def channels_of(record, source):
    """The channels that stay, and where each lies among left and right."""
    row = change(record, "channel-fix")
    if row is None:
        return source, [[0, 1]] if source.shape[1] == 1 else [[0], [1]]
    kept = row["kept"]
    return source[:, [kept]], [[kept] if row["other_silent"] else [0, 1]]


def constants_of(record, sound):
    """What was subtracted, sample by sample."""
    removed, row = numpy.zeros_like(sound), change(record, "dc-removal")
    if row is not None:
        for channel, constant in enumerate(row["constants"]):
            silent = digital_silence(sound[:, channel], row["rate_hz"] // 100) if row["silence"] else False
            removed[:, channel] = numpy.where(silent, 0.0, constant)
    return removed


def take(record, source, output):
    """Frees an output of its gain and carries its source to the same place."""
    hz, time = record["output"]["rate_hz"], record["time_map"]
    gain = 10 ** (sum(row["to"] for row in record["changes"] if row["stage"] == "gain-stage") / 20)
    kept, sides = channels_of(record, source)
    removed = constants_of(record, kept)
    converted = convert(kept - removed, time["source_hz"], time["output_hz"])
    # Its frames stand that fraction later than those of libsoxr, which begins on a frame.
    converted = delayed(converted, -time.get("fraction_frames", 0.0), len(converted))
    frames, shift = record["output"]["frames"], time["shift_frames"]
    wanted = numpy.zeros((frames, kept.shape[1]))
    from_, to = max(shift, 0), min(len(converted), shift + frames)
    wanted[from_ - shift : to - shift] = converted[from_:to]
    faded = fades(record, wanted, from_ - shift, to - shift)
    step = 0.0 if record["output"]["float"] else 2.0 ** (1 - record["output"]["bits"]) / gain
    return Taken(record, output / gain, wanted, removed, sides, step, faded, -shift - apart(time)), converted, gain


def apart(time):
    """By how many output frames the file's first frame stands before the output's frame of its place, by its stamp: what is in
    the sound, and what was left of a fraction."""
    return time.get("fraction_frames", 0.0) + time.get("place_error_frames", 0.0)


def fades(record, wanted, first, end):
    """Fades what stands at a cut as the manifest says (a raised cosine); gives the lengths."""
    row = change(record, "trim-silence")
    if row is None:
        return 0, 0
    rise, fall = row["fade_in_frames"], row["fade_out_frames"]
    if rise:
        wanted[first : first + rise] *= raised(rise)[:, None]
    if fall:
        wanted[end - fall : end] *= raised(fall)[::-1, None]
    return rise, fall


def raised(frames):
    return numpy.sin(numpy.pi / 2 * (numpy.arange(frames) + 0.5) / frames) ** 2


def check_stem(figures, stem, taken, converted, gain, delivery):
    """Residual, padding, steps, cuts and place of one stem."""
    record, name = taken.record, stem.name
    hz, time, frames = record["output"]["rate_hz"], record["time_map"], record["output"]["frames"]
    shift, same = time["shift_frames"], same_rate(record)
    if taken.sound.shape != taken.wanted.shape:
        return figures.wrong("form", name, f"{taken.sound.shape} samples, {taken.wanted.shape} by the manifest")
    residual = taken.sound - taken.wanted
    floor = SAME_RATE if same else CONVERTED
    if not same:
        residual = low(residual, hz, 0.45 * min(time["source_hz"], hz))
        # A rough mix of stems with offsets begins and ends with steps, at which each filter rings in its own way.
        ends = hz // 100 if record["role"] == "reference" else 0
        inner = slice(max(-shift, 0) + ends, max(len(converted) - shift - ends, 0))
        figures.add("converted, dBFS", name, residual[inner], max(floor, STEPS * taken.step), first_frame=inner.start)
    elif taken.step:
        figures.add("one rate, steps", name, residual, STEPS * taken.step * (1 + 1e-6), taken.step)
    else:
        figures.add("one rate, dBFS", name, residual, floor)
    # Padding is digital silence, whatever the depth.
    for start, end in ((0, -shift), (len(converted) - shift, frames)):
        if end - start >= 64:
            figures.add("padding, dBFS", name, taken.sound[max(start, 0) : end], 1e-12, first_frame=max(start, 0))
    if same or record["role"] != "reference":
        check_steps(figures, stem, taken, -shift, len(converted) - shift)
    check_cuts(figures, stem, taken, converted, gain, delivery)
    check_place(figures, stem, record)
    if stem.offset == "true" and change(record, "dc-removal"):
        check_offset(figures, stem, record)


def check_steps(figures, stem, taken, first, end):
    """First differences, which a click raises at all frequencies: where the output has more than the source or its conversion."""
    edge = lambda sound: numpy.abs(numpy.diff(numpy.pad(sound, ((1, 1), (0, 0))), axis=0))
    time, hz = taken.record["time_map"], taken.record["output"]["rate_hz"]
    same = same_rate(taken.record)
    sound, wanted = taken.sound, taken.wanted
    if not same and stem.offset == "true":
        # An offset between digital silence is a step; what is left of it rings in each filter's own way above the band.
        sound, wanted = (low(one, hz, 0.45 * min(time["source_hz"], hz)) for one in (sound, wanted))
    more = numpy.maximum(edge(sound) - edge(wanted), 0)
    # Two rounded samples with their dither are three steps apart at most. Two filters differ in what they leave of the
    # source's own rounding above the pass band: two of its steps.
    bound = max(1e-5, 2 * STEPS * taken.step, 0.0 if same else 2 * SOURCE_STEP.get(stem.subtype, 0.0))
    figures.add("new steps, dBFS", stem.name, more, bound)
    near = hz // 100
    for at in (first, end):
        around = slice(max(at - near, 0), max(at + near, 0))
        figures.add("new steps at the ends, dBFS", stem.name, more[around], bound, first_frame=around.start)


def check_cuts(figures, stem, taken, converted, gain, delivery):
    """What the manifest says was cut is what is missing, and it was dead air."""
    record, frames, shift = taken.record, taken.record["output"]["frames"], taken.record["time_map"]["shift_frames"]
    trim, align = change(record, "trim-silence"), change(record, "align-starts")
    head, tail = (trim["head_frames"], trim["tail_frames"]) if trim else (0, 0)
    dropped = [0, 0]
    if align:
        start = align["to"] if align["what"] == "start" else 0
        length = align["length_frames"] if align["what"] == "start" else align["to"]
        dropped = [max(-start, 0), max(align["from_frames"] + start - length, 0)]
    missing = [max(shift, 0), max(len(converted) - shift - frames, 0)]
    said = [head + dropped[0], tail + dropped[1]]
    if missing != said:
        figures.wrong("cuts", stem.name, f"{missing} frames are missing, the manifest says {said}")
    if record["role"] == "reference":
        return
    if any(dropped):
        figures.wrong("cuts", stem.name, f"{dropped} frames are dropped to align it")
    # Two conversions of hiss have peaks of their own.
    bound = 1.01 * max(CUT, REST * gain * (1.0 if same_rate(record) else 1.2) if stem.noisy else 0.0)
    hz = record["output"]["rate_hz"]
    if head:
        kept = int(delivery.head_seconds * hz) - 1
        figures.add("what was cut, dBFS", stem.name, gain * converted[: head + kept], bound)
    if tail:
        kept = int(delivery.tail_seconds * hz) - 1
        from_ = max(len(converted) - tail - kept, 0)
        figures.add("what was cut, dBFS", stem.name, gain * converted[from_:], bound, first_frame=from_)


def check_offset(figures, stem, record):
    """What is left of a true offset. A rest without hiss shows it to the step of the source."""
    constants = stem.constants * 2 if len(stem.constants) == 1 else stem.constants
    sound, _ = channels_of(record, stem.sound)
    row, step = change(record, "dc-removal"), SOURCE_STEP.get(stem.subtype, 0.0)
    for channel, removed in enumerate(row["constants"]):
        true = constants[channel]
        rests = numpy.abs(sound[:, channel] - true) <= max(step, SAME_RATE)
        longest = numpy.diff(numpy.flatnonzero(~numpy.pad(rests, 1))).max() / stem.rate
        if longest > 0.13:
            figures.add("offset left, dBFS", stem.name, removed - true, max(step, SAME_RATE))
        else:
            # It is told from the quieter stretches then, and a part of the sound's own lean may be in it.
            figures.add("offset left that never rests long, share", stem.name, removed / true - 1, 0.5)


def check_place(figures, stem, record):
    """The fractions that the manifest names are what lies between the stamp of the source and the place of the output; at the
    usual rates, nothing is left of them."""
    if stem.stamp is None:
        return
    time = record["time_map"]
    exact = (record["output"]["timestamp_frames"] - time["shift_frames"]) * time["source_hz"] - stem.stamp * time["output_hz"]
    figures.add("place, frames", stem.name, exact / time["source_hz"] - apart(time), 1e-6)
    figures.add("fraction, frames", stem.name, apart(time), 0.5 + 1e-6)
    figures.add("fraction that is left, frames", stem.name, time.get("place_error_frames", 0.0), 1e-9)


def check_sum(figures, takens, mix, mix_source):
    """All outputs at their places against the rough mix that was delivered."""
    hz, frames = mix["output"]["rate_hz"], mix["output"]["frames"]
    source_hz = mix["time_map"]["source_hz"]
    mix_place = -mix["time_map"]["shift_frames"] - apart(mix["time_map"])
    left, total = mix_source.copy(), numpy.zeros((frames, 2))
    for taken in takens:
        sides = lambda sound: spread(sound, taken.sides)
        time = taken.record["time_map"]
        if taken.removed.any():
            removed = sides(convert(taken.removed, time["source_hz"], source_hz))
            add(left, removed, (taken.place - mix_place) * source_hz / hz, -1)
        add(total, sides(taken.sound), -time.get("place_error_frames", 0.0), 1)
    whole = numpy.zeros((frames, 2))
    add(whole, convert(left, source_hz, hz), mix_place, 1)
    residual = total - whole
    rates = {t.record["time_map"]["source_hz"] for t in takens} | {source_hz, hz}
    # What fades at a cut is no longer what it was; 10 ms more, since a part of the band is not heard to the frame.
    fade = [max(t.faded[end] for t in takens) for end in (0, 1)]
    fade = [frames and frames + hz // 100 for frames in fade]
    steps = 3 * sum(taken.step**2 for taken in takens) ** 0.5
    floor = SAME_RATE
    if len(rates) > 1:
        residual, floor = low(residual, hz, 0.45 * min(rates)), CONVERTED
    inner = residual[fade[0] : frames - fade[1]]
    kind = "sum at one rate, dBFS" if len(rates) == 1 else "sum of several rates, dBFS"
    figures.add(kind, "the sum", inner, max(floor, steps), first_frame=fade[0])


def spread(sound, sides):
    """Left and right of channels that lie there."""
    result = numpy.zeros((len(sound), 2))
    for channel, where in enumerate(sides):
        for side in where:
            result[:, side] += sound[:, channel]
    return result


def add(total, sound, place, sign):
    """Adds a sound whose frame 0 stands at `place`, between two frames where it has to; what lies outside is left out."""
    whole = int(numpy.floor(place + 1e-9))
    fraction = place - whole
    sound = delayed(sound, fraction if abs(fraction) > 1e-9 else 0.0, len(sound) + 1)
    from_, to = max(whole, 0), min(whole + len(sound), len(total))
    if from_ < to:
        total[from_:to] += sign * sound[from_ - whole : to - whole]
