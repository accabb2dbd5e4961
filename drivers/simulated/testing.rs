//! What the tests of the simulated devices share: asking a machine, and reading
//! its blocks.

use photometry::units::Mono;

use crate::link::wire::Machine;

/// Sends a line; returns all that leaves, and moves `now` to when it has left.
pub(super) fn answer(machine: &mut (impl Machine + ?Sized), now: &mut Mono, line: &str) -> Vec<u8> {
    machine.bytes(*now, format!("{line}\n").as_bytes());
    let mut answer = Vec::new();
    while let Some(due) = machine.next_due() {
        *now = due;
        answer.extend(machine.due(due));
    }
    answer
}

/// The same as text.
pub(super) fn text(machine: &mut (impl Machine + ?Sized), now: &mut Mono, line: &str) -> String {
    String::from_utf8(answer(machine, now, line)).expect("text")
}

/// The numbers of a block of IEEE 488.2 and its end of line, read here by hand.
pub(super) fn numbers(block: &[u8]) -> Vec<f64> {
    assert_eq!((block[0], block.last()), (b'#', Some(&b'\n')));
    let digits = usize::from(block[1] - b'0');
    let length = std::str::from_utf8(&block[2..2 + digits]).expect("digits");
    let payload = &block[2 + digits..block.len() - 1];
    assert_eq!(payload.len().to_string(), length);
    let number = |bytes: &[u8]| f32::from_be_bytes(bytes.try_into().expect("four"));
    payload
        .chunks_exact(4)
        .map(|bytes| f64::from(number(bytes)))
        .collect()
}
