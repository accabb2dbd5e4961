//! Which meter of power stands in the lamp's mains. A meter of light is chosen by
//! `fitting`; one of power rides on nothing and may be missing.
//!
//! Called by: the layouts of standby and flux.

use photometry::measured::Quantity;

use super::card::{Card, Meter};
use super::faults::Problem;
use super::placement::Placement;

/// The named meter of power, or the only one that stands where the unit does;
/// none where there is none.
///
/// # Errors
/// A name that is not one of those, or several that fit.
pub fn power_meter<'a>(
    name: Option<&str>,
    placement: &Placement,
    card: &'a Card,
) -> Result<Option<&'a Meter>, Problem> {
    let why_not = |meter: &Meter| {
        if !meter.yields.contains(&Quantity::Power) {
            Some("it does not yield power".to_owned())
        } else if meter.place != placement.place {
            let (at, unit) = (&meter.place, &placement.place);
            Some(format!("it stands at `{at}`, the unit at `{unit}`"))
        } else {
            None
        }
    };
    if let Some(name) = name {
        let meter = card.meters.iter().find(|meter| meter.name == name);
        let meter = meter.ok_or_else(|| Problem::MeterUnknown {
            meter: name.to_owned(),
            bench: card.name.clone(),
            known: card.meters.iter().map(|meter| meter.name.clone()).collect(),
        })?;
        return match why_not(meter) {
            None => Ok(Some(meter)),
            Some(why) => Err(Problem::MeterUnfit {
                meter: name.to_owned(),
                why,
            }),
        };
    }
    let fits = |meter: &&Meter| why_not(meter).is_none();
    let fitting: Vec<&Meter> = card.meters.iter().filter(fits).collect();
    match fitting.as_slice() {
        [] => Ok(None),
        [only] => Ok(Some(only)),
        several => Err(Problem::SeveralPowerMeters(
            several.iter().map(|meter| meter.name.clone()).collect(),
        )),
    }
}
