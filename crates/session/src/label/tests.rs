//! Tests of labels: names by hand, and what no name may break.

use proptest::prelude::*;

use super::*;
use crate::order::KICK_AND_BASS_FIRST;

fn options() -> LabelOptions {
    LabelOptions {
        max_chars: 31,
        charset: Charset::Ascii,
        separator: '_',
        number: true,
        order: KICK_AND_BASS_FIRST.to_vec(),
    }
}

/// As the plan has them: roles are read without a title that sounds like one.
pub(super) fn inputs(paths: &[&str]) -> Vec<LabelInput> {
    let spoken = crate::title::without_title(paths);
    let input =
        |(path, spoken): (&&str, &String)| LabelInput { path: (*path).to_owned(), ..LabelInput::new(spoken) };
    paths.iter().zip(&spoken).map(input).collect()
}

fn texts(paths: &[&str], options: &LabelOptions) -> Vec<String> {
    labels(&inputs(paths), &[], options).into_iter().flatten().map(|label| label.text).collect()
}

#[test]
fn what_names_share_is_left_out_at_word_borders() {
    let paths = [
        "PaperLantern_92bpm_Dm_Kick In_48k24b.wav",
        "PaperLantern_92bpm_Dm_Snare Top_48k24b.wav",
        "PaperLantern_92bpm_Dm_Bass_48k24b.wav",
        "PaperLantern_92bpm_Dm_Lead Vox_48k24b.wav",
        "late riser.wav",
    ];
    assert_eq!(
        texts(&paths, &options()),
        ["01_Kick_In", "03_Snare_Top", "02_Bass", "04_Lead_Vox", "05_late_riser"]
    );
}

#[test]
fn a_role_is_never_left_out() {
    assert_eq!(
        texts(&["Gtr 1.wav", "Gtr 2.wav", "Gtr 3.wav"], &options()),
        ["01_Gtr_1", "02_Gtr_2", "03_Gtr_3"]
    );
    assert_eq!(
        texts(&["Pad L.wav", "Keys L.wav", "Gtr L.wav"], &options()),
        ["03_Pad_L", "02_Keys_L", "01_Gtr_L"]
    );
}

#[test]
fn a_title_that_sounds_like_a_role_is_left_out() {
    let paths = ["BassStreet_Kick.wav", "BassStreet_Vox.wav", "BassStreet_Gtr.wav", "BassStreet_Bass DI.wav"];
    assert_eq!(
        texts(&paths, &LabelOptions { number: false, ..options() }),
        ["Kick", "Vox", "Gtr", "Bass_DI"]
    );
}

#[test]
fn track_numbers_give_way_to_order_numbers() {
    assert_eq!(
        texts(&["07 - Vox.wav", "03_Kick.wav", "12 Snare.wav"], &options()),
        ["03_Vox", "01_Kick", "02_Snare"]
    );
}

#[test]
fn names_that_would_be_one_are_told_apart() {
    let found = labels(
        &inputs(&["Vox.wav", "vox.aif", "a/VOX.wav"]),
        &[],
        &LabelOptions { number: false, ..options() },
    );
    let found: Vec<Label> = found.into_iter().flatten().collect();
    let texts: BTreeSet<String> = found.iter().map(|label| label.text.to_lowercase()).collect();
    assert_eq!(texts.len(), 3);
    assert_eq!(found.iter().filter(|label| label.collided).count(), 2);
}

#[test]
fn a_label_that_is_in_use_stays_and_new_ones_are_counted_on() {
    let mut stems = inputs(&["Bass.wav", "Bass 2.wav", "Kick.wav", "Vox.wav", "a/Vox.wav"]);
    for (index, label) in [(0, "02_Bass"), (2, "01_Kick"), (3, "03_Vox")] {
        stems[index].kept = Some(label.to_owned());
    }
    let texts: Vec<String> = labels(&stems, &[], &options()).into_iter().flatten().map(|l| l.text).collect();
    assert_eq!(texts, ["02_Bass", "04_Bass_2", "01_Kick", "03_Vox", "05_Vox_2"]);
}

#[test]
fn labels_that_are_taken_are_given_to_nobody_and_their_numbers_neither() {
    let named = |taken: &[&str], paths: &[&str], kept: &[(usize, &str)], options: &LabelOptions| {
        let mut stems = inputs(paths);
        for (index, label) in kept {
            stems[*index].kept = Some((*label).to_owned());
        }
        let taken: Vec<String> = taken.iter().map(|label| (*label).to_owned()).collect();
        labels(&stems, &taken, options).into_iter().flatten().map(|l| l.text).collect::<Vec<_>>()
    };
    let (own, bare) = (options(), LabelOptions { number: false, ..options() });
    let late = ["Kick.wav", "Vox.wav", "Vox 2.wav"];
    let found = named(&["02_Vox", "04_Gtr"], &late, &[(0, "01_Kick")], &own);
    assert_eq!(found, ["01_Kick", "03_Vox_3", "05_Vox_2"]);
    assert_eq!(named(&["vox"], &["Vox.wav"], &[], &bare), ["Vox_2"]);
    // What another recipe made has other separators, or a number where none is asked for now.
    assert_eq!(named(&["01-Vox", "02 Gtr"], &["Vox.wav", "Gtr.wav"], &[], &own), ["04_Vox_2", "03_Gtr_2"]);
    assert_eq!(named(&["01_Vox"], &["Vox.wav"], &[(0, "01_Vox")], &bare), ["01_Vox"]);
    // A date is no reason to count on from it, and no number is too large to be read.
    let dates = ["2024-05-01 mix", "99999999999999999999_x", "18446744073709551615_y", "+7_z"];
    assert_eq!(named(&dates, &["Vox.wav"], &[], &own), ["01_Vox"]);
}

