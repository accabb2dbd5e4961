//! Good texts with wounds: tokens and lines dropped, doubled and swapped, words
//! in the wrong place, numbers that are none or too many, deep nesting, what
//! editors and copying leave behind.

use proptest::prelude::*;
use proptest::sample::{Index, select};

/// Words that stand for a value where none of them is wanted.
const WORDS: &[&str] = &[
    "0",
    "-0",
    "-1",
    "1e308",
    "1e309",
    "-1e400",
    ".inf",
    "-.inf",
    ".nan",
    "NaN",
    "0x1F",
    "1_000",
    "99999999999999999999999999",
    "9223372036854775807",
    "9223372036854775807 m",
    "-9223372036854775808",
    "9223372036854775808",
    "4294967296",
    "65536",
    "1e-320",
    "0.0000000000000001 in",
    "1e18 in",
    "-12 in",
    "12",
    "12 lx",
    "5 %",
    "1000000000 %",
    "3 h",
    "99999999 h",
    "0 s",
    "24:00 to 24:00",
    "00:00 to 00:00",
    "23:59 to 0:0",
    "2026-02-30",
    "9999-12-31",
    "0000-00-00",
    "null",
    "~",
    "true",
    "[]",
    "{}",
    "[[]]",
    "''",
    "\"\"",
    "\"\\0\"",
    "ä",
    "日本",
    "😀",
    "e\u{301}",
    "\u{202e}abc",
    "a b",
    "..",
    "../../etc/passwd",
    "C:\\nul",
    "=1+1",
    "<script>",
    "\u{1b}[31m",
];

/// What is put between two characters.
const PIECES: &[&str] = &[
    "\u{feff}",
    "\r\n",
    "\r",
    "\t",
    "\0",
    "\u{85}",
    "\u{2028}",
    "\u{a0}",
    " ",
    "\n",
    "\n\n",
    ":",
    ": ",
    "- ",
    "#",
    "&a ",
    "*a",
    "!t ",
    "!!float ",
    "<<: *a",
    "|\n",
    ">\n",
    "'",
    "\"",
    "[",
    "]",
    "{",
    "}",
    ",",
    "---\n",
    "...\n",
    "? ",
    "%YAML 1.2\n",
    "@",
    "`",
    "\\",
    "$",
    "=",
    "(",
    ")",
    ";",
    ".",
    "%",
    "+",
    "-",
    "/",
    "\u{ffff}",
];

