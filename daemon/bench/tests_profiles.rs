//! What a bench file says of profiles, with its messages, and that a card carries
//! the text that its devices follow.

use drivers::profile::shipped::{self, DEFAULT_FINGERS, DEFAULT_METER, DEFAULT_RAIL};

use super::profiles::{self, ProfileBook};
use crate::plan::check::{self, Found};
use crate::plan::frozen::SentText;
use crate::plan::uses::NotAsked;

const BENCH: &str = include_str!("../../examples/bench-strand.yaml");
/// A line of the example after which a meter's profile is named.
const METER: &str = "    port: meter-port\n";
/// The same for the fingers.
const FINGERS: &str = "  port: finger-port\n";

const TERN: &str = r#"profile: tern
format: 1
role: meter
about: a meter without a shutter
unit: klx
read-illuminance: {ask: "E?", answer: "{illuminance}"}
samples: [{read-illuminance: "0.5", gives: 500 lx}]
"#;

fn text(name: &str, text: &str) -> SentText {
    SentText {
        name: name.to_owned(),
        text: text.to_owned(),
    }
}

/// The example with these lines in its meter and its fingers, and this file.
fn found(meter: &str, fingers: &str, file: &str) -> Found {
    let bench = BENCH
        .replacen(METER, &format!("{METER}{meter}"), 1)
        .replacen(FINGERS, &format!("{FINGERS}{fingers}"), 1);
    let book = ProfileBook::of(vec![text("tern.yaml", file)]);
    let files = [text("bench.yaml", &bench)];
    check::check(&files, "2026-11-25", &NotAsked, &book)
}

#[test]
fn a_card_carries_the_text_of_each_profile() {
    let told = |found: Found| {
        assert_eq!(found.shown(false), "");
        let card = found.checked.bench.expect("a card");
        let fingers = card.fingers.and_then(|fingers| fingers.profile);
        let meter = card.meters.into_iter().next().and_then(|m| m.profile);
        [meter, fingers].map(|used| used.map(|used| (used.name, used.text)))
    };
    let shipped = |name: &str| {
        let text = shipped::text(name).expect("a profile");
        Some((name.to_owned(), text.to_owned()))
    };
    let [meter, fingers] = told(found("", "", ""));
    assert_eq!(meter, shipped(DEFAULT_METER));
    assert_eq!(fingers, shipped(DEFAULT_FINGERS));
    let named = "    profile: asked-luxmeter\n";
    assert_eq!(told(found(named, "", ""))[0], meter);
    let own = TERN.replace(
        "unit: klx",
        "unit: klx\nclose-shutter: {tell: S1}\nopen-shutter: {tell: S0}",
    );
    let [meter, _] = told(found("    profile: tern.yaml\n", "", &own));
    assert_eq!(meter, Some(("tern.yaml".to_owned(), own)));
}

#[test]
fn a_profile_that_does_not_fit_is_told_at_its_line() {
    let file = "    profile: tern.yaml\n";
    let cases = [
        (
            "    profile: asked-luxmetre\n",
            "",
            TERN,
            "there is no profile `asked-luxmetre`",
        ),
        (
            "    profile: asked-luxmetre\n",
            "",
            TERN,
            "did you mean `asked-luxmeter`?",
        ),
        (
            "    profile: gull\n",
            "",
            TERN,
            "shipped are asked-luxmeter, asked-relays, heard-luxmeter",
        ),
        (
            "    profile: gull.yaml\n",
            "",
            TERN,
            "the profile `gull.yaml` was not given",
        ),
        (
            "    profile: ../tern.yaml\n",
            "",
            TERN,
            "a profile's file lies beside the bench file",
        ),
        (
            "    profile: asked-relays\n",
            "",
            TERN,
            "the profile `asked-relays` is for relay fingers, not for a meter",
        ),
        (
            "",
            "  profile: heard-luxmeter\n",
            TERN,
            "the profile `heard-luxmeter` is for a meter, not for relay fingers",
        ),
        (
            file,
            "",
            TERN,
            "the meter `lux-head` is to close its shutter, and the profile `tern` has none",
        ),
        (file, "", "profile: tern\n", "tern.yaml:1:1"),
    ];
    for (meter, fingers, file, wanted) in cases {
        let found = found(meter, fingers, file);
        let shown = found.shown(false);
        assert!(
            found.refuses() && shown.contains(wanted),
            "{wanted}\n{shown}"
        );
    }
}

