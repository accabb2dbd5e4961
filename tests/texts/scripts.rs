//! Scripts, and the values that plans and people give them.

use std::collections::BTreeMap;

use proptest::prelude::*;
use wakerail::script::parameters::{Value, given, parse_value};
use wakerail::script::shipped::shipped;
use wakerail::script::{codec, host};

use crate::cost::Reader;
use crate::mutated;

#[test]
fn scripts() {
    let texts = shipped()
        .iter()
        .map(|(_, text)| (*text).to_owned())
        .collect();
    let reader = Reader {
        name: "scripts",
        cases: 150,
        memory_mib: 64,
    };
    reader.endures(mutated::files(texts), |(_, text)| {
        let Err(mistakes) = host::compile("wounded", text) else {
            return Ok(false);
        };
        prop_assert!(!mistakes.is_empty());
        let lines = text.split('\n').count();
        for mistake in &mistakes {
            prop_assert!(mistake.line <= lines, "{mistake:?}");
            prop_assert!(!mistake.message.is_empty());
        }
        Ok(true)
    });
}

/// Codecs of devices, and what whole ones make of bytes.
#[test]
fn codecs() {
    let shipped = drivers::profile::shipped::SHIPPED.iter();
    let texts = shipped.filter_map(|shipped| shipped.codec);
    let texts = texts.map(|(_, text)| text.to_owned()).collect();
    let reader = Reader {
        name: "codecs",
        cases: 150,
        memory_mib: 64,
    };
    let answers = prop::collection::vec(any::<u8>(), 0..60);
    reader.endures((mutated::files(texts), answers), |((_, text), answer)| {
        let script = match codec::compile("wounded.rhai", text, &["value"]) {
            Ok(script) => script,
            Err(mistakes) => {
                prop_assert!(!mistakes.is_empty());
                return Ok(true);
            }
        };
        let given = [("value", "200")];
        let told = [
            script
                .encode("read", &given)
                .map(|bytes| bytes.len() <= 1_000),
            script.need(answer).map(|more| more <= 1_000),
            script
                .decode("read", answer)
                .map(|fields| fields.len() <= 50),
        ];
        for told in told {
            match told {
                Ok(bounded) => prop_assert!(bounded),
                Err(fault) => prop_assert!(!fault.message.is_empty()),
            }
        }
        Ok(false)
    });
}

#[test]
fn values() {
    let written = [
        "250 lx", "12 in", "2 s", "5 %", "10", "2.5 klx", "3000 K", "-0.5 cd", "a text",
    ];
    let reader = Reader {
        name: "script values",
        cases: 5_000,
        memory_mib: 16,
    };
    let wounded = mutated::words(&written);
    reader.endures(prop_oneof![wounded, mutated::any_text()], |text| {
        let read = parse_value(text);
        if let Ok(Value::Number(number) | Value::Quantity(number, _)) = &read {
            prop_assert!(number.is_finite(), "{text:?} is {number}");
        }
        Ok(read.is_err())
    });
}

#[test]
fn parameters() {
    let script = shipped()
        .iter()
        .map(|(name, text)| host::compile(name, text));
    let scripts: Vec<_> = script
        .map(|script| script.expect("a shipped script"))
        .collect();
    let names: Vec<String> = scripts
        .iter()
        .flat_map(|script| script.parameters.iter().map(|p| p.name.clone()))
        .collect();
    let name = prop_oneof![prop::sample::select(names), mutated::any_text()];
    let all = prop::collection::vec((name, mutated::any_text()), 0..4);
    let reader = Reader {
        name: "script parameters",
        cases: 3_000,
        memory_mib: 16,
    };
    reader.endures((0..scripts.len(), all), |(which, written)| {
        let mut values = BTreeMap::new();
        for (name, text) in written {
            if let Ok(value) = parse_value(text) {
                values.insert(name.clone(), value);
            }
        }
        match given(&scripts[*which], &values) {
            Ok(given) => {
                prop_assert_eq!(given.values.len(), scripts[*which].parameters.len());
                Ok(false)
            }
            Err(mistakes) => {
                prop_assert!(mistakes.iter().all(|mistake| !mistake.is_empty()));
                Ok(true)
            }
        }
    });
}
