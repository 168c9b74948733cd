//! Text of strangers in our papers: file names may hold anything, and must neither act nor mislead.

use std::fmt::Write;

/// Characters that show nothing or reorder what stands beside them: controls, and the direction marks of Unicode
/// Standard Annex #9, section 2. They are shown by their number, so that a name cannot pose as another one.
fn is_hidden(c: char) -> bool {
    c.is_control()
        || matches!(c, '\u{061c}' | '\u{200b}'..='\u{200f}' | '\u{2028}'..='\u{202e}' | '\u{2060}'..='\u{2069}' | '\u{feff}')
}

/// The text with every hidden character made visible.
pub(crate) fn visible(text: &str) -> String {
    let mut shown = String::with_capacity(text.len());
    for c in text.chars() {
        if is_hidden(c) {
            // Writing to a string cannot fail.
            let _ = write!(shown, "‹U+{:04X}›", u32::from(c));
        } else {
            shown.push(c);
        }
    }
    shown
}

/// The text for HTML, as content or as a quoted attribute.
pub(crate) fn html(text: &str) -> String {
    let mut safe = String::with_capacity(text.len());
    for c in visible(text).chars() {
        match c {
            '&' => safe.push_str("&amp;"),
            '<' => safe.push_str("&lt;"),
            '>' => safe.push_str("&gt;"),
            '"' => safe.push_str("&quot;"),
            '\'' => safe.push_str("&#39;"),
            c => safe.push(c),
        }
    }
    safe
}

/// A file name for HTML: it may break after the signs that stand for spaces in names.
pub(crate) fn file(name: &str) -> String {
    html(name).replace('_', "_<wbr>").replace('/', "/<wbr>")
}

/// The text as a code span of Markdown (`CommonMark` 0.31, section 6.1): the fence is longer than any run of backticks
/// inside, so nothing in a name is taken for markup.
pub(crate) fn code(text: &str) -> String {
    let text = visible(text);
    let longest = text.split(|c| c != '`').map(str::len).max().unwrap_or(0);
    let fence = "`".repeat(longest + 1);
    let pad = if text.starts_with('`') || text.ends_with('`') { " " } else { "" };
    format!("{fence}{pad}{text}{pad}{fence}")
}

/// A place in time: "1:02:03.4" with `digits` decimals; minutes and seconds always stand.
pub(crate) fn clock(seconds: f64, digits: usize) -> String {
    let scale = 10f64.powi(digits as i32);
    // Rounded first, so that 59.9996 s is 1:00.000 and not 0:60.000.
    let whole = (seconds.abs() * scale).round() / scale;
    let sign = if seconds < 0.0 && whole > 0.0 { "−" } else { "" };
    let (hours, minutes) = ((whole / 3600.0).floor(), (whole / 60.0).floor() % 60.0);
    let rest = whole - hours * 3600.0 - minutes * 60.0;
    let width = if digits == 0 { 2 } else { 3 + digits };
    if hours > 0.0 {
        format!("{sign}{hours}:{minutes:02}:{rest:0width$.digits$}")
    } else {
        format!("{sign}{minutes}:{rest:0width$.digits$}")
    }
}

/// A number with a real minus sign and, where it is asked for, a plus.
pub(crate) fn number(value: f64, digits: usize, plus: bool) -> String {
    let text = format!("{:.digits$}", value.abs());
    let zero = text.chars().all(|c| matches!(c, '0' | '.'));
    let sign = if zero {
        ""
    } else if value < 0.0 {
        "−"
    } else if plus {
        "+"
    } else {
        ""
    };
    format!("{sign}{text}")
}

/// "1 stem", "2 stems".
pub(crate) fn count(n: usize, one: &str, many: &str) -> String {
    format!("{n} {}", if n == 1 { one } else { many })
}

/// The name of a file beside the page as a link (RFC 3986, section 2.3: all but the unreserved characters is percent-encoded).
pub(crate) fn href(name: &str) -> String {
    let plain = |byte: u8| byte.is_ascii_alphanumeric() || b"-._~".contains(&byte);
    name.bytes()
        .map(|byte| if plain(byte) { char::from(byte).to_string() } else { format!("%{byte:02X}") })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn markup_in_a_name_is_only_text() {
        assert_eq!(
            html("<script>alert('1')</script> & \"x\""),
            "&lt;script&gt;alert(&#39;1&#39;)&lt;/script&gt; &amp; &quot;x&quot;"
        );
    }

    /// U+202E turns the rest of a line around (Unicode Standard Annex #9): "gpj.wav" would read as "vaw.jpg".
    #[test]
    fn a_name_cannot_hide_or_turn_around() {
        assert_eq!(html("a\u{202e}gpj.wav"), "a‹U+202E›gpj.wav");
        assert_eq!(visible("a\nb\u{7}"), "a‹U+000A›b‹U+0007›");
    }

    /// `CommonMark` 0.31, section 6.1, examples 328 to 331.
    #[test]
    fn backticks_do_not_end_a_code_span() {
        assert_eq!(code("plain"), "`plain`");
        assert_eq!(code("a`b"), "``a`b``");
        assert_eq!(code("`a``"), "``` `a`` ```");
    }

    #[test]
    fn times_are_read_as_on_a_clock() {
        assert_eq!(clock(0.0, 3), "0:00.000");
        assert_eq!(clock(59.9996, 3), "1:00.000");
        assert_eq!(clock(3723.25, 2), "1:02:03.25");
        assert_eq!(clock(-0.95, 2), "−0:00.95");
        assert_eq!(clock(65.0, 0), "1:05");
    }

    #[test]
    fn numbers_have_a_minus_sign_and_no_minus_zero() {
        assert_eq!(number(-6.5, 2, false), "−6.50");
        assert_eq!(number(-0.001, 2, true), "0.00");
        assert_eq!(number(0.5, 2, true), "+0.50");
    }
}
