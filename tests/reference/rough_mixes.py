"""What a rough mix that went through a lossy codec says of missing stems, counted: invented songs behind MP3, and real recordings
whose stems sum to a mix, each complete and with every stem left out in turn.

python tests/reference/rough_mixes.py PROGRAM [--songs 20]     invented songs behind MP3 at about 192 kb/s
python tests/reference/rough_mixes.py PROGRAM --real           test data of source separation, out of PyPI `stempeg`

It needs PyPI `numpy` and `soundfile` (libsndfile 1.1 or later, which writes MP3), and `av` for the real recordings, which are
downloaded by pip into a temporary folder and go with it.
"""

import argparse
import io
import json
import pathlib
import subprocess
import sys
import tarfile
import tempfile

import numpy
import soundfile

RATE = 44_100
SECONDS = 40
ROLES = ["Kick", "Bass", "Piano", "Pad", "Shaker", "Snare", "Guitar", "Organ", "Strings", "Flute"]
RECIPE = 'recipe = 1\nname = "plain"\nrevision = 1\n' + "".join(
    f'[[stage]]\nstage = "{stage}"\n' for stage in ["decode", "resample", "align-starts", "label", "re-encode"]
)


def line(dice, low_hz, frames):
    """Notes with harmonics, a decay, a breath of noise and some rests."""
    out, at = numpy.zeros(frames), 0
    while at < frames:
        length = min(int(dice.uniform(0.15, 0.7) * RATE), frames - at)
        t = numpy.arange(length) / RATE
        hz = low_hz * 2 ** ((dice.integers(13) + dice.uniform(-0.05, 0.05)) / 12)
        tone = sum(
            numpy.sin(2 * numpy.pi * hz * k * t + dice.uniform(0, 6.28)) / k * numpy.exp(-t * k) for k in range(1, 13)
        )
        level = 0 if dice.random() < 0.15 else dice.uniform(0.3, 1)
        shape = numpy.minimum(t / 0.008, 1) * numpy.exp(-3 * t)
        out[at : at + length] += level * shape * (0.4 * tone + 0.05 * dice.uniform(-1, 1, length))
        at += length
    return out


