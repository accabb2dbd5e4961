//! No text makes a reader panic, and every place lies inside its text.

use crate::{Mistakes, Node, Place, Sources, as_json, read_collecting, render};
use proptest::prelude::*;

/// Pieces from which broken YAML is made more often than by chance.
const PIECES: &[&str] = &[
    "a",
    "b: ",
    "key:",
    ": ",
    "- ",
    "\n",
    "\n  ",
    "\n    ",
    "\n- ",
    "[",
    "]",
    "{",
    "}",
    ", ",
    "'",
    "\"",
    "\\",
    "|",
    ">",
    "|2",
    "#",
    " # ",
    "&x ",
    "*x",
    "!t ",
    "!!int ",
    "<<: ",
    "---",
    "...",
    "\n---\n",
    "%YAML 1.1\n",
    "? ",
    "~",
    "null",
    "true",
    "12",
    "0x1F",
    "1e3",
    ".nan",
    "1_000",
    "ä",
    "日",
    "😀",
    "e\u{301}",
    "\t",
    "\r\n",
    "\r",
    "\u{85}",
    "\u{2028}",
    "\u{feff}",
    "\0",
    "@",
    "`",
    "99999999999999999999999",
    "\"\\u00e9\"",
    "\"\\\n\"",
];

fn lies_inside(place: &Place, text: &str) -> bool {
    let text = text.strip_prefix('\u{feff}').unwrap_or(text);
    let Some(line) = text.split('\n').nth(place.line as usize - 1) else {
        return false;
    };
    let chars = line.strip_suffix('\r').unwrap_or(line).chars().count() as u32;
    1 <= place.column && place.column <= place.end_column && place.end_column <= chars + 1
}

fn all_places(node: Node<'_>, places: &mut Vec<Place>) {
    places.push(node.place());
    for (key, value) in node.entries() {
        places.push(key.place());
        all_places(value, places);
    }
    for item in node.items() {
        all_places(item, places);
    }
}

fn holds(text: &str) -> Result<(), TestCaseError> {
    let mut mistakes = Mistakes::new();
    let document = read_collecting("f", text, &mut mistakes);
    prop_assert!(document.is_some() || mistakes.refuses());
    let mut places = Vec::new();
    if let Some(document) = &document {
        all_places(document.root(), &mut places);
    }
    let mistakes = mistakes.into_sorted();
    for mistake in &mistakes {
        places.push(mistake.place.clone());
        places.extend(mistake.also.iter().map(|(place, _)| place.clone()));
    }
    for place in &places {
        prop_assert!(lies_inside(place, text), "{place:?} in {text:?}");
    }
    let mut sources = Sources::new();
    sources.add("f", text);
    let shown = render(&mistakes, &sources, true);
    prop_assert_eq!(shown.is_empty(), mistakes.is_empty());
    prop_assert_eq!(as_json(&mistakes).len(), mistakes.len());
    Ok(())
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::with_cases(1000) })]

    #[test]
    fn pieces_of_yaml(pieces in prop::collection::vec(prop::sample::select(PIECES), 0..40)) {
        holds(&pieces.concat())?;
    }

    #[test]
    fn any_text(text in "(?s).{0,200}") {
        holds(&text)?;
    }
}
