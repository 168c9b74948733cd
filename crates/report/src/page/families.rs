//! How groups are told apart: a colour for a family, and a mark of its own for each group, so that colour is never needed.

/// One group: its name, the number of its colour (0 for none), and its mark as a path in a box of 10 by 10.
struct Family {
    group: &'static str,
    colour: usize,
    mark: &'static str,
}

const fn family(group: &'static str, colour: usize, mark: &'static str) -> Family {
    Family { group, colour, mark }
}

/// All groups. Those of one colour sound alike or play together, and differ by their marks.
const FAMILIES: &[Family] = &[
    family("kick and bass", 1, "M5 1a4 4 0 1 1 0 8a4 4 0 1 1 0-8z"),
    family("drums", 1, "M5 1a4 4 0 1 1 0 8a4 4 0 1 1 0-8zM5 3a2 2 0 1 0 0 4a2 2 0 1 0 0-4z"),
    family("percussion", 1, "M1 1h3v3h-3zM6 1h3v3h-3zM1 6h3v3h-3zM6 6h3v3h-3z"),
    family("guitars", 2, "M5 .5L9.5 5L5 9.5L.5 5z"),
    family("keys", 3, "M1 1h2v8h-2zM4 1h2v8h-2zM7 1h2v8h-2z"),
    family("synths", 3, "M.5 9V2L5 9V2L9.5 9z"),
    family("strings and brass", 4, "M1 1h8v2h-8zM1 4h8v2h-8zM1 7h8v2h-8z"),
    family("lead vocals", 5, "M.5 2.5h9a4.5 5.5 0 0 1-9 0z"),
    family("vocal doubles", 5, "M.5 1a3.8 4 0 0 1 0 8zM5.5 1a3.8 4 0 0 1 0 8z"),
    family("backing vocals", 5, "M.5 2.5h9a4.5 5.5 0 0 1-9 0zM3 4a2 2.4 0 0 0 4 0z"),
    family("effects", 6, "M1 2.6L2.6 1L5 3.4L7.4 1L9 2.6L6.6 5L9 7.4L7.4 9L5 6.6L2.6 9L1 7.4L3.4 5z"),
    family("unsorted", 0, "M1 1h8v8h-8zM3 3v4h4v-4z"),
    family("reference", 0, "M.5 4h9v2h-9z"),
];

/// The colours of those numbers; the tests compare them with `style.css`.
pub(super) const COLOURS: [&str; 6] = ["#d55e00", "#e69f00", "#0072b2", "#009e73", "#cc79a7", "#56b4e9"];

fn of(group: &str) -> Option<&'static Family> {
    FAMILIES.iter().find(|family| family.group == group)
}

/// The colour of a group on the page; none for what is unsorted, and for references.
pub(crate) fn colour(group: &str) -> Option<&'static str> {
    of(group)?.colour.checked_sub(1).map(|index| COLOURS[index])
}

/// The colour and the mark of a group, for the eye alone: its name stands beside or in the legend.
pub(super) fn key(group: &str) -> String {
    let (colour, mark) = of(group).map_or((0, ""), |family| (family.colour, family.mark));
    format!(
        "<i class=\"key k{colour}\"></i><svg class=mark viewBox=\"0 0 10 10\" aria-hidden=true><path d=\"{mark}\"/></svg>"
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What a reader who sees no colour has left.
    #[test]
    fn every_group_has_a_mark_of_its_own() {
        for (index, family) in FAMILIES.iter().enumerate() {
            assert!(family.mark.starts_with('M') && family.mark.ends_with('z'), "{}", family.group);
            let alike = |other: &&Family| other.mark == family.mark || other.group == family.group;
            assert_eq!(FAMILIES[index + 1..].iter().find(alike).map(|f| f.group), None, "{}", family.group);
        }
    }

    #[test]
    fn every_group_of_a_session_is_known() {
        for group in loadin_session::Group::ALL {
            assert!(of(group.as_str()).is_some(), "{}", group.as_str());
        }
    }
}
