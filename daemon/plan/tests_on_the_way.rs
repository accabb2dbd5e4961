//! Spectra on the way of a program, as a plan asks for them: what is refused, and what
//! becomes of one that fits.

use photometry::units::Span;

use super::frozen::SentText;
use super::itinerary::{Action, Itinerary, Purpose, Question, Recording, What};
use super::print;
use super::tests::{example, found, text};
use super::tests_slips::{slipped, table};

fn plan() -> SentText {
    text(
        "plan.yaml",
        "plan: p
format: 1
tests:
  morning:
    kind: ramp
    program: dawn
    at: 24 in
    spectra-every: 2 min
    times: 2
",
    )
}

fn bench() -> SentText {
    example("bench-shore.yaml")
}

#[test]
fn slips_in_spectra_on_the_way() {
    let every = "spectra-every: 2 min";
    let slips = [
        (every, "spectra-every: often"),
        (every, "spectra-every: 4 s"),
        (every, "spectra-every: 31 min"),
        // The longest takes 10 s where a plan does not say.
        (every, "spectra-every: 12 s"),
        (every, "spectra-every: 12 s\n    longest-integration: 9 s"),
        (every, "spectra-every: 30 s\n    longest-integration: 28 s"),
        (every, "spectra-every: 30 s\n    longest-integration: 2 min"),
        // 35 min in steps of 6 s.
        (every, "spectra-every: 6 s\n    longest-integration: 1 s"),
        (every, "spectra-evry: 2 min"),
        (every, "spectra-every: 2 min\n    spectrum-meter: lux-head"),
        (every, "spectra-every: 2 min\n    spectrum-meter: aray"),
        ("at: 24 in", "in: sphere"),
        ("program: dawn", "program: dusk"),
    ];
    // Those of the end have the wall's colour too.
    let of_the_end = [("at: 24 in\n", "in: sphere\n    spectra: 3\n")];
    let slips: Vec<(&str, &str)> = slips.into_iter().chain(of_the_end).collect();
    let beside = [bench(), example("lamp-plover.yaml")];
    insta::assert_snapshot!(table(&plan(), &beside, &slips));
}

/// What a bench cannot give, at the plan's line; left out where the plan says so.
#[test]
fn a_bench_that_has_no_eye_for_it_is_told() {
    let (yields, array) = ("yields: spectrum\n", "    port: array-port\n");
    let slips = [
        (yields, "yields: illuminance\n    ranges: [200 lx]\n"),
        // A tenth of 24 in is 61 mm.
        (array, "    port: array-port\n    plane: 60 mm\n"),
        (array, "    port: array-port\n    plane: 62 mm\n"),
        (
            yields,
            "yields: [spectrum, illuminance]\n    ranges: [200 lx]\n",
        ),
    ];
    let named = slipped(&plan(), "at: 24 in", "at: 24 in\n    watched-by: lux-head");
    let lamp = example("lamp-plover.yaml");
    let told = table(&bench(), &[lamp.clone(), named.clone()], &slips);
    let watches = slipped(&named, "watched-by: lux-head", "watched-by: array");
    let both = slips[3..].to_vec();
    let told = told + table(&bench(), &[lamp.clone(), watches], &both).as_str();
    insta::assert_snapshot!(told);
    let leaves = slipped(
        &named,
        "tests:",
        "policies:\n  if-absent: leave out\ntests:",
    );
    let apart = slipped(&bench(), array, "    port: array-port\n    plane: 62 mm\n");
    let laid_out = found(&[apart, lamp, leaves])
        .checked
        .itinerary
        .expect("it fits");
    let [left_out] = laid_out.left_out.as_slice() else {
        panic!("{:?}", laid_out.left_out);
    };
    assert!(left_out.starts_with("morning, spectra on the way: `array`"));
    assert!(
        recordings(&laid_out)
            .iter()
            .all(|(_, one)| one.spectra.is_none())
    );
}

fn recordings(itinerary: &Itinerary) -> Vec<(&Action, &Recording)> {
    let actions = itinerary.actions.iter();
    let records = actions.filter_map(|action| match &action.what {
        What::Record(recording) => Some((action, recording)),
        _ => None,
    });
    records.collect()
}

/// By hand: from the start to 35 min later there is room for 18 spectra two minutes
/// apart, the last of which may take 10 s; both runs have keys of their own.
#[test]
fn a_recording_carries_its_spectra() {
    let files = [bench(), example("lamp-plover.yaml"), plan()];
    let itinerary = found(&files).checked.itinerary.expect("it fits");
    let all = recordings(&itinerary);
    let firsts = all.iter().map(|(action, recording)| {
        let key = action.key.as_ref().expect("a key");
        let spectra = recording.spectra.as_ref().expect("spectra");
        assert_eq!(key.purpose, Purpose::Sample);
        assert_eq!(recording.spectra_on_the_way(), 18);
        assert_eq!(
            (spectra.every, spectra.most),
            (Span::from_mins(2), Span::from_secs(10))
        );
        assert_eq!((spectra.dark, &spectra.by_hand), (2, &None));
        assert_eq!(action.meters(), ["lux-head", "array"]);
        // The darks come on top of 2 + 30 + 5 min.
        assert!(
            action.time.likely > Span::from_mins(37) && action.time.likely < Span::from_mins(38)
        );
        (key.visit, spectra.first)
    });
    let firsts: Vec<(u32, u32)> = firsts.collect();
    assert_eq!(firsts, [(1, 100_001), (200_001, 300_001)]);
    let words = print::doing(all[0].0, photometry::units::LengthUnit::Inches);
    assert_eq!(
        words,
        "Record dawn for 37 min 00 s, every 1 s; a spectrum every 2 min 00 s"
    );
}

/// A person is asked when the recording is over; what a plan without spectra freezes is
/// as it ever was.
#[test]
fn without_a_shutter_a_person_covers_it_afterwards() {
    let of_array = "    yields: spectrum\n    integration: 200 ms             # where trials begin; each setting has its own\n    dark: shutter";
    let by_hand = of_array.replace("shutter", "cap");
    let files = [
        slipped(&bench(), of_array, &by_hand),
        example("lamp-plover.yaml"),
        plan(),
    ];
    let itinerary = found(&files).checked.itinerary.expect("it fits");
    let (_, recording) = recordings(&itinerary)[0];
    let spectra = recording.spectra.as_ref().expect("spectra");
    let meter = || "array".to_owned();
    let asks = (
        Question::CoverMeter(meter()),
        Question::UncoverMeter(meter()),
    );
    assert_eq!(spectra.by_hand, Some(asks));
    let asked = itinerary
        .actions
        .iter()
        .filter(|action| matches!(action.what, What::Ask { .. }));
    assert_eq!(asked.count(), 0, "nobody is asked before");
    let without = slipped(&plan(), "    spectra-every: 2 min\n", "");
    let files = [bench(), example("lamp-plover.yaml"), without];
    let itinerary = found(&files).checked.itinerary.expect("it fits");
    let json = serde_json::to_string(recordings(&itinerary)[1].1).expect("json");
    assert!(!json.contains("spectr"), "{json}");
    let (action, _) = recordings(&itinerary)[1];
    assert_eq!(action.key.as_ref().map(|key| key.visit), Some(100_001));
}
