//! A lamp that is told its level by the shipped profile, before one that does not take
//! it, and by a profile of one that cannot be asked.

use std::sync::Arc;

use photometry::units::Span;
use proptest::prelude::*;

use super::leveller::Leveller;
use super::profiled_level::ProfiledLevel;
use super::testing::{Device, machine};
use crate::error::DriverError;
use crate::exchange::talk::Talk;
use crate::exchange::testing::{Said, converse, said};
use crate::profile::read;
use crate::profile::shipped;
use crate::profile::testing::{slips_are_told, told};
use crate::profile::types::Profile;

/// A lamp that has no way to tell how it is lit.
const MUTE: &str = r#"profile: knot
format: 1
role: level
about: a lamp that is told its level
lines: {longest-answer: 100 ms}
set-level: {tell: "{mode} {level}"}
switch-off: {tell: "OFF"}
"#;

/// Speaks of its level alone.
const SHORT: &str = r#"profile: plover
format: 1
role: level
about: a lamp that tells its level
lines: {longest-answer: 100 ms}
set-level: {tell: "LEV {level}"}
read-level: {ask: "LEV?", answer: "{level}"}
switch-off: {tell: "OFF"}
samples: [{read-level: "5", gives: "5"}]
"#;

fn stint() -> Device {
    Device::saying([("*IDN", said("Works,TL-9,21,1.0")), ("LEV", said("cool,1"))])
}