#[test]
fn harmonies_stand_with_their_section() {
    let paths = [
        "BV Chorus Low.wav",
        "BV Verse High.wav",
        "BV Chorus High.wav",
        "BV Bridge.wav",
        "BV All.wav",
        "LV.wav",
    ];
    let mut found = texts(&paths, &options());
    found.sort();
    let wanted =
        ["01_LV", "02_BV_All", "03_BV_Verse_High", "04_BV_Chorus_High", "05_BV_Chorus_Low", "06_BV_Bridge"];
    assert_eq!(found, wanted);
}

#[test]
fn devices_accents_and_nothing_at_all() {
    let bare = LabelOptions { number: false, ..options() };
    assert_eq!(
        texts(&["CON.wav", "Über Größe.wav", "🎤.wav", "e\u{301}te\u{301}.wav"], &bare),
        ["CON_", "Uber_Grosse", "Stem", "ete"]
    );
    let unicode = LabelOptions { charset: Charset::Unicode, ..bare };
    assert_eq!(texts(&["e\u{301}te\u{301}.wav"], &unicode), ["été"]);
}

/// The names are those of "Naming Files, Paths, and Namespaces" (Microsoft Learn).
#[test]
fn no_label_is_a_device() {
    let bare = LabelOptions { number: false, ..options() };
    let delivered = ["Aux 1.wav", "Con.wav", "aux.wav", "COM¹.wav", "lpt9.aif", "NUL.tar.gz", "PRN .wav"];
    let wanted = ["Aux_1", "Con_", "aux_", "COM1_", "lpt9_", "NUL_tar", "PRN_"];
    assert_eq!(texts(&delivered, &bare), wanted);
    assert_eq!(texts(&["Con.wav"], &options()), ["01_Con"]);
    let spaced = LabelOptions { separator: ' ', ..bare.clone() };
    assert_eq!(texts(&["Aux 1.wav", "Aux.wav"], &spaced), ["Aux 1", "Aux_"]);
    let unicode = LabelOptions { charset: Charset::Unicode, ..bare.clone() };
    assert_eq!(texts(&["COM¹.wav", "ＣＯＮ.wav"], &unicode), ["COM¹_", "ＣＯＮ_"]);
    // A stem that comes later does not get the mended name of one that is there.
    let mut stems = inputs(&["Con.wav", "late/CON.wav"]);
    stems[0].kept = Some("Con_".to_owned());
    let found: Vec<String> = labels(&stems, &[], &bare).into_iter().flatten().map(|l| l.text).collect();
    assert_eq!(found, ["Con_", "CON_2"]);
}

/// What is shortened first is what all names share, however few they are: common practice, no source.
#[test]
fn titles_tempi_and_keys_go_however_few_the_names_are() {
    let bare = LabelOptions { number: false, ..options() };
    for (paths, wanted) in [
        (&["PaperLantern_92bpm_Dm_Kick In_48k24b.wav"][..], &["Kick_In"][..]),
        (&["BassStreet_92bpm_Kick.wav"], &["Kick"]),
        (&["Kick 92bpm.wav"], &["Kick"]),
        (&["12 String.wav"], &["12_String"]),
        (&["07 - Lead Vox.wav"], &["Lead_Vox"]),
        (&["PaperLantern_Kick.wav", "PaperLantern_Snare.wav"], &["Kick", "Snare"]),
        (&["PaperLantern_92bpm_Kick.wav", "Riser.wav"], &["Kick", "Riser"]),
        // Two that say their role in the shared word alone keep it.
        (&["Vox Lead.wav", "Vox Harm.wav"], &["Vox_Lead", "Vox_Harm"]),
        (&["Lead Vox.wav", "Lead Gtr.wav"], &["Lead_Vox", "Lead_Gtr"]),
        (&["Lead Vox.wav", "Lead Gtr.wav", "Lead Syn.wav"], &["Lead_Vox", "Lead_Gtr", "Lead_Syn"]),
    ] {
        assert_eq!(texts(paths, &bare), wanted, "{paths:?}");
    }
}

