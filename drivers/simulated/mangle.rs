//! What a bad wire makes of an answer: nothing, a part, too much, too late.
//!
//! Pure: an answer and the faults that strike at it become pieces with the
//! instants at which they leave. Called by `outgoing`.

use photometry::units::{Mono, Span};

use super::faults::Fault;

/// What comes before the answer of [`Fault::Endless`].
const ENDLESS_BYTES: usize = 1_000_000;

/// The last answer of a device, which may come twice.
#[derive(Debug, Default)]
pub(super) struct Mangler {
    last: Vec<u8>,
    /// The link breaks off now, for so long.
    lost: Option<Span>,
}

impl Mangler {
    /// For how long the link is to break off, told once.
    pub(super) fn breaks_off(&mut self) -> Option<Span> {
        self.lost.take()
    }

    /// The pieces in which an answer leaves that is due `at`, in their order.
    pub(super) fn pieces(
        &mut self,
        at: Mono,
        answer: Vec<u8>,
        faults: &[Fault],
    ) -> Vec<(Mono, Vec<u8>)> {
        let before = std::mem::replace(&mut self.last, answer.clone());
        let (mut at, mut bytes, mut pause) = (at, answer, None);
        for fault in faults {
            match fault {
                Fault::Silent(_) | Fault::Dead(_) => return Vec::new(),
                Fault::LinkLost(_, away) => {
                    self.lost = Some(*away);
                    return Vec::new();
                }
                Fault::Late(_, by) => at = at + *by,
                Fault::Garbage(_, rubbish) => bytes.clone_from(rubbish),
                Fault::Split(_, by) => pause = Some(*by),
                Fault::Stale(_) => bytes = [before.as_slice(), &bytes].concat(),
                Fault::Noise(_, noise) => bytes = [noise.as_slice(), &bytes].concat(),
                Fault::Endless(_) => {
                    let mut endless = vec![b'x'; ENDLESS_BYTES];
                    endless.append(&mut bytes);
                    bytes = endless;
                }
                Fault::Unended(_) => {
                    // No more than that: a block may end with such bytes.
                    bytes.pop_if(|last| *last == b'\n');
                    bytes.pop_if(|last| *last == b'\r');
                }
                _ => {}
            }
        }
        match pause {
            Some(by) => {
                let second = bytes.split_off(bytes.len() / 2);
                vec![(at, bytes), (at + by, second)]
            }
            None => vec![(at, bytes)],
        }
    }
}

#[cfg(test)]
mod tests {
    use photometry::units::Span;

    use super::super::faults::Device::Meter;
    use super::*;

    /// Milliseconds, and bytes.
    type Pieces = &'static [(i64, &'static [u8])];

    #[test]
    fn each_fault_has_its_pieces() {
        let ms = |ms| Mono::ZERO + Span::from_ms(ms);
        let late = Span::from_ms(7);
        let cases: [(Fault, Pieces); 9] = [
            (Fault::Dead(Meter), &[]),
            (Fault::LinkLost(Meter, late), &[]),
            (Fault::Late(Meter, late), &[(10, b"12.5\r\n")]),
            (Fault::Garbage(Meter, vec![0, 255]), &[(3, &[0, 255])]),
            (Fault::Split(Meter, late), &[(3, b"12."), (10, b"5\r\n")]),
            (Fault::Stale(Meter), &[(3, b"200\n12.5\r\n")]),
            (Fault::Noise(Meter, vec![0, 200]), &[(3, b"\0\xc812.5\r\n")]),
            (Fault::Unended(Meter), &[(3, b"12.5")]),
            (Fault::LampOut, &[(3, b"12.5\r\n")]),
        ];
        for (fault, wanted) in cases {
            let mut mangler = Mangler {
                last: b"200\n".to_vec(),
                lost: None,
            };
            let answer = b"12.5\r\n".to_vec();
            let got = mangler.pieces(ms(3), answer.clone(), std::slice::from_ref(&fault));
            let wanted: Vec<(Mono, Vec<u8>)> = wanted
                .iter()
                .map(|(at, bytes)| (ms(*at), bytes.to_vec()))
                .collect();
            assert_eq!(got, wanted, "{fault:?}");
            assert_eq!(mangler.last, answer, "{fault:?}");
        }
        // A block whose last byte is a space.
        let unended = Fault::Unended(Meter);
        let block = Mangler::default().pieces(ms(0), b"#11 \n".to_vec(), &[unended]);
        assert_eq!(block, [(ms(0), b"#11 ".to_vec())]);
        let endless = Mangler::default().pieces(ms(0), b"1\n".to_vec(), &[Fault::Endless(Meter)]);
        assert_eq!(endless[0].1.len(), ENDLESS_BYTES + 2);
        assert!(endless[0].1.ends_with(b"xx1\n"));
    }
}
