//! Values that a bench file gives to settings of a profile: each mistake at its line,
//! what is frozen of them, and that the devices follow what was frozen.

use drivers::profile::types::Profile;
use photometry::measured::Quantity;

use super::by_hand;
use super::profiles::{self, Kind, ProfileBook};
use crate::plan::card::Card;
use crate::plan::check::{self, Found};
use crate::plan::frozen::SentText;
use crate::plan::profiles::{GivenSetting, UsedProfile};
use crate::plan::uses::NotAsked;

const BENCH: &str = include_str!("../../examples/bench-strand.yaml");

const TERN: &str = r#"profile: tern
format: 1
role: meter
about: a meter with a gain
unit: lx
settings:
  integration: {set: "T {value}", in: s}
  averages: {set: "N {value}"}
  gain: {set: "GAIN {value}", ask: "GAIN?", value: 2, between: [1, 4]}
  filter: {set: "FILT {value}", in: word, value: open}
read-illuminance: {ask: "E?", answer: "{illuminance}"}
samples: [{read-illuminance: "12", gives: 12 lx}]
"#;

const KNOT: &str = r#"profile: knot
format: 1
role: fingers
about: a relay board behind registers
registers: {probe: {read: coil, at: 0, count: 8}}
settings: {softness: {set: {write: holding, at: 3, as: u16, value: "{value}"}, value: 1}}
close-coil: {write: coil, at: "{coil}", value: on}
open-coil: {write: coil, at: "{coil}", value: off}
open-all-coils: {write: coils, at: 0, count: 8, value: off}
read-coil: {read: coil, at: "{coil}", gives: closed}
samples: [{read-coil: "1", gives: closed}]
"#;

fn text(name: &str, text: &str) -> SentText {
    SentText {
        name: name.to_owned(),
        text: text.to_owned(),
    }
}

/// The line-rail of a motor whose current can be told.
fn dunlin() -> String {
    let shipped = drivers::profile::shipped::text("line-rail").expect("a profile");
    format!("{shipped}settings: {{current: {{set: \"M906 X{{value}}\", value: 600}}}}\n")
}

/// The example with these lines in its meter, its fingers and its rail.
fn found(meter: &str, fingers: &str, rail: &str) -> Found {
    let mut bench = BENCH.replacen("    dark: shutter\n", "    dark: cap\n", 1);
    for (port, lines) in [
        ("    port: meter-port\n", meter),
        ("  port: finger-port\n", fingers),
        ("  port: rail-port\n", rail),
    ] {
        assert!(bench.contains(port), "{port}");
        bench = bench.replacen(port, &format!("{port}{lines}"), 1);
    }
    let book = ProfileBook::of(vec![
        text("tern.yaml", TERN),
        text("knot.yaml", KNOT),
        text("dunlin.yaml", &dunlin()),
    ]);
    check::check(
        &[text("bench.yaml", &bench)],
        "2026-11-25",
        &NotAsked,
        &book,
    )
}

fn card(meter: &str, fingers: &str, rail: &str) -> Card {
    let found = found(meter, fingers, rail);
    assert_eq!(found.shown(false), "");
    found.checked.bench.expect("a card")
}

/// The profiles of meter, fingers and rail.
fn used(card: &Card) -> [Option<&UsedProfile>; 3] {
    [
        card.meters[0].profile.as_ref(),
        card.fingers
            .as_ref()
            .and_then(|fingers| fingers.profile.as_ref()),
        card.rail.as_ref().and_then(|rail| rail.profile.as_ref()),
    ]
}

fn value(profile: &Profile, name: &str) -> Option<String> {
    let setting = profile.settings.iter().find(|known| known.name == name);
    setting.expect("a setting").value.clone()
}

fn given(name: &str, value: &str) -> GivenSetting {
    GivenSetting {
        name: name.to_owned(),
        value: value.to_owned(),
    }
}

