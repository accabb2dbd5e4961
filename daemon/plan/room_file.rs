//! The key `room` of a bench file, as written, becomes what the card says: which
//! sensor looks at the room, and how dark and how warm it must be.
//!
//! Called by: bench_file. Not here: when it is looked at (course), what follows from
//! that (run::room).

use photometry::measured::Quantity;
use written::{Fields, Mistake, Mistakes, Node, readers};

use super::card::{AirLimits, Card, Room};
use super::file;
use super::fixed_sensor::unknown_meter;

/// Degrees Celsius that a room's limits lie between.
const AIR: std::ops::RangeInclusive<f64> = -40.0..=60.0;

/// Reads the room.
pub fn room(node: Node<'_>, mistakes: &mut Mistakes) -> Option<Room> {
    let mut fields = Fields::of(node, "the room", mistakes)?;
    let sensor = fields.need("sensor", readers::name);
    let light_at_most = fields.may("light-at-most", file::lux);
    let air = fields.may("air", air);
    if !fields.has("light-at-most") && !fields.has("air") {
        let text = "the room has no limit, so nothing would ever disturb it";
        let hint = "write `light-at-most: 0.5 lx`, or `air: 22 C to 28 C`, or both";
        let mistake = Mistake::new(node.place(), "no-limit", text).hint(hint);
        fields.mistakes().add(mistake);
    }
    fields.finish();
    Some(Room {
        sensor: sensor?,
        light_at_most,
        air,
    })
}

/// `22 C to 28 C`.
fn air(node: Node<'_>, mistakes: &mut Mistakes) -> Option<AirLimits> {
    let text = readers::text(node, mistakes)?;
    match file::range(&text, celsius) {
        Ok((from_c, to_c)) => Some(AirLimits { from_c, to_c }),
        Err(error) => {
            let hint = "write it as `22 C to 28 C`";
            mistakes.add(Mistake::new(node.place(), "air", error).hint(hint));
            None
        }
    }
}

fn celsius(text: &str) -> Result<f64, String> {
    let number = text.trim().strip_suffix('C').map(str::trim_end);
    let degrees = number.and_then(|number| number.strip_suffix('°').or(Some(number)));
    let parsed: Option<f64> = degrees.and_then(|number| number.trim_end().parse().ok());
    match parsed.filter(|degrees| AIR.contains(degrees)) {
        Some(degrees) => Ok(degrees),
        None => Err(format!(
            "`{}` is no temperature of a room in degrees Celsius, from {} to {}",
            text.trim(),
            AIR.start(),
            AIR.end()
        )),
    }
}

/// Whether the sensor is a meter of this bench that yields what has a limit.
pub fn fits(root: Node<'_>, card: &Card, mistakes: &mut Mistakes) {
    let (Some(room), Some(node)) = (&card.room, root.get("room")) else {
        return;
    };
    let place = node.get("sensor").map_or(node.place(), Node::place);
    let Some(sensor) = card.meters.iter().find(|meter| meter.name == room.sensor) else {
        let known = card.meters.iter().map(|meter| meter.name.as_str());
        let at = node.get("sensor").unwrap_or(node);
        mistakes.add(unknown_meter(at, &room.sensor, known.collect()));
        return;
    };
    let limits = [
        (
            room.light_at_most.is_some(),
            Quantity::Illuminance,
            "light-at-most",
        ),
        (room.air.is_some(), Quantity::Temperature, "air"),
    ];
    for (limited, quantity, key) in limits {
        if limited && !sensor.yields.contains(&quantity) {
            let (sensor, what) = (&sensor.name, quantity.name());
            let text = format!("the meter `{sensor}` does not yield {what}, which `{key}` limits");
            mistakes.add(Mistake::new(place.clone(), "not-a-room-sensor", text));
        }
    }
    if sensor.rides {
        let text = format!("the meter `{}` rides on the carriage", sensor.name);
        let hint = "a sensor of the room stands still, and sees the room rather than the lamp";
        mistakes.add(Mistake::new(place, "not-a-room-sensor", text).hint(hint));
    }
}
