//! A real port as a descriptor: serial lines and TCP sockets. The only home of
//! the serial library.
//!
//! A serial line is opened twice. The library's own handle locks the line, sets
//! it and reads; it blocks in `write` once the line is full, however long its
//! time limit, because the kernel then sleeps until the *last* byte fits. So
//! polling and writing go through a second handle of the same line that never
//! blocks. `flush` (tcdrain) has no time limit and `tcflush` throws away bytes
//! that the other side already has: neither is used.

use std::io::{self, Read};
use std::net::{TcpStream, ToSocketAddrs};
use std::os::fd::{AsFd, OwnedFd};
use std::sync::Arc;
use std::time::Duration;

use photometry::units::Span;
use rustix::event::{PollFd, PollFlags, poll};
use rustix::fs::{Mode, OFlags};
use rustix::io::Errno;
use serialport::{DataBits, FlowControl, StopBits, TTYPort};

use super::address::{Address, Framing, Parity};
use super::error::LinkError;
use crate::clock::Ear;
use crate::clock::timespec;

/// How long a TCP server may take to accept, in seconds.
const LIMIT_CONNECT_S: u64 = 5;

/// How long the kernel may take to carry bytes that were counted from one end
/// of a pseudo-terminal to the other, in nanoseconds; it takes microseconds.
const LIMIT_KERNEL_NS: i64 = 5_000_000_000;

/// Bytes read at one go.
const READ_BYTES: usize = 4096;

/// One open serial line or socket.
#[derive(Debug)]
pub(super) struct Descriptor {
    /// Never blocks; polled, written, and for a socket read.
    line: Arc<OwnedFd>,
    /// Locks, sets and reads a serial line.
    port: Option<TTYPort>,
}

impl Descriptor {
    pub(super) fn open(address: &Address) -> Result<Descriptor, LinkError> {
        let shown = address.to_string();
        match address {
            Address::Serial {
                path,
                baud,
                framing,
            } => Descriptor::serial(path, *baud, *framing),
            Address::Tcp { host_port } => {
                let line = connect(host_port).map_err(|source| match source.kind() {
                    io::ErrorKind::ConnectionRefused | io::ErrorKind::TimedOut => {
                        LinkError::NotFound { address: shown }
                    }
                    _ => LinkError::of(&shown, source),
                })?;
                Ok(Descriptor {
                    line: Arc::new(line),
                    port: None,
                })
            }
            Address::Memory { .. } | Address::Program { .. } => {
                Err(LinkError::NotFound { address: shown })
            }
        }
    }

    fn serial(path: &str, baud: u32, framing: Framing) -> Result<Descriptor, LinkError> {
        let flags = OFlags::RDWR | OFlags::NOCTTY | OFlags::NONBLOCK | OFlags::CLOEXEC;
        let line = rustix::fs::open(path, flags, Mode::empty()).map_err(|errno| match errno {
            // A pseudo-terminal whose master is closed, a node without driver.
            Errno::IO | Errno::NXIO | Errno::NODEV => LinkError::NotFound {
                address: path.to_owned(),
            },
            errno => LinkError::of(path, errno.into()),
        })?;
        let settings = |what: String| LinkError::Settings {
            address: path.to_owned(),
            what,
        };
        let data_bits = match framing.data_bits {
            7 => DataBits::Seven,
            8 => DataBits::Eight,
            bits => return Err(settings(format!("{bits} data bits"))),
        };
        let stop_bits = match framing.stop_bits {
            1 => StopBits::One,
            2 => StopBits::Two,
            bits => return Err(settings(format!("{bits} stop bits"))),
        };
        let parity = match framing.parity {
            Parity::None => serialport::Parity::None,
            Parity::Even => serialport::Parity::Even,
            Parity::Odd => serialport::Parity::Odd,
        };
        if baud == 0 {
            return Err(settings("0 baud".to_owned()));
        }
        let port = serialport::new(path, baud)
            .data_bits(data_bits)
            .stop_bits(stop_bits)
            .parity(parity)
            .flow_control(FlowControl::None)
            .timeout(Duration::ZERO)
            .open_native()
            .map_err(|error| match error.kind {
                // The library's word for a line that another one has locked.
                serialport::ErrorKind::NoDevice => LinkError::Busy {
                    address: path.to_owned(),
                },
                _ => LinkError::of(path, error.into()),
            })?;
        Ok(Descriptor {
            line: Arc::new(line),
            port: Some(port),
        })
    }

    pub(super) fn ear(&self) -> Ear {
        Ear::of_descriptor(&self.line)
    }

    /// Writes until all is gone or `left` (asked again each round) is over;
    /// returns how many bytes did not leave.
    pub(super) fn write_until(&self, bytes: &[u8], left: &dyn Fn() -> Span) -> io::Result<usize> {
        let mut rest = bytes;
        while !rest.is_empty() {
            match rustix::io::write(&self.line, rest) {
                Ok(written) => rest = &rest[written..],
                Err(Errno::INTR) => {}
                Err(Errno::AGAIN) => {
                    let left_ns = left().ns();
                    if left_ns <= 0 {
                        break;
                    }
                    await_kernel(&*self.line, PollFlags::OUT, left_ns)?;
                }
                Err(errno) => return Err(gone_or(errno)),
            }
        }
        Ok(rest.len())
    }

