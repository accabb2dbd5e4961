//! The run, its settings and points as scripts see them.
//!
//! They hold the view itself, so nothing is copied; each measured item of it
//! has a number, by which values remember what they rest on.
//!
//! Called by: scripts, `host`. Not here: what lies between points (`distances`).

use std::sync::{Arc, OnceLock};

use photometry::uncertainty::Estimate;
use rhai::{Array, Dynamic};
use written::nearest;

use super::api::{Entry, entries};
use super::columns::{Column, Filling};
use super::fault::{Raised, raise};
use super::items::Items;
use super::sandbox::charge;
use super::unit::Unit;
use super::values::{Amount, Parts};
use super::view::{Measured, PointView, SettingView, View};

/// Items of a setting before its points: drift and reference.
const BEFORE_POINTS: usize = 2;
/// What a text property says that is not there.
const NOT_KNOWN: &str = "not known";

/// The run as scripts hold it.
#[derive(Clone, Debug)]
pub(super) struct Run {
    pub(super) view: Arc<View>,
    /// Number of each setting's first item.
    starts: Arc<[usize]>,
    /// Columns of each setting, made once: distances and lux.
    columns: Arc<[[OnceLock<Column>; 2]]>,
}

/// One setting of it.
#[derive(Clone, Debug)]
pub(super) struct Setting {
    pub(super) run: Run,
    at: usize,
}

/// One point of a setting.
#[derive(Clone, Debug)]
pub(super) struct Point {
    setting: Setting,
    at: usize,
}

impl Run {
    pub(super) fn new(view: &Arc<View>) -> Run {
        let mut next = 0;
        let start = |setting: &SettingView| {
            let start = next;
            next += BEFORE_POINTS + setting.points.len();
            start
        };
        Run {
            starts: view.settings.iter().map(start).collect(),
            columns: view.settings.iter().map(|_| Default::default()).collect(),
            view: Arc::clone(view),
        }
    }

    /// The keys of some items, sorted, each once.
    pub(super) fn keys(&self, items: &Items) -> Vec<String> {
        let mut keys: Vec<String> = Vec::new();
        for item in items.numbers() {
            let after = self.starts.partition_point(|start| *start <= item);
            let Some(at) = after.checked_sub(1) else {
                continue;
            };
            let (setting, offset) = (&self.view.settings[at], item - self.starts[at]);
            match offset {
                0 => keys.extend_from_slice(&setting.drift.rests_on),
                1 => keys.extend_from_slice(&setting.reference.rests_on),
                offset => {
                    let point = setting.points.get(offset - BEFORE_POINTS);
                    keys.extend(point.into_iter().flat_map(keys_of).cloned());
                }
            }
        }
        keys.sort();
        keys.dedup();
        keys
    }

    fn settings(&self) -> Vec<Setting> {
        charge(self.view.settings.len());
        let setting = |at| Setting {
            run: self.clone(),
            at,
        };
        (0..self.view.settings.len()).map(setting).collect()
    }

    /// Those with a level, ascending.
    fn levels(&self) -> Vec<Setting> {
        let mut levels = self.settings();
        levels.retain(|setting| setting.view().level.is_some());
        levels.sort_by_key(|setting| setting.view().level);
        levels
    }

    fn setting(&self, name: &str) -> Raised<Setting> {
        let names = || self.view.settings.iter().map(|s| s.name.as_str());
        if let Some(at) = names().position(|known| known == name) {
            return Ok(Setting {
                run: self.clone(),
                at,
            });
        }
        let meant = nearest(name, names());
        let hint = meant.map_or_else(String::new, |meant| format!("; did you mean `{meant}`?"));
        raise(format!("there is no setting `{name}`{hint}"))
    }
}

/// What a point rests on: its readings, or itself where they are not told.
fn keys_of(point: &PointView) -> &[String] {
    match &point.lux.rests_on[..] {
        [] => std::slice::from_ref(&point.key),
        readings => readings,
    }
}

impl Setting {
    pub(super) fn view(&self) -> &SettingView {
        &self.run.view.settings[self.at]
    }

    fn item(&self, offset: usize) -> usize {
        self.run.starts[self.at] + offset
    }

    pub(super) fn point_item(&self, point: usize) -> usize {
        self.item(BEFORE_POINTS + point)
    }

    /// The light at one of its points.
    pub(super) fn lux_of(&self, point: usize) -> Amount {
        let measured = &self.view().points[point].lux;
        amount(measured, self.point_item(point))
    }

    /// Points with a value in lux and a finite position: place in the view, distance.
    pub(super) fn known_points(&self) -> impl Iterator<Item = (usize, &PointView)> {
        let points = self.view().points.iter().enumerate();
        points.filter(|(_, point)| is_usable(point))
    }

    fn distances(&self) -> Column {
        let [made, _] = &self.run.columns[self.at];
        made.get_or_init(|| self.distances_made()).clone()
    }

    fn lux(&self) -> Column {
        let [_, made] = &self.run.columns[self.at];
        made.get_or_init(|| self.lux_made()).clone()
    }

    /// Distances are taken as exact: their doubt is a term of the light.
    fn distances_made(&self) -> Column {
        let exact = |(_, point): (usize, &PointView)| Estimate::exact(point.position_m);
        let distances: Vec<Estimate> = self.known_points().map(exact).collect();
        let label = format!("distances of {}", self.view().name);
        let mut filling = Filling::new(label, Unit::Metre, distances.len());
        for distance in &distances {
            filling.push(distance, &[]);
        }
        filling.left_out(self.view().points.len() - distances.len());
        filling.done()
    }

