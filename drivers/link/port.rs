//! The link itself: open, write, read.

use std::io;

use photometry::units::Span;

use super::address::Address;
use super::descriptor::Descriptor;
use super::error::LinkError;
use super::tap::{Tap, Way};
use super::wire::WireEnd;
use crate::clock::{Clock, Ear, Seat};

/// Bytes left over from an earlier owner of the port that are thrown away when
/// it is opened; a port that talks on after that is a streaming one.
const LIMIT_DRAIN_BYTES: usize = 65_536;

/// One open port. One owner; closing is dropping.
#[derive(Debug)]
pub struct Link {
    address: Address,
    shown: String,
    clock: Clock,
    body: Body,
    tap: Option<Tap>,
}

#[derive(Debug)]
enum Body {
    /// A real descriptor without a ledger: everything on the wall clock.
    Real(Descriptor),
    /// A pseudo-terminal of the simulated bench.
    Counted(Descriptor, WireEnd),
    Memory(WireEnd),
    /// A program, which is run and neither written to nor read from.
    Program(String),
    /// A socket between two questions; the next write connects anew.
    Closed,
}

impl Link {
    /// Opens a port for one owner. Serial lines are really opened, locked and
    /// set; bytes from before are thrown away. In a simulation the address
    /// must be one of the simulated bench's.
    ///
    /// # Errors
    /// `NotFound`, `Busy`, `Denied`, `NotSimulated`, `Settings`, or `Io`.
    pub fn open(address: &Address, clock: &Clock) -> Result<Link, LinkError> {
        Link::open_tapped(address, clock, None)
    }

    /// As [`Link::open`]; whatever goes over the link, what was left over
    /// included, is recorded in `tap`.
    ///
    /// # Errors
    /// As [`Link::open`].
    pub fn open_tapped(
        address: &Address,
        clock: &Clock,
        tap: Option<Tap>,
    ) -> Result<Link, LinkError> {
        let shown = address.to_string();
        let body = Body::open(address, &shown, clock)?;
        let mut link = Link {
            address: address.clone(),
            shown,
            clock: clock.clone(),
            body,
            tap,
        };
        link.drain()?;
        Ok(link)
    }

    /// The address, as in messages.
    pub fn address(&self) -> &str {
        &self.shown
    }

    /// Closes a socket until the next write, which connects anew: for a device
    /// that closes its connection after each answer, so that its end is no loss.
    /// Any other port stays open.
    pub fn close_until_written(&mut self) {
        if matches!(self.address, Address::Tcp { .. }) {
            self.lay_down();
            self.body = Body::Closed;
        }
    }

    fn lay_down(&self) {
        match &self.body {
            Body::Real(_) | Body::Program(_) | Body::Closed => {}
            Body::Counted(_, end) | Body::Memory(end) => end.lay_down(),
        }
    }

    /// What a seat listens to while it waits for an answer.
    pub fn ear(&self) -> Ear {
        match &self.body {
            Body::Real(descriptor) => descriptor.ear(),
            Body::Counted(_, end) | Body::Memory(end) => Ear::of_lane(end.inward()),
            Body::Program(_) | Body::Closed => Ear::of_nothing(),
        }
    }

    /// The program that is run for each question, if this is one.
    pub fn program(&self) -> Option<&str> {
        match &self.body {
            Body::Program(path) => Some(path),
            _ => None,
        }
    }

    fn only_run(&self) -> LinkError {
        let why = "a program is run, not written to or read from";
        let source = io::Error::new(io::ErrorKind::Unsupported, why);
        LinkError::of(&self.shown, source)
    }

    /// Writes all of `bytes`, or fails within `within`. What a wire of the
    /// simulated bench cannot hold is lost, as on a serial line.
    ///
    /// # Errors
    /// `Gone`, `WriteTimedOut` or `Io`. After a time-out some bytes may have
    /// left: resynchronise before asking again.
    pub fn write(&mut self, seat: &mut Seat, bytes: &[u8], within: Span) -> Result<(), LinkError> {
        let Some(tap) = self.tap.clone() else {
            return self.write_out(seat, bytes, within);
        };
        let at = self.clock.now();
        let written = self.write_out(seat, bytes, within);
        let left = match &written {
            Ok(()) => 0,
            Err(LinkError::WriteTimedOut { left, .. }) => *left,
            Err(_) => bytes.len(),
        };
        tap.record(at, Way::To, &bytes[..bytes.len() - left]);
        written
    }