const METER: &str = "    profile: tern.yaml\n    settings: {gain: 4, filter: \"off\"}\n";
const FINGERS: &str = "  profile: knot.yaml\n  settings: {softness: 9}\n";
const RAIL: &str = "  profile: dunlin.yaml\n  settings: {current: 450}\n";

#[test]
fn each_device_follows_the_values_that_its_bench_gives() {
    let with_values = card(METER, FINGERS, RAIL);
    let [meter, fingers, rail] = used(&with_values);
    let of = |used: Option<&UsedProfile>, role| {
        profiles::of(used, role).unwrap_or_else(|no| panic!("{no}"))
    };
    let tern = of(meter, Kind::Meter(Quantity::Illuminance));
    assert_eq!(value(&tern, "gain").as_deref(), Some("4"));
    assert_eq!(value(&tern, "filter").as_deref(), Some("off"));
    assert_eq!(value(&tern, "integration"), None);
    let knot = of(fingers, Kind::Fingers);
    assert_eq!(value(&knot, "softness").as_deref(), Some("9"));
    let dunlin = of(rail, Kind::Rail);
    assert_eq!(value(&dunlin, "current").as_deref(), Some("450"));
    // What a bench gives to none is the profile's own.
    let plain = card("    profile: tern.yaml\n", "", "");
    let tern = of(used(&plain)[0], Kind::Meter(Quantity::Illuminance));
    assert_eq!(value(&tern, "gain").as_deref(), Some("2"));
    assert_eq!(value(&tern, "filter").as_deref(), Some("open"));
}

/// The values stand on the card beside the profile's text, so that a run that froze
/// it goes on with both; what was frozen before there were any reads as it was, and
/// is written as it was.
#[test]
fn values_are_frozen_with_the_card_and_old_cards_read_on() {
    let given_card = card(METER, FINGERS, RAIL);
    let frozen = serde_json::to_string(&given_card).expect("JSON");
    let thawed: Card = serde_json::from_str(&frozen).expect("a card");
    assert_eq!(thawed, given_card);
    let settings = used(&thawed).map(|used| used.map(|used| used.settings.clone()));
    let [meter, fingers, rail] = settings.map(Option::unwrap_or_default);
    assert_eq!(meter, [given("gain", "4"), given("filter", "off")]);
    assert_eq!(fingers, [given("softness", "9")]);
    assert_eq!(rail, [given("current", "450")]);
    // Another bench file later changes nothing of what was frozen.
    let tern = profiles::of(used(&thawed)[0], Kind::Meter(Quantity::Illuminance));
    let tern = tern.unwrap_or_else(|no| panic!("{no}"));
    assert_eq!(value(&tern, "gain").as_deref(), Some("4"));

    let plain = card("    profile: tern.yaml\n", "", "");
    let old = serde_json::to_string(&plain).expect("JSON");
    assert!(!old.contains("\"settings\""), "{old}");
    let read: Card = serde_json::from_str(&old).expect("an old card");
    assert_eq!(read, plain);
}

/// A record that no bench file can have made is not followed in part.
#[test]
fn a_frozen_value_of_no_setting_is_refused() {
    let mut card = card(METER, "", "");
    let used = card.meters[0].profile.as_mut().expect("a profile");
    used.settings.push(given("gian", "3"));
    let refused =
        profiles::of(Some(used), Kind::Meter(Quantity::Illuminance)).expect_err("no such setting");
    let told = refused.to_string();
    assert!(
        told.contains("the profile `tern` has no setting `gian`"),
        "{told}"
    );
}

/// All at once, each at its line.
#[test]
fn every_slip_of_given_settings_is_told_at_its_line() {
    let meter = r#"    profile: tern.yaml
    settings:
      gian: 3
      brightness: 1
      gain: 5
      filter: "a\nb"
      integration: 100 ms
      averages: 3
      9%: 1
      mode: true
      speed: [1, 2]
"#;
    let fingers = "  profile: knot.yaml\n  settings: {softness: soft, integration: 3}\n";
    let rail = "  settings: {current: 3}\n";
    let found = found(meter, fingers, rail);
    assert!(found.refuses());
    insta::assert_snapshot!(found.shown(false));
}