fn opened<T>(
    profile: Arc<Profile>,
    device: Device,
    how: impl FnOnce(&mut ProfiledLevel, &mut Talk<'_>) -> T,
) -> T {
    converse(machine(device), |talk| {
        let mut lamp = ProfiledLevel::new(profile, None);
        lamp.open(talk).expect("it opens");
        let came = how(&mut lamp, talk);
        // What was told last is heard.
        let until = talk.now().mono + Span::from_ms(1);
        talk.pause(until).expect("a pause");
        came
    })
}

fn usual() -> Arc<Profile> {
    shipped::profile(shipped::DEFAULT_LEVEL).expect("a profile")
}

fn of(text: &str) -> Arc<Profile> {
    let (profile, _) = read::profile("p.yaml", text).unwrap_or_else(|no| panic!("{no}"));
    Arc::new(profile)
}

#[test]
fn a_lamp_is_lit_as_it_is_told_and_switched_off() {
    let device = stint();
    let told = Arc::clone(&device.told);
    opened(usual(), device, |lamp, talk| {
        // An opening leaves it as it is.
        assert_eq!(Device::taken(&told), ["*CLS"]);
        let lit = lamp.lit(talk).expect("an answer").expect("it tells");
        assert_eq!((lit.mode.as_deref(), lit.level), (Some("cool"), 1));
        lamp.set_level(talk, "warm", 7).expect("it takes it");
        let lit = lamp.lit(talk).expect("an answer").expect("it tells");
        assert_eq!(lit.to_string(), "warm 7");
        lamp.off(talk).expect("it goes out");
    });
    assert_eq!(Device::taken(&told), ["LEV warm,7", "LEV:OFF"]);
}

/// One that stays as it was, one that answers something else, one that is late: named,
/// and the next one is believed again.
#[test]
fn a_level_that_is_not_taken_is_named() {
    let late = || vec![(2_500, b"warm,7\n".to_vec())];
    let cases: [(Said, &str); 8] = [
        (
            said("warm,6"),
            "`level` was set to warm 7 and reads back as warm 6",
        ),
        (
            said("cool,7"),
            "`level` was set to warm 7 and reads back as cool 7",
        ),
        (
            said("warm,half"),
            "`the lamp's level` was answered by `warm,half`, which is not a whole number",
        ),
        (
            said("warm,6.5"),
            "`the lamp's level` was answered by `warm,6.5`, which is not a whole number",
        ),
        (
            said("warm,70000"),
            "`the lamp's level` was answered by `warm,70000`, which is not a whole number",
        ),
        (
            said("ready"),
            "`LEV?` was answered by `ready`, which is not an answer as its profile says",
        ),
        (vec![], "no answer to `LEV?` within 2 s"),
        (late(), "no answer to `LEV?` within 2 s"),
    ];
    for (says, wanted) in cases {
        let mut device = stint();
        device.once = vec![("LEV", says)];
        opened(usual(), device, |lamp, talk| {
            let error = lamp.set_level(talk, "warm", 7).expect_err("not taken");
            assert!(error.to_string().starts_with(wanted), "{error}");
            assert!(talk.state().is_dirty(), "{wanted}");
            lamp.set_level(talk, "Warm", 7).expect("it takes it");
            lamp.off(talk).expect("it goes out");
        });
    }
}

#[test]
fn what_cannot_be_sent_is_not() {
    let device = stint();
    let told = Arc::clone(&device.told);
    opened(usual(), device, |lamp, talk| {
        Device::taken(&told);
        let long = "w".repeat(101);
        for mode in ["", "warm\nLEV:OFF", "w\u{e4}rm", &long] {
            let error = lamp.set_level(talk, mode, 7).expect_err("no mode");
            assert!(matches!(error, DriverError::Unsendable(_)), "{error}");
        }
    });
    assert_eq!(Device::taken(&told), Vec::<String>::new());
}

#[test]
fn a_lamp_may_tell_its_level_alone_or_nothing() {
    let device = Device::default();
    let told = Arc::clone(&device.told);
    opened(of(MUTE), device, |lamp, talk| {
        lamp.set_level(talk, "warm", 7).expect("it was told");
        assert_eq!(lamp.lit(talk).expect("nothing is asked"), None);
        lamp.off(talk).expect("it was told");
    });
    assert_eq!(Device::taken(&told), ["warm 7", "OFF"]);
    opened(of(SHORT), Device::default(), |lamp, talk| {
        lamp.set_level(talk, "warm", 7).expect("it takes it");
        let lit = lamp.lit(talk).expect("an answer").expect("it tells");
        assert_eq!((lit.mode, lit.level), (None, 7));
    });
    let mut stuck = Device::saying([("LEV", said("5"))]);
    stuck.stuck = Some("LEV");
    opened(of(SHORT), stuck, |lamp, talk| {
        let error = lamp.set_level(talk, "warm", 7).expect_err("not taken");
        assert_eq!(
            error.to_string(),
            "`level` was set to 7 and reads back as 5"
        );
    });
}

#[test]
fn another_lamp_is_refused() {
    let mut device = stint();
    device.once = vec![("*IDN", said("Works,TL-9,20,1.0"))];
    opened(usual(), device, |lamp, talk| {
        let other = lamp.open(talk).expect_err("another one");
        assert!(
            matches!(other, DriverError::IdentityChanged { .. }),
            "{other}"
        );
    });
}

#[test]
fn each_slip_of_a_level_has_its_own_message() {
    for text in [MUTE, SHORT] {
        assert_eq!(told(text), Vec::<String>::new(), "{text}");
    }
    let cases: [(&str, &str, &str); 6] = [
        (
            "LEV {level}",
            "LEV {value}",
            "6:19 template nothing is called `{value}` here (write `{mode}` or `{level}`)",
        ),
        (
            "set-level: {tell: \"LEV {level}\"}\n",
            "",
            "1:1 missing-key the profile lacks the key `set-level` (add a line like `set-level: {set: \"LEV {mode},{level}\"}`)",
        ),
        (
            "switch-off: {tell: \"OFF\"}\n",
            "",
            "1:1 missing-key the profile lacks the key `switch-off` (add a line like `switch-off: {set: \"LEV:OFF\"}`)",
        ),
        (
            "answer: \"{level}\"",
            "answer: \"{lamp}\"",
            "7:13 missing-field `read-level` gives no `{level}` (an answer must have `{level}` where it stands)",
        ),
        (
            "\"OFF\"",
            "\"OFF {outlet}\"",
            "8:20 template nothing is called `{outlet}` here (the text is sent as it stands)",
        ),
        (
            "gives: \"5\"",
            "gives: \"4\"",
            "9:11 sample the sample `5` is read as `5`, not as `4` (correct the answer's form above, or the sample)",
        ),
    ];
    slips_are_told(SHORT, &cases, told);
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(48))]

    /// Whatever the lamp says, an error or the level that it was told.
    #[test]
    fn no_bytes_panic_a_reader_of_levels(
        bytes in prop::collection::vec(any::<u8>(), 0..40),
        text in "(warm|cool)?,? ?[0-9.eE+-]{0,6}",
    ) {
        for answer in [[bytes.as_slice(), b"\n"].concat(), format!("{text}\n").into_bytes()] {
            let mut device = stint();
            device.once = vec![("LEV", vec![(1, answer)])];
            opened(usual(), device, |lamp, talk| {
                if let Ok(Some(lit)) = lamp.lit(talk) {
                    assert!(lit.to_string().ends_with(&lit.level.to_string()));
                }
            });
        }
    }
}
