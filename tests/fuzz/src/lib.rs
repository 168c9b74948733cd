//! What the targets share.

pub mod folder;

use std::io::Cursor;
use std::panic::set_hook;
use std::sync::Once;

use loadin_audio::Block;

/// Panics of a library that are caught where they happen are a decoder's way to give up; one that comes through to the
/// fuzzer ends it.
pub fn let_caught_panics_pass() {
    static ONCE: Once = Once::new();
    ONCE.call_once(|| set_hook(Box::new(|panic| eprintln!("{panic}"))));
}

/// Reads the file to its end or to the error, if it begins with one of `magics` at their places.
///
/// # Panics
/// When a reader gives more than any file of this size can hold.
pub fn decode(bytes: &[u8], magics: &[(usize, &[u8])]) {
    if !magics.iter().any(|(at, magic)| bytes.get(*at..).is_some_and(|rest| rest.starts_with(magic))) {
        return;
    }
    let_caught_panics_pass();
    let Ok(mut decoder) = loadin_codec::open(Cursor::new(bytes.to_vec()), true) else { return };
    let mut block = Block::default();
    loop {
        match decoder.next_block(&mut block) {
            Ok(true) => {}
            Ok(false) => break,
            // It is refused, and says why.
            Err(_) => return,
        }
        assert!((1..=65_536).contains(&block.frames()), "{} frames in a block", block.frames());
        // Silence in the place of lost sound may be long; what matters is that it ends.
        if decoder.frames_read() > 10_000_000 {
            return;
        }
    }
    let stated = decoder.format().frames;
    let lost: u64 = decoder.damage().iter().map(|damage| damage.frames).sum();
    if let Some(stated) = stated {
        assert!(
            decoder.frames_read() + lost >= stated || !decoder.damage().is_empty(),
            "{} of {stated} frames, and no damage",
            decoder.frames_read()
        );
    }
}
