//! What kind of terminal this is: may words be bold, may a person be asked.
//!
//! Called by: main, complaint, watch.

use std::ffi::OsStr;
use std::io::IsTerminal;

/// What the streams allow.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Terminal {
    /// Messages may be bold.
    pub bold: bool,
    /// A person can type an answer.
    pub asks: bool,
    /// Progress may overwrite its own line.
    pub redraws: bool,
}

impl Terminal {
    /// Of this process. Colour and bold need a terminal, and are off with
    /// `--no-color`, a non-empty `NO_COLOR` (no-color.org) or `TERM=dumb`.
    /// Nobody is asked with `--no-input`.
    pub fn of_process(no_color: bool, no_input: bool) -> Terminal {
        let stderr = std::io::stderr().is_terminal();
        let dumb = std::env::var_os("TERM").is_some_and(|term| term == "dumb");
        let asked_not = std::env::var_os("NO_COLOR").is_some_and(|value| !value.is_empty());
        Terminal {
            bold: stderr && !no_color && !dumb && !asked_not,
            asks: std::io::stdin().is_terminal() && !no_input,
            redraws: stderr && !dumb,
        }
    }

    /// Nothing but plain lines.
    pub const PLAIN: Terminal = Terminal {
        bold: false,
        asks: false,
        redraws: false,
    };

    /// A word in bold where that is possible.
    pub fn bold(&self, word: &str) -> String {
        if self.bold {
            format!("\x1b[1m{word}\x1b[0m")
        } else {
            word.to_owned()
        }
    }
}

/// Whether an option without a value stands among the arguments: what a
/// terminal may do is needed before they are parsed, because the parser prints
/// messages of its own.
pub fn says<'a>(mut arguments: impl Iterator<Item = &'a OsStr>, option: &str) -> bool {
    arguments.any(|argument| argument == option)
}

/// Text from a device, a file or another person's keyboard, safe to print:
/// control characters other than the line feed are shown, not obeyed.
pub fn printable(text: &str) -> String {
    text.chars()
        .map(|c| match c {
            '\n' | '\t' => c,
            c if c.is_control() => '\u{fffd}',
            c => c,
        })
        .collect()
}
