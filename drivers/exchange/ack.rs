//! Send a line, get exactly one `ok`, `error:N` or `ALARM:N`; side lines before
//! it are collected.
//!
//! `ok` means accepted, not done. After an error an empty line is sent, as one
//! firmware repeats the error until then. A line that is none of the known
//! kinds is a banner: the controller has restarted and knows nothing any more.
//! A link on which an answer is missing cannot be resynchronised by asking
//! (every answer is the same word), only by a reset. Called by the rail's
//! driver. Not here: what is known about the position (`roles::rail`).

use photometry::measured::Moment;
use photometry::units::Span;

use super::line::shown;
use super::talk::{Line, Talk};
use crate::error::DriverError;

/// Longest line: controllers of this dialect cut or delay longer ones.
const LINE_AT_MOST_BYTES: usize = 70;
/// Side lines before one `ok`; settings and parameters are fewer.
const ASIDE_AT_MOST: usize = 200;
/// An empty line is answered at once.
const EMPTY_WITHIN: Span = Span::from_secs(2);
/// From the reset byte to the banner; bootloaders take up to 2 s.
const BANNER_WITHIN: Span = Span::from_secs(4);
/// Reset bytes that are tried before the line counts as dead.
const RESET_TRIES: u32 = 2;
/// Quiet for so long after the banner, the controller has said all.
const QUIET_FOR: Span = Span::from_ms(250);
/// A controller that talks for longer after a reset is none.
const LINES_AFTER_BANNER_AT_MOST: usize = 50;
/// The byte that resets a controller of this dialect.
const RESET: u8 = 0x18;

/// What a line is.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Kind {
    /// `ok`.
    Ok,
    /// `error:N`.
    Error(u16),
    /// `ALARM:N`.
    Alarm(u16),
    /// `[..]`, `<..>` or an empty line.
    Aside(String),
    /// Anything else.
    Banner(String),
}

/// Sorts a line.
pub fn kind(text: &str) -> Kind {
    let text = text.trim();
    let number = |prefix: &str| {
        text.strip_prefix(prefix)
            .and_then(|n| n.trim().parse().ok())
    };
    if text == "ok" {
        Kind::Ok
    } else if let Some(code) = number("error:") {
        Kind::Error(code)
    } else if let Some(code) = number("ALARM:") {
        Kind::Alarm(code)
    } else if text.is_empty() || text.starts_with(['[', '<']) {
        Kind::Aside(text.to_owned())
    } else {
        Kind::Banner(text.to_owned())
    }
}

/// A line that was accepted.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Accepted {
    /// Side lines that came before the `ok`, empty ones left out.
    pub aside: Vec<String>,
    /// When the line left.
    pub asked: Moment,
    /// When the `ok` began.
    pub taken: Moment,
}

/// Sends one line and waits for its one answer.
///
/// # Errors
/// [`DriverError::Refused`] for `error:N`, [`DriverError::Alarm`],
/// [`DriverError::Restarted`] for a banner or after a missing answer,
/// [`DriverError::Silent`], [`DriverError::Unsendable`], or when the link fails
/// or the caller withdrew.
pub fn send(talk: &mut Talk<'_>, line: &str, within: Span) -> Result<Accepted, DriverError> {
    if line.len() > LINE_AT_MOST_BYTES || !line.bytes().all(|b| (b' '..=b'~').contains(&b)) {
        return Err(DriverError::Unsendable(format!(
            "`{}` is no printable line of at most {LINE_AT_MOST_BYTES} bytes",
            shown(line)
        )));
    }
    if talk.state.dirty {
        let banner = reset(talk)?;
        return Err(DriverError::Restarted { banner });
    }
    match send_once(talk, line, within) {
        Err(DriverError::Refused {
            question,
            code,
            text,
        }) => {
            send_once(talk, "", EMPTY_WITHIN)?;
            Err(DriverError::Refused {
                question,
                code,
                text,
            })
        }
        other => other,
    }
}

