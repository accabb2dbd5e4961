//! Registers as numbers: forms of one, two and four registers, four orders of
//! their bytes. Pure.
//!
//! The standard defines 16-bit registers only; how a device puts a longer
//! number into several is in its manual, or found by trying. A wrong order
//! gives a number of the wrong size (1009.8 lx became 3.1E+32), so a value is
//! held against its plausible range by whoever asks.

use super::request::REGISTERS_WRITTEN_AT_MOST;

/// What registers hold.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Form {
    /// One register, 0 to 65,535.
    U16,
    /// One register, two's complement.
    I16,
    /// Two registers, 0 to 4,294,967,295.
    U32,
    /// Two registers, two's complement.
    I32,
    /// Two registers, IEEE 754 binary32.
    F32,
    /// Four registers, IEEE 754 binary64.
    F64,
}

/// How the bytes of a number lie in its registers, the most significant byte
/// being A. Numbers of four registers follow the same two choices: which
/// register is first, and which byte of a register.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Order {
    /// High register first, high byte first: as the protocol writes a register.
    #[default]
    Abcd,
    /// Low register first, high byte first.
    Cdab,
    /// High register first, low byte first.
    Badc,
    /// Low register first, low byte first.
    Dcba,
}

/// Why a number cannot be written.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
#[error("{value} does not fit into {form:?}")]
pub struct DoesNotFit {
    /// The number.
    pub value: f64,
    /// The form.
    pub form: Form,
}

impl Form {
    /// How many registers it takes: 1, 2 or 4.
    pub const fn registers(self) -> usize {
        match self {
            Form::U16 | Form::I16 => 1,
            Form::U32 | Form::I32 | Form::F32 => 2,
            Form::F64 => 4,
        }
    }
}

// A number is written in one request.
const _: () = assert!(Form::F64.registers() <= REGISTERS_WRITTEN_AT_MOST);

/// Between the order of the wire and that of the protocol; its own inverse.
fn ordered(order: Order, registers: &[u16]) -> Vec<u16> {
    let (low_register_first, low_byte_first) = match order {
        Order::Abcd => (false, false),
        Order::Cdab => (true, false),
        Order::Badc => (false, true),
        Order::Dcba => (true, true),
    };
    let mut registers = registers.to_vec();
    if low_register_first {
        registers.reverse();
    }
    if low_byte_first {
        for register in &mut registers {
            *register = register.swap_bytes();
        }
    }
    registers
}

/// The number in `registers`. A float may be infinite or no number: devices
/// say *over range* so. `None` when there are more or fewer registers than the
/// form has.
pub fn number(form: Form, order: Order, registers: &[u16]) -> Option<f64> {
    if registers.len() != form.registers() {
        return None;
    }
    let bits = ordered(order, registers)
        .iter()
        .fold(0_u64, |bits, register| bits << 16 | u64::from(*register));
    Some(match form {
        Form::U16 | Form::U32 => bits as f64,
        Form::I16 => f64::from(bits as u16 as i16),
        Form::I32 => f64::from(bits as u32 as i32),
        Form::F32 => f64::from(f32::from_bits(bits as u32)),
        Form::F64 => f64::from_bits(bits),
    })
}

/// A finite number as registers; the integer forms take the nearest integer.
///
/// # Errors
/// When it is outside the form's range, or not finite.
pub fn registers(form: Form, order: Order, value: f64) -> Result<Vec<u16>, DoesNotFit> {
    let rounded = value.round();
    let (low, high, nearest) = match form {
        Form::U16 => (0.0, f64::from(u16::MAX), rounded),
        Form::I16 => (f64::from(i16::MIN), f64::from(i16::MAX), rounded),
        Form::U32 => (0.0, f64::from(u32::MAX), rounded),
        Form::I32 => (f64::from(i32::MIN), f64::from(i32::MAX), rounded),
        Form::F32 => (f64::from(f32::MIN), f64::from(f32::MAX), value),
        Form::F64 => (f64::MIN, f64::MAX, value),
    };
    // False for what is no number.
    if !(low <= nearest && nearest <= high) {
        return Err(DoesNotFit { value, form });
    }
    let bits = match form {
        Form::U16 | Form::U32 => nearest as u64,
        Form::I16 | Form::I32 => nearest as i64 as u64,
        Form::F32 => u64::from((nearest as f32).to_bits()),
        Form::F64 => nearest.to_bits(),
    };
    let count = form.registers();
    let high_first: Vec<u16> = (0..count)
        .rev()
        .map(|place| (bits >> (16 * place)) as u16)
        .collect();
    Ok(ordered(order, &high_first))
}

#[cfg(test)]
mod tests {
    use super::*;

    const ORDERS: [Order; 4] = [Order::Abcd, Order::Cdab, Order::Badc, Order::Dcba];
    const FORMS: [Form; 6] = [
        Form::U16,
        Form::I16,
        Form::U32,
        Form::I32,
        Form::F32,
        Form::F64,
    ];

