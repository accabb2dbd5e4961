//! What can be asked of a Modbus device, what it may refuse, and the limits.
//! Pure.
//!
//! A request outside its limits is refused before anything is made of it.
//! Source: Modbus Application Protocol V1.1b3, clauses 6.1 to 6.12 and 7 (from
//! memory).

use std::fmt;

/// Registers in one answer (6.3, 6.4).
pub const REGISTERS_READ_AT_MOST: u16 = 125;
/// Coils or inputs in one answer (6.1, 6.2).
pub const BITS_READ_AT_MOST: u16 = 2000;
/// Registers in one write (6.12).
pub const REGISTERS_WRITTEN_AT_MOST: usize = 123;
/// Coils in one write (6.11).
pub const COILS_WRITTEN_AT_MOST: usize = 1968;
/// Addresses of a space: 0 to 65,535.
const ADDRESSES: usize = 65_536;

/// Where single bits are.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum BitSpace {
    /// Outputs, which can be written; function 01.
    Coils,
    /// Inputs; function 02.
    Inputs,
}

/// Where registers are.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum RegisterSpace {
    /// Registers that can be written; function 03.
    Holding,
    /// Registers that are only read; function 04.
    Input,
}

/// One request.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Request {
    /// Functions 01 and 02.
    ReadBits {
        /// Coils or inputs.
        space: BitSpace,
        /// The first one.
        at: u16,
        /// 1 to 2000.
        count: u16,
    },
    /// Functions 03 and 04.
    ReadRegisters {
        /// Holding or input registers.
        space: RegisterSpace,
        /// The first one.
        at: u16,
        /// 1 to 125.
        count: u16,
    },
    /// Function 05.
    WriteCoil {
        /// Which coil.
        at: u16,
        /// True closes it.
        on: bool,
    },
    /// Function 06.
    WriteRegister {
        /// Which holding register.
        at: u16,
        /// Its new content.
        value: u16,
    },
    /// Function 0F.
    WriteCoils {
        /// The first coil.
        at: u16,
        /// 1 to 1968 of them.
        on: Vec<bool>,
    },
    /// Function 10 (hexadecimal).
    WriteRegisters {
        /// The first holding register.
        at: u16,
        /// 1 to 123 of them.
        values: Vec<u16>,
    },
}

/// Why a request cannot be made.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum BadRequest {
    /// Nothing, or more than one frame holds.
    #[error("{what}: {count} is not between 1 and {at_most}")]
    Count {
        /// What was counted.
        what: &'static str,
        /// How many.
        count: usize,
        /// The limit.
        at_most: usize,
    },
    /// The last address is above 65,535.
    #[error("{count} from address {at} end above address 65535")]
    PastTheEnd {
        /// The first address.
        at: u16,
        /// How many.
        count: usize,
    },
    /// Unit 0: every device would carry it out, and none would answer.
    #[error("unit 0 is every device at once, and none of them answers")]
    Broadcast,
    /// A unit that no device on a serial line has.
    #[error("unit {0} is reserved; devices on a serial line have 1 to 247")]
    Reserved(u8),
}

impl Request {
    /// Its function code.
    pub const fn function(&self) -> u8 {
        match self {
            Request::ReadBits { space, .. } => match space {
                BitSpace::Coils => 0x01,
                BitSpace::Inputs => 0x02,
            },
            Request::ReadRegisters { space, .. } => match space {
                RegisterSpace::Holding => 0x03,
                RegisterSpace::Input => 0x04,
            },
            Request::WriteCoil { .. } => 0x05,
            Request::WriteRegister { .. } => 0x06,
            Request::WriteCoils { .. } => 0x0F,
            Request::WriteRegisters { .. } => 0x10,
        }
    }

    /// The first address, how many, the most, and their name.
    fn extent(&self) -> (u16, usize, usize, &'static str) {
        match self {
            Request::ReadBits { at, count, .. } => {
                let most = usize::from(BITS_READ_AT_MOST);
                (*at, usize::from(*count), most, "bits to read")
            }
            Request::ReadRegisters { at, count, .. } => {
                let most = usize::from(REGISTERS_READ_AT_MOST);
                (*at, usize::from(*count), most, "registers to read")
            }
            Request::WriteCoil { at, .. } | Request::WriteRegister { at, .. } => {
                (*at, 1, 1, "written at once")
            }
            Request::WriteCoils { at, on } => {
                (*at, on.len(), COILS_WRITTEN_AT_MOST, "coils to write")
            }
            Request::WriteRegisters { at, values } => {
                let most = REGISTERS_WRITTEN_AT_MOST;
                (*at, values.len(), most, "registers to write")
            }
        }
    }

