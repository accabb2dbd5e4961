//! A plan file as written becomes a plan, with the places of everything that
//! later checks may find fault with.

use photometry::stabilisation::WindowRule;
use photometry::units::{Length, Ratio};
use written::{Fields, Kind, Mistake, Mistakes, Node, Place, readers};

use super::file;
use super::intent::{
    AfterPowerLoss, IfAbsent, IfDisturbed, OnFailure, Plan, PlanLine, Policies, Reference,
    SettingWord, Settings, Survey, Test, TestKind, WarmUp, Window,
};
use super::itinerary::KindName;
use super::kinds_file;
use super::uses::{Purpose, UsePlaces, uses};

/// Positions of one survey.
const POSITIONS_AT_MOST: i64 = 1_000;
/// Readings at one point.
pub(super) const READINGS_AT_MOST: i64 = 1_000;
/// The reference position is the one of the grid nearest to this (24 in),
/// unless the plan names another.
const REFERENCE_NEAR: Length = Length::from_um(609_600);

/// Where the parts of a plan stand.
#[derive(Clone, Debug)]
pub struct PlanPlaces {
    /// The plan's name.
    pub name: Place,
    /// The window, when there is one.
    pub window: Option<Place>,
    /// By test, in the plan's order.
    pub tests: Vec<TestPlaces>,
    /// By use of a script, in the plan's order.
    pub uses: Vec<UsePlaces>,
}

/// Where the parts of a test stand.
#[derive(Clone, Debug)]
pub struct TestPlaces {
    /// Its name.
    pub test: Place,
    /// Each setting as written.
    pub settings: Vec<Place>,
    /// The positions as a whole.
    pub positions: Place,
    /// Each position with its place, where they were listed.
    pub listed: Vec<(Length, Place)>,
    /// The reference position.
    pub reference: Option<Place>,
    /// The meter's name.
    pub meter: Option<Place>,
}

/// Reads a plan file.
pub fn plan(root: Node<'_>, mistakes: &mut Mistakes) -> Option<(Plan, PlanPlaces)> {
    let mut fields = Fields::of(root, "the plan file", mistakes)?;
    let name = fields.need("plan", readers::name);
    file::format(&mut fields);
    // Taken by whoever reads the files; here it is only a known key.
    let _ = fields.has("based-on");
    let tests = fields.need("tests", tests);
    let policies = fields.may_or("policies", policies, Policies::default());
    let criteria = fields.may_or("criteria", uses(Purpose::Criterion), Vec::new());
    let metrics = fields.may_or("metrics", uses(Purpose::Metric), Vec::new());
    fields.finish();
    let name_place = root.get("plan").map_or_else(|| root.place(), Node::place);
    let window = root
        .get("policies")
        .and_then(|p| p.get("window"))
        .map(Node::place);
    let (tests, places) = tests?.into_iter().unzip();
    let (uses, use_places): (Vec<_>, Vec<_>) = criteria.into_iter().chain(metrics).unzip();
    let plan = Plan {
        name: name?,
        tests,
        policies,
        uses,
    };
    tests_of_uses(&plan, &use_places, mistakes);
    Some((
        plan,
        PlanPlaces {
            name: name_place,
            window,
            tests: places,
            uses: use_places,
        },
    ))
}

/// A use must name a test of the plan, and no other use's name.
fn tests_of_uses(plan: &Plan, places: &[UsePlaces], mistakes: &mut Mistakes) {
    let names = || plan.tests.iter().map(|test| test.name.as_str());
    for (at, (one, place)) in plan.uses.iter().zip(places).enumerate() {
        if let (Some(test), Some(place)) = (&one.test, &place.test)
            && !names().any(|name| name == test)
        {
            let text = format!("the plan has no test {}", readers::shown(test));
            let hint = match written::nearest(test, names()) {
                Some(near) => format!("did you mean `{near}`?"),
                None => format!("its tests are {}", names().collect::<Vec<_>>().join(", ")),
            };
            mistakes.add(Mistake::new(place.clone(), "no-test", text).hint(hint));
        }
        let twin = plan.uses[..at]
            .iter()
            .position(|other| other.name == one.name);
        if let Some(first) = twin.and_then(|twin| places.get(twin)) {
            let text = format!("`{}` is already the name of another", one.name);
            let first = first.name.clone();
            mistakes.add(
                Mistake::new(place.name.clone(), "name-twice", text).also(first, "the first one"),
            );
        }
    }
}