    fn bytes(registers: &[u16]) -> Vec<u8> {
        registers.iter().flat_map(|r| r.to_be_bytes()).collect()
    }

    /// 1009.93 as binary32 is 447C7B85: 2^9 x 1.972519..., IEEE 754 (worked out
    /// apart, and sent so by a device).
    #[test]
    fn the_four_orders_of_a_float_are_as_published() {
        let wanted: [[u8; 4]; 4] = [
            [0x44, 0x7C, 0x7B, 0x85],
            [0x7B, 0x85, 0x44, 0x7C],
            [0x7C, 0x44, 0x85, 0x7B],
            [0x85, 0x7B, 0x7C, 0x44],
        ];
        for (order, wanted) in ORDERS.into_iter().zip(wanted) {
            let written = registers(Form::F32, order, 1009.93).expect("it fits");
            assert_eq!(bytes(&written), wanted, "{order:?}");
            let read = number(Form::F32, order, &written).expect("two registers");
            assert_eq!(read, f64::from(1009.93_f32));
        }
        // The wrong order is not a little wrong.
        let swapped = number(Form::F32, Order::Cdab, &[0x447C, 0x7B85]).expect("two");
        assert!(!(1e-3..1e6).contains(&swapped), "{swapped}");
    }

    /// 1.0 as binary64 is 3FF0000000000000, pi is 400921FB54442D18 (IEEE 754,
    /// from memory); integers by two's complement.
    #[test]
    fn each_form_has_its_registers() {
        type Case = (Form, Order, &'static [u16], f64);
        let pi: &[u16] = &[0x4009, 0x21FB, 0x5444, 0x2D18];
        let cases: [Case; 12] = [
            (Form::U16, Order::Abcd, &[0xFFFE], 65_534.0),
            (Form::U16, Order::Cdab, &[0xFFFE], 65_534.0),
            (Form::U16, Order::Badc, &[0x3412], 4660.0),
            (Form::I16, Order::Abcd, &[0xFFFE], -2.0),
            (Form::U32, Order::Abcd, &[0x0001, 0x0002], 65_538.0),
            (Form::U32, Order::Cdab, &[0x0001, 0x0002], 131_073.0),
            (Form::I32, Order::Abcd, &[0xFFFF, 0xFFFE], -2.0),
            (Form::I32, Order::Dcba, &[0xFEFF, 0xFFFF], -2.0),
            (Form::F64, Order::Abcd, &[0x3FF0, 0, 0, 0], 1.0),
            (Form::F64, Order::Cdab, &[0, 0, 0, 0x3FF0], 1.0),
            (Form::F64, Order::Badc, &[0xF03F, 0, 0, 0], 1.0),
            (Form::F64, Order::Abcd, pi, std::f64::consts::PI),
        ];
        for (form, order, held, value) in cases {
            assert_eq!(number(form, order, held), Some(value), "{form:?} {held:x?}");
            assert_eq!(registers(form, order, value).as_deref(), Ok(held));
            assert_eq!(number(form, order, &[held, &[0]].concat()), None);
        }
        let over = number(Form::F32, Order::Abcd, &[0x7F80, 0]);
        assert_eq!(over, Some(f64::INFINITY));
    }

    #[test]
    fn what_does_not_fit_is_refused_and_the_ends_fit() {
        let ends = [
            (Form::U16, -0.4, 65_535.4),
            (Form::I16, -32_768.0, 32_767.0),
            (Form::U32, 0.0, 4_294_967_295.0),
            (Form::I32, -2_147_483_648.0, 2_147_483_647.0),
            (Form::F32, -3.4e38, 3.4e38),
        ];
        for (form, low, high) in ends {
            for end in [low, high] {
                assert!(registers(form, Order::Abcd, end).is_ok(), "{form:?} {end}");
            }
            for past in [low * 1.1 - 1.0, high * 1.1] {
                let refused = registers(form, Order::Abcd, past);
                assert_eq!(refused, Err(DoesNotFit { value: past, form }));
            }
        }
        for form in FORMS {
            for value in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY] {
                assert!(registers(form, Order::Abcd, value).is_err(), "{form:?}");
            }
        }
        let said = DoesNotFit {
            value: 70_000.0,
            form: Form::U16,
        };
        assert_eq!(said.to_string(), "70000 does not fit into U16");
    }

    proptest::proptest! {
        #[test]
        fn registers_read_back(bits in proptest::num::u64::ANY, form in 0_usize..6, order in 0_usize..4) {
            let (form, order) = (FORMS[form], ORDERS[order]);
            let held: Vec<u16> = (0..form.registers()).map(|n| (bits >> (16 * n)) as u16).collect();
            let read = number(form, order, &held).expect("as many as the form has");
            if read.is_finite() {
                proptest::prop_assert_eq!(registers(form, order, read), Ok(held));
            } else {
                proptest::prop_assert!(registers(form, order, read).is_err());
            }
        }
    }
}