/// One wound.
#[derive(Clone, Debug)]
pub enum Wound {
    /// A token is gone.
    Drop(Index),
    /// A token stands twice.
    Double(Index),
    /// Two tokens have changed places.
    Swap(Index, Index),
    /// A token is another's.
    Copy(Index, Index),
    /// A token is a word of the list.
    Word(Index, &'static str),
    /// A piece stands in between.
    Piece(Index, &'static str),
    /// Any character stands in between.
    Any(Index, char),
    /// A line is gone.
    DropLine(Index),
    /// A line stands twice.
    DoubleLine(Index),
    /// Two lines have changed places.
    SwapLines(Index, Index),
    /// A line stands further right or left.
    Indent(Index, i8),
    /// Nothing follows.
    End(Index),
    /// Every line ends as on another system.
    CarriageReturns,
    /// A token is opened this often and never closed, or closed again.
    Nest(Index, u16, &'static str, bool),
    /// A token is this long.
    Long(Index, u32),
    /// Each of a few names stands for ten of the one before.
    Aliases(u8),
    /// A token stands this often.
    Many(Index, u16),
    /// A line stands this often.
    ManyLines(Index, u16),
    /// The same, its last word another each time.
    CountedLines(Index, u16),
}

fn tokens(text: &str) -> Vec<&str> {
    let kind = |c: char| match c {
        '\n' => 0,
        c if c.is_whitespace() => 1,
        c if c.is_alphanumeric() || matches!(c, '.' | '_' | '-') => 2,
        _ => 3,
    };
    let mut found = Vec::new();
    let mut begin = 0;
    let mut last = None;
    for (at, c) in text.char_indices() {
        let now = kind(c);
        if last.is_some_and(|last| last != now || now == 0 || now == 3) {
            found.push(&text[begin..at]);
            begin = at;
        }
        last = Some(now);
    }
    if begin < text.len() {
        found.push(&text[begin..]);
    }
    found
}

/// The place of one of these, none where there are none.
fn pick(index: &Index, len: usize) -> Option<usize> {
    (len > 0).then(|| index.index(len))
}

fn boundary(text: &str, index: &Index) -> usize {
    let mut at = index.index(text.len() + 1);
    while !text.is_char_boundary(at) {
        at -= 1;
    }
    at
}

fn inserted(text: &str, index: &Index, piece: &str) -> String {
    let at = boundary(text, index);
    format!("{}{piece}{}", &text[..at], &text[at..])
}

fn with_tokens(text: &str, change: impl FnOnce(&mut Vec<String>) -> Option<()>) -> String {
    let mut parts: Vec<String> = tokens(text).into_iter().map(str::to_owned).collect();
    let _ = change(&mut parts);
    parts.concat()
}

fn with_lines(text: &str, change: impl FnOnce(&mut Vec<String>) -> Option<()>) -> String {
    let mut parts: Vec<String> = text.split_inclusive('\n').map(str::to_owned).collect();
    let _ = change(&mut parts);
    parts.concat()
}

impl Wound {
    fn on(&self, text: &str) -> String {
        match self {
            Wound::Drop(at) => with_tokens(text, |t| {
                t.remove(pick(at, t.len())?);
                Some(())
            }),
            Wound::Double(at) => with_tokens(text, |t| {
                let at = pick(at, t.len())?;
                t.insert(at, t[at].clone());
                Some(())
            }),
            Wound::Swap(a, b) => with_tokens(text, |t| {
                let (a, b) = (pick(a, t.len())?, pick(b, t.len())?);
                t.swap(a, b);
                Some(())
            }),
            Wound::Copy(from, to) => with_tokens(text, |t| {
                let (from, to) = (pick(from, t.len())?, pick(to, t.len())?);
                t[to] = t[from].clone();
                Some(())
            }),
            Wound::Word(at, word) => with_tokens(text, |t| {
                let at = pick(at, t.len())?;
                t[at] = (*word).to_owned();
                Some(())
            }),
            Wound::Piece(at, piece) => inserted(text, at, piece),
            Wound::Any(at, c) => inserted(text, at, &c.to_string()),
            Wound::DropLine(at) => with_lines(text, |l| {
                l.remove(pick(at, l.len())?);
                Some(())
            }),
            Wound::DoubleLine(at) => with_lines(text, |l| {
                let at = pick(at, l.len())?;
                l.insert(at, l[at].clone());
                Some(())
            }),
            Wound::SwapLines(a, b) => with_lines(text, |l| {
                let (a, b) = (pick(a, l.len())?, pick(b, l.len())?);
                l.swap(a, b);
                Some(())
            }),
            Wound::Indent(at, by) => with_lines(text, |l| {
                let at = pick(at, l.len())?;
                l[at] = match usize::try_from(*by) {
                    Ok(spaces) => format!("{}{}", " ".repeat(spaces), l[at]),
                    Err(_) => l[at].trim_start_matches(' ').to_owned(),
                };
                Some(())
            }),
            Wound::End(at) => text[..boundary(text, at)].to_owned(),
            Wound::CarriageReturns => text.replace('\n', "\r\n"),
            Wound::Nest(at, depth, open, closed) => {
                let depth = usize::from(*depth);
                let close = match *open {
                    "[" | "[\n" => "]",
                    "{a: " | "{a: \n" => "}",
                    "(" => ")",
                    _ => "",
                };
                let end = if *closed {
                    close.repeat(depth)
                } else {
                    String::new()
                };
                inserted(text, at, &format!("{}{end}", open.repeat(depth)))
            }
            Wound::Long(at, chars) => inserted(text, at, &"x".repeat(*chars as usize)),
            Wound::Aliases(levels) => {
                let mut bomb = String::from("a0: &a0 [x]\n");
                for level in 1..=*levels {
                    let ten = vec![format!("*a{}", level - 1); 10].join(", ");
                    bomb.push_str(&format!("a{level}: &a{level} [{ten}]\n"));
                }
                bomb + text
            }
            Wound::Many(at, times) => with_tokens(text, |t| {
                let at = pick(at, t.len())?;
                t[at] = t[at].repeat(within(t[at].len(), *times));
                Some(())
            }),
            Wound::ManyLines(at, times) => with_lines(text, |l| {
                let at = pick(at, l.len())?;
                l[at] = l[at].repeat(within(l[at].len(), *times));
                Some(())
            }),
            Wound::CountedLines(at, times) => with_lines(text, |l| {
                let at = pick(at, l.len())?;
                let end = l[at].rfind(char::is_alphanumeric)?;
                let (head, last) = l[at].split_at(end);
                let counted = (0..within(l[at].len() + 5, *times)).map(|n| {
                    let mut last = last.chars();
                    let first = last.next().unwrap_or_default();
                    format!("{head}{first}{n}{}", last.as_str())
                });
                l[at] = counted.collect();
                Some(())
            }),
        }
    }
}

/// So many times, or fewer where two such wounds on one text would make
/// gigabytes: what is over the readers' cap is refused unread.
fn within(bytes: usize, times: u16) -> usize {
    const MOST_BYTES: usize = 4 << 20;
    usize::from(times).min(MOST_BYTES / bytes.max(1)).max(1)
}

/// `whole`: of a file, which may be as long as a reader takes, or longer.
fn wounds(whole: bool) -> impl Strategy<Value = Wound> {
    let (deep, many, lines) = if whole {
        (3000, 2000, 30_000)
    } else {
        (200, 60, 3)
    };
    let long = if whole {
        prop_oneof![8 => 1_u32..5000, 1 => Just(1 << 20), 1 => Just((1 << 20) - 4000)].boxed()
    } else {
        (1_u32..5000).boxed()
    };
    let at = any::<Index>;
    let open = select(
        &[
            "[", "[\n", "{a: ", "{a: \n", "- ", "(", "a.", "a: ", "!", "-",
        ][..],
    );
    prop_oneof![
        10 => at().prop_map(Wound::Drop),
        10 => at().prop_map(Wound::Double),
        10 => (at(), at()).prop_map(|(a, b)| Wound::Swap(a, b)),
        10 => (at(), at()).prop_map(|(a, b)| Wound::Copy(a, b)),
        20 => (at(), select(WORDS)).prop_map(|(a, w)| Wound::Word(a, w)),
        20 => (at(), select(PIECES)).prop_map(|(a, p)| Wound::Piece(a, p)),
        5 => (at(), any::<char>()).prop_map(|(a, c)| Wound::Any(a, c)),
        5 => at().prop_map(Wound::DropLine),
        5 => at().prop_map(Wound::DoubleLine),
        5 => (at(), at()).prop_map(|(a, b)| Wound::SwapLines(a, b)),
        5 => (at(), -1_i8..5).prop_map(|(a, by)| Wound::Indent(a, by)),
        3 => at().prop_map(Wound::End),
        2 => Just(Wound::CarriageReturns),
        3 => (at(), 1_u16..deep, open, any::<bool>())
            .prop_map(|(a, depth, open, closed)| Wound::Nest(a, depth, open, closed)),
        2 => (at(), long).prop_map(|(a, chars)| Wound::Long(a, chars)),
        1 => (1_u8..12).prop_map(Wound::Aliases),
        3 => (at(), 1_u16..many).prop_map(|(a, times)| Wound::Many(a, times)),
        1 => (at(), 1_u16..lines).prop_map(|(a, times)| Wound::ManyLines(a, times)),
        1 => (at(), 1_u16..lines).prop_map(|(a, times)| Wound::CountedLines(a, times)),
    ]
}

/// One of these files with no, some or many wounds.
pub fn files(texts: Vec<String>) -> impl Strategy<Value = (usize, String)> {
    wounded(texts, true)
}

/// One of these words with no, some or many wounds.
pub fn words(texts: &[&str]) -> impl Strategy<Value = String> {
    let texts = texts.iter().map(|text| (*text).to_owned()).collect();
    wounded(texts, false).prop_map(|(_, text)| text)
}

fn wounded(texts: Vec<String>, whole: bool) -> impl Strategy<Value = (usize, String)> {
    let which = 0..texts.len();
    (which, prop::collection::vec(wounds(whole), 0..6)).prop_map(move |(which, wounds)| {
        let mut text = texts[which].clone();
        for wound in wounds {
            text = wound.on(&text);
        }
        (which, text)
    })
}

/// Any text at all, mostly of the characters that the readers know.
pub fn any_text() -> impl Strategy<Value = String> {
    prop_oneof![
        "(?s).{0,60}",
        "[-+.0-9eE%a-z @/:]{0,24}",
        prop::collection::vec(prop_oneof![select(WORDS), select(PIECES)], 0..6)
            .prop_map(|parts| parts.concat()),
    ]
}