    fn lux_made(&self) -> Column {
        let points = self.view().points.len();
        let label = format!("lux of {}", self.view().name);
        let mut filling = Filling::new(label, Unit::Lux, points);
        let mut rows = 0;
        for (at, point) in self.view().points.iter().enumerate() {
            match &point.lux.what {
                Ok(estimate) if is_usable(point) => {
                    filling.push(estimate, &point.lux.flags);
                    filling.item(self.point_item(at));
                    rows += 1;
                }
                _ => filling.passed_over(self.lux_of(at).lies()),
            }
        }
        filling.left_out(points - rows);
        filling.done()
    }

    fn level(&self) -> Raised<i64> {
        match self.view().level {
            Some(level) => Ok(i64::from(level)),
            None => raise(format!("{} is not a level", self.view().name)),
        }
    }
}

fn is_usable(point: &PointView) -> bool {
    let finite = |e: &Estimate| e.value.is_finite();
    let known = point.lux.what.as_ref().is_ok_and(finite);
    known && point.position_m.is_finite() && point.lux.unit == Unit::Lux
}

/// A measured item as a value.
fn amount(measured: &Measured, item: usize) -> Amount {
    Amount::of(Parts {
        what: measured.what.clone(),
        unit: measured.unit.clone(),
        flags: measured.flags.clone(),
        items: Items::one(item),
        reach: measured.reach.clone(),
        given: false,
    })
}

fn text_or_not_known(text: Option<&String>) -> String {
    text.map_or(NOT_KNOWN, String::as_str).to_owned()
}

fn array<T: Clone + Send + Sync + 'static>(items: Vec<T>) -> Array {
    items.into_iter().map(Dynamic::from).collect()
}

pub(super) const ENTRIES: &[Entry] = entries! {
    "run" "lamp" (None) -> "a text": "the lamp's model", |e| {
            e.register_get("lamp", |r: &mut Run| r.view.lamp.clone());
        };
    "run" "unit" (None) -> "a text": "the sample", |e| {
            e.register_get("unit", |r: &mut Run| r.view.unit.clone());
        };
    "run" "firmware" (None) -> "a text": "the sample's firmware, or `not known`", |e| {
            e.register_get("firmware", |r: &mut Run| text_or_not_known(r.view.firmware.as_ref()));
        };
    "run" "plan" (None) -> "a text": "the plan's name", |e| {
            e.register_get("plan", |r: &mut Run| r.view.plan.clone());
        };
    "run" "bench" (None) -> "a text": "the bench's name", |e| {
            e.register_get("bench", |r: &mut Run| r.view.bench.clone());
        };
    "run" "unfinished" (None) -> "true or false": "whether the run is not yet complete", |e| {
            e.register_get("unfinished", |r: &mut Run| r.view.unfinished);
        };
    "run" "settings" (None) -> "an array of settings": "all that were measured", |e| {
            e.register_get("settings", |r: &mut Run| array(r.settings()));
        };
    "run" "levels" (None) -> "an array of settings": "those with a level, ascending", |e| {
            e.register_get("levels", |r: &mut Run| array(r.levels()));
        };
    "run" "setting" (Some("name")) -> "a setting": "by its name: run.setting(\"L07\")", |e| {
            e.register_fn("setting", |r: &mut Run, name: &str| r.setting(name));
        };
    "setting" "name" (None) -> "a text": "as in keys: L07", |e| {
            e.register_get("name", |s: &mut Setting| s.view().name.clone());
        };
    "setting" "shown" (None) -> "a text": "as for a person: level 7", |e| {
            e.register_get("shown", |s: &mut Setting| s.view().shown.clone());
        };
    "setting" "mode" (None) -> "a text": "the lamp's mode, or `not known`", |e| {
            e.register_get("mode", |s: &mut Setting| text_or_not_known(s.view().mode.as_ref()));
        };
    "setting" "level" (None) -> "a number": "its level; a fault where it is none", |e| {
            e.register_get("level", |s: &mut Setting| s.level());
        };
    "setting" "drift" (None) -> "a measured value": "change at the reference while it was measured, %", |e| {
            e.register_get("drift", |s: &mut Setting| amount(&s.view().drift, s.item(0)));
        };
    "setting" "reference" (None) -> "a measured value": "light at the reference position, lx", |e| {
            e.register_get("reference", |s: &mut Setting| amount(&s.view().reference, s.item(1)));
        };
    "setting" "distances" (None) -> "a column": "distances of the points that have a value, m", |e| {
            e.register_get("distances", |s: &mut Setting| s.distances());
        };
    "setting" "lux" (None) -> "a column": "light at the points that have a value, lx", |e| {
            e.register_get("lux", |s: &mut Setting| s.lux());
        };
    "setting" "points" (None) -> "an array of points": "all points, with a value or without", |e| {
            e.register_get("points", |s: &mut Setting| {
                let points = 0..s.view().points.len();
                array(points.map(|at| Point { setting: s.clone(), at }).collect())
            });
        };
    "point" "distance" (None) -> "a measured value": "distance from the lamp, m", |e| {
            e.register_get("distance", |p: &mut Point| {
                Amount::given(p.setting.view().points[p.at].position_m, Unit::Metre)
            });
        };
    "point" "lux" (None) -> "a measured value": "light there, lx", |e| {
            e.register_get("lux", |p: &mut Point| p.setting.lux_of(p.at));
        };
};
