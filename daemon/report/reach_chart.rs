//! The distance at which each level gives an illuminance that is asked for,
//! drawn over distance and level: each target is a contour, the first one
//! emphasised. How the distances come about is said in [`super::reach`].

use photometry::units::{Length, LengthUnit};

use super::chart::{cut, plain};
use super::digits;
use super::ink::Ink;
use super::ladder::{level_of, ordered};
use super::reach::{Where, reaches};
use super::rows::{LEFT, Rows, TOP};
use super::scale::Linear;
use super::strokes;
use super::survey::{SettingFigures, SurveyFigures};
use super::svg::{Anchor, Path, Svg};

/// The illuminance asked for, in lux.
pub const TARGET_LX: u32 = 250;
/// Others that are drawn where the survey reaches them, in lux.
const OTHERS_LX: [u32; 2] = [2_500, 10_000];

/// Settings that a sentence names; the rows name all.
const NAMED_AT_MOST: usize = 6;
/// Where the plot ends and the words begin, in pixels.
const PLOT_END: f64 = 572.0;
const WORDS: f64 = 586.0;
/// Characters that fit there.
const WORDS_AT_MOST: usize = 22;
/// Room for one entry of the key.
const KEY: f64 = 104.0;

/// A target's distances, in the settings' order.
#[derive(Clone, Debug, PartialEq)]
pub struct Contour<'f> {
    /// The target in lux.
    pub target_lx: u32,
    /// Where each setting gives it.
    pub found: Vec<(&'f SettingFigures, Where)>,
}

impl Contour<'_> {
    /// Some setting gives it between two measured points.
    pub fn is_within(&self) -> bool {
        let within = |found| matches!(found, Where::At { .. } | Where::Between(..));
        self.found.iter().any(|(_, found)| within(*found))
    }
}

/// The target's contour, and the others' that lie within the survey.
pub fn contours(figures: &SurveyFigures) -> Vec<Contour<'_>> {
    let settings = ordered(figures);
    let contour = |target_lx: u32| Contour {
        target_lx,
        found: settings
            .iter()
            .map(|s| (*s, reaches(s, f64::from(target_lx))))
            .collect(),
    };
    let others = OTHERS_LX.into_iter().map(contour);
    std::iter::once(contour(TARGET_LX))
        .chain(others.filter(Contour::is_within))
        .collect()
}

/// A distance in the survey's unit, to the digits that U allows.
pub fn distance_text(
    distance_m: f64,
    expanded_m: Option<f64>,
    lengths: LengthUnit,
) -> (String, Option<String>) {
    let (per_metre, unit) = match lengths {
        LengthUnit::Inches => (1.0 / 0.0254, "in"),
        LengthUnit::Millimetres => (1000.0, "mm"),
    };
    let (value, u) = digits::shown(distance_m * per_metre, expanded_m.map(|u| u * per_metre));
    (format!("{value} {unit}"), u.map(|u| format!("{u} {unit}")))
}

/// Where a target is given, in few words.
pub fn where_text(found: &Where, lengths: LengthUnit) -> String {
    match found {
        Where::At {
            distance_m,
            expanded_m,
            ..
        } => distance_text(*distance_m, *expanded_m, lengths).0,
        Where::Between(near, far) => {
            let near = near.shown(lengths);
            let near = near.split(' ').next().unwrap_or_default();
            format!("{near} to {}", far.shown(lengths))
        }
        Where::Never => "dimmer everywhere".to_owned(),
        Where::Everywhere => "brighter everywhere".to_owned(),
        Where::NotKnown => "not known".to_owned(),
    }
}

/// What the contour shows, in one sentence.
pub fn finding(contour: &Contour<'_>, lengths: LengthUnit) -> String {
    let target = contour.target_lx;
    let at = contour
        .found
        .iter()
        .filter_map(|(setting, found)| match found {
            Where::At { distance_m, .. } => Some((setting, found, *distance_m)),
            _ => None,
        });
    let nearest = at.clone().min_by(|a, b| a.2.total_cmp(&b.2));
    let farthest = at.max_by(|a, b| a.2.total_cmp(&b.2));
    let words = |(setting, found, _): (&&SettingFigures, &Where, f64)| {
        format!("{} ({})", where_text(found, lengths), setting.shown)
    };
    let mut sentence = match (nearest, farthest) {
        (Some(nearest), Some(farthest)) if nearest.0.setting == farthest.0.setting => {
            format!("{target} lx is reached at {}", words(nearest))
        }
        (Some(nearest), Some(farthest)) => format!(
            "{target} lx is reached at {} to {}",
            words(nearest),
            words(farthest)
        ),
        _ => format!("{target} lx is reached between no two measured points"),
    };
    for (what, side) in [(Where::Never, "below"), (Where::Everywhere, "above")] {
        let found = contour.found.iter().filter(|(_, found)| *found == what);
        let names: Vec<&str> = found.map(|(setting, _)| setting.shown.as_str()).collect();
        sentence += &match names.as_slice() {
            [] => continue,
            [one] => format!("; {one} stays {side} it"),
            [some @ .., last] if names.len() <= NAMED_AT_MOST => {
                format!("; {} and {last} stay {side} it", some.join(", "))
            }
            _ => format!("; {} settings, named below, stay {side} it", names.len()),
        };
    }
    sentence
}

