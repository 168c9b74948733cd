//! Two files that are joined to one stereo stem, of which one comes late, is replaced, or goes.

use std::fs;

use loadin_tests::Delivery;
use serde_json::Value;

use super::super::given::Sound;
use crate::job::{Ran, comparable, findings, loadin, prep, stem, tree};

const LEFT: &str = "Gtr L.wav";
const RIGHT: &str = "Gtr R.wav";

/// A delivery with two halves of a pair; what is promised of an output that two stems share is looked at by hand.
struct Pair(Delivery);

impl Pair {
    fn new(halves: &[&str]) -> Self {
        let pair = Self(Delivery::new("song"));
        for (seed, path) in ["Kick.wav", "Vox.wav"].iter().chain(halves).enumerate() {
            pair.put(path, 1 + seed as u64);
        }
        pair
    }

    fn put(&self, path: &str, seed: u64) {
        let sound = Sound { level: 0.05 + 0.01 * seed as f64, ..Sound::plain(seed) };
        self.0.file(path, &sound.given().bytes);
    }

    fn visit(&self) -> (Ran, Value) {
        let text = super::Recipe::new(true).text();
        let joined = "stage = \"channel-fix\"\npairs = \"join\"\n";
        let recipe = self.0.out("pairs.toml");
        fs::write(&recipe, text.replace("stage = \"channel-fix\"\n", joined)).unwrap();
        let (ran, manifest) =
            prep(&self.0.path(), &self.0.out("out"), &["--recipe", recipe.to_str().unwrap()]);
        assert_eq!(ran.code, 0, "{}{}", ran.out, ran.err);
        let verified = loadin(&["verify", self.0.out("out").to_str().unwrap()]);
        assert_eq!(verified.code, 0, "{}{}", verified.out, verified.err);
        (ran, manifest)
    }

    fn output(&self, path: &Value) -> Vec<u8> {
        let path = path["path"].as_str().unwrap();
        fs::read(self.0.out("out").join(path)).unwrap_or_else(|error| panic!("{path}: {error}"))
    }
}

fn listed(manifest: &Value) -> Vec<&Value> {
    manifest["stems"].as_array().unwrap().iter().map(|stem| &stem["output"]["path"]).collect()
}

#[test]
fn a_pair_with_one_half_replaced_keeps_its_label() {
    let pair = Pair::new(&[LEFT, RIGHT]);
    let (_, first) = pair.visit();
    let output = stem(&first, LEFT)["output"].clone();
    assert_eq!((&output, output["channels"].as_u64()), (&stem(&first, RIGHT)["output"], Some(2)));
    let old = pair.output(&output);
    pair.put(RIGHT, 40);
    let (_, second) = pair.visit();
    for half in [LEFT, RIGHT] {
        assert_eq!(stem(&second, half)["output"]["path"], output["path"], "{half}");
        assert_ne!(stem(&second, half)["output"]["sha256"], output["sha256"], "{half}");
    }
    let mut aside = tree(&pair.0.out("out")).into_iter().filter(|(path, _)| path.starts_with("set-aside/"));
    assert!(aside.any(|(_, bytes)| bytes == old), "the old pair is not in set-aside");
    assert_eq!(stem(&second, "Kick.wav")["output"], stem(&first, "Kick.wav")["output"]);
    assert_eq!(second["link"], first["link"]);
}

#[test]
fn a_pair_with_one_half_gone_stays_and_is_whole_again_when_it_comes_back() {
    for gone in [LEFT, RIGHT] {
        let pair = Pair::new(&[LEFT, RIGHT]);
        let (_, first) = pair.visit();
        let output = stem(&first, LEFT)["output"].clone();
        let bytes = pair.output(&output);
        let path = pair.0.path().join(gone);
        let source = fs::read(&path).unwrap();
        fs::remove_file(&path).unwrap();
        let (_, second) = pair.visit();
        assert_eq!(listed(&second), listed(&first), "{gone}");
        assert!(pair.output(&output) == bytes, "{gone}");
        assert!(findings(stem(&second, gone)).contains(&"source-gone"), "{gone}");
        fs::write(&path, source).unwrap();
        let (_, third) = pair.visit();
        assert_eq!(third["stems"], first["stems"], "{gone}");
    }
}

/// What was prepared alone is at work alone: its other half comes beside it.
#[test]
fn a_late_right_half_does_not_change_the_prepared_left_one() {
    for (early, late) in [(LEFT, RIGHT), (RIGHT, LEFT)] {
        let pair = Pair::new(&[early]);
        let (_, first) = pair.visit();
        let before = comparable(&pair.0.out("out"));
        pair.put(late, 41);
        let (_, second) = pair.visit();
        let after = comparable(&pair.0.out("out"));
        for (path, bytes) in before.iter().filter(|(path, _)| path.starts_with("audio/")) {
            assert!(after.get(path) == Some(bytes), "{late} late: {path}");
        }
        assert_eq!(stem(&second, early)["output"], stem(&first, early)["output"]);
        assert_eq!(stem(&second, late)["output"]["channels"], 1);
        assert!(!listed(&first).contains(&&stem(&second, late)["output"]["path"]));
    }
}
