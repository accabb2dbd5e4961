//! Where an instrument is: the written form of a port.
//!
//! `/dev/serial/by-id/usb-0042-if00` is a serial line, `tcp:host:5025` a
//! socket, `memory:meter` a wire inside the process. Speed and framing of a
//! serial line are keys of their own in a bench file.

use std::fmt;
use std::str::FromStr;

/// Bits per second where a bench file says nothing.
pub const DEFAULT_BAUD: u32 = 115_200;

/// The longest path that is read, in bytes (Linux `PATH_MAX`).
const LIMIT_PATH_BYTES: usize = 4096;

/// Where an instrument is.
#[derive(Clone, Debug, PartialEq, Eq, Hash)]
pub enum Address {
    /// A serial line, or a pseudo-terminal in its place.
    Serial {
        /// Absolute path, best a stable one below `/dev/serial/by-id`.
        path: String,
        /// Bits per second.
        baud: u32,
        /// Bits of a character.
        framing: Framing,
    },
    /// A TCP server.
    Tcp {
        /// `host:port`.
        host_port: String,
    },
    /// A program that is run for each question.
    Program {
        /// Its path.
        path: String,
    },
    /// A wire inside the process.
    Memory {
        /// Its name.
        name: String,
    },
}

/// Bits of a character on a serial line; 8 data bits, no parity, 1 stop bit
/// unless the instrument's manual says otherwise.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Framing {
    /// 7 or 8.
    pub data_bits: u8,
    /// Parity bit.
    pub parity: Parity,
    /// 1 or 2.
    pub stop_bits: u8,
}

/// The parity bit of a serial line.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Parity {
    /// No parity bit.
    None,
    /// An even number of ones.
    Even,
    /// An odd number of ones.
    Odd,
}

impl Default for Framing {
    fn default() -> Framing {
        Framing {
            data_bits: 8,
            parity: Parity::None,
            stop_bits: 1,
        }
    }
}

/// Why a text is no address.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum AddressError {
    /// Neither a path nor one of the prefixes.
    #[error("`{0}` is not a port; write an absolute path, `tcp:host:port` or `memory:name`")]
    Unknown(String),
    /// A socket without its port number.
    #[error("`{0}` has no port number; write `tcp:host:port`, the port from 1 to 65535")]
    NoPort(String),
    /// A wire without a name.
    #[error("`{0}` has no name; write one behind the colon")]
    NoName(String),
}

impl Address {
    /// A serial line at `path` with the usual framing.
    pub fn serial(path: impl Into<String>, baud: u32) -> Address {
        Address::Serial {
            path: path.into(),
            baud,
            framing: Framing::default(),
        }
    }

    /// A wire inside the process.
    pub fn memory(name: impl Into<String>) -> Address {
        Address::Memory { name: name.into() }
    }
}

/// Without speed and framing; also the key under which a wire is registered.
impl fmt::Display for Address {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Address::Serial { path, .. } => f.write_str(path),
            Address::Tcp { host_port } => write!(f, "tcp:{host_port}"),
            Address::Program { path } => write!(f, "program:{path}"),
            Address::Memory { name } => write!(f, "memory:{name}"),
        }
    }
}

impl FromStr for Address {
    type Err = AddressError;

    fn from_str(text: &str) -> Result<Address, AddressError> {
        if let Some(host_port) = text.strip_prefix("tcp:") {
            let no_port = || AddressError::NoPort(text.to_owned());
            let (host, port) = host_port.rsplit_once(':').ok_or_else(no_port)?;
            let digits = !port.is_empty() && port.bytes().all(|b| b.is_ascii_digit());
            if host.is_empty() || !digits || !port.parse::<u16>().is_ok_and(|port| port > 0) {
                return Err(no_port());
            }
            return Ok(Address::Tcp {
                host_port: host_port.to_owned(),
            });
        }
        if let Some(path) = text.strip_prefix("program:") {
            if path.is_empty() {
                return Err(AddressError::NoName(text.to_owned()));
            }
            let path = path.to_owned();
            return Ok(Address::Program { path });
        }
        if let Some(name) = text.strip_prefix("memory:") {
            if name.is_empty() {
                return Err(AddressError::NoName(text.to_owned()));
            }
            return Ok(Address::memory(name));
        }
        let bad_path = text.contains('\0') || text.len() > LIMIT_PATH_BYTES;
        if !text.starts_with('/') || bad_path {
            return Err(AddressError::Unknown(text.to_owned()));
        }
        Ok(Address::serial(text, DEFAULT_BAUD))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_no_address_is_refused_with_its_reason() {
        let cases = [
            (
                "COM3",
                "`COM3` is not a port; write an absolute path, `tcp:host:port` or `memory:name`",
            ),
            (
                "tcp:meter",
                "`tcp:meter` has no port number; write `tcp:host:port`, the port from 1 to 65535",
            ),
            (
                "tcp:meter:0",
                "`tcp:meter:0` has no port number; write `tcp:host:port`, the port from 1 to 65535",
            ),
            (
                "tcp::5025",
                "`tcp::5025` has no port number; write `tcp:host:port`, the port from 1 to 65535",
            ),
            (
                "memory:",
                "`memory:` has no name; write one behind the colon",
            ),
        ];
        for (text, reason) in cases {
            let refused = text.parse::<Address>().map_err(|e| e.to_string());
            assert_eq!(refused, Err(reason.to_owned()));
        }
    }

    #[test]
    fn an_address_shown_reads_back_the_same() {
        for text in [
            "/dev/serial/by-id/usb-0042-if00",
            "tcp:[::1]:5025",
            "program:/usr/local/bin/lux",
            "memory:meter",
        ] {
            assert_eq!(
                text.parse::<Address>().map(|a| a.to_string()),
                Ok(text.to_owned())
            );
        }
    }

    proptest::proptest! {
        #[test]
        fn no_text_panics(text in "(tcp:|program:|memory:|/)?.*") {
            if let Ok(address) = text.parse::<Address>() {
                proptest::prop_assert_eq!(address.to_string(), text);
            }
        }
    }
}