fn send_once(talk: &mut Talk<'_>, line: &str, within: Span) -> Result<Accepted, DriverError> {
    talk.drain()?;
    talk.state.dirty = true;
    let asked = talk.send(format!("{line}\n").as_bytes())?;
    let mut aside = Vec::new();
    while let Some(came) = talk.next_line(asked.mono + within)? {
        match kind(&came.text()) {
            Kind::Aside(text) if aside.len() < ASIDE_AT_MOST => {
                if !text.is_empty() {
                    aside.push(text);
                }
            }
            Kind::Aside(_) => talk.drop_line(&came),
            Kind::Ok => {
                talk.state.dirty = false;
                let taken = came.taken;
                return Ok(Accepted {
                    aside,
                    asked,
                    taken,
                });
            }
            Kind::Error(code) => {
                talk.state.dirty = false;
                return Err(DriverError::Refused {
                    question: line.to_owned(),
                    code: i64::from(code),
                    text: error_meaning(code).to_owned(),
                });
            }
            // After an alarm the controller may wait for a reset: stay dirty.
            Kind::Alarm(code) => return Err(DriverError::Alarm { code }),
            Kind::Banner(text) => {
                return Err(DriverError::Restarted {
                    banner: shown(&text),
                });
            }
        }
    }
    Err(DriverError::Silent {
        question: line.to_owned(),
        within,
    })
}

/// Sends one realtime byte and waits for the `<..>` line that answers it.
/// Other lines are not for us and are dropped, but an alarm or a banner ends
/// it.
///
/// # Errors
/// As [`send`].
pub fn status(talk: &mut Talk<'_>, within: Span) -> Result<Line, DriverError> {
    let asked = talk.send(b"?")?;
    while let Some(line) = talk.next_line(asked.mono + within)? {
        match kind(&line.text()) {
            Kind::Aside(text) if text.starts_with('<') => return Ok(line),
            Kind::Alarm(code) => return Err(DriverError::Alarm { code }),
            Kind::Banner(text) => {
                return Err(DriverError::Restarted {
                    banner: shown(&text),
                });
            }
            _ => talk.drop_line(&line),
        }
    }
    talk.state.dirty = true;
    Err(DriverError::Silent {
        question: "?".to_owned(),
        within,
    })
}

/// Resets the controller, waits for its banner, lets it say all it wants to
/// say unasked, and makes sure that an empty line is answered by one `ok`.
/// Returns the banner. Motion stops; the position is unknown afterwards.
///
/// # Errors
/// [`DriverError::Gone`] when there is no banner: nothing more can be done over
/// this line.
pub fn reset(talk: &mut Talk<'_>) -> Result<String, DriverError> {
    talk.drain()?;
    let mut banner = None;
    for _ in 0..RESET_TRIES {
        let asked = talk.send(&[RESET])?;
        while let Some(line) = talk.next_line(asked.mono + BANNER_WITHIN)? {
            if let Kind::Banner(text) = kind(&line.text()) {
                banner = Some(shown(&text));
                break;
            }
            talk.late_line(&line);
        }
        if banner.is_some() {
            break;
        }
    }
    let Some(banner) = banner else {
        talk.state.dirty = true;
        return Err(DriverError::Gone {
            detail: "it did not greet after a reset".to_owned(),
        });
    };
    for _ in 0..LINES_AFTER_BANNER_AT_MOST {
        let until = talk.now().mono + QUIET_FOR;
        match talk.next_line(until)? {
            Some(line) => talk.drop_line(&line),
            None => break,
        }
    }
    talk.state.dirty = false;
    talk.state.resyncs += 1;
    send_once(talk, "", EMPTY_WITHIN)?;
    Ok(banner)
}

/// What an error number of this dialect means, where it helps.
const fn error_meaning(code: u16) -> &'static str {
    match code {
        1 | 2 => "(the line does not read)",
        5 => "(homing is not enabled in the controller)",
        9 => "(locked until it has found its home switch)",
        11 => "(the line is too long)",
        20 => "(unsupported command)",
        22 => "(no feed rate)",
        46 => "(it must find its home switch first)",
        _ => "(see the controller's manual)",
    }
}

#[cfg(test)]
mod tests {
    use super::super::testing::{Pieces, Scripted, converse};
    use super::*;

