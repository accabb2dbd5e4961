//! Codecs: what bytes become, what is told of mistakes and faults, and that no codec
//! hangs, ends or changes the program.

use super::codec::{CodecScript, compile};
use super::fault::FaultKind;

/// A codec whose `decode` is this.
fn decoding(body: &str) -> CodecScript {
    let text = format!(
        "fn encode(word, given) {{ bytes([given.coil]) }}\nfn need(come) {{ 0 }}\n\
         fn decode(word, answer) {{ {body} }}\n"
    );
    compile("c.rhai", &text, &["coil"]).unwrap_or_else(|no| panic!("{body}: {no:?}"))
}

/// What `decode` makes of these bytes: the field `x`, or the fault.
fn told(body: &str, answer: &[u8]) -> String {
    match decoding(body).decode("read", answer) {
        Ok(fields) => {
            let field = fields.into_iter().find(|(name, _)| name == "x");
            field.map_or_else(|| "no x".to_owned(), |(_, text)| text)
        }
        Err(fault) => format!("{}: {}", fault.line, fault.message),
    }
}

/// Checks of `123456789`: the usual catalogue of such checks gives these (from memory).
/// IEEE 754: 34.5 is 420A0000, 0.1 in single precision is 3DCCCCCD (computed).
#[test]
fn bytes_become_numbers_and_texts() {
    let digits = b"123456789";
    let cases: [(&str, &[u8], &str); 30] = [
        ("answer.len()", b"abc", "3"),
        ("answer.unsigned(0, 1, \"low-first\")", &[0xFF], "255"),
        ("answer.unsigned(1, 2, \"high-first\")", &[9, 1, 2], "258"),
        ("answer.unsigned(1, 2, \"low-first\")", &[9, 1, 2], "513"),
        (
            "answer.unsigned(0, 7, \"low-first\")",
            &[0xFF; 7],
            "72057594037927935",
        ),
        ("answer.signed(0, 2, \"high-first\")", &[0xFF, 0xFE], "-2"),
        (
            "answer.signed(0, 2, \"high-first\")",
            &[0x7F, 0xFF],
            "32767",
        ),
        ("answer.signed(0, 7, \"low-first\")", &[0xFF; 7], "-1"),
        (
            "answer.float(0, 4, \"high-first\")",
            &[0x42, 0x0A, 0, 0],
            "3.45e1",
        ),
        (
            "answer.float(0, 4, \"low-first\")",
            &[0xCD, 0xCC, 0xCC, 0x3D],
            "1e-1",
        ),
        (
            "answer.float(0, 8, \"high-first\")",
            &[0x40, 0x41, 0x40, 0, 0, 0, 0, 0],
            "3.45e1",
        ),
        (
            "answer.float(0, 4, \"high-first\")",
            &[0x7F, 0x80, 0, 0],
            "9.9E37",
        ),
        (
            "answer.float(0, 4, \"high-first\")",
            &[0xFF, 0x80, 0, 0],
            "-9.9E37",
        ),
        (
            "answer.float(0, 4, \"high-first\")",
            &[0x7F, 0xC0, 0, 0],
            "9.91E37",
        ),
        ("answer.text(1, 2)", b"abc", "bc"),
        ("number_in(answer.text(0, 6))", b" 34.50", "3.45e1"),
        ("number_in(answer.text(0, 4))", b"0345", "345"),
        ("answer.sum()", &[200, 100], "300"),
        ("answer.xor()", &[0x0F, 0xF0, 0x01], "254"),
        ("answer.crc16(\"modbus\")", digits, "19255"), // 4B37
        ("answer.crc16(\"xmodem\")", digits, "12739"), // 31C3
        ("answer.crc16(\"ccitt-false\")", digits, "10673"), // 29B1
        ("answer.crc16(\"kermit\")", digits, "8585"),  // 2189
        (
            "(bytes([1, 2]) + answer.part(1, 2)).sum()",
            &[9, 3, 4],
            "10",
        ),
        (
            "whole(513, 2, \"low-first\").unsigned(0, 2, \"low-first\")",
            b"",
            "513",
        ),
        (
            "whole(-2, 2, \"high-first\").unsigned(0, 2, \"high-first\")",
            b"",
            "65534",
        ),
        ("ascii(\"AB\").unsigned(0, 2, \"high-first\")", b"", "16706"),
        ("nearest(2.6)", b"", "3"),
        ("answer.len() > 2", b"abc", "1"),
        ("word", b"", "read"),
    ];
    for (body, answer, wanted) in cases {
        let body = format!("#{{ x: {body} }}");
        assert_eq!(told(&body, answer), wanted, "{body}");
    }
}

