//! A meter that stands still and always sees the lamp: while the other one rides
//! from position to position, it tells how the lamp's light drifts, so that each
//! reading becomes a ratio and fewer visits to the reference are needed.
//!
//! Called by: bench_file, fitting. Not here: when it is read (course), what is
//! made of it (report::fixed).

use photometry::measured::Quantity;
use written::{Mistake, Mistakes, Node};

use super::card::{Card, Carries, Meter, Rail};

/// Whether the sensor is a meter of this bench that stands still before the lamp.
pub fn fits(root: Node<'_>, card: &Card, mistakes: &mut Mistakes) {
    let (Some(name), Some(node)) = (&card.fixed_sensor, root.get("fixed-sensor")) else {
        return;
    };
    let Some(sensor) = card.meters.iter().find(|meter| meter.name == *name) else {
        let known = card.meters.iter().map(|meter| meter.name.as_str());
        mistakes.add(unknown_meter(node, name, known.collect()));
        return;
    };
    for (text, hint) in why_not(sensor, card) {
        mistakes.add(Mistake::new(node.place(), "not-a-fixed-sensor", text).hint(hint));
    }
}

/// No meter of the bench has this name.
pub(super) fn unknown_meter(node: Node<'_>, name: &str, known: Vec<&str>) -> Mistake {
    let hint = match written::nearest(name, known.iter().copied()) {
        Some(near) => format!("did you mean `{near}`?"),
        None => format!("the bench has {}", known.join(", ")),
    };
    let text = format!("there is no meter `{name}`");
    Mistake::new(node.place(), "unknown-name", text).hint(hint)
}

/// Why a meter cannot be the fixed sensor, each with what to do.
fn why_not(sensor: &Meter, card: &Card) -> Vec<(String, &'static str)> {
    let name = &sensor.name;
    let mut found = Vec::new();
    if !sensor.yields.contains(&Quantity::Illuminance) {
        let text = format!("the meter `{name}` does not yield illuminance");
        found.push((
            text,
            "name an illuminance meter that stands before the lamp",
        ));
    }
    if sensor.rides {
        let text = format!("the meter `{name}` rides on the carriage");
        found.push((
            text,
            "the sensor stands still, and sees the lamp wherever the other meter is",
        ));
    }
    if card.is_sphere(&sensor.place) {
        let text = format!("the meter `{name}` stands in a sphere");
        found.push((
            text,
            "the sensor stands where the lamp is measured from position to position",
        ));
    }
    if card.room.as_ref().is_some_and(|room| room.sensor == *name) {
        let text = format!("the meter `{name}` looks at the room");
        found.push((
            text,
            "a sensor of the room sees the room, this one the lamp",
        ));
    }
    let carries = |rail: &&Rail| rail.place == sensor.place && rail.carries == Carries::Lamp;
    if card.rail.as_ref().filter(carries).is_some() {
        let text =
            "the rail carries the lamp, so its distance from a fixed sensor changes".to_owned();
        found.push((
            text,
            "leave `fixed-sensor` out: reference visits tell the drift",
        ));
    }
    found
}

/// The sensor that stands before a unit at this place, beside the meter that
/// measures it.
pub fn beside<'a>(card: &'a Card, place: &str, measures: &Meter) -> Option<&'a Meter> {
    let name = card.fixed_sensor.as_deref()?;
    let mut meters = card.meters.iter();
    let sensor = meters.find(|meter| meter.name == name)?;
    (sensor.place == place && sensor.name != measures.name).then_some(sensor)
}
