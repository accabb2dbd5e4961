//! Bodies of HTTP requests, and the journal's own lines.

use proptest::prelude::*;
use serde::de::DeserializeOwned;
use wakerail::run::journal::Event;
use wakerail::web::wire;

use crate::cost::Reader;
use crate::mutated;

const BODIES: &[&str] = &[
    r#"{"plan":{"name":"p.yaml","text":"plan: a\n"},"based_on":null,"unit":"dunlin-1","bench":"strand","lamp":{"name":"l.yaml","text":"lamp: a"},"hold":false,"scripts":[]}"#,
    r#"{"unit":"dunlin-1","lamp":{"name":"l.yaml","text":""},"bench":null,"place":"axis","firmware":"1.2","gauge":"6 in","carriage_at":"252.4 mm","fingers":{"brighter":"left"},"who":"ada"}"#,
    r#"{"plan":null,"based_on":null,"scripts":[{"name":"s.rhai","text":""}],"certificate":{"number":"K-1","gain":1.02,"u_percent":1.5}}"#,
    r#"{"script":{"name":"s.rhai","text":"fn metric(run) { 1 }"},"given":{"limit":"250 lx"},"test":"levels"}"#,
    r#"{"tests":["levels"],"settings":["L07"],"positions":["24 in","600 mm"],"hold":true}"#,
    r#"{"text":"yes"}"#,
    r#"{"text":"a lorry passed","who":"ada"}"#,
    r#"{"key":"levels/L07/24 in/read/1","attempt":2,"because":"a lorry","who":"ada"}"#,
];

/// Reads the body; what was understood can be sent on.
fn understood<T: DeserializeOwned + serde::Serialize>(body: &str) -> Result<bool, TestCaseError> {
    match serde_json::from_slice::<T>(body.as_bytes()) {
        Ok(read) => {
            let sent = serde_json::to_string(&read);
            let again = sent.is_ok_and(|sent| serde_json::from_str::<T>(&sent).is_ok());
            prop_assert!(again, "it does not read back");
            Ok(true)
        }
        Err(why) => {
            prop_assert!(why.line() > 0 || body.is_empty(), "{why} has no place");
            Ok(false)
        }
    }
}

#[test]
fn bodies() {
    let texts = BODIES.iter().map(|body| (*body).to_owned()).collect();
    let reader = Reader {
        name: "request bodies",
        cases: 500,
        memory_mib: 32,
    };
    reader.endures(mutated::files(texts), |(_, body)| {
        let read = [
            understood::<wire::Book>(body)?,
            understood::<wire::Place>(body)?,
            understood::<wire::Rule>(body)?,
            understood::<wire::Try>(body)?,
            understood::<wire::Redo>(body)?,
            understood::<wire::Answer>(body)?,
            understood::<wire::Note>(body)?,
            understood::<wire::SetAside>(body)?,
        ];
        Ok(!read.contains(&true))
    });
}

const LINES: &[&str] = &[
    r#"{"seq":1,"attempt":0,"sitting":1,"at":{"mono":0,"wall":0},"body":{"begun":{"bundle":"00"}}}"#,
    r#"{"seq":9,"no":-2,"attempt":1,"sitting":2,"at":{"mono":5,"wall":7},"body":{"held":{"cause":{"question":"is it covered?"}}}}"#,
    r#"{"seq":3,"no":4,"attempt":1,"sitting":1,"at":{"mono":1,"wall":2},"body":{"decided":{"decision":{"return":{"leg":1,"drift":0.001,"goes-on":true}}}}}"#,
    r#"{"seq":3,"no":4,"attempt":1,"sitting":1,"at":{"mono":1,"wall":2},"body":{"done":{"facts":{"coordinate":12}}}}"#,
    r#"{"seq":4,"attempt":0,"sitting":1,"at":{"mono":1,"wall":2},"body":{"seam":{"cause":"window-closed"}}}"#,
];

/// A line that is read is the line that is written, or the chain would not hold.
#[test]
fn journal_lines() {
    for line in LINES {
        let event: Event = serde_json::from_str(line).expect("a good line");
        assert_eq!(event.line().expect("written"), *line);
    }
    let texts = LINES.iter().map(|line| (*line).to_owned()).collect();
    let reader = Reader {
        name: "journal lines",
        cases: 500,
        memory_mib: 16,
    };
    reader.endures(mutated::files(texts), |(_, line)| {
        let Ok(event) = serde_json::from_str::<Event>(line) else {
            return Ok(true);
        };
        let written = event
            .line()
            .map_err(|why| TestCaseError::fail(why.to_string()))?;
        let again: Event =
            serde_json::from_str(&written).map_err(|why| TestCaseError::fail(why.to_string()))?;
        prop_assert_eq!(again, event);
        Ok(false)
    });
}
