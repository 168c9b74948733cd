"""Plants faults in what the program has made, to see that the null test finds them. Knows no file: manifest and samples are
changed in memory."""

import copy

import numpy

from .back import change, same_rate


class Case:
    """A delivery that may be spoilt, and how to choose in it."""

    def __init__(self, delivery, manifest, outputs):
        self.manifest = copy.deepcopy(manifest)
        self.delivery = copy.copy(delivery)
        self.delivery.stems = [copy.copy(stem) for stem in delivery.stems]
        self.outputs = dict(outputs)

    def stems(self, wanted=lambda record: True):
        """Records of stems that are loud enough for a fault to matter."""
        prepared = (record for record in self.manifest["stems"] if record["output"] and record["role"] == "stem")
        return [record for record in prepared if wanted(record) and (record["output"]["peak_dbfs"] or -200) > -40]

    def audio(self, record):
        """A copy of its samples, which the check will see."""
        path = record["output"]["path"]
        sound, hz = self.outputs[path]
        self.outputs[path] = (sound.copy(), hz)
        return self.outputs[path][0]

    def source(self, record):
        return next(stem for stem in self.delivery.stems if f"{stem.name}.wav" == record["source"]["path"])


def gain_of(record):
    row = change(record, "gain-stage")
    return 10 ** (row["to"] / 20) if row else 1.0


def size(record):
    """A little more than may be left of this stem, at the level of its output."""
    step = 0.0 if record["output"]["float"] else 2.0 ** (1 - record["output"]["bits"])
    return max(4 * step, (2e-6 if same_rate(record) else 2e-5) * gain_of(record))


def first_frame(record):
    return max(-record["time_map"]["shift_frames"], 0)


def wrong_gain(case):
    for record in case.stems(lambda r: change(r, "gain-stage"))[:1]:
        change(record, "gain-stage")["to"] += 0.02
        return "one rate", "converted"


def wrong_shift(case):
    for record in case.stems()[:1]:
        record["time_map"]["shift_frames"] += 1
        return "one rate", "converted"


def one_sample(case):
    for record in case.stems(same_rate)[:1]:
        sound = case.audio(record)
        sound[first_frame(record) + 1_000, 0] += size(record)
        return ("one rate",)


def one_click(case):
    for record in case.stems(lambda r: not same_rate(r))[:1]:
        sound = case.audio(record)
        sound[first_frame(record) + 1_000, 0] += 10 * size(record)
        return ("converted",)


def step_at_the_padding(case):
    for record in case.stems(lambda r: first_frame(r) > 100)[:1]:
        sound = case.audio(record)
        sound[first_frame(record) :] += 20 * size(record)
        return ("new steps at the ends",)


def sound_in_the_padding(case):
    for record in case.stems(lambda r: first_frame(r) > 100)[:1]:
        case.audio(record)[50, 0] = 2.0**-24
        return ("padding",)


def constant(case):
    for record in case.stems()[:1]:
        sound = case.audio(record)
        sound[:] = numpy.where(sound == 0, 0, sound - size(record))
        return "one rate", "converted"


def wrong_constant(case):
    for record in case.stems(lambda r: change(r, "dc-removal"))[:1]:
        change(record, "dc-removal")["constants"][0] += size(record) / gain_of(record)
        return "one rate", "converted"


def offset_in_silence(case):
    for record in case.stems(lambda r: (change(r, "dc-removal") or {}).get("silence"))[:1]:
        change(record, "dc-removal")["silence"] = False
        return "one rate", "converted"


def false_offset(case):
    for record in case.stems(lambda r: change(r, "dc-removal"))[:1]:
        case.source(record).offset = "false"
        return ("offset",)


def other_channel(case):
    for record in case.stems(lambda r: (change(r, "channel-fix") or {}).get("other_silent"))[:1]:
        row = change(record, "channel-fix")
        row["kept"] = 1 - row["kept"]
        return "one rate", "converted"


def unsaid_cut(case):
    for record in case.stems(lambda r: change(r, "trim-silence"))[:1]:
        change(record, "trim-silence")["head_frames"] -= 1
        return ("cuts",)


def sound_cut(case):
    for record in case.stems(lambda r: (change(r, "trim-silence") or {}).get("head_frames", 0) > 100)[:1]:
        case.source(record).sound = case.source(record).sound.copy()
        case.source(record).sound[:20] += 0.01
        return ("what was cut",)


def unnamed_fraction(case):
    for record in case.stems(lambda r: abs(r["time_map"].get("fraction_frames", 0)) > 0.05)[:1]:
        del record["time_map"]["fraction_frames"]
        return ("place",)


def swapped(case):
    for first in case.stems():
        for second in case.stems(lambda r: r is not first and r["output"]["channels"] == first["output"]["channels"]):
            first["output"], second["output"] = second["output"], first["output"]
            return "one rate", "converted"


def lost_stem(case):
    for record in case.stems()[:1]:
        case.manifest["stems"].remove(record)
        return ("missing",)


def not_in_the_mix(case):
    """Source and output agree, so only the sum can see it."""
    for record in case.stems(lambda r: same_rate(r) and r["output"]["float"] and not change(r, "dc-removal"))[:1]:
        stem, sound = case.source(record), case.audio(record)
        stem.sound = stem.sound * 1.01
        sound *= 1.01
        return ("sum",)


FAULTS = (
    wrong_gain, wrong_shift, one_sample, one_click, step_at_the_padding, sound_in_the_padding, constant, wrong_constant,
    offset_in_silence, false_offset, other_channel, unsaid_cut, sound_cut, unnamed_fraction, swapped, lost_stem, not_in_the_mix,
)  # fmt: skip


class Planted:
    """Plants every fault in the first deliveries that have a place for it."""

    TIMES = 2
    MOST_STEMS = 20
    """Larger deliveries say no more, and take longer."""

    def __init__(self):
        self.tried = {fault.__name__: [] for fault in FAULTS}

    def plant(self, index, delivery, manifest, outputs, check):
        for fault in FAULTS if len(delivery.stems) <= self.MOST_STEMS else ():
            tried = self.tried[fault.__name__]
            if len(tried) >= self.TIMES:
                continue
            case = Case(delivery, manifest, outputs)
            expected = fault(case)
            if expected is None:
                continue
            figures, _ = check(case.delivery, case.manifest, case.outputs)
            kinds = sorted({kind for kind, *_ in figures.beyond})
            tried.append((index, any(kind.startswith(expected) for kind in kinds), kinds))

    def report(self):
        """Prints what was found; says whether something was not."""
        print("\nPlanted faults:")
        failed = False
        for name, tried in self.tried.items():
            missed = [index for index, found, _ in tried if not found]
            failed |= bool(missed) or not tried
            kinds = "; ".join(sorted({kind for _, _, kinds in tried for kind in kinds}))
            said = f"not found in {missed}" if missed else f"found in {len(tried)}" if tried else "no delivery has a place for it"
            print(f"  {'WORSE' if missed or not tried else 'ok':5} {name}: {said} ({kinds})")
        return failed