fn tests(node: Node<'_>, mistakes: &mut Mistakes) -> Option<Vec<(Test, TestPlaces)>> {
    if node.kind() != Kind::Map || node.entries().next().is_none() {
        mistakes.add(
            readers::must_be(node, "tests by their names")
                .hint("write `tests:`, below it `levels:`, and below that `kind: survey`"),
        );
        return None;
    }
    let found: Vec<Option<(Test, TestPlaces)>> = node
        .entries()
        .map(|(key, value)| {
            let name = readers::name(key, mistakes);
            let (kind, places) = test(key, value, mistakes)?;
            let (file, line) = key.place().plan_line();
            let line = PlanLine {
                file: file.to_string(),
                line,
            };
            Some((
                Test {
                    name: name?,
                    line,
                    kind,
                },
                places,
            ))
        })
        .collect();
    // Those that could be read are still held against lamp and bench; with
    // none at all, nothing can be said.
    let readable: Vec<_> = found.into_iter().flatten().collect();
    (!readable.is_empty()).then_some(readable)
}

/// The kinds that can be written.
const KINDS: [(&str, KindName); 6] = [
    (KindName::Survey.word(), KindName::Survey),
    (KindName::Spectrum.word(), KindName::Spectrum),
    (KindName::Flicker.word(), KindName::Flicker),
    (KindName::Ramp.word(), KindName::Ramp),
    (KindName::Flux.word(), KindName::Flux),
    (KindName::Standby.word(), KindName::Standby),
];

fn test(key: Node<'_>, node: Node<'_>, mistakes: &mut Mistakes) -> Option<(TestKind, TestPlaces)> {
    let kinds = || KINDS.iter().filter(|(_, kind)| !kind.is_survey());
    let other = kinds().find(|(word, _)| {
        let kind = node.get("kind").and_then(|kind| kind.text());
        kind == Some(word)
    });
    match other {
        Some((_, kind)) => kinds_file::test(*kind, key, node, mistakes),
        None => {
            let (survey, places) = survey(key, node, mistakes)?;
            Some((TestKind::Survey(survey), places))
        }
    }
}

fn survey(key: Node<'_>, node: Node<'_>, mistakes: &mut Mistakes) -> Option<(Survey, TestPlaces)> {
    let what = format!("the test `{}`", key.text().unwrap_or("?"));
    let mut fields = Fields::of(node, &what, mistakes)?;
    let kind = fields.need_like("kind", "survey", readers::one_of(&KINDS));
    let meter = fields.may("meter", readers::name);
    let (settings, setting_places) =
        fields.may_or("settings", settings, (Settings::All, Vec::new()));
    let positions = fields.need_like(
        "positions",
        "{from: 6 in, to: 72 in, every: 6 in}",
        positions,
    );
    let readings = fields.may_or("readings", readers::integer_in(1..=READINGS_AT_MOST), 5);
    let settle = fields.may("settle", file::span);
    let dark = fields.may_or("dark", readers::integer_in(0..=READINGS_AT_MOST), 5);
    let ambient = fields.may_or("ambient", readers::integer_in(0..=READINGS_AT_MOST), 3);
    let rule = fields.may_or("warm-up-rule", rule, WindowRule::LM79);
    let warm_up = fields.may_or("warm-up", |n, m| warm_up(n, rule, m), WarmUp::Leg(rule));
    let reference = fields.may("reference", reference).unwrap_or_default();
    fields.finish();
    kind?;
    let positions = positions?;
    let places = TestPlaces {
        test: key.place(),
        settings: setting_places,
        positions: node
            .get("positions")
            .map_or_else(|| key.place(), Node::place),
        listed: listed_places(node),
        reference: node
            .get("reference")
            .and_then(|r| r.get("at"))
            .map(Node::place),
        meter: node.get("meter").map(Node::place),
    };
    let nearest = positions
        .iter()
        .copied()
        .min_by_key(|p| (*p - REFERENCE_NEAR).abs());
    let survey = Survey {
        meter,
        settings,
        reference: Reference {
            at: reference.at.or(nearest)?,
            every: reference.every.unwrap_or(6),
            drift_limit: reference.drift_limit.unwrap_or(Ratio::new(0.005)),
            give_up: reference.give_up.unwrap_or(Ratio::new(0.02)),
        },
        positions,
        readings: readings as u16,
        settle,
        dark: dark as u16,
        ambient: ambient as u16,
        warm_up,
    };
    Some((survey, places))
}