/// Spectra can be weighed: a meter that reads no illuminance itself yields it all the
/// same, and nothing else that it does not read.
#[test]
fn a_spectroradiometer_yields_illuminance_too() {
    let yields = "    yields: illuminance\n";
    let told = |line: &str, profile: &str| {
        let bench = BENCH
            .replacen(yields, &format!("    yields: {line}\n"), 1)
            .replacen(METER, &format!("{METER}{profile}"), 1);
        let files = [text("bench.yaml", &bench)];
        let book = ProfileBook::of(Vec::new());
        check::check(&files, "2026-11-25", &NotAsked, &book)
    };
    let named = "    profile: asked-spectroradiometer\n";
    for (line, profile) in [
        ("[spectrum, illuminance]", ""),
        ("[illuminance, spectrum]", named),
        ("illuminance", named),
    ] {
        let found = told(line, profile);
        assert_eq!(found.shown(false), "", "{line}");
        let card = found.checked.bench.expect("a card");
        let used = card.meters.into_iter().next().and_then(|m| m.profile);
        let used = used.map(|used| used.name);
        assert_eq!(used.as_deref(), Some("asked-spectroradiometer"), "{line}");
    }
    for (line, profile, lacks) in [
        ("[spectrum, illuminance, power]", named, "power"),
        (
            "[spectrum, illuminance]",
            "    profile: asked-luxmeter\n",
            "spectrum",
        ),
        (
            "illuminance",
            "    profile: asked-waveform-photometer\n",
            "illuminance",
        ),
    ] {
        let shown = told(line, profile).shown(false);
        let wanted = format!("the meter `lux-head` is to yield {lacks}, and the profile");
        assert!(shown.contains(&wanted), "{wanted}\n{shown}");
    }
}

/// What a run reads ends a fifth above the last range; a meter without ranges may be
/// read by hand, in any light there is.
#[test]
fn a_meter_without_ranges_believes_any_light() {
    let bench = BENCH
        .replacen("yields: illuminance", "yields: spectrum", 1)
        .replacen(
            "    ranges: [2 lx, 20 lx, 200 lx, 2 klx, 20 klx, 200 klx]\n",
            "",
            1,
        );
    for (bench, highest) in [(BENCH, 240_000.0), (bench.as_str(), 1e6)] {
        let files = [text("bench.yaml", bench)];
        let book = ProfileBook::of(Vec::new());
        let found = check::check(&files, "2026-11-25", &NotAsked, &book);
        assert_eq!(found.shown(false), "");
        let card = found.checked.bench.expect("a card");
        let (low, high) = super::open::meter_card(&card.meters[0]).plausible;
        assert_eq!((low.0, high.0), (-1.0, highest));
    }
}

