//! A relay board that speaks SCPI channel lists, with every coil read back.
//!
//! One channel per message: some parsers choke on the comma. Opened by the
//! bench. Not here: which button sits under which coil (`bench`).

use photometry::units::Span;

use super::presser::{HOLD_AT_MOST, Press, Presser};
use super::scpi_photometer::identify;
use crate::error::DriverError;
use crate::exchange::line;
use crate::exchange::scpi::{self, Identity};
use crate::exchange::talk::Talk;

/// A coil's state is answered at once.
const ANSWER_WITHIN: Span = Span::from_secs(2);

/// A SCPI relay board with fingers.
#[derive(Debug)]
pub struct ScpiPresser {
    coils: Vec<u16>,
    identity: Option<Identity>,
}

impl ScpiPresser {
    /// A driver for the coils that carry fingers; nothing is sent.
    pub fn new(coils: Vec<u16>) -> ScpiPresser {
        ScpiPresser {
            coils,
            identity: None,
        }
    }
}

/// Makes sure that a coil is closed, or open.
fn verify(talk: &mut Talk<'_>, coil: u16, closed: bool) -> Result<(), DriverError> {
    let question = format!("ROUT:CLOS? {}", scpi::channel_list(&[coil]));
    let answer = line::ask(talk, &question, ANSWER_WITHIN)?;
    match answer.text.trim() {
        "1" if closed => Ok(()),
        "0" if !closed => Ok(()),
        "0" | "1" => Err(DriverError::CoilStuck {
            coil,
            wanted: closed,
        }),
        _ => Err(answer.garbled(&question, "0 or 1")),
    }
}

fn press_once(talk: &mut Talk<'_>, coil: u16, hold: Span) -> Result<Press, DriverError> {
    if talk.state().is_dirty() {
        line::resynchronise(talk)?;
    }
    let list = scpi::channel_list(&[coil]);
    let down = line::tell(talk, &format!("ROUT:CLOS {list}"))?;
    verify(talk, coil, true)?;
    talk.pause(down.mono + hold)?;
    let up = line::tell(talk, &format!("ROUT:OPEN {list}"))?;
    verify(talk, coil, false)?;
    Ok(Press { down, up })
}

impl Presser for ScpiPresser {
    fn open(&mut self, talk: &mut Talk<'_>) -> Result<Identity, DriverError> {
        // Boards keep their coils when nobody talks to them: fingers off first,
        // whatever else may fail.
        line::tell(talk, "ROUT:OPEN:ALL")?;
        line::resynchronise(talk)?;
        line::tell(talk, "*CLS")?;
        let identity = identify(talk, &mut self.identity)?;
        self.release_all(talk)?;
        Ok(identity)
    }

    fn press(&mut self, talk: &mut Talk<'_>, coil: u16, hold: Span) -> Result<Press, DriverError> {
        if !self.coils.contains(&coil) {
            return Err(DriverError::Unsendable(format!(
                "no finger sits at coil {coil}"
            )));
        }
        if hold <= Span::ZERO || hold > HOLD_AT_MOST {
            return Err(DriverError::Unsendable(format!(
                "a press of {} is not between 0 s and {HOLD_AT_MOST}",
                hold.shown()
            )));
        }
        let mut talk = talk.undisturbed();
        press_once(&mut talk, coil, hold).inspect_err(|_| {
            // The first error is the one to report; this is the attempt to
            // leave no finger down.
            if let Err(error) = line::tell(&mut talk, "ROUT:OPEN:ALL") {
                tracing::warn!(%error, "fingers could not be taken off");
            }
        })
    }

    fn release_all(&mut self, talk: &mut Talk<'_>) -> Result<(), DriverError> {
        let mut talk = talk.undisturbed();
        line::tell(&mut talk, "ROUT:OPEN:ALL")?;
        let mut stuck = None;
        for &coil in &self.coils {
            match verify(&mut talk, coil, false) {
                // The others may still be down as well: look at all of them.
                Err(error @ DriverError::CoilStuck { .. }) => stuck = stuck.or(Some(error)),
                other => other?,
            }
        }
        stuck.map_or(Ok(()), Err)
    }
}
