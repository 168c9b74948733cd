//! Text of strangers: names may hold markup, scripts, marks that turn the line around, and be as long as a disk allows.

use std::path::Path;

use loadin_audio::signal;
use loadin_pipeline::output::manifest_file::read_manifest;
use loadin_record::manifest::Manifest;
use loadin_tests::Delivery;

use super::leave_for_browser;
use super::read;
use crate::job::prep;

/// Names that a file system takes. The folder with "</" in it makes a whole script element out of a path.
const HOSTILE: &[&str] = &[
    "\"><script>window.hurt=1<",
    "<img src=x onerror=window.hurt=2>.wav",
    "' onmouseover='window.hurt=3.wav",
    "&lt;b&gt; &amp; entities.wav",
    "Snare \u{202e}vaw.exe.wav",
    "[click](javascript:window.hurt=4) `code` # _x_.wav",
    "שלום עולם.wav",
    "two\nlines.wav",
];

fn delivery() -> Delivery {
    let delivery = Delivery::new("<svg onload=window.hurt=5>");
    let silence = [vec![0.0; 48_000]];
    for name in HOSTILE {
        // Silent, so that every name is in the note too.
        let name = if name.ends_with('<') { format!("{name}/script>.wav") } else { (*name).to_owned() };
        delivery.wav(&name, 48_000, 16, &silence);
    }
    // 255 bytes is the most that common file systems take for a name (from memory; POSIX calls it NAME_MAX).
    delivery.wav(&format!("{}.wav", "W".repeat(251)), 48_000, 16, &silence);
    delivery.wav("Kick.wav", 48_000, 16, &[signal::noise(1, 0.2, 48_000)]);
    delivery
}

/// The start tags of a page that are not ours to write: markup in a name would add to them.
fn tags(page: &str, name: &str) -> usize {
    page.matches(&format!("<{name}")).count()
}

#[test]
fn names_never_act_and_are_never_hidden() {
    let delivery = delivery();
    let out = delivery.out("out");
    prep(&delivery.path(), &out, &[]);
    let page = read(&out.join("report.html"));
    assert_eq!((tags(&page, "script"), tags(&page, "img"), tags(&page, "svg onload")), (1, 0, 0));
    assert!(page.contains("‹U+202E›vaw"), "the mark that turns a line around is shown by its number");
    assert!(!page.contains('\u{202e}'));
    assert!(page.contains("שלום עולם"), "other scripts are no danger");
    assert!(page.contains(r"two\nlines"));
    let manifest = read_manifest(&out).unwrap();
    assert_eq!(manifest.stems.len(), HOSTILE.len() + 2);
    let note = read(&out.join("client-note.md"));
    // One heading a question, and no line that a name has broken off.
    assert_eq!(note.lines().filter(|line| line.starts_with("### ")).count(), HOSTILE.len() + 1);
    assert!(
        note.contains("`` [click](javascript:window.hurt=4) `code` # _x_.wav ``")
            || note.contains("``[click](javascript:window.hurt=4) `code` # _x_.wav``"),
        "{note}"
    );
    leave_for_browser("hostile.html", &page);
}

/// Metadata too: what a decoder or a recipe calls itself stands in the page, and a manifest may come from anywhere.
#[test]
fn a_manifest_from_anywhere_cannot_act() {
    let folder = tempfile::tempdir().unwrap();
    let (_, value) =
        prep(&Path::new(env!("CARGO_MANIFEST_DIR")).join("../demo/delivery"), folder.path(), &[]);
    let payload = "<script>window.hurt=6</script>\" onload='x";
    let mut value = value;
    replace_texts(&mut value, payload);
    let manifest: Manifest = serde_json::from_value(value).unwrap();
    for (name, bytes) in loadin_report::papers(&manifest, &[]) {
        if name == "report.html" {
            let text = String::from_utf8(bytes).unwrap();
            assert_eq!(tags(&text, "script"), 1, "{name}");
            assert!(!text.contains("onload='x"), "{name}");
            leave_for_browser("payload.html", &text);
        }
    }
}

/// Puts the payload behind every free text of the manifest; words of a fixed list stay.
fn replace_texts(value: &mut serde_json::Value, payload: &str) {
    use serde_json::Value;
    match value {
        Value::String(text) => text.push_str(payload),
        Value::Array(list) => list.iter_mut().for_each(|item| replace_texts(item, payload)),
        Value::Object(map) => {
            for (key, item) in map.iter_mut() {
                match key.as_str() {
                    "id" | "severity" | "state" | "late" | "confidence" | "fate" | "polarity" | "role" => {}
                    // A link is the delivery, or a group or stem of any name.
                    "scope" => *item = format!("group {payload}").into(),
                    _ => replace_texts(item, payload),
                }
            }
        }
        _ => {}
    }
}