    /// Writes bytes for which the ledger has found room.
    pub(super) fn write_counted(&self, bytes: &[u8]) -> io::Result<()> {
        write_all(&self.line, bytes)
    }

    /// Reads what is there.
    pub(super) fn read_now(&mut self, into: &mut Vec<u8>, at_most: usize) -> io::Result<usize> {
        let mut taken = 0;
        let mut buffer = [0_u8; READ_BYTES];
        while taken < at_most {
            let size = buffer.len().min(at_most - taken);
            match self.read_some(&mut buffer[..size]) {
                Ok(0) => break,
                Ok(count) => {
                    into.extend_from_slice(&buffer[..count]);
                    taken += count;
                }
                // Hand out what came before the end; the next read says so.
                Err(_) if taken > 0 => break,
                Err(error) => return Err(error),
            }
        }
        Ok(taken)
    }

    /// Reads exactly `count` bytes that the ledger says were written.
    pub(super) fn read_counted(&mut self, into: &mut Vec<u8>, count: usize) -> io::Result<usize> {
        let line = Arc::clone(&self.line);
        read_exactly(&line, count, into, &mut |buffer| self.read_some(buffer))
    }

    /// Nothing there is `Ok(0)`; the end is an error.
    fn read_some(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let read = match &mut self.port {
            Some(port) => port.read(buffer),
            None => rustix::io::read(&self.line, &mut *buffer).map_err(gone_or),
        };
        match read {
            Ok(0) => Err(io::ErrorKind::BrokenPipe.into()),
            Err(error) => match error.kind() {
                io::ErrorKind::TimedOut
                | io::ErrorKind::WouldBlock
                | io::ErrorKind::Interrupted => Ok(0),
                // The library keeps no number; what is left of its errors is a
                // line that the kernel took away under the reader.
                io::ErrorKind::Other if self.port.is_some() => {
                    Err(io::ErrorKind::BrokenPipe.into())
                }
                _ => Err(error),
            },
            read => read,
        }
    }
}

/// Reads exactly `count` bytes by `read`, in however many pieces the kernel
/// hands them over.
pub(super) fn read_exactly(
    line: &impl AsFd,
    count: usize,
    into: &mut Vec<u8>,
    read: &mut dyn FnMut(&mut [u8]) -> io::Result<usize>,
) -> io::Result<usize> {
    let mut left = count;
    let mut buffer = [0_u8; READ_BYTES];
    while left > 0 {
        let size = buffer.len().min(left);
        match read(&mut buffer[..size])? {
            0 => await_kernel(line, PollFlags::IN, LIMIT_KERNEL_NS).and_then(in_time)?,
            read => {
                into.extend_from_slice(&buffer[..read]);
                left -= read;
            }
        }
    }
    Ok(count)
}

/// Writes all of `bytes`, for which there is room.
pub(super) fn write_all(line: &impl AsFd, bytes: &[u8]) -> io::Result<()> {
    let mut rest = bytes;
    while !rest.is_empty() {
        match rustix::io::write(line, rest) {
            Ok(written) => rest = &rest[written..],
            Err(Errno::INTR) => {}
            Err(Errno::AGAIN) => {
                await_kernel(line, PollFlags::OUT, LIMIT_KERNEL_NS).and_then(in_time)?;
            }
            Err(errno) => return Err(gone_or(errno)),
        }
    }
    Ok(())
}

fn in_time(heard: bool) -> io::Result<()> {
    if heard {
        return Ok(());
    }
    let lost = "the kernel kept bytes of a pseudo-terminal for 5 s";
    Err(io::Error::new(io::ErrorKind::InvalidData, lost))
}

/// Whether `line` became ready for `what` within `left_ns`.
fn await_kernel(line: &impl AsFd, what: PollFlags, left_ns: i64) -> io::Result<bool> {
    let mut fds = [PollFd::new(line, what)];
    match poll(&mut fds, Some(&timespec(left_ns))) {
        Ok(heard) => Ok(heard > 0),
        Err(Errno::INTR) => Ok(true), // look again
        Err(errno) => Err(errno.into()),
    }
}

/// The kernel's words for a line that was taken away, as one.
fn gone_or(errno: Errno) -> io::Error {
    match errno {
        Errno::IO | Errno::NXIO | Errno::NODEV | Errno::PIPE => io::ErrorKind::BrokenPipe.into(),
        errno => errno.into(),
    }
}

fn connect(host_port: &str) -> io::Result<OwnedFd> {
    let mut last = io::Error::from(io::ErrorKind::NotFound);
    for server in host_port.to_socket_addrs()? {
        match TcpStream::connect_timeout(&server, Duration::from_secs(LIMIT_CONNECT_S)) {
            Ok(stream) => {
                stream.set_nodelay(true)?;
                stream.set_nonblocking(true)?;
                return Ok(stream.into());
            }
            Err(error) => last = error,
        }
    }
    Err(last)
}
