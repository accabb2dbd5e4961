//! The two ends of a wire: the port's, which a link takes up, and the
//! device's.

use std::io;
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use super::lane::Lane;
use super::pty::Pty;
use crate::clock::{Clock, Ear};
use crate::link::error::LinkError;

/// Characters a second at 115 200 baud, 10 bits each.
const DEFAULT_BYTES_PER_SECOND: u32 = 11_520;

/// The port's end of a wire, kept by the clock under its address.
#[derive(Clone, Debug)]
pub struct WireEnd {
    /// Towards the port.
    inward: Arc<Lane>,
    /// Towards the device.
    outward: Arc<Lane>,
    /// Whether a link has it.
    taken: Arc<AtomicBool>,
}

impl WireEnd {
    fn of(inward: Lane, outward: Lane) -> WireEnd {
        WireEnd {
            inward: Arc::new(inward),
            outward: Arc::new(outward),
            taken: Arc::default(),
        }
    }

    /// Whether both are the same end.
    pub fn is(&self, other: &WireEnd) -> bool {
        Arc::ptr_eq(&self.inward, &other.inward)
    }

    pub(crate) fn inward(&self) -> &Arc<Lane> {
        &self.inward
    }

    pub(crate) fn outward(&self) -> &Arc<Lane> {
        &self.outward
    }

    pub(crate) fn is_memory(&self) -> bool {
        self.inward.is_memory()
    }

    /// A link takes the end; only one at a time may.
    pub(crate) fn take_up(&self, address: &str) -> Result<(), LinkError> {
        if self.taken.swap(true, Ordering::SeqCst) {
            return Err(LinkError::Busy {
                address: address.to_owned(),
            });
        }
        Ok(())
    }

    pub(crate) fn lay_down(&self) {
        self.taken.store(false, Ordering::SeqCst);
    }

    pub(crate) fn check_up(&self, address: &str) -> Result<(), LinkError> {
        if self.inward.is_hung_up() {
            return Err(LinkError::Gone {
                address: address.to_owned(),
            });
        }
        Ok(())
    }
}

/// Opens a wire through memory, at the address `memory:NAME`.
pub fn memory_wire(clock: &Clock, name: &str) -> DeviceEnd {
    let polled = !clock.is_simulated();
    let end = WireEnd::of(Lane::of_memory(polled), Lane::of_memory(polled));
    DeviceEnd::of(clock, format!("memory:{name}"), end, None)
}

/// Opens a wire through a pseudo-terminal. `link_path` becomes a symbolic link
/// to it, and its address; a link of an earlier wire is replaced.
///
/// # Errors
/// When the system gives no pseudo-terminal, or the link cannot be made.
pub fn pty_wire(clock: &Clock, link_path: &Path) -> io::Result<DeviceEnd> {
    let pty = Pty::open(link_path)?;
    let end = WireEnd::of(Lane::of_pty(), Lane::of_pty());
    let address = link_path.to_string_lossy().into_owned();
    Ok(DeviceEnd::of(clock, address, end, Some(pty)))
}

/// The device's end. Dropping it unplugs the device.
#[derive(Debug)]
pub struct DeviceEnd {
    clock: Clock,
    address: String,
    end: WireEnd,
    /// Without: a memory wire.
    pty: Option<Pty>,
    /// Whether the ledger counts what the pseudo-terminal carries.
    counted: bool,
    bytes_per_second: u32,
}

impl DeviceEnd {
    fn of(clock: &Clock, address: String, end: WireEnd, pty: Option<Pty>) -> DeviceEnd {
        clock.register_wire(&address, end.clone());
        DeviceEnd {
            clock: clock.clone(),
            address,
            end,
            pty,
            counted: clock.is_simulated(),
            bytes_per_second: DEFAULT_BYTES_PER_SECOND,
        }
    }

    /// With another speed of the line (at least 1), by which long answers
    /// leave in pieces.
    pub fn at_bytes_per_second(mut self, bytes_per_second: u32) -> DeviceEnd {
        self.bytes_per_second = bytes_per_second.max(1);
        self
    }

    /// The address under which a link opens this wire.
    pub fn address(&self) -> &str {
        &self.address
    }

    /// What the device's seat listens to.
    pub fn ear(&self) -> Ear {
        match &self.pty {
            Some(pty) if !self.counted => Ear::of_descriptor(pty.master()),
            _ => Ear::of_lane(self.end.outward()),
        }
    }

    /// Appends what the port has sent; never waits for it.
    ///
    /// # Errors
    /// When the kernel takes the pseudo-terminal away.
    pub fn read(&mut self, into: &mut Vec<u8>) -> io::Result<usize> {
        let lane = self.end.outward();
        match &self.pty {
            None => Ok(lane.pull(into, usize::MAX)),
            Some(pty) if self.counted => {
                let count = pty.read_counted(into, lane.due_bytes())?;
                lane.uncount(count);
                Ok(count)
            }
            Some(pty) => pty.read_now(into),
        }
    }

    /// Sends at once. What the wire cannot hold is lost and counted.
    ///
    /// # Errors
    /// When the kernel takes the pseudo-terminal away.
    pub fn write(&mut self, bytes: &[u8]) -> io::Result<()> {
        let lane = self.end.inward();
        match &self.pty {
            None => lane.push(bytes),
            Some(pty) if self.counted => {
                let fitting = lane.room_for(bytes);
                pty.write_counted(fitting)?;
                lane.count(fitting.len());
            }
            Some(pty) => lane.lose(pty.write_now(bytes)?),
        }
        self.clock.nudge();
        Ok(())
    }

    /// Bytes lost because the port did not read, and because the device did
    /// not.
    pub fn lost_bytes(&self) -> (u64, u64) {
        (
            self.end.inward().lost_bytes(),
            self.end.outward().lost_bytes(),
        )
    }

    /// Pulls the plug, of a device that will be plugged in again: the link reads
    /// `Gone`, and the address is not there meanwhile.
    pub(super) fn pull(&mut self) {
        self.clock.forget_wire(&self.address, &self.end);
        // First the kernel hangs up, then the ledger says so.
        self.pty = None;
        self.end.inward().hang_up();
        self.end.outward().hang_up();
        self.clock.nudge();
    }

    /// Puts the plug in again, under the same address.
    ///
    /// # Errors
    /// When the system gives no pseudo-terminal, or the link cannot be made.
    pub(super) fn put_in(&mut self) -> io::Result<()> {
        let lane = match self.address.strip_prefix("memory:") {
            Some(_) => Lane::of_memory,
            None => {
                self.pty = Some(Pty::open(Path::new(&self.address))?);
                |_| Lane::of_pty()
            }
        };
        let polled = !self.counted;
        self.end = WireEnd::of(lane(polled), lane(polled));
        self.clock.register_wire(&self.address, self.end.clone());
        self.clock.nudge();
        Ok(())
    }

    /// Pulls the plug: the link reads `Gone`, and its address is not there
    /// until a new wire takes it.
    pub fn unplug(self) {
        drop(self);
    }

    pub(super) fn clock(&self) -> &Clock {
        &self.clock
    }

    pub(super) fn bytes_per_second(&self) -> u32 {
        self.bytes_per_second
    }
}

impl Drop for DeviceEnd {
    fn drop(&mut self) {
        self.pull();
    }
}
