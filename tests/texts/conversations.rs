//! The conversations of the corpus, with wounds in what the device says: lost,
//! doubled, late, cut, in two pieces, with other bytes, behind a flood.

use proptest::prelude::*;
use proptest::sample::Index;

use crate::corpus;
use crate::cost::Reader;
use crate::device::Piece;
use crate::readings::READINGS;
use crate::talks::{parsed, talked};

/// What happens to something that is said.
#[derive(Clone, Copy, Debug)]
enum Wound {
    Drop,
    Double,
    /// It comes so many milliseconds later.
    Late(i64),
    /// One byte is another.
    Byte(Index, u8),
    /// A byte stands in between.
    Between(Index, u8),
    /// The rest is not said.
    Cut(Index),
    /// The rest comes so many milliseconds later.
    InTwo(Index, i64),
    /// So many bytes of a kind stand before it.
    Flood(u8, usize),
}

fn wounds() -> impl Strategy<Value = Wound> {
    let at = any::<Index>;
    let byte = prop_oneof![
        any::<u8>(),
        proptest::sample::select(&b"\n\r#0123456789,-\x02\xFF\0"[..])
    ];
    let byte = byte.boxed();
    prop_oneof![
        2 => Just(Wound::Drop),
        2 => Just(Wound::Double),
        2 => prop_oneof![0..50_i64, 0..6_000_i64].prop_map(Wound::Late),
        4 => (at(), byte.clone()).prop_map(|(at, byte)| Wound::Byte(at, byte)),
        3 => (at(), byte.clone()).prop_map(|(at, byte)| Wound::Between(at, byte)),
        2 => at().prop_map(Wound::Cut),
        2 => (at(), 1..2_000_i64).prop_map(|(at, ms)| Wound::InTwo(at, ms)),
        1 => (byte, prop_oneof![9 => 1..30_usize, 1 => 4_000..9_000_usize])
            .prop_map(|(byte, times)| Wound::Flood(byte, times)),
    ]
}

/// Pieces of an answer, one of them wounded.
fn wounded(pieces: &mut Vec<Piece>, which: &Index, wound: Wound) {
    if pieces.is_empty() {
        return;
    }
    let which = which.index(pieces.len());
    let (ms, mut said) = pieces[which].clone();
    match wound {
        Wound::Drop => {
            pieces.remove(which);
            return;
        }
        Wound::Double => {
            pieces.push((ms, said));
            return;
        }
        Wound::Late(by) => {
            pieces[which].0 += by;
            return;
        }
        Wound::Byte(at, byte) => {
            if !said.is_empty() {
                let at = at.index(said.len());
                said[at] = byte;
            }
        }
        Wound::Between(at, byte) => said.insert(at.index(said.len() + 1), byte),
        Wound::Cut(at) => said.truncate(at.index(said.len() + 1)),
        Wound::InTwo(at, by) => {
            let rest = said.split_off(at.index(said.len() + 1));
            pieces.push((ms + by, rest));
        }
        Wound::Flood(byte, times) => {
            said.splice(0..0, std::iter::repeat_n(byte, times));
        }
    }
    pieces[which] = (ms, said);
}

#[test]
fn conversations() {
    let reading = READINGS.iter().find(|(name, ..)| *name == "talks");
    let kept = corpus::inputs(reading.expect("the reader of talks"));
    let kept: Vec<String> = kept
        .into_values()
        .map(|bytes| String::from_utf8(bytes).expect("a text"))
        .collect();
    let wounds = prop::collection::vec((any::<Index>(), any::<Index>(), wounds()), 0..5);
    let reader = Reader {
        name: "conversations",
        cases: 400,
        memory_mib: 4,
    };
    reader.endures((0..kept.len(), wounds), |(which, wounds)| {
        let (who, mut says) = parsed(&kept[*which]);
        for (answer, piece, wound) in wounds {
            // Who speaks by itself is wounded there.
            let answers = says.answers.len();
            match (says.alone.is_empty(), answers) {
                (false, 0) => wounded(&mut says.alone, piece, *wound),
                (_, 0) => {}
                _ => wounded(&mut says.answers[answer.index(answers)], piece, *wound),
            }
        }
        let told = talked(who, says).expect("a device");
        prop_assert!(told.len() < 20_000);
        Ok(told.starts_with("no answer"))
    });
}