def drum(dice, hz, every, frames):
    """Hits on a grid with a human's timing."""
    out = numpy.zeros(frames)
    for beat in range(int(frames / RATE / every)):
        start = int((beat * every + dice.uniform(0, 0.008)) * RATE)
        t = numpy.arange(min(RATE // 4, frames - start)) / RATE
        tone = numpy.sin(2 * numpy.pi * (hz * t + 0.6 * (1 - numpy.exp(-30 * t)))) * numpy.exp(-18 * t)
        burst = dice.uniform(-1, 1, len(t)) * numpy.exp(-60 * t)
        out[start : start + len(t)] += dice.uniform(0.5, 1) * (0.6 * tone + 0.25 * burst)
    return out


def held(dice, low_hz, frames):
    """Chords of two seconds."""
    out = numpy.zeros(frames)
    for at in range(0, frames, 2 * RATE):
        length = min(2 * RATE, frames - at)
        t = numpy.arange(length) / RATE
        shape = numpy.minimum(1, t / 0.3) * numpy.clip((length / RATE - t) / 0.1, 0, 1)
        for step in (0, 4, 7):
            hz = low_hz * 2 ** ((step + [0, 3, 5, 7][dice.integers(4)]) / 12)
            for k in range(1, 6):
                out[at : at + length] += shape * numpy.sin(2 * numpy.pi * hz * k * t + dice.uniform(0, 6.28)) / k**1.5
    return out


def song(seed):
    """Stems as left and right, each with its name, its span in seconds and its sound in the middle."""
    dice, frames, stems = numpy.random.default_rng(seed), SECONDS * RATE, []
    for index, role in enumerate(ROLES):
        low = 60 * 2 ** dice.uniform(0, 4)
        kinds = [
            lambda: drum(dice, low, 60 / 110 * dice.choice([0.5, 1, 2]), frames),
            lambda: line(dice, low, frames),
            lambda: line(dice, low, frames),
            lambda: held(dice, min(low, 400), frames),
            lambda: dice.normal(size=frames),
        ]
        sound = kinds[index % 5]()
        begin, end = (dice.uniform(2, 18), dice.uniform(26, 39)) if index % 3 == 2 else (0, SECONDS)
        t = numpy.arange(frames) / RATE
        sound = sound * ((t >= begin) & (t <= end))
        rms = numpy.sqrt(numpy.sum(sound**2) / (end - begin) / RATE)
        sound *= 0.04 * 10 ** (-dice.uniform(0, 24) / 20) / rms
        angle = dice.uniform(0.2, 0.8) * numpy.pi / 2
        stems.append((role, begin, end, sound, numpy.stack([sound * numpy.cos(angle), sound * numpy.sin(angle)], axis=1)))
    return stems


def mp3(mix):
    """The bytes of an MP3 file, and its kilobits a second."""
    data = io.BytesIO()
    soundfile.write(
        data, mix, RATE, format="MP3", subtype="MPEG_LAYER_III", bitrate_mode="CONSTANT", compression_level=0.4
    )
    return data.getvalue(), len(data.getvalue()) * 8 / (len(mix) / RATE) / 1000


def middle_energy(sound):
    """Energy of the middle between 40 Hz and 2.5 kHz, where it is compared."""
    bins = numpy.fft.rfft(sound.mean(axis=1))
    hz = numpy.fft.rfftfreq(len(sound), 1 / RATE)
    return numpy.sum(numpy.abs(bins[(hz > 40) & (hz < 2500)]) ** 2)


def shown(program, folder):
    """The findings about missing stems, and what the rough mix shows."""
    with tempfile.TemporaryDirectory() as out:
        recipe = pathlib.Path(out) / "recipe.toml"
        recipe.write_text(RECIPE)
        place = pathlib.Path(out) / "out"
        command = [program, "prep", folder, "--out", place, "--recipe", recipe, "--progress", "none"]
        ran = subprocess.run([str(part) for part in command], capture_output=True, text=True)
        try:
            manifest = json.loads((place / "manifest.json").read_text())
        except OSError:
            sys.exit(ran.stdout + ran.stderr)
    gaps = [finding["evidence"] for finding in manifest["findings"] if finding["id"] == "missing-stem"]
    return gaps, manifest["rough_mix"]


def invented(program, songs):
    found = trials = weaker = alarms = wrong = 0
    for number in range(songs):
        stems = song(number)
        mix = sum(stem[4] for stem in stems)
        mix *= 0.8 / numpy.abs(mix).max()
        with tempfile.TemporaryDirectory() as folder:
            folder = pathlib.Path(folder)
            for name, _, _, sound, _ in stems:
                soundfile.write(folder / f"{name}.wav", sound, RATE, subtype="PCM_24")
            data, kbps = mp3(mix)
            (folder / "Rough Mix.mp3").write_bytes(data)
            gaps, rough = shown(program, folder)
            alarms += bool(gaps)
            if gaps:
                print(f"song {number}: ALARM in a complete set: {rough}")
            index = number % len(stems)
            name, begin, end, _, panned = stems[index]
            whole = sum(stem[4] for stem in stems)
            level = 10 * numpy.log10(middle_energy(panned) / middle_energy(whole))
            (folder / f"{name}.wav").unlink()
            gaps, rough = shown(program, folder)
            inside = [gap for gap in gaps if gap["from_seconds"] < end + 1.5 and gap["to_seconds"] > begin - 1.5]
            wrong += len(gaps) - len(inside)
            print(f"song {number}: {name} at {level:.1f} dB, {kbps:.0f} kb/s: {len(inside)} found; {rough['floor_db']} dB")
            if level > -20:
                trials += 1
                found += bool(inside)
            else:
                weaker += bool(inside)
    print(f"{found} of {trials} missing stems above -20 dB found, {weaker} weaker ones; {alarms} alarms in {songs} complete "
          f"sets, {wrong} wrong claims")


def tracks(path):
    """All tracks of a file that holds a mix and its stems."""
    import av

    with av.open(str(path)) as container:
        count = sum(stream.type == "audio" for stream in container.streams)
    for index in range(count):
        with av.open(str(path)) as container:
            parts = [frame.to_ndarray() for frame in container.decode(audio=index)]
        yield numpy.concatenate(parts, axis=1).T


def real(program):
    with tempfile.TemporaryDirectory() as folder:
        folder = pathlib.Path(folder)
        pip = [sys.executable, "-m", "pip", "download", "-q", "--no-deps", "--no-binary", ":all:", "stempeg", "-d", folder]
        subprocess.run([str(part) for part in pip], check=True)
        for archive in folder.glob("*.tar.gz"):
            with tarfile.open(archive) as source:
                source.extractall(folder / "source", filter="data")
        for number, path in enumerate(sorted(folder.glob("source/**/*.stem.mp4"))):
            mix, *stems = tracks(path)
            rest = mix - sum(stems)
            print(f"set {number}: {len(stems)} stems of {len(mix) / RATE:.0f} s; what the sum leaves of the mix: "
                  f"{10 * numpy.log10(middle_energy(rest) / middle_energy(mix)):.1f} dB")
            for left_out in [None, *range(len(stems))]:
                delivery = folder / f"{number} {left_out}"
                delivery.mkdir()
                soundfile.write(delivery / "Rough Mix.wav", mix, RATE, subtype="PCM_24")
                for index, stem in enumerate(stems):
                    if index != left_out:
                        soundfile.write(delivery / f"Part {index}.wav", stem, RATE, subtype="PCM_24")
                gaps, rough = shown(program, delivery)
                if left_out is None:
                    print(f"  complete: {len(gaps)} alarms; {rough}")
                else:
                    level = 10 * numpy.log10(middle_energy(stems[left_out]) / middle_energy(mix))
                    print(f"  without stem {left_out} at {level:.1f} dB: {len(gaps)} found; {rough['cannot_judge']}, "
                          f"{rough['floor_db']} dB, {rough['gains_db']}")


arguments = argparse.ArgumentParser()
arguments.add_argument("program")
arguments.add_argument("--songs", type=int, default=20)
arguments.add_argument("--real", action="store_true")
options = arguments.parse_args()
if options.real:
    real(options.program)
else:
    invented(options.program, options.songs)