/// Draws the contours within a page.
pub fn within(prefix: &str, figures: &SurveyFigures, contours: &[Contour<'_>]) -> String {
    let Some(first) = contours.first() else {
        return String::new();
    };
    let lengths = figures.lengths;
    let rows = Rows::of(first.found.len());
    let title = finding(first, lengths);
    let mut out = Svg::within(prefix, rows.size(), &title, &describe(contours, lengths));
    let axis = axis(figures);
    let heading = &figures.heading;
    let unit = match lengths {
        LengthUnit::Inches => "in",
        LengthUnit::Millimetres => "mm",
    };
    let label = format!("distance from {} ({unit})", heading.datum);
    rows.linear_axis(&mut out, &axis, &axis.ticks(8), &label);
    border(&mut out, figures, &axis, &rows);
    let head = format!("{} lx at", first.target_lx);
    out.say((WORDS, TOP - 10.0), Anchor::Start, Ink::Strong, &head);
    for (index, (setting, found)) in first.found.iter().enumerate() {
        rows.name(&mut out, index, &setting.shown);
        measured(&mut out, setting, lengths, &axis, rows.at(index));
        let words = cut(&where_text(found, lengths), WORDS_AT_MOST);
        let place = (WORDS, rows.at(index) + 4.0);
        out.say(place, Anchor::Start, Ink::Name, &words);
    }
    for (index, contour) in contours.iter().enumerate().rev() {
        draw(&mut out, index, contour, lengths, &axis, &rows);
    }
    out.finish()
}

fn shown(metres: f64, lengths: LengthUnit) -> f64 {
    match lengths {
        LengthUnit::Inches => metres / 0.0254,
        LengthUnit::Millimetres => metres * 1000.0,
    }
}

fn axis(figures: &SurveyFigures) -> Linear {
    let points = figures.settings.iter().flat_map(|s| &s.points);
    let far = points.map(|p| p.position).max().unwrap_or(Length::ZERO);
    let far = shown(far.metres(), figures.lengths);
    Linear {
        from: 0.0,
        to: if far > 0.0 { far * 1.02 } else { 1.0 },
        start: LEFT,
        end: PLOT_END,
    }
}

/// The end of the near field, with its name in the key's last place.
fn border(out: &mut Svg, figures: &SurveyFigures, axis: &Linear, rows: &Rows) {
    let near = shown(figures.heading.near_field.metres(), figures.lengths);
    let x = axis.place(near);
    if !(axis.start..=axis.end).contains(&x) {
        return;
    }
    let mut path = Path::default();
    path.to(x, TOP).draw(x, rows.bottom());
    let key = LEFT + 3.0 * KEY;
    path.to(key + 1.0, TOP - 21.0).draw(key + 1.0, TOP - 8.0);
    out.draw(&path, Ink::Border);
    let place = (key + 9.0, TOP - 10.0);
    out.say(place, Anchor::Start, Ink::Name, "near field ends");
}

/// The span that was measured, with a tick at each point that has a value.
fn measured(out: &mut Svg, setting: &SettingFigures, lengths: LengthUnit, axis: &Linear, y: f64) {
    let mut path = Path::default();
    let mut ends: Option<(f64, f64)> = None;
    for point in setting.points.iter().filter(|p| p.estimate.is_some()) {
        let x = axis.place(shown(point.position.metres(), lengths));
        path.to(x, y - 2.5).as_written("v5");
        ends = Some((ends.map_or(x, |(from, _)| from), x));
    }
    if let Some((from, to)) = ends {
        path.to(from, y).draw(to, y);
    }
    out.draw(&path, Ink::Decade);
}

/// A contour and its place in the key. It is drawn from level to level; one
/// that does not give the target breaks it, and so does another mode.
fn draw(
    out: &mut Svg,
    index: usize,
    contour: &Contour<'_>,
    lengths: LengthUnit,
    axis: &Linear,
    rows: &Rows,
) {
    let (mut path, mut places) = (Path::default(), Vec::new());
    let mut somewhere = Path::default();
    let mut before: Option<&str> = None;
    for (row, (setting, found)) in contour.found.iter().enumerate() {
        if let Where::Between(near, far) = found {
            let place = |at: &Length| axis.place(shown(at.metres(), lengths));
            let y = rows.at(row);
            somewhere.to(place(near), y - 4.0).as_written("v8");
            somewhere.to(place(far), y - 4.0).as_written("v8");
            somewhere.to(place(near), y).draw(place(far), y);
        }
        let Where::At { distance_m, .. } = found else {
            before = None;
            continue;
        };
        let place = (axis.place(shown(*distance_m, lengths)), rows.at(row));
        let (mode, level) = level_of(&setting.setting);
        if before == Some(mode) && level.is_some() {
            path.draw(place.0, place.1);
        } else {
            path.to(place.0, place.1);
        }
        before = Some(mode);
        places.push(place);
    }
    let key = LEFT + KEY * index as f64;
    path.to(key, TOP - 14.0).draw(key + 26.0, TOP - 14.0);
    places.push((key + 13.0, TOP - 14.0));
    out.group(if index == 0 { "class=\"first\"" } else { "" });
    strokes::line(out, index, &path);
    strokes::line(out, index, &somewhere);
    strokes::marks(out, index, places);
    out.end();
    let name = format!("{} lx", plain(f64::from(contour.target_lx)));
    let ink = if index == 0 { Ink::Strong } else { Ink::Name };
    out.say((key + 32.0, TOP - 10.0), Anchor::Start, ink, &name);
}

fn describe(contours: &[Contour<'_>], lengths: LengthUnit) -> String {
    let mut text = String::new();
    for contour in contours {
        text += &format!("{}.", finding(contour, lengths));
        for (setting, found) in &contour.found {
            text += &format!(" {}: {}.", setting.shown, where_text(found, lengths));
        }
        text.push(' ');
    }
    text.trim_end().to_owned()
}