/// The settings, and where each was written. Those that can be read are still
/// held against the lamp when one beside them can't.
pub(super) fn settings(node: Node<'_>, mistakes: &mut Mistakes) -> Option<(Settings, Vec<Place>)> {
    if node.text() == Some("all") {
        return Some((Settings::All, vec![node.place()]));
    }
    let items: Vec<Node<'_>> = if node.kind() == Kind::List {
        node.items().collect()
    } else {
        vec![node]
    };
    if items.is_empty() {
        mistakes.add(Mistake::new(
            node.place(),
            "empty",
            "there is no setting to measure",
        ));
    }
    let mut found: Vec<(SettingWord, Place)> = Vec::new();
    for item in items {
        let Some(word) = setting(item, mistakes) else {
            continue;
        };
        if let Some((_, first)) = found.iter().find(|(other, _)| *other == word) {
            mistakes.add(
                Mistake::new(
                    item.place(),
                    "setting-twice",
                    "the setting stands there twice",
                )
                .also(first.clone(), "the first one"),
            );
        }
        found.push((word, item.place()));
    }
    let (words, places): (Vec<_>, Vec<_>) = found.into_iter().unzip();
    (!words.is_empty()).then_some((Settings::These(words), places))
}

fn setting(node: Node<'_>, mistakes: &mut Mistakes) -> Option<SettingWord> {
    if node.kind() == Kind::Map {
        let mut entries = node.entries();
        let (Some((mode, level)), None) = (entries.next(), entries.next()) else {
            mistakes.add(
                Mistake::new(
                    node.place(),
                    "setting",
                    "one setting is one mode and its level",
                )
                .hint("write each as an item of its own: `[{warm: 2}, {cool: 3}]`"),
            );
            return None;
        };
        let mode = readers::name(mode, mistakes)?;
        let level = readers::integer_in(1..=1000)(level, mistakes)?;
        return Some(SettingWord::ModeLevel(mode, level as u16));
    }
    if let Some(level) = node.as_i64() {
        let level = u16::try_from(level).ok().filter(|level| *level > 0);
        if level.is_none() {
            mistakes.add(
                Mistake::new(node.place(), "level", "levels count from 1")
                    .hint("write a number such as 7, or `full`, `half-setting`, `half-light`"),
            );
        }
        return level.map(SettingWord::Level);
    }
    if node.text() == Some("half") {
        mistakes.add(
            Mistake::new(node.place(), "bare-half", "`half` can mean two things").hint(
                "write `half-setting` (the middle level) or `half-light` (half of the light)",
            ),
        );
        return None;
    }
    let words = [
        ("full", SettingWord::Full),
        ("half-setting", SettingWord::HalfSetting),
        ("half-light", SettingWord::HalfLight),
    ];
    readers::one_of(&words)(node, mistakes)
}

