"""What a general-purpose library says of the key of the same songs (PyPI `librosa`, chroma of a constant-Q transform),
with the same published profiles, scored as MIREX scores it.

LOADIN_KEYS=48 LOADIN_KEYS_TO=SONGS cargo test -p loadin-tests songs_in_all_keys
python tests/reference/keys.py SONGS
"""

import pathlib
import sys

import librosa
import numpy

NAMES = ["C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B"]
FLATS = {"Db": "C#", "Eb": "D#", "Gb": "F#", "Ab": "G#", "Bb": "A#"}

# As they stand in PyPI `music21` 10.5.1.
PROFILES = {
    "Krumhansl-Kessler": (
        [6.35, 2.23, 3.48, 2.33, 4.38, 4.09, 2.52, 5.19, 2.39, 3.66, 2.29, 2.88],
        [6.33, 2.68, 3.52, 5.38, 2.60, 3.53, 2.54, 4.75, 3.98, 2.69, 3.34, 3.17],
    ),
    "Aarden-Essen": (
        [17.7661, 0.145624, 14.9265, 0.160186, 19.8049, 11.3587, 0.291248, 22.062, 0.145624, 8.15494, 0.232998, 4.95122],
        [18.2648, 0.737619, 14.0499, 16.8599, 0.702494, 14.4362, 0.702494, 18.6161, 4.56621, 1.93186, 7.37619, 1.75623],
    ),
}


def best(chroma, profiles):
    fits = [
        (numpy.corrcoef(numpy.roll(chroma, -tonic), profile)[0, 1], tonic, minor)
        for tonic in range(12)
        for minor, profile in enumerate(profiles)
    ]
    return max(fits)[1:]


def weight(found, truth):
    apart = (found[0] - truth[0]) % 12
    if found[1] == truth[1]:
        return {0: 1.0, 5: 0.5, 7: 0.5}.get(apart, 0.0)
    if apart == 0:
        return 0.2
    return 0.3 if apart == (3 if truth[1] else 9) else 0.0


songs = sorted(pathlib.Path(sys.argv[1]).iterdir())
scores = {(name, with_drums): [] for name in PROFILES for with_drums in (True, False)}
for song in songs:
    tonic, mode = song.name.split(" ")[1:]
    truth = (NAMES.index(FLATS.get(tonic, tonic)), int(mode == "minor"))
    for with_drums in (True, False):
        files = [f for f in song.iterdir() if with_drums or f.stem not in ("Kick", "Snare")]
        mix = sum(librosa.load(file, sr=22050)[0] for file in files)
        chroma = librosa.feature.chroma_cqt(y=mix, sr=22050, tuning=librosa.estimate_tuning(y=mix, sr=22050)).mean(axis=1)
        for name, profiles in PROFILES.items():
            scores[name, with_drums].append(weight(best(chroma, profiles), truth))
for (name, with_drums), of in scores.items():
    print(f"{name}, {'all stems' if with_drums else 'without drums'}: {numpy.mean(of):.3f} of {len(songs)} songs")
