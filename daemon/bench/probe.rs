//! Is a device there, is it the right one, how fast does it answer, what does it
//! complain of? Nothing moves and nothing is pressed; a device is made ready as a
//! run would, which takes fingers off, resets the rail's controller and sets the
//! meter up.
//!
//! Called by: cli. Not here: opening the bench and single verbs (by_hand).

use drivers::error::DriverError;
use drivers::exchange::scpi::Identity;
use photometry::units::Span;

use super::by_hand::{Device, Hand};
use super::failed::{Failed, Kind};
use super::instrument::{Answer, Trouble, Verb};

/// Harmless questions that are timed.
pub const QUESTIONS: usize = 10;

/// From a harmless question to its whole answer.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Trips {
    /// The shortest.
    pub least: Span,
    /// Half took longer; of an even number the mean of the two in the middle.
    pub median: Span,
    /// The longest.
    pub largest: Span,
}

impl Trips {
    /// Of some times; none of none.
    pub fn of(mut times: Vec<Span>) -> Option<Trips> {
        times.sort_unstable();
        let (least, largest) = (*times.first()?, *times.last()?);
        let (low, high) = (times[(times.len() - 1) / 2], times[times.len() / 2]);
        Some(Trips {
            least,
            median: Span::from_ns((low.ns() + high.ns()) / 2),
            largest,
        })
    }
}

/// What was found at a device's port, as far as it was come to.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Found {
    /// Who it says it is.
    pub identity: Option<String>,
    /// The serial number in that.
    pub serial: Option<String>,
    /// How fast it answers; none of a device that is never asked who it is.
    pub trips: Option<Trips>,
    /// What it complained of.
    pub complaints: Vec<String>,
    /// Why it cannot be worked with.
    pub failed: Option<Failed>,
}

impl Hand {
    /// Opens a device's port, makes it ready and asks harmless questions.
    pub async fn probe(&mut self, device: &Device) -> Found {
        let mut found = Found::default();
        if let Err(failed) = self.look(device, &mut found).await {
            found.failed = Some(failed);
        }
        found
    }

    async fn look(&mut self, device: &Device, found: &mut Found) -> Result<(), Failed> {
        let name = device.name.as_str();
        let opened = self.ask(name, Verb::Open).await.inspect_err(|trouble| {
            if let Trouble::Driver(DriverError::AnotherSerial { told, identity, .. }) = trouble {
                found.identity = Some(identity.clone());
                found.serial = Some(told.clone());
            }
        });
        if let Answer::Ready(identity) = opened? {
            let demanded = untold(&identity, device.demanded.as_deref());
            found.identity = Some(identity.raw);
            found.serial = identity.serial;
            if let Some(failed) = demanded {
                return Err(failed);
            }
        }
        self.question(name, found).await?;
        self.complained(name, found).await?;
        Ok(())
    }

    async fn question(&mut self, name: &str, found: &mut Found) -> Result<(), Trouble> {
        let mut times = Vec::new();
        for _ in 0..QUESTIONS {
            match self.ask(name, Verb::Question).await? {
                Answer::Took(Some(took)) => times.push(took),
                _ => break,
            }
        }
        found.trips = Trips::of(times);
        Ok(())
    }

    async fn complained(&mut self, name: &str, found: &mut Found) -> Result<(), Trouble> {
        if let Answer::Complaints(complaints) = self.ask(name, Verb::Complaints).await? {
            let words = complaints.iter().map(|c| format!("{} {}", c.code, c.text));
            found.complaints = words.collect();
        }
        Ok(())
    }
}

/// A device that does not tell the serial number that the bench file demands. A
/// run takes it; whoever attaches it should know. One that tells another is not
/// made ready at all.
fn untold(identity: &Identity, demanded: Option<&str>) -> Option<Failed> {
    let demanded = demanded.filter(|_| identity.serial.is_none())?;
    let seen = format!("the bench file demands serial {demanded}, and it does not tell its own");
    Some(Failed::new(Kind::AnotherDevice, seen))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_median_of_an_even_number_lies_in_the_middle() {
        let ms = |times: &[i64]| Trips::of(times.iter().map(|t| Span::from_ms(*t)).collect());
        let trips = |least, median, largest| {
            Some(Trips {
                least: Span::from_ms(least),
                median: Span::from_ms(median),
                largest: Span::from_ms(largest),
            })
        };
        assert_eq!(ms(&[]), None);
        assert_eq!(ms(&[7]), trips(7, 7, 7));
        assert_eq!(ms(&[9, 1, 3, 5]), trips(1, 4, 9));
        assert_eq!(ms(&[9, 1, 3]), trips(1, 3, 9));
    }

    #[test]
    fn a_demanded_serial_that_is_not_told_is_pointed_out() {
        let identity = |serial: Option<&str>| Identity {
            maker: String::new(),
            model: String::new(),
            serial: serial.map(str::to_owned),
            firmware: None,
            raw: String::new(),
        };
        let seen = |serial, demanded| untold(&identity(serial), demanded).map(|f| f.seen);
        assert_eq!(seen(Some("0107"), Some("0107")), None);
        assert_eq!(seen(None, None), None);
        assert_eq!(seen(Some("7"), None), None);
        assert_eq!(
            seen(None, Some("0107")).as_deref(),
            Some("the bench file demands serial 0107, and it does not tell its own")
        );
    }
}