#[test]
fn a_prefix_of_some_in_another_spelling_or_of_two_songs_goes_where_the_names_stay_apart() {
    let bare = LabelOptions { number: false, ..options() };
    let spelled = [
        "Paper Lantern - Kick.wav",
        "Paper Lantern - Bass.wav",
        "Paper Lantern - Vox.wav",
        "PAPERLANTERN_Pad.wav",
        "late riser.wav",
        // The title alone stays, or nothing would.
        "PaperLantern.wav",
    ];
    assert_eq!(texts(&spelled, &bare), ["Kick", "Bass", "Vox", "Pad", "late_riser", "Paper_Lantern"]);
    let apart = [
        "Lantern_Kick.wav",
        "Lantern_Bass.wav",
        "Lantern_Vox.wav",
        "Harbour_Snare.wav",
        "Harbour_Gtr.wav",
        "Harbour_Pad.wav",
    ];
    assert_eq!(texts(&apart, &bare), ["Kick", "Bass", "Vox", "Snare", "Gtr", "Pad"]);
    let alike = [
        "Lantern_Kick.wav",
        "Lantern_Bass.wav",
        "Lantern_Vox.wav",
        "Harbour_Kick.wav",
        "Harbour_Bass.wav",
        "Harbour_Vox.wav",
    ];
    let kept = alike.map(|path| path.trim_end_matches(".wav").to_owned());
    assert_eq!(texts(&alike, &bare), kept);
}

#[test]
fn a_place_in_a_title_goes_and_a_place_of_a_stem_stays() {
    let bare = LabelOptions { number: false, ..options() };
    let title = ["HighWater_Kick.wav", "HighWater_Bass.wav", "HighWater_Vox.wav", "HighWater_BV High.wav"];
    assert_eq!(texts(&title, &bare), ["Kick", "Bass", "Vox", "BV_High"]);
    let section = ["Chorus BV 1.wav", "Chorus BV 2.wav", "Chorus BV 3.wav"];
    assert_eq!(texts(&section, &bare), ["Chorus_BV_1", "Chorus_BV_2", "Chorus_BV_3"]);
}

#[test]
fn a_rate_or_a_depth_is_in_no_label() {
    let bare = LabelOptions { number: false, ..options() };
    let delivered = [
        "Gtr 44.1kHz 24bit.wav",
        "Gtr 2 48k.wav",
        "Vox_24 bit.wav",
        "Pad 96000.wav",
        "808 Kick.wav",
        "48k24b.wav",
    ];
    assert_eq!(texts(&delivered, &bare), ["Gtr", "Gtr_2", "Vox", "Pad", "808_Kick", "48k24b"]);
}

/// Common practice, no source.
#[test]
fn within_a_group_stems_stand_as_an_engineer_would_put_them() {
    let wanted = [
        "Kick In",
        "Kick Out",
        "Bass",
        "Bass copy",
        "Bass DI",
        "Bass Amp",
        "Snare Top",
        "SN Bot",
        "Tom 1 Rack",
        "Tom 2 Floor",
        "Room Close",
        "Room Far",
        "Gtr 1 L",
        "Gtr 1 R",
        "Gtr 2",
        "Gtr 2 copy",
        "Gtr 10",
        "Lead Gtr DI",
        "Lead Gtr Amp",
        "Rhy Gtr DI",
        "Rhy Gtr Amp",
    ];
    let mut paths: Vec<String> = wanted.iter().map(|name| format!("{name}.wav")).collect();
    paths.sort();
    let paths: Vec<&str> = paths.iter().map(String::as_str).collect();
    let mut found = texts(&paths, &options());
    found.sort();
    let found: Vec<String> = found.iter().map(|label| label[3..].replace('_', " ")).collect();
    assert_eq!(found, wanted);
}

proptest! {
    #[test]
    fn labels_are_unique_legal_and_short(
        names in prop::collection::btree_set("[a-zA-Zé ._()0-9🎤/-]{1,60}", 1..40),
        number in any::<bool>(),
        ascii in any::<bool>(),
    ) {
        let paths: Vec<&str> = names.iter().map(String::as_str).collect();
        let charset = if ascii { Charset::Ascii } else { Charset::Unicode };
        let options = LabelOptions { charset, number, ..options() };
        let found = texts(&paths, &options);
        let folded: BTreeSet<String> = found.iter().map(|text| fold(text)).collect();
        prop_assert_eq!(folded.len(), paths.len());
        for text in &found {
            prop_assert!(text.chars().count() <= 31 && !text.is_empty() && !is_reserved(text), "{}", text);
            prop_assert!(!text.contains(|c: char| "<>:\"/\\|?*".contains(c) || c.is_control()));
            prop_assert!(!text.ends_with(['.', ' ']));
        }
        let mut reversed: Vec<&str> = paths.clone();
        reversed.reverse();
        let mut again = texts(&reversed, &options);
        again.reverse();
        prop_assert_eq!(again, found);
    }
}