    /// Makes sure that it keeps the limits of the protocol.
    ///
    /// # Errors
    /// [`BadRequest::Count`] or [`BadRequest::PastTheEnd`].
    pub fn check(&self) -> Result<(), BadRequest> {
        let (at, count, at_most, what) = self.extent();
        if count == 0 || count > at_most {
            return Err(BadRequest::Count {
                what,
                count,
                at_most,
            });
        }
        if usize::from(at) + count > ADDRESSES {
            return Err(BadRequest::PastTheEnd { at, count });
        }
        Ok(())
    }

    /// Bytes of data that the answer to a read carries; `None` for a write,
    /// whose answer repeats its beginning.
    pub const fn data_bytes(&self) -> Option<usize> {
        match self {
            Request::ReadBits { count, .. } => Some((*count as usize).div_ceil(8)),
            Request::ReadRegisters { count, .. } => Some(*count as usize * 2),
            _ => None,
        }
    }
}

/// In words, for messages: `read 2 holding registers from 352`.
impl fmt::Display for Request {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Request::ReadBits { space, at, count } => {
                let space = match space {
                    BitSpace::Coils => "coils",
                    BitSpace::Inputs => "inputs",
                };
                write!(f, "read {count} {space} from {at}")
            }
            Request::ReadRegisters { space, at, count } => {
                let space = match space {
                    RegisterSpace::Holding => "holding",
                    RegisterSpace::Input => "input",
                };
                write!(f, "read {count} {space} registers from {at}")
            }
            Request::WriteCoil { at, on } => {
                write!(f, "{} coil {at}", if *on { "close" } else { "open" })
            }
            Request::WriteRegister { at, value } => write!(f, "write {value} to register {at}"),
            Request::WriteCoils { at, on } => write!(f, "write {} coils from {at}", on.len()),
            Request::WriteRegisters { at, values } => {
                write!(f, "write {} registers from {at}", values.len())
            }
        }
    }
}

/// How a device refuses: the code of an exception answer (V1.1b3, clause 7).
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Exception(pub u8);

impl Exception {
    /// What the code means.
    pub const fn meaning(self) -> &'static str {
        match self.0 {
            0x01 => "(it does not know this function)",
            0x02 => "(it has no such address)",
            0x03 => "(it does not take this value or count)",
            0x04 => "(it failed while doing it)",
            0x05 => "(it has taken it on and needs longer)",
            0x06 => "(it is busy)",
            0x08 => "(its memory failed its parity check)",
            0x0A => "(the gateway has no path to it)",
            0x0B => "(the gateway hears nothing from it)",
            _ => "(see the device's manual)",
        }
    }

    /// Whether the same may be asked again after a pause: 5 and 6.
    pub const fn passes(self) -> bool {
        matches!(self.0, 0x05 | 0x06)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn limits_are_those_of_the_protocol() {
        let read = |at, count| Request::ReadRegisters {
            space: RegisterSpace::Holding,
            at,
            count,
        };
        let bits = |at, count| Request::ReadBits {
            space: BitSpace::Inputs,
            at,
            count,
        };
        let coils = |at, count| Request::WriteCoils {
            at,
            on: vec![true; count],
        };
        let registers = |at, count| Request::WriteRegisters {
            at,
            values: vec![7; count],
        };
        let good = [
            read(0, 125),
            read(65_535, 1),
            bits(0, 2000),
            coils(0, 1968),
            registers(65_413, 123),
        ];
        for request in good {
            assert_eq!(request.check(), Ok(()), "{request}");
        }
        let bad = [
            (read(0, 0), "registers to read: 0 is not between 1 and 125"),
            (
                read(0, 126),
                "registers to read: 126 is not between 1 and 125",
            ),
            (
                read(65_535, 2),
                "2 from address 65535 end above address 65535",
            ),
            (
                bits(0, 2001),
                "bits to read: 2001 is not between 1 and 2000",
            ),
            (
                coils(0, 1969),
                "coils to write: 1969 is not between 1 and 1968",
            ),
            (coils(0, 0), "coils to write: 0 is not between 1 and 1968"),
            (
                registers(0, 124),
                "registers to write: 124 is not between 1 and 123",
            ),
            (
                registers(65_414, 123),
                "123 from address 65414 end above address 65535",
            ),
        ];
        for (request, said) in bad {
            let error = request.check().expect_err("a refusal");
            assert_eq!(error.to_string(), said);
        }
    }

    #[test]
    fn each_named_exception_has_its_words_and_two_pass() {
        let named = [1, 2, 3, 4, 5, 6, 8, 0x0A, 0x0B];
        let meanings: std::collections::BTreeSet<&str> = named
            .iter()
            .map(|code| Exception(*code).meaning())
            .collect();
        assert_eq!(meanings.len(), named.len());
        assert!(!meanings.contains(Exception(7).meaning()));
        let pass: Vec<u8> = (0..=255).filter(|code| Exception(*code).passes()).collect();
        assert_eq!(pass, [5, 6]);
    }
}
