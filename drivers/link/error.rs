//! What can go wrong on a link. Every message names the address.

use std::io;

use photometry::units::Span;

/// Why a link could not be opened, written or read.
#[derive(Debug, thiserror::Error)]
pub enum LinkError {
    /// There is no such port: unplugged, or a wrong name.
    #[error("{address} is not there; is the device plugged in and switched on?")]
    NotFound {
        /// The port.
        address: String,
    },
    /// Another program, or another part of this one, has it open.
    #[error("{address} is in use by another program")]
    Busy {
        /// The port.
        address: String,
    },
    /// The user may not open it.
    #[error("{address} may not be opened by this user; see `examples/service` for the udev rule")]
    Denied {
        /// The port.
        address: String,
    },
    /// The other side hung up: unplugged, switched off, or closed. The link is
    /// of no more use; open it again.
    #[error("{address} is gone: unplugged or switched off")]
    Gone {
        /// The port.
        address: String,
    },
    /// The other side did not take the bytes in time.
    #[error("{address} did not take {left} of {of} bytes within {}", within.shown())]
    WriteTimedOut {
        /// The port.
        address: String,
        /// Bytes that were not taken.
        left: usize,
        /// Bytes of the whole write.
        of: usize,
        /// The limit.
        within: Span,
    },
    /// The clock is simulated and no simulated device is at this address.
    #[error("{address} is not part of the simulated bench")]
    NotSimulated {
        /// The port.
        address: String,
    },
    /// The speed or framing is none that a serial line has.
    #[error("{address}: {what} is not possible on a serial line")]
    Settings {
        /// The port.
        address: String,
        /// The setting.
        what: String,
    },
    /// The operating system said something else.
    #[error("{address}: {source}")]
    Io {
        /// The port.
        address: String,
        /// What it said.
        source: io::Error,
    },
}

impl LinkError {
    /// Sorts what the operating system said about `address`.
    pub(crate) fn of(address: &str, source: io::Error) -> LinkError {
        let address = address.to_owned();
        match source.kind() {
            io::ErrorKind::NotFound => LinkError::NotFound { address },
            io::ErrorKind::PermissionDenied => LinkError::Denied { address },
            io::ErrorKind::ResourceBusy => LinkError::Busy { address },
            io::ErrorKind::BrokenPipe
            | io::ErrorKind::ConnectionReset
            | io::ErrorKind::ConnectionAborted
            | io::ErrorKind::NotConnected
            | io::ErrorKind::UnexpectedEof => LinkError::Gone { address },
            _ => LinkError::Io { address, source },
        }
    }
}
