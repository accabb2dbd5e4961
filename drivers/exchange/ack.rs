//! Send a line, get exactly one acknowledgement; side lines before it are
//! collected. What acknowledgements look like: `acks`.
//!
//! Accepted means accepted, not done. After a refusal an empty line is sent where
//! the controller repeats the error until then; where a refused line is accepted
//! in the same breath, that word is taken as well. A line that is none of the known
//! kinds is a banner: the controller has restarted and knows nothing any more.
//! A link on which an answer is missing cannot be resynchronised by asking
//! (every answer is the same word), only by a reset; or where there is none, by
//! stopping all motion and waiting until nothing can come any more. Called by
//! `profile::perform` and the rail's driver. Not here: what is known about the
//! position (`roles::profiled_rail`).

use std::sync::Arc;

use photometry::measured::Moment;
use photometry::units::Span;

use super::acks::{Acks, Kind, Quieting};
use super::line::shown;
use super::talk::{Line, Talk};
use crate::error::DriverError;
use crate::profile::pattern::Pattern;

/// Longest line: controllers of these dialects cut or delay longer ones.
const LINE_AT_MOST_BYTES: usize = 70;
/// Side lines before one `ok`; settings and parameters are fewer.
const ASIDE_AT_MOST: usize = 200;
/// An empty line is answered at once, and so is what follows a refusal.
const EMPTY_WITHIN: Span = Span::from_secs(2);
/// From the reset byte to the banner; bootloaders take up to 2 s.
const BANNER_WITHIN: Span = Span::from_secs(4);
/// Reset bytes, or harmless questions, that are tried before the line counts as
/// dead.
const RESET_TRIES: u32 = 2;
/// Quiet for so long after the banner, the controller has said all.
const QUIET_FOR: Span = Span::from_ms(250);
/// A controller that talks for longer after a reset is none.
const LINES_AFTER_BANNER_AT_MOST: usize = 50;

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

fn acks(talk: &Talk<'_>) -> Result<Arc<Acks>, DriverError> {
    talk.manner().acks.clone().ok_or_else(|| {
        DriverError::Unsendable("the profile does not say how lines are acknowledged".to_owned())
    })
}

/// Sends one line and waits for its one answer.
///
/// # Errors
/// [`DriverError::Refused`], [`DriverError::Alarm`] or [`DriverError::Halted`],
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
    let acks = acks(talk)?;
    if talk.state.dirty {
        let banner = reset(talk)?;
        return Err(DriverError::Restarted { banner });
    }
    if !acks.locks {
        started_anew(talk, &acks)?;
    }
    match send_once(talk, &acks, line, within) {
        Err(error @ DriverError::Refused { .. }) => {
            if let Some(after) = &acks.after_bad {
                send_once(talk, &acks, after, EMPTY_WITHIN)?;
            }
            Err(error)
        }
        other => other,
    }
}

/// A controller that would move without its home switch must not be told to when it
/// said by itself that it has started anew, or has stopped itself.
fn started_anew(talk: &mut Talk<'_>, acks: &Acks) -> Result<(), DriverError> {
    for line in talk.unasked_lines()? {
        talk.late_line(&line);
        match acks.kind(&line.text()) {
            Kind::Banner(banner) => {
                let banner = shown(&banner);
                return Err(DriverError::Restarted { banner });
            }
            Kind::Halt(code, said) => {
                talk.state.dirty = true;
                return Err(halted(code, &said));
            }
            _ => {}
        }
    }
    Ok(())
}

fn halted(code: Option<u16>, said: &str) -> DriverError {
    match code {
        Some(code) => DriverError::Alarm { code },
        None => DriverError::Halted { said: shown(said) },
    }
}

fn send_once(
    talk: &mut Talk<'_>,
    acks: &Acks,
    line: &str,
    within: Span,
) -> Result<Accepted, DriverError> {
    talk.drain()?;
    talk.state.dirty = true;
    let end = talk.manner().end.sent();
    let asked = talk.send(format!("{line}{end}").as_bytes())?;
    let mut until = asked.mono + within;
    let mut aside = Vec::new();
    let mut refused = None;
    while let Some(came) = talk.next_line(until)? {
        match acks.kind(&came.text()) {
            Kind::Aside(text) if aside.len() < ASIDE_AT_MOST => {
                if !text.is_empty() {
                    aside.push(text);
                }
            }
            Kind::Aside(_) => talk.drop_line(&came),
            Kind::Good => {
                talk.state.dirty = false;
                let taken = came.taken;
                return refused.map_or(
                    Ok(Accepted {
                        aside,
                        asked,
                        taken,
                    }),
                    Err,
                );
            }
            Kind::Bad(code, text) => {
                let error = DriverError::Refused {
                    question: line.to_owned(),
                    code: code.unwrap_or(0),
                    text: shown(&text),
                };
                if !acks.good_follows_bad {
                    talk.state.dirty = false;
                    return Err(error);
                }
                refused.get_or_insert(error);
                until = until.min(came.taken.mono + EMPTY_WITHIN);
            }
            // After an alarm the controller may wait for a reset: stay dirty.
            Kind::Halt(code, said) => return Err(halted(code, &said)),
            Kind::Banner(text) => {
                return Err(DriverError::Restarted {
                    banner: shown(&text),
                });
            }
        }
    }
    Err(refused.unwrap_or_else(|| DriverError::Silent {
        question: line.to_owned(),
        within,
    }))
}