/// The rail's profile is named in its own part of the bench file, and looked for,
/// filled in and checked as the others.
#[test]
fn a_rail_follows_the_profile_that_its_bench_names() {
    let rail = "  port: rail-port\n";
    let told = |line: &str, port: (&str, &str), file: &str| {
        let bench = BENCH.replacen(rail, &format!("{rail}{line}"), 1);
        assert!(line.is_empty() || bench != BENCH);
        let bench = bench.replacen(port.0, port.1, 1);
        let book = ProfileBook::of(vec![text("dunlin.yaml", file)]);
        let files = [text("bench.yaml", &bench)];
        check::check(&files, "2026-11-25", &NotAsked, &book)
    };
    let (as_it_is, own) = (("", ""), shipped::text("line-rail").expect("a profile"));
    let used = |line: &str| {
        let found = told(line, as_it_is, own);
        assert_eq!(found.shown(false), "", "{line}");
        let mut card = found.checked.bench.expect("a card");
        let used = card.rail.as_ref().expect("a rail").profile.clone();
        let aside = profiles::for_rehearsal(&mut card);
        let used = used.expect("a profile");
        (used.name, used.text, aside)
    };
    let text_of = |name: &str| shipped::text(name).expect("a profile").to_owned();
    let aside = vec!["rail".to_owned()];
    for (line, name, text, aside) in [
        ("", DEFAULT_RAIL, text_of(DEFAULT_RAIL), Vec::new()),
        (
            "  profile: line-rail\n",
            "line-rail",
            text_of("line-rail"),
            aside.clone(),
        ),
        (
            "  profile: dunlin.yaml\n",
            "dunlin.yaml",
            own.to_owned(),
            aside,
        ),
    ] {
        assert_eq!(used(line), (name.to_owned(), text, aside));
    }
    let unit = (
        "usb-rail-0042-if00, baud: 115200",
        "usb-rail-0042-if00, baud: 115200, unit: 3",
    );
    for (line, port, file, wanted) in [
        (
            "  profile: lin-rail\n",
            as_it_is,
            own,
            "did you mean `line-rail`?",
        ),
        (
            "  profile: asked-relays\n",
            as_it_is,
            own,
            "the profile `asked-relays` is for relay fingers, not for a rail",
        ),
        (
            "  profile: dunlin.yaml\n",
            as_it_is,
            "profile: dunlin\n",
            "dunlin.yaml:1:1",
        ),
        ("", unit, own, "`byte-rail` speaks by lines"),
    ] {
        let found = told(line, port, file);
        let shown = found.shown(false);
        assert!(
            found.refuses() && shown.contains(wanted),
            "{wanted}\n{shown}"
        );
    }
}

#[test]
fn a_meter_that_cannot_average_is_not_told_to() {
    let bench = BENCH
        .replacen("    averages: 1\n", "    averages: 4\n", 1)
        .replacen("    dark: shutter\n", "    dark: cap\n", 1)
        .replacen(METER, &format!("{METER}    profile: heard-luxmeter\n"), 1);
    let files = [text("bench.yaml", &bench)];
    let book = ProfileBook::of(Vec::new());
    let shown = check::check(&files, "2026-11-25", &NotAsked, &book).shown(false);
    let wanted = "the meter `lux-head` is to average 4 readings, and the profile `heard-luxmeter` cannot set that";
    assert!(shown.contains(wanted), "{shown}");
    assert_eq!(shown.matches("mistake:").count(), 1, "{shown}");
}

/// What a port says of the line and of who is behind it.
#[test]
fn ports_say_how_their_lines_are_set() {
    let told = |port: &str, line: &str| {
        let bench = BENCH.replacen(port, line, 1);
        assert_ne!(bench, BENCH, "{port}");
        let files = [text("bench.yaml", &bench)];
        check::check(
            &files,
            "2026-11-25",
            &NotAsked,
            &ProfileBook::of(Vec::new()),
        )
    };
    let serial = "usb-meter-0107-if00, baud: 115200}";
    let socket = "{tcp: \"192.0.2.10:5025\"}";
    let line = "usb-meter-0107-if00, baud: 19200, framing: 8E1, unit: 17}";
    let bench = BENCH
        .replacen(serial, line, 1)
        .replacen("    dark: shutter\n", "    dark: cap\n", 1)
        .replacen(
            METER,
            &format!("{METER}    profile: register-luxmeter\n"),
            1,
        );
    let files = [text("bench.yaml", &bench)];
    let book = ProfileBook::of(Vec::new());
    let found = check::check(&files, "2026-11-25", &NotAsked, &book);
    assert_eq!(found.shown(false), "");
    let card = found.checked.bench.expect("a card");
    let port = card.ports.iter().find(|port| port.name == "meter-port");
    let port = port.expect("the port");
    assert_eq!(port.unit, Some(17));
    let address = super::open::address_of(&port.at);
    let drivers::link::Address::Serial { baud, framing, .. } = address else {
        panic!("{address:?}");
    };
    let parity = drivers::link::Parity::Even;
    assert_eq!((baud, framing.data_bits, framing.stop_bits), (19_200, 8, 1));
    assert_eq!(framing.parity, parity);
    for (port, line, wanted) in [
        (
            socket,
            "{tcp: \"192.0.2.10:502\", framing: 8E1}",
            "a socket has no `framing`",
        ),
        (
            socket,
            "{tcp: \"192.0.2.10:502\", baud: 9600}",
            "a socket has no `baud`",
        ),
        (
            serial,
            "x, frames: serial}",
            "a serial line has no `frames`",
        ),
        (serial, "x, framing: 9E1}", "`9E1` is not known here"),
        (serial, "x, unit: 0}", "`0` is out of range"),
        (socket, "{program: lux-once}", "`lux-once` is no whole path"),
        (
            socket,
            "{program: /bin/lux-once, unit: 3}",
            "a program has no `unit`",
        ),
        (
            socket,
            "{program: /bin/lux-once, traffic: kept}",
            "a program has no `traffic`",
        ),
        (serial, "x, traffic: keep}", "`keep` is not known here"),
        (
            socket,
            "{program: /bin/a, tcp: \"h:1\"}",
            "is given twice: tcp and program",
        ),
        (
            socket,
            "{program: /bin/lux-once}",
            "the profile `asked-relays` speaks by lines, and the port `finger-port` is a program",
        ),
        (
            socket,
            "{tcp: \"192.0.2.10:502\", unit: 3}",
            "the port `finger-port` has `unit` or `frames`, and the profile `asked-relays` speaks by lines",
        ),
    ] {
        let shown = told(port, line).shown(false);
        assert!(shown.contains(wanted), "{wanted}\n{shown}");
    }
}