#[test]
fn what_cannot_be_is_a_fault() {
    let cases = [
        (
            "#{ x: answer.unsigned(2, 2, \"low-first\") }",
            "3: there are no 2 bytes at 2: it has 3",
        ),
        (
            "#{ x: answer.unsigned(-1, 2, \"low-first\") }",
            "3: there are no 2 bytes at -1: it has 3",
        ),
        (
            "#{ x: answer.unsigned(0, 8, \"low-first\") }",
            "3: a whole number has 1 to 7 bytes",
        ),
        (
            "#{ x: answer.unsigned(0, 1, \"big\") }",
            "3: an order of bytes is \"high-first\" or \"low-first\"",
        ),
        (
            "#{ x: answer.float(0, 3, \"low-first\") }",
            "3: a float has 4 or 8 bytes",
        ),
        (
            "#{ x: answer.text(0, 1) }",
            "3: these bytes are no printable ASCII",
        ),
        (
            "#{ x: answer.crc16(\"crc\") }",
            "3: a check is \"modbus\", \"xmodem\", \"ccitt-false\" or \"kermit\"",
        ),
        (
            "#{ x: bytes([256]).sum() }",
            "3: a byte is a whole number from 0 to 255",
        ),
        (
            "#{ x: whole(65536, 2, \"low-first\").sum() }",
            "3: 65536 does not fit into 2 bytes",
        ),
        ("#{ x: number_in(\"inf\") }", "3: `inf` is not a number"),
        ("#{ x: 1 / 0 }", "3: divided by zero"),
        ("#{ x: 9223372036854775807 + 1 }", "3: "),
        ("throw \"the sum is wrong\"", "3: the sum is wrong"),
        ("answer", "3: it gives bytes and no fields"),
        (
            "#{ x: answer }",
            "3: the field `x` is bytes and no number or short text",
        ),
        ("#{ x: \"a\" + [1] }", "3: "),
        (
            "let s = \"ab\"; for i in 0..20 { s = s + s } #{ x: s }",
            "3: too large: a text",
        ),
        (
            "let b = answer; for i in 0..20 { b = b + b } #{ x: b.len() }",
            "3: too large: more than 1000 bytes",
        ),
        (
            "while true { }",
            "3: the script used up its operations and was stopped here",
        ),
        (
            "let n = 0; loop { n = n + 1 }",
            "3: the script used up its operations and was stopped here",
        ),
        (
            "decode(word, answer)",
            "3: calls within calls go too deep here",
        ),
    ];
    for (body, wanted) in cases {
        let told = told(body, &[0, 1, 2]);
        assert!(told.starts_with(wanted), "{body}: {told}, not {wanted}");
    }
}

/// Nothing of what rules is in a codec's hands, and nothing of bytes in a criterion's;
/// what loads, waits or hides a fault is in nobody's.
#[test]
fn what_is_not_in_its_hands_does_not_compile() {
    let mistakes = |body: &str| {
        let text = format!(
            "fn encode(word, given) {{ {body} }}\nfn need(come) {{ 0 }}\nfn decode(word, answer) {{ #{{}} }}\n"
        );
        match compile("c.rhai", &text, &["coil"]) {
            Ok(_) => Vec::new(),
            Err(mistakes) => mistakes.into_iter().map(|m| m.message).collect(),
        }
    };
    assert_eq!(mistakes("bytes([1])"), Vec::<String>::new());
    for (body, wanted) in [
        ("at_least(1, 2)", "there is no function `at_least`"),
        ("undecided(\"x\")", "there is no function `undecided`"),
        ("given.value", "there is no parameter `value`"),
        ("sleep(1)", "there is no function `sleep`"),
        ("timestamp()", "there is no function `timestamp`"),
        ("open(\"/etc/passwd\")", "there is no function `open`"),
        ("import \"x\"", "`import` cannot be used in a script"),
        ("eval(\"1\")", "`eval` cannot be used in a script"),
        ("try { 1 } catch { 2 }", "`try` cannot be used in a script"),
        ("print(1)", "`print` cannot be used in a script"),
        (
            "let b = bytes([1]); b[0] = 2; b",
            "only a variable can be given another value, not a part of one",
        ),
    ] {
        assert_eq!(mistakes(body), [wanted], "{body}");
    }
    let criterion = "fn criterion(run, given) { at_least(bytes([1]).sum(), 0) }";
    let refused = super::host::compile("c", criterion).expect_err("no bytes");
    assert_eq!(refused[0].message, "there is no function `bytes`");
}

#[test]
fn what_is_given_is_a_number_where_it_is_one() {
    let codec = decoding("#{}");
    assert_eq!(codec.encode("close", &[("coil", "7")]), Ok(vec![7]));
    let fault = codec
        .encode("close", &[("coil", "seven")])
        .expect_err("no byte");
    assert_eq!((fault.kind, fault.line), (FaultKind::Error, 1));
    let fault = codec.encode("close", &[]).expect_err("nothing given");
    assert_eq!(fault.message, "there is no `coil` in this map");
}

/// All that a codec can call stands in its help.
#[test]
fn the_table_of_codecs_names_everything() {
    let calls: Vec<String> = super::api::codec_api().iter().map(|e| e.call()).collect();
    for call in [
        "bytes([2, 3])",
        "bytes.crc16(name)",
        "number_in(text)",
        "a / b",
        "array.push(item)",
    ] {
        assert!(calls.iter().any(|known| known == call), "{call}: {calls:?}");
    }
    assert!(!super::api::help().contains("crc16"));
}

proptest::proptest! {
    /// No bytes end the engine, and none take more than they may.
    #[test]
    fn no_answer_panics(answer in proptest::collection::vec(proptest::num::u8::ANY, 0..300)) {
        let codec = decoding(
            "let n = answer.unsigned(0, 1, \"low-first\"); let a = answer.part(1, n);
             #{ x: a.crc16(\"modbus\") + a.xor(), y: a.float(n, 4, \"high-first\"), z: a.text(0, n) }",
        );
        if let Ok(fields) = codec.decode("read", &answer) {
            proptest::prop_assert_eq!(fields.len(), 3);
        }
    }
}