/// Sends one realtime byte and waits for the side line that answers it.
/// Other lines are not for us and are dropped, but a halt or a banner ends
/// it.
///
/// # Errors
/// [`DriverError::Garbled`] when other side lines came alone, else as [`send`].
pub fn status(
    talk: &mut Talk<'_>,
    byte: &str,
    form: &Pattern,
    within: Span,
) -> Result<(Line, Moment), DriverError> {
    let acks = acks(talk)?;
    let asked = talk.send(byte.as_bytes())?;
    let mut other = None;
    while let Some(line) = talk.next_line(asked.mono + within)? {
        match acks.kind(&line.text()) {
            Kind::Aside(text) if form.fits(&text) => return Ok((line, asked)),
            Kind::Halt(code, said) => return Err(halted(code, &said)),
            Kind::Banner(text) => {
                return Err(DriverError::Restarted {
                    banner: shown(&text),
                });
            }
            Kind::Aside(text) if !text.is_empty() => {
                other = Some(text);
                talk.drop_line(&line);
            }
            _ => talk.drop_line(&line),
        }
    }
    talk.state.dirty = true;
    let question = byte.to_owned();
    Err(match other {
        Some(text) => DriverError::Garbled {
            question,
            answer: shown(&text),
            wanted: "an answer as its profile says",
        },
        None => DriverError::Silent { question, within },
    })
}

/// Resets the controller, waits for its banner, lets it say all it wants to
/// say unasked, and makes sure that an empty line is answered by one `ok`.
/// Returns the banner. Motion stops; the position is unknown afterwards. A
/// controller that no byte resets is brought to order by [`Quieting`].
///
/// # Errors
/// [`DriverError::Gone`] when there is no banner: nothing more can be done over
/// this line.
pub fn reset(talk: &mut Talk<'_>) -> Result<String, DriverError> {
    let acks = acks(talk)?;
    let Some(byte) = acks.reset else {
        return match &acks.quieting {
            Some(quieting) => quieten(talk, &acks, quieting),
            None => Err(DriverError::Unsendable(
                "the profile has no way to bring the link to order".to_owned(),
            )),
        };
    };
    talk.drain()?;
    let mut banner = None;
    for _ in 0..RESET_TRIES {
        let asked = talk.send(&[byte])?;
        while let Some(line) = talk.next_line(asked.mono + BANNER_WITHIN)? {
            if let Kind::Banner(text) = acks.kind(&line.text()) {
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
    send_once(talk, &acks, "", EMPTY_WITHIN)?;
    Ok(banner)
}

/// Stops all motion, waits until nothing can come any more, and makes sure that a
/// harmless question has one answer and one acknowledgement, and nothing else.
fn quieten(talk: &mut Talk<'_>, acks: &Acks, how: &Quieting) -> Result<String, DriverError> {
    let end = talk.manner().end.sent();
    for _ in 0..RESET_TRIES {
        talk.state.dirty = true;
        talk.state.resyncs += 1;
        talk.send(format!("{}{end}", how.stop).as_bytes())?;
        // Each line may be followed by one that is as late.
        for _ in 0..LINES_AFTER_BANNER_AT_MOST {
            let until = talk.now().mono + talk.manner().longest_answer;
            match talk.next_line(until)? {
                Some(line) => talk.late_line(&line),
                None => break,
            }
        }
        match send_once(talk, acks, &how.ask, EMPTY_WITHIN) {
            Ok(came) => {
                let answered = came.aside.iter().filter(|line| how.answer.fits(line));
                let one = answered.count() == 1;
                let more = talk.next_line(talk.now().mono + QUIET_FOR)?;
                if one && more.is_none() {
                    return Ok("an answer was missing".to_owned());
                }
            }
            Err(error) if error.link_is_gone() => return Err(error),
            Err(DriverError::Abandoned) => return Err(DriverError::Abandoned),
            // Whatever else it was: once more, or it is dead.
            Err(_) => {}
        }
    }
    talk.state.dirty = true;
    Err(DriverError::Gone {
        detail: format!("it does not answer `{}` as it should", how.ask),
    })
}

#[cfg(test)]
pub(super) mod tests {
    use super::super::manner::Manner;
    use super::super::testing::{Pieces, Scripted, converse};
    use super::*;
    use crate::profile::shipped;
    use crate::profile::types::Speech;

    /// That of the shipped profile of this dialect.
    pub(in super::super) fn manner() -> Manner {
        let profile = shipped::profile(shipped::DEFAULT_RAIL).expect("a profile");
        let Speech::Lines(manner) = &profile.speech else {
            panic!("{:?}", profile.speech)
        };
        manner.clone()
    }

    fn sent(script: &[Pieces], lines: &[&str]) -> Vec<String> {
        converse(Scripted::new(script), |talk| {
            talk.follow(manner());
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
            talk.follow(manner());
            assert_eq!(reset(talk).expect("a banner"), "Board 1.1 ['$' for help]");
            assert!(!talk.state().is_dirty());
        });
    }

    #[test]
    fn without_a_banner_the_line_is_dead() {
        converse(Scripted::new(&[]), |talk| {
            talk.follow(manner());
            let start = talk.now().mono;
            assert!(reset(talk).is_err_and(|error| error.link_is_gone()));
            assert_eq!(talk.now().mono.since(start), Span::from_secs(8));
        });
    }

    proptest::proptest! {
        #[test]
        fn no_line_panics(text in "\\PC*") {
            let _ = manner().acks.expect("acks").kind(&text);
        }
    }
}
