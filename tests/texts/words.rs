//! Short things that people and programs write: quantities, ids of figures, keys
//! of runs and readings, names, addresses.

use photometry::units::{Acceleration, Length, LengthUnit, Lux, Ratio, Span, Speed};
use proptest::prelude::*;
use wakerail::cli::arguments::{GivenName, ReadingName, RunName};
use wakerail::report::ids;
use wakerail::web::runs;

use crate::cost::Reader;
use crate::mutated;

fn wounded(good: &[&str]) -> impl Strategy<Value = String> {
    prop_oneof![
        3 => mutated::words(good),
        1 => mutated::any_text(),
    ]
}

#[test]
fn quantities() {
    let good = [
        "12 in",
        "304.8 mm",
        "-1.5 m",
        "30 cm",
        "2 min",
        "1.5 h",
        "300 ms",
        "0.5 %",
        "150 mm/s",
        "400 mm/s2",
        "20 lx",
        "1.2 klx",
        "9223372036854775807 nm",
        "-9223372036.854775808 m",
    ];
    let reader = Reader {
        name: "quantities",
        cases: 5_000,
        memory_mib: 1,
    };
    reader.endures(wounded(&good), |text| {
        if let Ok(length) = Length::parse(text) {
            prop_assert_eq!(Length::parse(&length.to_string()), Ok(length));
            for unit in [LengthUnit::Inches, LengthUnit::Millimetres] {
                let _ = length.shown(unit);
            }
        }
        if let Ok(span) = Span::parse(text) {
            prop_assert_eq!(Span::parse(&span.to_string()), Ok(span));
            let _ = span.shown();
        }
        let ratio = Ratio::parse(text).map_or(0.0, Ratio::share);
        let lux = Lux::parse(text).map_or(0.0, |lux| lux.0);
        prop_assert!(ratio.is_finite() && lux.is_finite());
        let read = [
            Length::parse(text).err(),
            Span::parse(text).err(),
            Ratio::parse(text).err(),
            Lux::parse(text).err(),
            Speed::parse(text).err(),
            Acceleration::parse(text).err(),
        ];
        prop_assert!(read.iter().flatten().all(|why| !why.to_string().is_empty()));
        Ok(read.iter().all(Option::is_some))
    });
}

#[test]
fn ids_of_figures() {
    let good = [
        "12.r3",
        "12.levels.dark",
        "12.levels.home",
        "12.levels.ambient@24in",
        "12.levels.L07@24in",
        "12.levels.L07@609.6mm",
        "12.levels.L07.drift",
        "12.le%20vels.L07.reaches-250lx",
        "9223372036854775807.a.%61mbient@-0.00001in",
    ];
    let reader = Reader {
        name: "ids of figures",
        cases: 5_000,
        memory_mib: 16,
    };
    reader.endures(wounded(&good), |text| {
        let Ok(id) = ids::parse(text) else {
            return Ok(true);
        };
        prop_assert_eq!(ids::parse(&id.to_string()), Ok(id));
        Ok(false)
    });
}

#[test]
fn names_of_runs_and_readings() {
    let good = [
        "7",
        "latest",
        "9223372036854775807",
        "7:levels/L07/24 in/read/1",
        "7.levels.L07@24in",
        "evening survey",
    ];
    let reader = Reader {
        name: "names of runs and readings",
        cases: 5_000,
        memory_mib: 16,
    };
    reader.endures(wounded(&good), |text| {
        let run = text.parse::<RunName>();
        if let Ok(run) = &run {
            let again = run.to_string().parse::<RunName>();
            prop_assert_eq!(again.as_ref(), Ok(run));
        }
        let reading = text.parse::<ReadingName>();
        let name = text.parse::<GivenName>();
        // What is taken for a name stands as it is in a YAML file.
        if let Ok(GivenName(name)) = &name {
            let file = format!("plan: {name}\n");
            let document = written::read("f.yaml", &file);
            let document = document.map_err(|m| TestCaseError::fail(format!("{m:?}")))?;
            let plan = document.root().get("plan").and_then(|node| node.text());
            prop_assert_eq!(plan, Some(name.as_str()));
        }
        let number = runs::number(text).is_err();
        Ok(run.is_err() && reading.is_err() && name.is_err() && number)
    });
}

#[test]
fn addresses() {
    let good = [
        "tcp:192.0.2.10:5025",
        "tcp:[::1]:1",
        "memory:meter",
        "/dev/ttyUSB0",
    ];
    let reader = Reader {
        name: "addresses",
        cases: 3_000,
        memory_mib: 16,
    };
    reader.endures(wounded(&good), |text| {
        let Ok(address) = text.parse::<drivers::link::Address>() else {
            return Ok(true);
        };
        prop_assert_eq!(address.to_string().parse(), Ok(address));
        Ok(false)
    });
}
