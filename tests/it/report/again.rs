//! Papers are made before the work, with it, and again after it.

use std::fs;
use std::path::Path;

use super::{clean, demo, leave_audio_for_browser, leave_for_browser, read};
use crate::job::{loadin, prep};

#[test]
fn the_papers_are_made_again_to_the_same_bytes() {
    let folder = tempfile::tempdir().unwrap();
    let (out, other) = (folder.path().join("out"), folder.path().join("other"));
    prep(&demo(), &out, &[]);
    prep(&demo(), &other, &["--jobs", "1"]);
    let page = read(&out.join("report.html"));
    assert!(
        page == read(&other.join("report.html")),
        "another folder and number of threads make another page"
    );
    for name in ["report.html", "client-note.md"] {
        fs::remove_file(out.join(name)).unwrap();
    }
    let ran = loadin(&["report", out.to_str().unwrap()]);
    assert_eq!((ran.code, ran.err.as_str()), (0, ""), "{}", ran.out);
    assert!(page == read(&out.join("report.html")), "made again, the page is another one");
    assert!(read(&out.join("checksums.sha256")).contains("  client-note.md\n"));
    assert_eq!(loadin(&["verify", out.to_str().unwrap(), "--progress", "none"]).code, 0);
    leave_for_browser("demo.html", &page);
    leave_audio_for_browser(&out);
}

/// A file that comes later is said on the first screen.
#[test]
fn what_came_late_is_on_the_page() {
    let folder = tempfile::tempdir().unwrap();
    let (delivery, out) = (folder.path().join("Orchard"), folder.path().join("out"));
    fs::create_dir(&delivery).unwrap();
    let late = "riser (late add).wav";
    let copy = |path: &Path| fs::copy(path, delivery.join(path.file_name().unwrap())).unwrap();
    for entry in fs::read_dir(demo()).unwrap() {
        let path = entry.unwrap().path();
        if path.is_file() && !path.ends_with(late) {
            copy(&path);
        }
    }
    prep(&delivery, &out, &[]);
    assert!(!read(&out.join("report.html")).contains("<b>Late:</b>"));
    copy(&demo().join(late));
    prep(&delivery, &out, &[]);
    let page = read(&out.join("report.html"));
    assert!(page.contains("<b>Late:</b> <a href=\"#late-title\">1 file added</a>"));
    leave_for_browser("late.html", &page);
}

#[test]
fn without_measurements_the_page_says_so() {
    let folder = tempfile::tempdir().unwrap();
    let out = folder.path().join("out");
    prep(&demo(), &out, &[]);
    assert!(!read(&out.join("report.html")).contains("the measurements are not stored here"));
    fs::remove_dir_all(out.join(".loadin")).unwrap();
    assert_eq!(loadin(&["report", out.to_str().unwrap()]).code, 0);
    let page = read(&out.join("report.html"));
    assert!(page.contains("the measurements are not stored here"));
    assert!(!page.contains("class=sound"), "a waveform from nowhere");
}

/// A client's note that the engineer has worded anew is work; no run may take it away.
#[test]
fn an_edited_note_is_kept() {
    let folder = tempfile::tempdir().unwrap();
    let out = folder.path().join("out");
    prep(&demo(), &out, &[]);
    let mine = "Dear friends, one file is missing.\n";
    for copy in ["client-note (edited).md", "client-note (edited 2).md"] {
        fs::write(out.join("client-note.md"), mine).unwrap();
        prep(&demo(), &out, &[]);
        assert_eq!(read(&out.join(copy)), mine);
        assert!(read(&out.join("client-note.md")).contains("breaks off"));
    }
    assert!(!out.join("report (edited).html").exists(), "nobody has edited the page");
}