    fn sent(script: &[Pieces], lines: &[&str]) -> Vec<String> {
        converse(Scripted::new(script), |talk| {
            let mut one = |line: &&str| match send(talk, line, Span::from_secs(1)) {
                Ok(accepted) => format!("ok {:?}", accepted.aside),
                Err(error) => error.to_string(),
            };
            lines.iter().map(&mut one).collect()
        })
    }

    const BANNER: Pieces = &[(50, b"\r\nBoard 1.1 ['$' for help]\r\n")];
    const OK: Pieces = &[(1, b"ok\r\n")];

    /// Driver acceptance: what may come instead of `ok`.
    #[test]
    fn every_line_has_one_answer() {
        type Case = (
            &'static str,
            &'static [Pieces],
            &'static [&'static str],
            &'static [&'static str],
        );
        let cases: [Case; 6] = [
            (
                "side lines before ok",
                &[&[(1, b"[MSG:a]\r\n<Idle|MPos:0,0,0>\r\nok\r\n")]],
                &["$I"],
                &["ok [\"[MSG:a]\", \"<Idle|MPos:0,0,0>\"]"],
            ),
            (
                "the latch is cleared by an empty line",
                &[&[(1, b"error:20\r\n")], OK, OK],
                &["G38.2", "G21"],
                &[
                    "the device refused `G38.2`: 20 (unsupported command)",
                    "ok []",
                ],
            ),
            (
                "ALARM instead of ok, then a reset",
                &[&[(1, b"ALARM:1\r\n")], BANNER, OK, OK],
                &["G0X1", "G21", "G21"],
                &[
                    "the rail raised alarm 1 (a limit switch was hit). Look at the carriage before it moves again",
                    "the controller has restarted (`Board 1.1 ['$' for help]`); whatever it knew is lost, so it must find its home switch again",
                    "ok []",
                ],
            ),
            (
                "a late ok is not the next line's",
                &[
                    &[(1_500, b"ok\r\n")],
                    BANNER,
                    OK,
                    &[(1, b"error:9\r\n")],
                    OK,
                ],
                &["G4P1", "G0X5", "G0X5"],
                &[
                    "no answer to `G4P1` within 1 s. Check that the device is on and set to the rate in the bench file",
                    "the controller has restarted (`Board 1.1 ['$' for help]`); whatever it knew is lost, so it must find its home switch again",
                    "the device refused `G0X5`: 9 (locked until it has found its home switch)",
                ],
            ),
            (
                "a banner in the middle",
                &[&[(1, b"Board 1.1 ['$' for help]\r\n")]],
                &["G0X1"],
                &[
                    "the controller has restarted (`Board 1.1 ['$' for help]`); whatever it knew is lost, so it must find its home switch again",
                ],
            ),
            (
                "a line too long to be sent",
                &[],
                &["G0X1 (a comment that makes this line longer than seventy bytes allow it)"],
                &[
                    "`G0X1 (a comment that makes this line longer than seventy byt` is no printable line of at most 70 bytes; nothing was sent",
                ],
            ),
        ];
        for (name, script, lines, wanted) in cases {
            assert_eq!(sent(script, lines), wanted, "{name}");
        }
    }

    #[test]
    fn what_is_said_unasked_at_the_start_answers_nothing() {
        let start: Pieces = &[
            (10, b"error:7\r\n"),
            (50, b"Board 1.1 ['$' for help]\r\n"),
            (80, b"ALARM:11\r\n[MSG:home first]\r\nok\r\n"),
        ];
        converse(Scripted::new(&[start, OK]), |talk| {
            assert_eq!(reset(talk).expect("a banner"), "Board 1.1 ['$' for help]");
            assert!(!talk.state().is_dirty());
        });
    }

    #[test]
    fn without_a_banner_the_line_is_dead() {
        converse(Scripted::new(&[]), |talk| {
            let start = talk.now().mono;
            assert!(reset(talk).is_err_and(|error| error.link_is_gone()));
            assert_eq!(talk.now().mono.since(start), Span::from_secs(8));
        });
    }

    proptest::proptest! {
        #[test]
        fn no_line_panics(text in "\\PC*") {
            let _ = kind(&text);
        }
    }
}
