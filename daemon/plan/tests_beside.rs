//! What stands beside rail, lamp and meters in a bench file: a stop button, a sensor of
//! the room, one that stands still before the lamp.

use std::collections::{BTreeMap, BTreeSet};

use super::frozen::SentText;
use super::itinerary::Purpose;
use super::tests::{example, found};

/// A stop button hangs on a port of its own, and follows a profile of a contact.
#[test]
fn a_stop_button_is_a_contact_on_a_port_of_its_own() {
    let told = |button: &str| {
        let mut bench = example("bench-strand.yaml");
        bench.text = bench.text.replace(
            "ports:\n",
            "ports:\n  button-port: {tcp: \"192.0.2.20:5025\"}\n",
        );
        bench.text.push_str(button);
        let codes = found(&[bench]).mistakes.into_iter();
        codes.map(|mistake| mistake.code).collect::<Vec<_>>()
    };
    let cases: [(&str, &[&str]); 4] = [
        ("\nstop-button: {port: button-port}\n", &[]),
        ("\nstop-button: {port: button-port, pressed: closed}\n", &[]),
        ("\nstop-button: {port: rail-port}\n", &["port-taken"]),
        (
            "\nstop-button: {port: button-port, pressed: yes}\n",
            &["unknown-word"],
        ),
    ];
    for (button, codes) in cases {
        assert_eq!(told(button), codes, "{button}");
    }
}

/// A room needs a limit and a sensor of the bench that yields what is limited and stands
/// still; a plan that waits for a quiet room needs a room. The sensor is no meter of a
/// survey, though it yields illuminance.
#[test]
fn a_room_is_seen_by_a_meter_that_stands_still() {
    let told = |meter: &str, room: &str, policy: &str| {
        let mut files = with_second_meter(meter);
        files[0].text.push_str(room);
        files[2].text.push_str(policy);
        let found = found(&files);
        let codes = found.mistakes.iter().map(|mistake| mistake.code);
        (codes.collect::<Vec<_>>(), found.checked.itinerary.is_some())
    };
    let light = "yields: illuminance";
    let both = "yields: [illuminance, temperature]";
    let room = "\nroom: {sensor: wall, light-at-most: 0.5 lx, air: 22 C to 28 C}\n";
    let lit = "\nroom: {sensor: wall, light-at-most: 0.5 lx}\n";
    let repeat = "\npolicies:\n  if-disturbed: repeat\n";
    let cases: [(&str, &str, &str, &[&str]); 11] = [
        (both, room, repeat, &[]),
        (light, lit, "", &[]),
        (light, room, "", &["not-a-room-sensor"]),
        (
            "yields: temperature",
            lit,
            "",
            &["unknown-key", "unknown-key", "not-a-room-sensor"],
        ),
        (
            "rides: true, yields: illuminance",
            lit,
            "",
            &["not-a-room-sensor"],
        ),
        (both, "\nroom: {sensor: wall}\n", "", &["no-limit"]),
        (
            both,
            "\nroom: {sensor: wal, light-at-most: 1 lx}\n",
            "",
            &["unknown-name"],
        ),
        (
            both,
            "\nroom: {sensor: wall, air: 28 C to 22 C}\n",
            "",
            &["air"],
        ),
        (
            both,
            "\nroom: {sensor: wall, air: 22 to 28 C}\n",
            "",
            &["air"],
        ),
        (
            both,
            "\nroom: {sensor: wall, air: 22 C to 280 C}\n",
            "",
            &["air"],
        ),
        ("", "", repeat, &["room-unseen"]),
    ];
    for (meter, room, policy, codes) in cases {
        assert_eq!(
            told(meter, room, policy),
            (codes.to_vec(), codes.is_empty()),
            "{meter} {room} {policy}"
        );
    }
}

/// A bench, lamp and plan, and a meter `wall` more that is described so; none where
/// nothing is said of it.
fn with_second_meter(meter: &str) -> Vec<SentText> {
    let mut files: Vec<SentText> = ["bench-strand.yaml", "lamp-dunlin.yaml", "plan-short.yaml"]
        .into_iter()
        .map(example)
        .collect();
    let sensor = format!(
        "meters:\n  wall: {{port: wall-port, place: axis, {meter}, ranges: [2 klx], \
         integration: 50 ms, dark: cap, calibration: {{certificate: K-1, due: 2027-09-01}}, \
         uncertainty: {{certificate: 5 %}}}}\n"
    );
    files[0].text = files[0].text.replace(
        "ports:\n",
        "ports:\n  wall-port: {tcp: \"192.0.2.20:5025\"}\n",
    );
    if !meter.is_empty() {
        files[0].text = files[0].text.replace("meters:\n", &sensor);
    }
    files
}

/// A fixed sensor is an illuminance meter that stands still before the lamp, and no
/// other thing; a survey reads it beside each reading, and visits the reference at its
/// legs' ends alone.
#[test]
fn a_fixed_sensor_stands_before_the_lamp() {
    let light = "yields: illuminance";
    let fixed = "\nfixed-sensor: wall\n";
    let told = |meter: &str, says: &str, others: &[(&str, &str)]| {
        let mut files = with_second_meter(meter);
        files[0].text.push_str(says);
        for (from, to) in others {
            assert!(files[0].text.contains(from), "{from}");
            files[0].text = files[0].text.replace(from, to);
        }
        found(&files)
    };
    let room = "\nroom: {sensor: wall, light-at-most: 0.5 lx}\nfixed-sensor: wall\n";
    const NO: &str = "not-a-fixed-sensor";
    type Case = (
        &'static str,
        &'static str,
        &'static [(&'static str, &'static str)],
        &'static [&'static str],
    );
    let cases: [Case; 7] = [
        (light, fixed, &[], &[]),
        (light, "\nfixed-sensor: wal\n", &[], &["unknown-name"]),
        ("rides: true, yields: illuminance", fixed, &[], &[NO]),
        (
            "yields: temperature",
            fixed,
            &[],
            &["unknown-key", "unknown-key", NO],
        ),
        (light, room, &[], &[NO]),
        (
            light,
            fixed,
            &[("carries: meter", "carries: lamp")],
            &[NO, "no-meter"],
        ),
        ("", fixed, &[], &["unknown-name"]),
    ];
    for (meter, says, others, codes) in cases {
        let found = told(meter, says, others);
        let told: Vec<&str> = found.mistakes.iter().map(|mistake| mistake.code).collect();
        assert_eq!(told, codes, "{meter} {says} {others:?}");
    }
    let count = |says: &str| {
        let found = told(light, says, &[]);
        let itinerary = found.checked.itinerary.expect("an itinerary");
        let keys = itinerary
            .actions
            .iter()
            .filter_map(|action| action.key.clone());
        let mut of: BTreeMap<Purpose, usize> = BTreeMap::new();
        keys.for_each(|key| *of.entry(key.purpose).or_default() += 1);
        let keys: BTreeSet<_> = itinerary
            .actions
            .iter()
            .filter_map(|a| a.key.as_ref())
            .collect();
        assert_eq!(keys.len(), of.values().sum::<usize>(), "each key once");
        of
    };
    let of = count(fixed);
    let beside = [Purpose::Read, Purpose::Reference, Purpose::Ambient];
    let beside: usize = beside.iter().filter_map(|purpose| of.get(purpose)).sum();
    assert_eq!(of[&Purpose::Fixed], beside);
    let without = count("");
    assert!(without[&Purpose::Reference] >= of[&Purpose::Reference]);
    assert_eq!(without.get(&Purpose::Fixed), None);
}