#[test]
fn an_audit_makes_the_page_before_anything_is_changed() {
    let folder = tempfile::tempdir().unwrap();
    let out = folder.path().join("out");
    let out_text = out.to_str().unwrap();
    let demo_text = demo();
    let ran = loadin(&["audit", demo_text.to_str().unwrap(), "--out", out_text, "--progress", "none"]);
    assert_eq!(ran.code, 1, "a damaged stem: {}", ran.err);
    let page = read(&out.join("report.html"));
    assert!(page.contains("Audit: nothing has been changed") && page.contains("class=sound"));
    let note = read(&out.join("client-note.md"));
    assert!(!out.join("audio").exists() && !out.join("manifest.json").exists());
    leave_for_browser("audit.html", &page);
    // The work may go into the same folder, and asks the same; another audit there would hide it.
    prep(&demo(), &out, &[]);
    assert_eq!(read(&out.join("client-note.md")), note);
    assert!(read(&out.join("report.html")).contains("Load-in report"));
    assert!(!out.join("report (edited).html").exists());
    let ran = loadin(&["audit", demo_text.to_str().unwrap(), "--out", out_text, "--progress", "none"]);
    assert_eq!(ran.code, 2);
    assert!(ran.err.contains("holds a prepared delivery"), "{}", ran.err);
}

#[test]
fn an_audit_never_writes_into_the_delivery() {
    let delivery = clean();
    let inside = delivery.path().join("out");
    let folder = delivery.path();
    let ran =
        loadin(&["audit", folder.to_str().unwrap(), "--out", inside.to_str().unwrap(), "--progress", "none"]);
    assert_eq!(ran.code, 2, "{}", ran.err);
    assert!(!inside.exists());
}

#[test]
fn a_batch_has_an_index_with_a_line_a_delivery() {
    let delivery = clean();
    let empty = delivery.out("Empty <i>");
    fs::create_dir(&empty).unwrap();
    let out = delivery.out("batch");
    let (song, out_text) = (delivery.path(), out.to_str().unwrap().to_owned());
    let demo = demo();
    let args = [song.to_str().unwrap(), demo.to_str().unwrap(), empty.to_str().unwrap()];
    loadin(&[&["prep", "--out", &out_text, "--progress", "none"], &args[..]].concat());
    let index = read(&out.join("index.html"));
    assert!(index.contains("<a href=\"Clean/report.html\">Clean</a>"), "{index}");
    assert!(index.contains("<a href=\"delivery/report.html\">delivery</a>"));
    assert!(index.contains("Empty &lt;i&gt;") && index.contains("there is no audio"));
    leave_for_browser("index.html", &index);
    // Made again from the folders there is a line for what has a manifest.
    assert_eq!(loadin(&["report", &out_text]).code, 0);
    assert_eq!(read(&out.join("index.html")).matches("/report.html").count(), 2);
    let foreign = "<title>mine</title>";
    fs::write(out.join("index.html"), foreign).unwrap();
    let ran = loadin(&["report", &out_text]);
    assert_eq!(ran.code, 3, "{}", ran.err);
    assert_eq!(read(&out.join("index.html")), foreign, "somebody's own page is gone");
}

#[test]
fn scripts_get_json_of_every_verb() {
    let delivery = clean();
    let (path, out) = (delivery.path(), delivery.out("out"));
    let (path, out) = (path.to_str().unwrap(), out.to_str().unwrap());
    for args in [vec!["audit", path], vec!["plan", path], vec!["prep", path, "--out", out]] {
        let ran = loadin(&[&args[..], &["--format", "json", "--progress", "none"]].concat());
        serde_json::from_str::<serde_json::Value>(&ran.out)
            .unwrap_or_else(|e| panic!("{args:?}: {e}: {}", ran.out));
    }
}

#[test]
fn completions_and_manual_pages_know_every_verb() {
    for shell in ["bash", "zsh", "fish", "powershell", "elvish"] {
        let ran = loadin(&["completions", shell]);
        assert!(
            ran.code == 0 && ["audit", "prep", "report"].iter().all(|verb| ran.out.contains(verb)),
            "{shell}"
        );
    }
    let page = loadin(&["man"]).out;
    assert!(page.contains(".TH loadin 1") && page.contains("loadin\\-prep"), "{page}");
    assert!(loadin(&["man", "prep"]).out.contains("\\-\\-recipe"));
    let ran = loadin(&["man", "mix"]);
    assert!(
        ran.code == 2 && ran.err.contains("there is no verb \"mix\"; there are audit, facts, plan, prep"),
        "{}",
        ran.err
    );
}
