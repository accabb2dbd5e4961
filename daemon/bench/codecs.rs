//! The codecs of device profiles: shipped ones, and files that were sent along with a
//! profile. A thin coat over the scripts' room: what a script gives becomes what the
//! drivers understand, and its faults become words.
//!
//! Called by: profiles. Not here: what a codec may do (`script::codec`), when it is
//! called (`drivers::profile::codec`).

use std::fmt;
use std::sync::Arc;

use drivers::exchange::frame::Fault;
use drivers::profile::codec::{Codec, Codecs};
use drivers::profile::shipped;
use drivers::profile::types::VERBS;
use written::{Mistake, Place};

use crate::plan::frozen::SentText;
use crate::script::codec::{self, CodecScript};
use crate::script::fault;

/// What the steps of a setting are given.
const OF_A_SETTING: &str = "value";

/// Codecs by name: these files, and behind them the shipped ones.
pub(super) struct Known<'a> {
    /// Files that were sent.
    pub files: &'a [SentText],
}

impl Codecs for Known<'_> {
    fn text(&self, name: &str) -> Option<String> {
        let file = self.files.iter().find(|file| file.name == name);
        let file = file.map(|file| file.text.clone());
        file.or_else(|| shipped::codec(name).map(str::to_owned))
    }

    fn codec(&self, name: &str, text: &str) -> Result<Arc<dyn Codec>, Vec<Mistake>> {
        compiled(name, text)
    }
}

/// The one codec that a run froze with its profile, and no other.
pub(super) struct Frozen<'a>(pub Option<&'a SentText>);

impl Codecs for Frozen<'_> {
    fn text(&self, name: &str) -> Option<String> {
        let frozen = self.0.filter(|codec| codec.name == name);
        frozen.map(|codec| codec.text.clone())
    }

    fn codec(&self, name: &str, text: &str) -> Result<Arc<dyn Codec>, Vec<Mistake>> {
        compiled(name, text)
    }
}

fn compiled(name: &str, text: &str) -> Result<Arc<dyn Codec>, Vec<Mistake>> {
    let given = VERBS.iter().flat_map(|form| form.given).copied();
    let given: Vec<&str> = given.chain([OF_A_SETTING]).collect();
    let script = codec::compile(name, text, &given);
    let script = script.map_err(|mistakes| {
        let placed = mistakes.into_iter().map(|mistake| placed(name, mistake));
        placed.collect::<Vec<_>>()
    })?;
    Ok(Arc::new(ByScript(script)))
}

/// A mistake of a codec at its own line.
fn placed(name: &str, mistake: fault::Mistake) -> Mistake {
    let number = |n: usize| u32::try_from(n.max(1)).unwrap_or(u32::MAX);
    let place = Place {
        file: Arc::from(name),
        line: number(mistake.line),
        column: number(mistake.column),
        end_column: number(mistake.column),
    };
    Mistake::new(place, "codec", mistake.message).maybe_hint(mistake.hint)
}

/// A codec that a script is.
struct ByScript(CodecScript);

impl ByScript {
    /// A fault in words, with its place.
    fn told(&self, fault: &fault::Fault) -> Fault {
        let name = &self.0.name;
        Fault::of(&match fault.line {
            0 => format!("{name}: {}", fault.message),
            line => format!("{name}, line {line}: {}", fault.message),
        })
    }
}

/// Its name: a compiled script is long.
impl fmt::Debug for ByScript {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_tuple("ByScript").field(&self.0.name).finish()
    }
}

impl Codec for ByScript {
    fn name(&self) -> &str {
        &self.0.name
    }

    fn encode(&self, word: &str, given: &[(&str, &str)]) -> Result<Vec<u8>, Fault> {
        self.0
            .encode(word, given)
            .map_err(|fault| self.told(&fault))
    }

    fn need(&self, come: &[u8]) -> Result<usize, Fault> {
        self.0.need(come).map_err(|fault| self.told(&fault))
    }

    fn decode(&self, word: &str, answer: &[u8]) -> Result<Vec<(String, String)>, Fault> {
        self.0
            .decode(word, answer)
            .map_err(|fault| self.told(&fault))
    }
}