#[test]
fn each_other_slip_has_its_message() {
    for (meter, fingers, wanted) in [
        (
            "    profile: tern.yaml\n    settings: {gain: high}\n",
            "",
            &[
                "`gain` takes a number, not `high`",
                "hint: write digits alone",
            ][..],
        ),
        (
            "    profile: tern.yaml\n    settings: {gain: }\n",
            "",
            &["a value is missing, it must be text"],
        ),
        (
            "    profile: tern.yaml\n    settings: [gain]\n",
            "",
            &["must be settings by their names, `{gain: 4}`, this is a list"],
        ),
        (
            "    profile: tern.yaml\n    setting: {gain: 3}\n",
            "",
            &["has no key `setting`", "did you mean `settings`?"],
        ),
        (
            "    profile: tern.yaml\n    settings: {gain: 3, gain: 4}\n",
            "",
            &["`gain`"],
        ),
        (
            "    settings: {gain: 3}\n",
            "",
            &[
                "the profile `asked-luxmeter` has no setting `gain`",
                "it has none that a bench file can give a value to",
            ],
        ),
        (
            "",
            "  profile: knot.yaml\n  settings: {softness: 70000}\n",
            &["`softness` cannot be told `70000`: 70000 does not fit into U16"],
        ),
    ] {
        let found = found(meter, fingers, "");
        let shown = found.shown(false);
        for wanted in wanted {
            assert!(
                found.refuses() && shown.contains(wanted),
                "{wanted}\n{shown}"
            );
        }
        assert_eq!(shown.matches("mistake:").count(), 1, "{shown}");
    }
}

/// What a profile that cannot be read makes of the values is not guessed.
#[test]
fn values_for_a_profile_that_is_not_there_are_no_further_mistake() {
    for profile in [
        "gull.yaml",
        "asked-luxmetre",
        "../tern.yaml",
        "asked-relays",
    ] {
        let meter = format!("    profile: {profile}\n    settings: {{gain: 9}}\n");
        let shown = found(&meter, "", "").shown(false);
        assert_eq!(shown.matches("mistake:").count(), 1, "{shown}");
    }
}

/// Simulated devices follow the shipped profiles of lines; values that were given to
/// another are put aside with it.
#[test]
fn a_rehearsal_puts_values_aside_with_their_profile() {
    let mut own = card(METER, "", RAIL);
    assert_eq!(profiles::for_rehearsal(&mut own), ["lux-head", "rail"]);
    let [meter, _, rail] = used(&own).map(|used| used.map(|used| used.settings.clone()));
    assert_eq!((meter, rail), (Some(Vec::new()), Some(Vec::new())));
    // The usual profile keeps what it was given.
    let mut usual = card("", "", "");
    let profile = usual.meters[0].profile.as_mut().expect("a profile");
    profile.settings.push(given("gain", "3"));
    assert_eq!(profiles::for_rehearsal(&mut usual), Vec::<String>::new());
    let kept = used(&usual)[0].map(|used| used.settings.clone());
    assert_eq!(kept, Some(vec![given("gain", "3")]));
}

#[test]
fn a_device_is_told_with_the_values_that_it_was_given() {
    let told = |card: &Card| {
        let devices = by_hand::devices(card);
        let told = devices.iter().map(|one| (one.name.clone(), one.given()));
        told.collect::<Vec<_>>()
    };
    let some = |name: &str, given: Option<&str>| (name.to_owned(), given.map(str::to_owned));
    assert_eq!(
        told(&card(METER, FINGERS, RAIL)),
        [
            some("fingers", Some("softness 9")),
            some("rail", Some("current 450")),
            some("lux-head", Some("gain 4, filter off")),
        ]
    );
    assert_eq!(
        told(&card("", "", "")),
        [
            some("fingers", None),
            some("rail", None),
            some("lux-head", None)
        ]
    );
}
