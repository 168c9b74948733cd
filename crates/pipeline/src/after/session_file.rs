//! Checks the session file (`DAWproject`) against the outputs: every linked file is one of them and there, once, as long as it
//! is, and no output that can be linked is missing. It knows the document alone, and nothing of who wrote it.

use std::collections::BTreeMap;
use std::fs::File;
use std::io::{self, Read};
use std::path::Path;

use loadin_record::manifest::{Manifest, OutputRecord};
use loadin_record::session::is_linkable;
use quick_xml::events::{BytesStart, Event};
use quick_xml::{Reader, XmlVersion};

use crate::output::difference::Verified;

/// A document of 10,000 tracks has a tenth of this; more is none of ours.
const MOST_BYTES: u64 = 64 << 20;

/// A file that the document links.
#[derive(Debug, Default, PartialEq)]
struct Linked {
    path: String,
    external: bool,
    start: f64,
    clip_seconds: f64,
    seconds: f64,
    rate_hz: String,
    channels: String,
}

/// Checks the session file of a prepared delivery, where the manifest says that there is one.
pub(super) fn check(out: &Path, manifest: &Manifest, verified: &mut Verified) {
    let Some(file) = &manifest.session_file else { return };
    if !file.is_named_well() {
        return verified.differs("manifest.json", "it names the session file as no such file is named");
    }
    let Some(name) = file.written() else { return };
    let path = out.join(name);
    if !path.is_file() {
        return verified.differs(name, "it is missing, or no plain file");
    }
    let linked = match read(&path) {
        Ok(linked) => linked,
        Err(why) => return verified.differs(name, format!("it cannot be read as a session file: {why}")),
    };
    let mut outputs: BTreeMap<&str, &OutputRecord> =
        manifest.outputs().map(|o| (o.path.as_str(), o)).collect();
    for file in &linked {
        match outputs.remove(file.path.as_str()) {
            None => {
                verified.differs(name, format!("it links \"{}\", which is no output, or twice", file.path));
            }
            Some(output) => {
                let aligned = manifest.link.timestamp_frames.is_some();
                for fault in faults(file, output, aligned) {
                    verified.differs(name, format!("\"{}\": {fault}", file.path));
                }
                if !out.join(&output.path).is_file() {
                    verified.differs(name, format!("it links \"{}\", which is not there", file.path));
                }
            }
        }
    }
    for path in outputs.keys().filter(|path| is_linkable(path)) {
        verified.differs(name, format!("it does not link \"{path}\""));
    }
}

/// What of a linked file is not as the output is.
fn faults(file: &Linked, output: &OutputRecord, aligned: bool) -> Vec<String> {
    let seconds = output.frames as f64 / f64::from(output.rate_hz.max(1));
    let mut faults = Vec::new();
    let mut expect = |is: bool, what: String| {
        if !is {
            faults.push(what);
        }
    };
    let same = |found: f64| (found - seconds).abs() * f64::from(output.rate_hz) < 0.5;
    expect(file.external, "it is not linked as a file beside".to_owned());
    expect(same(file.seconds), format!("its sound lasts {} s instead of {seconds} s", file.seconds));
    expect(same(file.clip_seconds), format!("its clip lasts {} s instead of {seconds} s", file.clip_seconds));
    expect(
        !aligned || file.start == 0.0,
        format!("it stands at {} s instead of the common start", file.start),
    );
    expect(file.start >= 0.0, format!("it stands at {} s, before the session", file.start));
    let (rate, channels) = (output.rate_hz.to_string(), output.channels.to_string());
    expect(file.rate_hz == rate, format!("its rate is {} instead of {rate} Hz", file.rate_hz));
    expect(file.channels == channels, format!("it has {} channels instead of {channels}", file.channels));
    faults
}