fn positions(node: Node<'_>, mistakes: &mut Mistakes) -> Option<Vec<Length>> {
    let mut positions = if node.kind() == Kind::Map {
        grid(node, mistakes)?
    } else {
        readers::some_of(file::length)(node, mistakes)?
    };
    if positions.len() as i64 > POSITIONS_AT_MOST {
        mistakes.add(too_many(node, positions.len() as i64));
        return None;
    }
    let mut order: Vec<usize> = (0..positions.len()).collect();
    order.sort_by_key(|at| (positions[*at], *at));
    let before = mistakes.count();
    for pair in order.windows(2) {
        let (first, again) = (pair[0], pair[1]);
        if positions[first] == positions[again] {
            let place = |at: usize| node.items().nth(at).map_or(node.place(), Node::place);
            let text = format!("the position {} stands there twice", positions[again]);
            mistakes.add(
                Mistake::new(place(again), "position-twice", text)
                    .also(place(first), "the first one")
                    .hint("`readings` says how often a position is read"),
            );
        }
    }
    positions.sort_unstable();
    (mistakes.count() == before).then_some(positions)
}

/// Counted, not built: a slip of the unit must not fill the memory.
fn too_many(node: Node<'_>, count: i64) -> Mistake {
    let minutes = count / 60;
    let hours = minutes / 60;
    let time = match hours {
        0 => format!("{minutes} min"),
        1..48 => format!("{hours} h"),
        48..17_520 => format!("{} days", hours / 24),
        _ => format!("{} years", hours / 8_766),
    };
    let hint = if node.kind() == Kind::Map {
        "use a larger step or a shorter span; is the step in the right unit?"
    } else {
        "leave some out, or measure them in several tests"
    };
    Mistake::new(
        node.place(),
        "too-many",
        format!(
            "that is {count} positions, {time} at one a second; at most {POSITIONS_AT_MOST} are \
             laid out"
        ),
    )
    .hint(hint)
}

/// `{from: 6 in, to: 72 in, every: 6 in}`, counted before it is laid out.
fn grid(node: Node<'_>, mistakes: &mut Mistakes) -> Option<Vec<Length>> {
    let mut fields = Fields::of(node, "the positions", mistakes)?;
    let from = fields.need_like("from", "6 in", file::length);
    let to = fields.need_like("to", "72 in", file::length);
    let every = fields.need_like("every", "6 in", file::length);
    fields.finish();
    let (from, to, every) = (from?, to?, every?);
    if to < from {
        let text = format!("the grid ends at {to}, before it begins at {from}");
        mistakes.add(
            Mistake::new(node.place(), "grid", text).hint("write the nearer end after `from`"),
        );
        return None;
    }
    let count = (to - from).nm() / every.nm() + 1;
    if count > POSITIONS_AT_MOST {
        mistakes.add(too_many(node, count));
        return None;
    }
    if (to - from).nm() % every.nm() != 0 {
        let last = Length::from_nm(from.nm() + (count - 1) * every.nm());
        mistakes.add(
            Mistake::warning(
                node.place(),
                "grid-misses-end",
                format!("the grid ends at {last}: no whole step leads to {to}"),
            )
            .hint("change `to` or `every`"),
        );
    }
    // From absolute multiples, never from a running sum.
    Some(
        (0..count)
            .map(|k| Length::from_nm(from.nm() + k * every.nm()))
            .collect(),
    )
}

fn listed_places(test: Node<'_>) -> Vec<(Length, Place)> {
    let Some(node) = test
        .get("positions")
        .filter(|node| node.kind() == Kind::List)
    else {
        return Vec::new();
    };
    node.items()
        .filter_map(|item| Some((Length::parse(item.text()?).ok()?, item.place())))
        .collect()
}

pub(super) fn rule(node: Node<'_>, mistakes: &mut Mistakes) -> Option<WindowRule> {
    let words = [
        ("lm-79", WindowRule::LM79),
        ("cie-s-025", WindowRule::CIE_S025),
    ];
    readers::one_of(&words)(node, mistakes)
}

