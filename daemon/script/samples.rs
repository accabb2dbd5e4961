//! Views and scripts for this room's tests.

use std::collections::BTreeMap;
use std::sync::Arc;

use photometry::uncertainty::Estimate;

use super::criteria::Ruling;
use super::fault::{Fault, FaultKind};
use super::host::{Script, compile, measure, rule};
use super::limits::Limits;
use super::parameters::given;
use super::unit::Unit;
use super::view::{Measured, PointView, SettingView, View};

/// Metres in a foot.
const FOOT: f64 = 0.3048;

/// A light with 3 % of certificate and its own repeatability of 0.1 %.
pub(super) fn lux(value: f64, key: &str) -> Measured {
    let estimate = Estimate::exact(value)
        .with("certificate", 0.03 * value, None)
        .with(&format!("repeatability {key}"), 0.001 * value, Some(4.0));
    Measured::known(estimate, Unit::Lux, key)
}

/// A setting that gives `cd`/d² every 6 in up to 6 ft.
pub(super) fn setting(level: u16, cd: f64) -> SettingView {
    let name = format!("L{level:02}");
    let point = |station: u32| {
        let position_m = FOOT / 2.0 * f64::from(station);
        let key = format!("survey/{name}/{station}");
        let mut lux = lux(cd / position_m.powi(2), &key);
        lux.rests_on = vec![format!("{key}/read/1"), format!("{key}/read/2")];
        PointView {
            position_m,
            lux,
            key,
        }
    };
    let drift = Estimate::exact(0.4).with("repeatability", 0.1, Some(8.0));
    SettingView {
        shown: format!("level {level}"),
        mode: None,
        level: Some(level),
        points: (1..=12).map(point).collect(),
        drift: Measured::known(drift, Unit::Percent, &format!("survey/{name}/reference")),
        reference: lux(cd / FOOT.powi(2), &format!("survey/{name}/reference")),
        name,
    }
}

/// Three levels of 5, 20 and 60 cd: 54, 215 and 646 lx at 12 in.
pub(super) fn view() -> View {
    View {
        lamp: "knot".to_owned(),
        unit: "K-1".to_owned(),
        firmware: None,
        plan: "evening".to_owned(),
        bench: "strand".to_owned(),
        unfinished: false,
        settings: vec![setting(1, 5.0), setting(2, 20.0), setting(3, 60.0)],
    }
}

/// Compiles a script that must be sound.
pub(super) fn script(text: &str) -> Script {
    compile("mine", text).unwrap_or_else(|mistakes| panic!("{text}\n{mistakes:#?}"))
}

/// Rules by the body of a criterion, with the default parameters.
pub(super) fn ruled_with(body: &str, view: &View, limits: &Limits) -> Ruling {
    let script = script(&format!("fn criterion(run, given) {{\n{body}\n}}"));
    let given = given(&script, &BTreeMap::new()).expect("defaults");
    rule(&script, &Arc::new(view.clone()), &given, limits)
}

/// The same over the view of this file.
pub(super) fn ruled(body: &str) -> Ruling {
    ruled_with(body, &view(), &Limits::default())
}

/// The fault that ends a criterion; it must be undecided with it.
pub(super) fn fault(body: &str) -> Fault {
    let ruling = ruled(body);
    assert_eq!(ruling.word.words(), "undecided", "{body}: {ruling:?}");
    ruling.fault.unwrap_or_else(|| panic!("{body}: no fault"))
}

/// The message of an error that ends a criterion.
pub(super) fn error(body: &str) -> String {
    let fault = fault(body);
    assert_eq!(fault.kind, FaultKind::Error, "{body}: {fault:?}");
    format!("{}:{} {}", fault.line, fault.column, fault.message)
}

/// What a metric's body gives.
pub(super) fn measured(body: &str, view: &View) -> Measured {
    let script = script(&format!("fn metric(run, given) {{\n{body}\n}}"));
    let given = given(&script, &BTreeMap::new()).expect("defaults");
    measure(&script, &Arc::new(view.clone()), &given, &Limits::default())
        .unwrap_or_else(|fault| panic!("{body}: {fault}"))
}

/// The value of it, which must be known.
pub(super) fn value(body: &str) -> Estimate {
    let measured = measured(body, &view());
    measured.what.unwrap_or_else(|why| panic!("{body}: {why}"))
}