/// Why a file cannot be read as a session file.
#[derive(Debug, thiserror::Error)]
enum SessionFileError {
    /// It cannot be read from the disk, or is no text.
    #[error(transparent)]
    Disk(#[from] io::Error),
    /// It is no archive, or has no project.
    #[error(transparent)]
    Archive(#[from] zip::result::ZipError),
    /// Its project is no XML.
    #[error(transparent)]
    Xml(#[from] quick_xml::Error),
}

/// The linked files of a session file, in its order.
fn read(path: &Path) -> Result<Vec<Linked>, SessionFileError> {
    let mut archive = zip::ZipArchive::new(File::open(path)?)?;
    let mut text = String::new();
    archive.by_name("project.xml")?.take(MOST_BYTES).read_to_string(&mut text)?;
    Ok(linked(&text)?)
}

fn linked(text: &str) -> Result<Vec<Linked>, quick_xml::Error> {
    let mut reader = Reader::from_str(text);
    let (mut all, mut now) = (Vec::new(), Linked::default());
    loop {
        let element = match reader.read_event()? {
            Event::Eof => return Ok(all),
            Event::Start(element) | Event::Empty(element) => element,
            _ => continue,
        };
        match element.name().as_ref() {
            "Clip" => {
                now = Linked {
                    start: number(&element, "time")?,
                    clip_seconds: number(&element, "duration")?,
                    ..Linked::default()
                };
            }
            "Audio" => {
                now.seconds = number(&element, "duration")?;
                now.rate_hz = attribute(&element, "sampleRate")?;
                now.channels = attribute(&element, "channels")?;
            }
            "File" => {
                now.path = attribute(&element, "path")?;
                now.external = attribute(&element, "external")? == "true";
                all.push(std::mem::take(&mut now));
            }
            _ => {}
        }
    }
}

/// An attribute; empty where there is none.
fn attribute(element: &BytesStart<'_>, name: &str) -> Result<String, quick_xml::Error> {
    let Some(attribute) = element.try_get_attribute(name)? else { return Ok(String::new()) };
    Ok(attribute.normalized_value(XmlVersion::Implicit1_0)?.into_owned())
}

/// A number; what is none equals nothing.
fn number(element: &BytesStart<'_>, name: &str) -> Result<f64, quick_xml::Error> {
    Ok(attribute(element, name)?.parse().unwrap_or(f64::NAN))
}

#[cfg(test)]
mod tests {
    use loadin_record::path_below::PathBelow;

    use super::*;

    fn output() -> OutputRecord {
        OutputRecord {
            path: PathBelow::new("audio/a & b.wav").unwrap(),
            bytes: 0,
            sha256: String::new(),
            audio_sha256: String::new(),
            rate_hz: 44_100,
            channels: 2,
            bits: 24,
            float: false,
            frames: 441_001,
            peak_dbfs: None,
            true_peak_dbtp: None,
            timestamp_frames: 0,
        }
    }

    fn document(clip: &str, audio: &str, file: &str) -> String {
        format!("<Clips><Clip {clip}><Audio {audio}><File {file}/></Audio></Clip></Clips>")
    }

    #[test]
    fn what_does_not_fit_the_output_is_said() {
        let clip = "time=\"0\" duration=\"10.00002267573696\"";
        let audio = "sampleRate=\"44100\" channels=\"2\" duration=\"10.00002267573696\"";
        let file = "path=\"audio/a &amp; b.wav\" external=\"true\"";
        let found = |clip: &str, audio: &str, file: &str| {
            let linked = linked(&document(clip, audio, file)).unwrap();
            assert_eq!(linked[0].path, "audio/a & b.wav");
            faults(&linked[0], &output(), true)
        };
        assert_eq!(found(clip, audio, file), [""; 0]);
        let one_frame = "time=\"0\" duration=\"10\"";
        assert_eq!(found(one_frame, audio, file).len(), 1, "a frame is seen");
        assert_eq!(found("time=\"0.5\" duration=\"10.00002267573696\"", audio, file).len(), 1);
        assert_eq!(found("duration=\"10.00002267573696\"", audio, file).len(), 2, "no time");
        assert_eq!(found(clip, &audio.replace("44100", "48000"), file).len(), 1);
        assert_eq!(found(clip, audio, "path=\"audio/a &amp; b.wav\"").len(), 1);
        assert!(linked("<a><b></a>").is_err());
    }
}
