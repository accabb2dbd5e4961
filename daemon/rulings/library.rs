//! The scripts that a plan can use: those shipped with the program, and files
//! that were sent along. Answers for plan::check whether a use fits its script.
//!
//! Called by: cli::check, queue (booking), round.

use std::collections::BTreeMap;
use std::sync::Arc;

use written::{Mistake, Mistakes, Place, nearest};

use crate::plan::frozen::SentText;
use crate::plan::uses::{Purpose, Scripts, Use, UsePlaces, is_file};
use crate::script::host::{self, Kind, Script};
use crate::script::parameters::{self, Given, Value};
use crate::script::shipped::shipped;

/// Scripts by name.
pub struct Library {
    texts: Vec<SentText>,
}

impl Library {
    /// Of the files that were sent, before the shipped ones.
    pub fn of(files: Vec<SentText>) -> Library {
        Library { texts: files }
    }

    /// The text of a script by the name that plans use.
    pub fn text(&self, name: &str) -> Option<SentText> {
        let sent = self.texts.iter().find(|text| text.name == name);
        let known = || shipped().iter().find(|(known, _)| *known == name);
        sent.cloned().or_else(|| {
            known().map(|(name, text)| SentText {
                name: (*name).to_owned(),
                text: (*text).to_owned(),
            })
        })
    }

    /// The texts of all scripts that these uses name, each once.
    pub fn used(&self, uses: &[Use]) -> Vec<SentText> {
        let mut used: Vec<SentText> = Vec::new();
        for one in uses {
            if !used.iter().any(|text| text.name == one.script) {
                used.extend(self.text(&one.script));
            }
        }
        used
    }

    /// The parameters of a use, its script's defaults too, as text with units;
    /// those of the plan alone where the script cannot be used.
    pub fn given(&self, one: &Use) -> BTreeMap<String, String> {
        match ready(one, self) {
            Ok(ready) => {
                let all = ready.given.values.iter();
                all.map(|(name, value)| (name.clone(), value.shown()))
                    .collect()
            }
            Err(_) => one.given.clone(),
        }
    }

    fn missing(&self, one: &Use, place: &Place) -> Mistake {
        let name = &one.script;
        if is_file(name) {
            let text = format!("the script `{name}` was not given");
            return Mistake::new(place.clone(), "no-script", text)
                .hint("it is looked for beside the plan");
        }
        let text = format!("there is no script `{name}`");
        let names = || shipped().iter().map(|(name, _)| *name);
        let hint = match nearest(name, names()) {
            Some(near) => format!("did you mean `{near}`?"),
            None => format!(
                "shipped are {}; a file beside the plan is named with its ending, `mine.rhai`",
                names().collect::<Vec<_>>().join(", ")
            ),
        };
        Mistake::new(place.clone(), "no-script", text).hint(hint)
    }
}

/// What a script is for, in words.
const fn words(kind: Kind) -> &'static str {
    match kind {
        Kind::Criterion => "a criterion",
        Kind::Metric => "a metric",
    }
}

/// Whether a script of this kind serves this purpose.
const fn serves(kind: Kind, purpose: Purpose) -> bool {
    matches!(
        (kind, purpose),
        (Kind::Criterion, Purpose::Criterion) | (Kind::Metric, Purpose::Metric)
    )
}

impl Scripts for Library {
    fn texts(&self, uses: &[Use]) -> Vec<SentText> {
        self.used(uses)
    }

    fn check(&self, one: &Use, places: &UsePlaces, mistakes: &mut Mistakes) {
        let Some(text) = self.text(&one.script) else {
            mistakes.add(self.missing(one, &places.script));
            return;
        };
        let script = match host::compile(&text.name, &text.text) {
            Ok(script) => script,
            Err(found) => {
                for mistake in found {
                    mistakes.add(as_mistake(&text, mistake, &places.script));
                }
                return;
            }
        };
        if !serves(script.kind, one.purpose) {
            let text = format!("`{}` is {}", one.script, words(script.kind));
            let hint = match script.kind {
                Kind::Criterion => "write it under `criteria:`",
                Kind::Metric => "write it under `metrics:`",
            };
            mistakes.add(Mistake::new(places.script.clone(), "other-purpose", text).hint(hint));
        }
        for (name, text) in &one.given {
            let place = places.given.get(name).unwrap_or(&places.name);
            let alone = BTreeMap::from([(name.clone(), text.clone())]);
            for why in misfits(&script, &alone) {
                mistakes.add(Mistake::new(place.clone(), "parameter", why));
            }
        }
    }
}

/// Why parameters do not fit; all mistakes.
pub fn misfits(script: &Script, given: &BTreeMap<String, String>) -> Vec<String> {
    let mut wrong = Vec::new();
    let mut values = BTreeMap::new();
    for (name, text) in given {
        match parameters::parse_value(text) {
            Err(why) => wrong.push(format!("`{name}`: {why}")),
            Ok(value) => {
                values.insert(name.clone(), value);
            }
        }
    }
    wrong.extend(parameters::given(script, &values).err().unwrap_or_default());
    wrong
}

/// A script alone, as it is.
///
/// # Errors
/// All its mistakes, each at its place.
pub fn check_file(text: &SentText) -> Result<Script, Vec<Mistake>> {
    host::compile(&text.name, &text.text).map_err(|found| {
        let at = |mistake| placed(text, mistake);
        found.into_iter().map(at).collect()
    })
}

/// A mistake of a script at its own line, with the plan's line that names it.
fn as_mistake(text: &SentText, mistake: crate::script::fault::Mistake, used: &Place) -> Mistake {
    placed(text, mistake).also(used.clone(), "used here")
}

/// A mistake of a script at its own line.
fn placed(text: &SentText, mistake: crate::script::fault::Mistake) -> Mistake {
    let number = |n: usize| u32::try_from(n.max(1)).unwrap_or(u32::MAX);
    let place = Place {
        file: Arc::from(text.name.as_str()),
        line: number(mistake.line),
        column: number(mistake.column),
        end_column: number(mistake.column),
    };
    Mistake::new(place, "script", mistake.message).maybe_hint(mistake.hint)
}

/// A script with its parameters, ready to be called.
pub struct Ready {
    /// The script.
    pub script: Script,
    /// Its parameters, defaults too.
    pub given: Given,
}

/// Makes a use ready.
///
/// # Errors
/// In words: the script is missing, does not compile, or does not take these
/// parameters. A run that was booked had none of these.
pub fn ready(one: &Use, library: &Library) -> Result<Ready, String> {
    let text = library
        .text(&one.script)
        .ok_or_else(|| format!("there is no script `{}`", one.script))?;
    let script = host::compile(&text.name, &text.text).map_err(|found| {
        let told = found
            .iter()
            .map(|mistake| format!("line {}: {}", mistake.line, mistake.message));
        format!("`{}`: {}", one.script, told.collect::<Vec<_>>().join("; "))
    })?;
    if !serves(script.kind, one.purpose) {
        return Err(format!("`{}` is {}", one.script, words(script.kind)));
    }
    let mut values: BTreeMap<String, Value> = BTreeMap::new();
    for (name, text) in &one.given {
        values.insert(name.clone(), parameters::parse_value(text)?);
    }
    let given = parameters::given(&script, &values).map_err(|why| why.join("; "))?;
    Ok(Ready { script, given })
}
