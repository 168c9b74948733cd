//! What the page allows itself: its own styles and its own script, the sound files beside it, and nothing from anywhere else.

use sha2::{Digest, Sha256};

/// The content security policy (W3C Content Security Policy Level 3) of a page with this script: only a script with
/// this very digest runs, and nothing is ever fetched. So text that slipped through as markup could still not act.
///
/// A page that is listened to plays files beside it and nothing else: `file:` is said too, since not every browser counts a
/// page on the disk as an origin of its own.
pub(super) fn policy(script: &str, sounds: bool) -> String {
    let media = if sounds { "'self' file:" } else { "'none'" };
    let scripts = if script.is_empty() {
        "'none'".to_owned()
    } else {
        format!("'sha256-{}'", base64(&Sha256::digest(script.as_bytes())))
    };
    format!(
        "default-src 'none'; style-src 'unsafe-inline'; script-src {scripts}; media-src {media}; base-uri 'none'; form-action 'none'"
    )
}

/// Base 64 (RFC 4648, section 4).
fn base64(bytes: &[u8]) -> String {
    const DIGITS: &[u8; 64] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
    let mut text = String::new();
    for group in bytes.chunks(3) {
        let value = (0..3).fold(0u32, |value, i| value << 8 | u32::from(group.get(i).copied().unwrap_or(0)));
        for digit in 0..4 {
            let known = digit <= group.len();
            text.push(if known {
                char::from(DIGITS[(value >> (18 - 6 * digit) & 63) as usize])
            } else {
                '='
            });
        }
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    /// RFC 4648, section 10: the test vectors.
    #[test]
    fn base64_is_that_of_the_rfc() {
        for (plain, coded) in [
            ("", ""),
            ("f", "Zg=="),
            ("fo", "Zm8="),
            ("foo", "Zm9v"),
            ("foob", "Zm9vYg=="),
            ("fooba", "Zm9vYmE="),
            ("foobar", "Zm9vYmFy"),
        ] {
            assert_eq!(base64(plain.as_bytes()), coded);
        }
    }

    /// W3C Content Security Policy Level 3, section 8.2 (from memory): the digest of `alert('Hello, world.');`.
    #[test]
    fn a_script_is_named_by_its_digest() {
        let policy = policy("alert('Hello, world.');", false);
        assert!(policy.contains("'sha256-qznLcsROx4GACP2dm0UCKCzCG+HiZ1guq6ZZDob/Tng='"), "{policy}");
    }

    #[test]
    fn only_a_page_with_players_may_play_and_only_what_lies_beside_it() {
        assert!(
            policy("", false).contains("default-src 'none'")
                && policy("", false).contains("media-src 'none'")
        );
        assert!(policy("", true).contains("media-src 'self' file:;"));
        assert!(!policy("", true).contains("http"));
    }
}
