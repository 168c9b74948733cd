//! The test files of other libraries, read as their own tests say (licences beside the files): `SciPy` 1.17.1
//! (`scipy.io.wavfile`), hound 3.5.1 and claxon 0.4.3.

use std::fs;
use std::path::{Path, PathBuf};

use super::fixture::{Decoded, decode};

fn folder(library: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("it/reference_codec/data/open").join(library)
}

fn file(library: &str, name: &str) -> Vec<u8> {
    fs::read(folder(library).join(name)).expect(name)
}

fn scipy(name: &str) -> Decoded {
    decode(&file("scipy", &format!("test-{name}.wav"))).expect(name)
}

/// Frame by frame.
fn samples(decoded: &Decoded) -> Vec<f64> {
    let frame = |frame: usize| decoded.sound.iter().map(move |channel| channel[frame]);
    (0..decoded.sound.frames()).flat_map(frame).collect()
}

#[test]
fn shapes_of_scipy() {
    for (name, rate_hz, frames, channels) in [
        ("44100Hz-le-1ch-4bytes", 44_100, 4410, 1),
        ("44100Hz-be-1ch-4bytes", 44_100, 4410, 1),
        ("44100Hz-le-1ch-4bytes-rf64", 44_100, 4410, 1),
        ("8000Hz-le-2ch-1byteu", 8000, 800, 2),
        ("44100Hz-2ch-32bit-float-le", 44_100, 441, 2),
        ("44100Hz-2ch-32bit-float-be", 44_100, 441, 2),
        ("48000Hz-2ch-64bit-float-le-wavex", 48_000, 480, 2),
        ("8000Hz-le-5ch-9S-5bit", 8000, 9, 5),
        ("8000Hz-le-4ch-9S-12bit", 8000, 9, 4),
        ("1234Hz-le-1ch-10S-20bit-extra", 1234, 10, 1),
    ] {
        let decoded = scipy(name);
        let found = (decoded.format.rate_hz, decoded.sound.frames(), decoded.sound.channels());
        assert_eq!(found, (rate_hz, frames, channels), "{name}");
        assert_eq!(decoded.damage, [], "{name}");
    }
    for (one, other) in [
        ("44100Hz-be-1ch-4bytes", "44100Hz-le-1ch-4bytes"),
        ("44100Hz-le-1ch-4bytes-rf64", "44100Hz-le-1ch-4bytes"),
        ("8000Hz-be-3ch-5S-24bit", "8000Hz-le-3ch-5S-24bit"),
        ("8000Hz-le-3ch-5S-24bit-rf64", "8000Hz-le-3ch-5S-24bit"),
    ] {
        assert!(samples(&scipy(one)) == samples(&scipy(other)), "{one}");
    }
}

/// "Hand-made max/min samples under different conventions": the step of each depth, and the values around full scale.
#[test]
fn values_of_scipy() {
    for (bits, lsb) in [(24, 0x100i64 << 32), (36, 0x1000_0000), (45, 0x8_0000), (53, 0x800), (64, 1)] {
        let (half, full) = (0x4000_0000_0000_0000i64, i64::MAX / lsb * lsb);
        #[rustfmt::skip]
        let wanted = [
            i64::MIN, -full, -2 * lsb,
            -half, lsb - half, -lsb,
            0, 0, 0,
            half, half - lsb, lsb,
            full, full, 2 * lsb,
        ];
        let wanted = wanted.map(|value| value as f64 / 2f64.powi(63));
        assert_eq!(samples(&scipy(&format!("8000Hz-le-3ch-5S-{bits}bit"))), wanted, "{bits} bits");
    }
    let mut wanted = Vec::new();
    for halved in 0..5 {
        wanted.extend([0x7fff_f000i64 >> halved, -0x7fff_f000 >> halved]);
    }
    let wanted: Vec<f64> = wanted.into_iter().map(|value| (value & !0xff) as f64 / 2f64.powi(31)).collect();
    assert_eq!(samples(&scipy("1234Hz-le-1ch-10S-20bit-extra")), wanted);
    // Of 5 bits in a byte, and of 12 in two: the extremes, and silence first.
    let five = samples(&scipy("8000Hz-le-5ch-9S-5bit"));
    let twelve = samples(&scipy("8000Hz-le-4ch-9S-12bit"));
    for (found, bits) in [(&five, 5), (&twelve, 12)] {
        let most = found.iter().copied().fold(f64::MIN, f64::max);
        let least = found.iter().copied().fold(f64::MAX, f64::min);
        assert_eq!((found[0], least, most), (0.0, -1.0, 1.0 - 2f64.powi(1 - bits)), "{bits} bits");
    }
}

