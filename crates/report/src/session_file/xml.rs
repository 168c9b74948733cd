//! XML as the session file has it: elements with attributes, one a line. It knows no session.

use std::io;

use quick_xml::Writer;
use quick_xml::events::{BytesDecl, BytesText, Event};

/// A document in the making.
pub(super) type Xml = Writer<Vec<u8>>;

/// A document with this content.
pub(super) fn document(content: impl FnOnce(&mut Xml) -> io::Result<()>) -> io::Result<Vec<u8>> {
    let mut xml = Writer::new_with_indent(Vec::new(), b' ', 1);
    xml.write_event(Event::Decl(BytesDecl::new("1.0", Some("UTF-8"), None)))?;
    content(&mut xml)?;
    let mut bytes = xml.into_inner();
    bytes.push(b'\n');
    Ok(bytes)
}

/// An element without content.
pub(super) fn empty(xml: &mut Xml, name: &str, attributes: &[(&str, String)]) -> io::Result<()> {
    xml.create_element(name).with_attributes(pairs(attributes)).write_empty()?;
    Ok(())
}

/// An element with others inside.
pub(super) fn element(
    xml: &mut Xml,
    name: &str,
    attributes: &[(&str, String)],
    content: impl FnOnce(&mut Xml) -> io::Result<()>,
) -> io::Result<()> {
    xml.create_element(name).with_attributes(pairs(attributes)).write_inner_content(content)?;
    Ok(())
}

/// An element with a text inside.
pub(super) fn text(xml: &mut Xml, name: &str, text: &str) -> io::Result<()> {
    xml.create_element(name).write_text_content(BytesText::new(&allowed(text)))?;
    Ok(())
}

fn pairs<'a>(attributes: &'a [(&'a str, String)]) -> impl Iterator<Item = (&'a str, &'a str)> {
    attributes.iter().map(|(name, value)| (*name, value.as_str()))
}

/// A text for an attribute or an element: XML 1.0 (section 2.2) has no place for most control characters, and section 3.3.3
/// makes spaces of the others in attributes. What stands for markup is written so by the writer.
pub(super) fn allowed(text: &str) -> String {
    let is_char = |c: char| !c.is_control() && !matches!(c, '\u{FFFE}' | '\u{FFFF}');
    text.chars().map(|c| if is_char(c) { c } else { ' ' }).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn markup_in_names_is_text() {
        let name = allowed("a & b < c > \"d\" 'e' % # + \u{1}\n\u{FFFF}é歌");
        let bytes = document(|xml| empty(xml, "Track", &[("name", name.clone())])).unwrap();
        let text = String::from_utf8(bytes).unwrap();
        let wanted = "<Track name=\"a &amp; b &lt; c &gt; &quot;d&quot; &apos;e&apos; % # +    é歌\"/>";
        assert!(text.contains(wanted), "{text}");
    }
}