/// Who a profile speaks to, and behind which frames.
#[test]
fn a_station_follows_from_port_and_profile() {
    let profile = shipped::profile("register-relays").expect("a profile");
    let station = |line: &str| {
        let bench = BENCH.replacen("{tcp: \"192.0.2.10:5025\"}", line, 1);
        let files = [text("bench.yaml", &bench)];
        let found = check::check(&files, "2026-11-25", &NotAsked, &NotAsked);
        let card = found.checked.bench.expect("a card");
        let station = super::open::station(&card, "finger-port", &profile);
        station.map(|station| (station.unit, station.form))
    };
    use drivers::exchange::modbus::frames::Form;
    for (line, wanted) in [
        ("{tcp: \"h:502\"}", (1, Form::Tcp)),
        ("{tcp: \"h:502\", unit: 9}", (9, Form::Tcp)),
        ("{tcp: \"h:502\", frames: serial}", (1, Form::Rtu)),
        ("{serial: /dev/serial/by-id/a, unit: 247}", (247, Form::Rtu)),
    ] {
        assert_eq!(station(line), Some(wanted), "{line}");
    }
}

/// Simulated devices understand the shipped profiles of lines alone, and whoever
/// rehearses is told whose own was put aside.
#[test]
fn a_rehearsal_uses_what_simulated_devices_understand() {
    let own = TERN.replace(
        "unit: klx",
        "unit: klx\nclose-shutter: {tell: S1}\nopen-shutter: {tell: S0}",
    );
    let card = |meter: &str, fingers: &str| {
        let found = found(meter, fingers, &own);
        found.checked.bench.expect("a card")
    };
    let mut other = card("    profile: tern.yaml\n", "  profile: register-relays\n");
    assert_eq!(profiles::for_rehearsal(&mut other), ["lux-head", "fingers"]);
    assert_eq!(other, card("", ""));
    assert_eq!(profiles::for_rehearsal(&mut other), Vec::<String>::new());
}

/// A profile's file checked by itself, as its author does.
#[test]
fn a_profile_is_checked_by_itself() {
    let told = |file: &str| {
        let files = [text("tern.yaml", file)];
        check::check(
            &files,
            "2026-11-25",
            &NotAsked,
            &ProfileBook::of(Vec::new()),
        )
        .shown(false)
    };
    assert_eq!(told(TERN), "");
    let wrong = told(&TERN.replace("gives: 500 lx", "gives: 5 lx"));
    assert!(
        wrong.contains("the sample `0.5` is read as `500 lx`, not as `5 lx`"),
        "{wrong}"
    );
    assert!(wrong.contains("tern.yaml:7:"), "{wrong}");
}