pub(super) fn warm_up(node: Node<'_>, rule: WindowRule, mistakes: &mut Mistakes) -> Option<WarmUp> {
    match node.text() {
        Some("leg") => Some(WarmUp::Leg(rule)),
        Some("standard") => Some(WarmUp::Standard(rule)),
        Some(text) if text.starts_with(|c: char| c.is_ascii_digit()) => {
            file::span(node, mistakes).map(WarmUp::Fixed)
        }
        _ => {
            let words = [("leg", ()), ("standard", ())];
            // Neither word: this tells so.
            readers::one_of(&words)(node, mistakes);
            None
        }
    }
}

#[derive(Default)]
struct ReferenceWritten {
    at: Option<Length>,
    every: Option<u16>,
    drift_limit: Option<Ratio>,
    give_up: Option<Ratio>,
}

fn reference(node: Node<'_>, mistakes: &mut Mistakes) -> Option<ReferenceWritten> {
    let mut fields = Fields::of(node, "the reference", mistakes)?;
    let at = fields.may("at", file::length);
    let every = fields.may("every", readers::integer_in(0..=POSITIONS_AT_MOST));
    let drift_limit = fields.may("drift-limit", file::share);
    let give_up = fields.may("give-up", file::share);
    fields.finish();
    if let (Some(limit), Some(give_up)) = (drift_limit, give_up)
        && give_up.share() < limit.share()
    {
        let text = format!("`give-up` ({give_up}) is below `drift-limit` ({limit})");
        mistakes.add(Mistake::new(node.place(), "limits", text));
    }
    Some(ReferenceWritten {
        at,
        every: every.map(|every| every as u16),
        drift_limit,
        give_up,
    })
}

fn policies(node: Node<'_>, mistakes: &mut Mistakes) -> Option<Policies> {
    let mut fields = Fields::of(node, "the policies", mistakes)?;
    let on_failure = fields.may_or(
        "on-failure",
        readers::one_of(&[
            ("next test", OnFailure::NextTest),
            ("hold", OnFailure::Hold),
            ("stop", OnFailure::Stop),
        ]),
        OnFailure::default(),
    );
    let if_absent = fields.may_or(
        "if-absent",
        readers::one_of(&[
            ("refuse", IfAbsent::Refuse),
            ("leave out", IfAbsent::LeaveOut),
        ]),
        IfAbsent::default(),
    );
    let after_power_loss = fields.may_or(
        "after-power-loss",
        readers::one_of(&[
            ("hold", AfterPowerLoss::Hold),
            ("resume", AfterPowerLoss::Resume),
        ]),
        AfterPowerLoss::default(),
    );
    let words = [IfDisturbed::Flag, IfDisturbed::Repeat, IfDisturbed::Hold];
    let if_disturbed = fields.may_or(
        "if-disturbed",
        readers::one_of(&words.map(|policy| (policy.word(), policy))),
        IfDisturbed::default(),
    );
    let window = fields.may("window", window);
    fields.finish();
    Some(Policies {
        on_failure,
        if_absent,
        after_power_loss,
        if_disturbed,
        window,
    })
}

fn window(node: Node<'_>, mistakes: &mut Mistakes) -> Option<Window> {
    let text = readers::text(node, mistakes)?;
    let clock = |text: &str| -> Option<u16> {
        let (hour, minute) = text.trim().split_once(':')?;
        let (hour, minute): (u16, u16) = (hour.parse().ok()?, minute.parse().ok()?);
        (hour < 24 && minute < 60).then(|| hour * 60 + minute)
    };
    let edges = text
        .split_once(" to ")
        .and_then(|(a, b)| Some((clock(a)?, clock(b)?)));
    match edges {
        Some((opens, closes)) if opens != closes => Some(Window { opens, closes }),
        Some(_) => {
            let text = "the window closes when it opens";
            mistakes.add(
                Mistake::new(node.place(), "window", text)
                    .hint("leave `window` out to measure at any time"),
            );
            None
        }
        None => {
            let text = format!("{} is no window", readers::shown(&text));
            mistakes.add(Mistake::new(node.place(), "window", text).hint("write `22:00 to 05:30`"));
            None
        }
    }
}