#[test]
fn broken_files_of_scipy() {
    let decoded = scipy("44100Hz-le-1ch-4bytes-early-eof");
    assert_eq!((decoded.sound.frames(), decoded.damage[0].frames), (236, 4410 - 236));
    for name in ["4bytes-early-eof-no-data", "4bytes-incomplete-chunk"] {
        assert!(decode(&file("scipy", &format!("test-44100Hz-le-1ch-{name}.wav"))).is_err(), "{name}");
    }
    // SciPy refuses it: a frame of three samples of 24 bits has 9 bytes, its `blockAlign` says 4. By the bytes a second it has
    // 9, and the samples are those of the sound file beside it.
    let [broken, sound] = ["-inconsistent", ""].map(|word| scipy(&format!("8000Hz-le-3ch-5S-24bit{word}")));
    assert_eq!(broken.sound, sound.sound);
    assert!(broken.damage[0].cause.contains("contradicts itself") && sound.damage.is_empty());
}

/// The files "have been prepared with these exact samples". Two of them hold 24 bits in the lower three of four bytes, which
/// is not what the standard says, and are read so with a repair.
#[test]
fn values_of_hound() {
    let four: &[i64] = &[2, -3, 5, -7];
    let low: &[i64] = &[-96, 23_052, 8_388_607, -8_360_672];
    for (name, bits, wanted) in [
        ("pcmwaveformat-16bit-44100Hz-mono", 16, four),
        ("pcmwaveformat-16bit-44100Hz-mono-extra", 16, four),
        ("waveformatex-16bit-44100Hz-mono", 16, four),
        ("waveformatex-16bit-44100Hz-mono-extra", 16, four),
        ("waveformatex-16bit-44100Hz-stereo", 16, &[2, -3, 5, -7, 11, -13, 17, -19]),
        ("pcmwaveformat-8bit-44100Hz-mono", 8, &[19, -53, 89, -127]),
        ("waveformatex-8bit-11025Hz-mono", 8, &[-128; 4]),
        ("waveformatextensible-24bit-192kHz-mono", 24, &[-17, 4_194_319, -6_291_437, 8_355_817]),
        ("waveformatextensible-32bit-48kHz-stereo", 32, &[19, -229_373, 33_587_161, -2_147_483_497]),
        ("nonstandard-02", 32, &[19, -229_373, 33_587_161, -2_147_483_497]),
        ("pcmwaveformat-24bit-4byte-48kHz-stereo", 24, low),
        ("waveformatextensible-24bit-4byte-48kHz-stereo", 24, low),
    ] {
        let decoded = decode(&file("hound", &format!("{name}.wav"))).expect(name);
        let found: Vec<f64> = samples(&decoded).iter().map(|sample| sample * 2f64.powi(bits - 1)).collect();
        let wanted: Vec<f64> = wanted.iter().map(|code| *code as f64).collect();
        assert_eq!(found[..wanted.len()], wanted, "{name}");
        assert_eq!(
            decoded.repairs.len(),
            usize::from(name.contains("4byte")),
            "{name}: {:?}",
            decoded.repairs
        );
    }
    for (name, wanted) in [
        ("waveformatex-ieeefloat-44100Hz-mono", [2.0, 3.0, -16_411.0, 1019.0]),
        ("waveformatextensible-ieeefloat-44100Hz-mono", [2.0, 3.0, -16_411.0, 1019.0]),
    ] {
        assert_eq!(samples(&decode(&file("hound", &format!("{name}.wav"))).unwrap()), wanted, "{name}");
    }
}

/// What claxon itself, which is not ours, decodes.
#[test]
fn values_of_claxon() {
    for name in
        ["pop", "short", "wasted_bits", "non_subset", "empty_vorbis_comment", "repeated_vorbis_comment"]
    {
        let bytes = file("claxon", &format!("{name}.flac"));
        let mut reader = claxon::FlacReader::new(&bytes[..]).expect(name);
        let bits = reader.streaminfo().bits_per_sample as i32;
        let wanted: Vec<f64> =
            reader.samples().map(|code| f64::from(code.unwrap()) / 2f64.powi(bits - 1)).collect();
        let decoded = decode(&bytes).expect(name);
        let found = samples(&decoded);
        let first = found.iter().zip(&wanted).position(|(a, b)| a != b);
        assert!(found == wanted, "{name}: {} and {} samples, {first:?}", found.len(), wanted.len());
        assert_eq!(decoded.damage, [], "{name}");
    }
}

/// Everything that once brought hound or claxon down is refused or read, in bounded time and memory.
#[test]
fn crashers_of_both() {
    for library in ["hound/fuzz", "claxon/fuzz", "claxon"] {
        for entry in fs::read_dir(folder(library)).unwrap() {
            let path = entry.unwrap().path();
            if path.is_file()
                && let Ok(decoded) = decode(&fs::read(&path).unwrap())
            {
                assert!(decoded.sound.frames() < 1 << 24, "{path:?}");
            }
        }
    }
}