    fn write_out(&mut self, seat: &mut Seat, bytes: &[u8], within: Span) -> Result<(), LinkError> {
        if matches!(self.body, Body::Closed) {
            self.body = Body::open(&self.address, &self.shown, &self.clock)?;
        }
        match &mut self.body {
            Body::Real(descriptor) => {
                let until = seat.now().mono + within;
                let left = descriptor.write_until(bytes, &|| until.since(self.clock.now().mono));
                match left.map_err(|source| LinkError::of(&self.shown, source))? {
                    0 => Ok(()),
                    left => Err(LinkError::WriteTimedOut {
                        address: self.shown.clone(),
                        left,
                        of: bytes.len(),
                        within,
                    }),
                }
            }
            Body::Counted(descriptor, end) => {
                end.check_up(&self.shown)?;
                let fitting = end.outward().room_for(bytes);
                let written = descriptor.write_counted(fitting);
                written.map_err(|source| LinkError::of(&self.shown, source))?;
                end.outward().count(fitting.len());
                self.clock.nudge();
                Ok(())
            }
            Body::Memory(end) => {
                end.check_up(&self.shown)?;
                end.outward().push(bytes);
                self.clock.nudge();
                Ok(())
            }
            Body::Program(_) | Body::Closed => Err(self.only_run()),
        }
    }

    /// Appends what is due, at most `at_most` bytes; never waits for the other
    /// side. Nothing there is `Ok(0)`.
    ///
    /// # Errors
    /// `Gone` when the other side has hung up, or `Io`.
    pub fn read(&mut self, into: &mut Vec<u8>, at_most: usize) -> Result<usize, LinkError> {
        let before = into.len();
        let read = match &mut self.body {
            Body::Real(descriptor) => descriptor.read_now(into, at_most),
            Body::Counted(descriptor, end) => {
                end.check_up(&self.shown)?;
                let count = end.inward().due_bytes().min(at_most);
                descriptor.read_counted(into, count).inspect(|count| {
                    end.inward().uncount(*count);
                })
            }
            Body::Memory(end) => {
                end.check_up(&self.shown)?;
                Ok(end.inward().pull(into, at_most))
            }
            // Nothing is ever there, so that a link of this kind opens as others.
            Body::Program(_) | Body::Closed => Ok(0),
        };
        if let Some(tap) = &self.tap {
            tap.record(self.clock.now(), Way::From, &into[before..]);
        }
        read.map_err(|source| LinkError::of(&self.shown, source))
    }

    fn drain(&mut self) -> Result<(), LinkError> {
        let mut thrown = Vec::new();
        while thrown.len() < LIMIT_DRAIN_BYTES {
            let room = LIMIT_DRAIN_BYTES - thrown.len();
            if self.read(&mut thrown, room)? == 0 {
                break;
            }
        }
        if !thrown.is_empty() {
            tracing::debug!(address = %self.shown, bytes = thrown.len(), "left over, thrown away");
        }
        Ok(())
    }
}

fn may_be_run(path: &str) -> io::Result<()> {
    if !std::fs::metadata(path)?.is_file() {
        return Err(io::ErrorKind::NotFound.into());
    }
    Ok(rustix::fs::access(path, rustix::fs::Access::EXEC_OK)?)
}

/// Why a simulated clock has no wire for a port: it was unplugged, as a real one
/// is whose name is gone, or it is a real port, which has its own time.
fn absent(port: &Address, address: String) -> LinkError {
    match port {
        Address::Serial { path, .. } if std::fs::symlink_metadata(path).is_err() => {
            LinkError::NotFound { address }
        }
        _ => LinkError::NotSimulated { address },
    }
}

impl Body {
    fn open(address: &Address, shown: &str, clock: &Clock) -> Result<Body, LinkError> {
        let body = match (address, clock.end_for(shown)) {
            (Address::Memory { .. }, None) => {
                let address = shown.to_owned();
                return Err(LinkError::NotFound { address });
            }
            (Address::Memory { .. }, Some(end)) => Body::memory(end, shown)?,
            (Address::Serial { .. }, Some(end)) if clock.is_simulated() => {
                if end.is_memory() {
                    Body::memory(end, shown)?
                } else {
                    let descriptor = Descriptor::open(address)?;
                    end.take_up(shown)?;
                    Body::Counted(descriptor, end)
                }
            }
            (Address::Tcp { .. }, Some(end)) if clock.is_simulated() => Body::memory(end, shown)?,
            _ if clock.is_simulated() => return Err(absent(address, shown.to_owned())),
            (Address::Program { path }, _) => {
                may_be_run(path).map_err(|source| LinkError::of(shown, source))?;
                Body::Program(path.clone())
            }
            _ => Body::Real(Descriptor::open(address)?),
        };
        Ok(body)
    }

    fn memory(end: WireEnd, shown: &str) -> Result<Body, LinkError> {
        end.take_up(shown)?;
        Ok(Body::Memory(end))
    }
}

impl Drop for Link {
    fn drop(&mut self) {
        self.lay_down();
    }
}
