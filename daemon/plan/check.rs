//! Reads any number of files at once and reports every mistake of all of them,
//! also those that only several files together show.
//!
//! Called by: cli (`check`), queue (booking and placing). Pure: the texts are
//! handed over, and so is today's date.

use written::{Document, Mistake, Mistakes, Place, Sources};

use super::bench_file::{self, BenchPlaces};
use super::card::{Calibration, Card, SHARE_OF_WALL_AT_MOST};
use super::faults::{self, PlanFault};
use super::file::{self, FileKind};
use super::frozen::SentText;
use super::intent::Plan;
use super::itinerary::{Itinerary, KindName};
use super::lamp::Lamp;
use super::parts::{self, Elsewhere, Part, Side};
use super::placement::Placement;
use super::plan_file::{self, PlanPlaces, TestPlaces};
use super::profiles::{self, Profiles};
use super::uses::{self, NotAsked, Scripts};
use super::{evenings, lamp_file, layout, placing};

/// A certificate that ends within so many days is worth a word.
const DUE_SOON_DAYS: i64 = 30;

/// Everything that was understood.
#[derive(Debug, Default)]
pub struct Checked {
    /// The bench.
    pub bench: Option<Card>,
    /// The lamp.
    pub lamp: Option<Lamp>,
    /// The plan.
    pub plan: Option<Plan>,
    /// The plan as written, its base below it.
    pub plan_written: Option<Document>,
    /// What the three together become, when all three are there and fit.
    pub itinerary: Option<Itinerary>,
    /// What the plan's other part becomes, where it has two and the bench has a
    /// place for both.
    pub other_part: Option<Itinerary>,
}

/// What a check found: what was understood, what is wrong, and the texts that
/// the places point into.
pub struct Found {
    /// What was understood.
    pub checked: Checked,
    /// What is wrong, in order of file and line.
    pub mistakes: Vec<Mistake>,
    /// The texts.
    pub sources: Sources,
}

impl Found {
    /// Whether anything is refused.
    pub fn refuses(&self) -> bool {
        self.mistakes
            .iter()
            .any(|mistake| mistake.severity == written::Severity::Mistake)
    }
    /// All mistakes, rendered for a terminal.
    pub fn shown(&self, colour: bool) -> String {
        written::render(&self.mistakes, &self.sources, colour)
    }
}

/// The files as they are read, before they are compared.
struct Reading {
    mistakes: Mistakes,
    sources: Sources,
    bench: Option<(Card, BenchPlaces)>,
    lamp: Option<Lamp>,
    plan: Option<(Plan, PlanPlaces)>,
    plan_written: Option<Document>,
    /// The names of profile files.
    profiles: Vec<String>,
    kinds: Vec<(FileKind, Place)>,
    /// Where the lamp's surface is written.
    surface: Option<Place>,
    /// More than one file of a kind: which belong together is not known.
    several: bool,
}

/// Checks files together. `today` is the day against which calibrations are
/// held, `2026-11-25`; `scripts` knows the scripts that the plan may use,
/// `profiles` the device profiles that the bench file may name.
pub fn check(
    files: &[SentText],
    today: &str,
    scripts: &dyn Scripts,
    profiles: &dyn Profiles,
) -> Found {
    let mut reading = read_all(files);
    ask(&mut reading, scripts);
    follow(&mut reading, files, profiles);
    if let Some((card, places)) = &reading.bench {
        due(card, places, today, &mut reading.mistakes);
    }
    large_lamp(&mut reading);
    let (mut itinerary, mut other_part) = (None, None);
    if reading.several {
        // Nothing can be said about them together.
    } else if let (Some((card, places)), Some(lamp), Some((plan, plan_places))) =
        (&reading.bench, &reading.lamp, &reading.plan)
    {
        let written = Written {
            plan,
            places: plan_places,
            bench: Some(&places.name),
        };
        (itinerary, other_part) = each_part(&written, lamp, card, &mut reading.mistakes);
    } else if let (Some(lamp), Some((plan, places))) = (&reading.lamp, &reading.plan) {
        settings_fit(plan, places, lamp, &mut reading.mistakes);
    }
    if reading.mistakes.refuses() {
        (itinerary, other_part) = (None, None); // a piece is not what was asked for
    }
    Found {
        checked: Checked {
            bench: reading.bench.map(|(card, _)| card),
            lamp: reading.lamp,
            plan: reading.plan.map(|(plan, _)| plan),
            plan_written: reading.plan_written,
            itinerary,
            other_part,
        },
        mistakes: reading.mistakes.into_sorted(),
        sources: reading.sources,
    }
}

/// Reads a lamp file alone.
///
/// # Errors
/// Its mistakes, rendered.
pub fn read_lamp(text: &SentText) -> Result<Lamp, String> {
    let one = std::slice::from_ref(text);
    let found = check(one, "0000-01-01", &NotAsked, &NotAsked);
    match found.checked.lamp {
        Some(ref lamp) if !found.refuses() => Ok(lamp.clone()),
        Some(_) => Err(found.shown(false)),
        None if found.refuses() => Err(found.shown(false)),
        None => Err(format!("{} is no lamp file", text.name)),
    }
}

/// Reads a bench file alone; warnings are no hindrance, and whether its
/// calibrations still hold is asked when a run is booked ([`overdue`]).
///
/// # Errors
/// Its mistakes and those of the profiles that it names, rendered.
pub fn read_card(text: &SentText, profiles: &dyn Profiles) -> Result<Card, String> {
    let one = std::slice::from_ref(text);
    let found = check(one, "0000-01-01", &NotAsked, profiles);
    match found.checked.bench {
        Some(ref card) if !found.refuses() => Ok(card.clone()),
        None if !found.refuses() => Err(format!("{} is no bench file", text.name)),
        _ => Err(found.shown(false)),
    }
}

/// What is calibrated on a bench, with its calibration: the meters, and the
/// reference lamp of its sphere.
fn calibrated(card: &Card) -> impl Iterator<Item = (&str, &Calibration)> {
    let meters = card.meters.iter();
    let meters = meters.map(|meter| (meter.name.as_str(), &meter.calibration));
    let lamps = card.sphere.iter().map(|sphere| &sphere.reference);
    meters.chain(lamps.map(|lamp| (lamp.name.as_str(), &lamp.calibration)))
}

/// The meters whose calibration ended before a day, and the reference lamp, in
/// words.
pub fn overdue(card: &Card, today: &str) -> Vec<String> {
    calibrated(card)
        .filter(|(_, calibration)| {
            let days = (day_number(&calibration.due), day_number(today));
            matches!(days, (Some(due), Some(today)) if due < today)
        })
        .map(|(name, calibration)| {
            format!(
                "the calibration of `{name}` ended on {}; write its new certificate into the bench \
                 file and start the daemon again",
                calibration.due
            )
        })
        .collect()
}

/// The two parts of a plan, where it has two; a text that is no plan is told when
/// it is read.
pub fn parts_of(texts: &[SentText]) -> Option<[Part; 2]> {
    let (plan, _) = read_all(texts).plan?;
    parts::split(&plan)
}

/// Where a unit would stand for a plan by the bench file alone ([`placing`]); a
/// text that is no plan is told when it is read.
pub fn nominal(texts: &[SentText], unit: &str, lamp: &Lamp, card: &Card) -> Placement {
    match read_all(texts).plan {
        // A bench that has nothing but a sphere takes that part of a plan.
        Some((plan, _)) if parts::split(&plan).is_some() && !parts::has(card, Side::Outside) => {
            placing::nominal_on(Side::Sphere, unit, lamp, card)
        }
        Some((plan, _)) => placing::nominal_for(&plan, unit, lamp, card),
        None => placing::nominal(unit, lamp, card),
    }
}

/// Reads a plan (and the plan that it is based on) against a lamp, a placement
/// and a bench. Of a plan with two parts, the one for this placement, and what
/// belongs elsewhere.
///
/// # Errors
/// All mistakes, rendered.
pub fn read_plan(
    texts: &[SentText],
    lamp: &Lamp,
    card: &Card,
    placement: &Placement,
    scripts: &dyn Scripts,
) -> Result<(Plan, Option<Elsewhere>), String> {
    let mut reading = read_all(texts);
    ask(&mut reading, scripts);
    let side = parts::side_at(placement, card);
    let mut part = None;
    if let Some((plan, places)) = &reading.plan {
        part = parts::on(plan, side);
        let written = Written {
            plan,
            places,
            bench: None,
        };
        let here = part.as_ref().map_or(plan, |part| &part.plan);
        together(
            &written,
            here,
            (lamp, placement, card),
            &mut reading.mistakes,
        );
    }
    let refuses = reading.mistakes.refuses();
    let mistakes = reading.mistakes.into_sorted();
    match reading.plan {
        Some((plan, _)) if !refuses => Ok(match part {
            Some(part) => (part.plan, Some(part.elsewhere)),
            None => (plan, None),
        }),
        None if !refuses => Err("no plan file was sent".to_owned()),
        _ => Err(written::render(&mistakes, &reading.sources, false)),
    }
}

/// Holds the plan's uses of scripts against the scripts.
fn ask(reading: &mut Reading, scripts: &dyn Scripts) {
    if let Some((plan, places)) = &reading.plan {
        for text in scripts.texts(&plan.uses) {
            reading.sources.add(&text.name, &text.text);
        }
        for (one, places) in plan.uses.iter().zip(&places.uses) {
            scripts.check(one, places, &mut reading.mistakes);
        }
    }
}

/// Gives the bench's devices their profiles, and reads profiles that were given
/// by themselves.
fn follow(reading: &mut Reading, files: &[SentText], profiles: &dyn Profiles) {
    if let Some((card, places)) = &mut reading.bench {
        for text in profiles.texts(card) {
            reading.sources.add(&text.name, &text.text);
        }
        profiles.fill(card, &places.profiles, &mut reading.mistakes);
    }
    // The profile of a device was told with it.
    let told = |name: &str| {
        let mut bench = reading.bench.iter();
        bench.any(|(card, _)| names(card, name))
    };
    let by_themselves = files
        .iter()
        .filter(|file| reading.profiles.contains(&file.name));
    for file in by_themselves.filter(|file| !told(&file.name)) {
        if let Some(codec) = profiles.codec(file) {
            reading.sources.add(&codec.name, &codec.text);
        }
        profiles.check(file, &mut reading.mistakes);
    }
}

fn names(card: &Card, profile: &str) -> bool {
    let meters = card.meters.iter().filter_map(|m| m.profile.as_ref());
    let fingers = card.fingers.iter().filter_map(|f| f.profile.as_ref());
    let rail = card.rail.iter().filter_map(|r| r.profile.as_ref());
    let outlets = card.outlets.iter().filter_map(|o| o.profile.as_ref());
    let control = card.control.iter().filter_map(|c| c.profile.as_ref());
    let button = card.stop_button.iter().filter_map(|b| b.profile.as_ref());
    let mut all = meters
        .chain(fingers)
        .chain(rail)
        .chain(outlets)
        .chain(control)
        .chain(button);
    all.any(|used| used.name == profile)
}

fn read_all(files: &[SentText]) -> Reading {
    let mut reading = Reading {
        mistakes: Mistakes::new(),
        sources: Sources::new(),
        bench: None,
        lamp: None,
        plan: None,
        plan_written: None,
        profiles: Vec::new(),
        kinds: Vec::new(),
        surface: None,
        several: false,
    };
    let mut documents = Vec::new();
    for file in files {
        reading.sources.add(&file.name, &file.text);
        if let Some(document) =
            written::read_collecting(&file.name, &file.text, &mut reading.mistakes)
        {
            documents.push(document);
        }
    }
    // Plans that others are based on are read as their part only.
    let bases: Vec<String> = documents.iter().filter_map(based_on).collect();
    let mut kept = Vec::new();
    let mut taken: Vec<Document> = Vec::new();
    for document in documents {
        if bases.iter().any(|base| base == document.file()) {
            taken.push(document);
        } else {
            kept.push(document);
        }
    }
    for document in &taken {
        if let Some(node) = document.root().get("based-on") {
            let text = format!(
                "`{}` is itself based on another plan, and another is based on it",
                document.file()
            );
            reading.mistakes.add(
                Mistake::new(node.place(), "base-of-base", text)
                    .hint("a plan is based on at most one, which stands alone"),
            );
        }
    }
    for document in kept {
        let document = match based_on(&document) {
            Some(base) => match lay_over(document, &base, &taken, &mut reading.mistakes) {
                Some(document) => document,
                None => continue,
            },
            None => document,
        };
        read_one(document, &mut reading);
    }
    reading
}

/// The file that a plan is based on.
pub fn based_on(document: &Document) -> Option<String> {
    document
        .root()
        .get("based-on")
        .and_then(|node| node.text())
        .map(str::to_owned)
}

/// The name of the file that a plan's text is based on, if any.
pub fn base_of(text: &SentText) -> Option<String> {
    written::read(&text.name, &text.text)
        .ok()
        .as_ref()
        .and_then(based_on)
}

/// The script files that a plan's text names, which lie beside it.
pub fn script_files(text: &SentText) -> Vec<String> {
    let Ok(document) = written::read(&text.name, &text.text) else {
        return Vec::new();
    };
    let mut files = Vec::new();
    for section in ["criteria", "metrics"] {
        let Some(section) = document.root().get(section) else {
            continue;
        };
        let named = section
            .entries()
            .filter_map(|(_, one)| one.get("script")?.text());
        for name in named.filter(|name| uses::is_file(name)) {
            if !files.iter().any(|known| known == name) {
                files.push(name.to_owned());
            }
        }
    }
    files
}

/// The profile files that a bench file's text names, which lie beside it.
pub fn profile_files(text: &SentText) -> Vec<String> {
    let document = written::read(&text.name, &text.text);
    document.map_or_else(|_| Vec::new(), |document| profiles::files(&document))
}

/// The codec files that a profile's text names, which lie beside it.
pub fn codec_files(text: &SentText) -> Vec<String> {
    profiles::codec(text).into_iter().collect()
}

fn lay_over(
    document: Document,
    base: &str,
    others: &[Document],
    mistakes: &mut Mistakes,
) -> Option<Document> {
    let place = document.root().get("based-on").map(|node| node.place());
    let place = place.unwrap_or_else(|| document.root().place());
    let Some(base) = others.iter().find(|other| other.file() == base) else {
        let text = format!("the plan `{base}` that this one is based on was not given");
        mistakes.add(
            Mistake::new(place, "base-missing", text)
                .hint("give both files; the base is looked for beside the plan"),
        );
        return None;
    };
    // A base that is itself based on another was told at its own line.
    based_on(base)
        .is_none()
        .then(|| document.laid_over(base.clone()))
}

fn read_one(document: Document, reading: &mut Reading) {
    let root = document.root();
    let Some(kind) = file::kind(root, &mut reading.mistakes) else {
        return;
    };
    let mut kinds = reading.kinds.iter();
    let first = kinds.find(|(known, _)| *known == kind && kind != FileKind::Profile);
    if let Some((_, first)) = first.cloned() {
        let what = match kind {
            FileKind::Profile => "profile",
            FileKind::Bench => "bench",
            FileKind::Lamp => "lamp",
            FileKind::Plan => "plan",
        };
        reading.mistakes.add(
            Mistake::warning(root.place(), "second-file", format!("a second {what} file"))
                .hint(
                    "each is checked alone; give one bench, one lamp and one plan to check them \
                     against each other",
                )
                .also(first, "the first one"),
        );
        reading.several = true;
    }
    reading.kinds.push((kind, root.place()));
    match kind {
        // Any number of them, each for itself.
        FileKind::Profile => reading.profiles.push(document.file().to_owned()),
        FileKind::Bench => reading.bench = bench_file::bench(root, &mut reading.mistakes),
        FileKind::Lamp => {
            reading.lamp = lamp_file::lamp(root, &mut reading.mistakes);
            reading.surface = root.get("surface").map(|node| node.place());
        }
        FileKind::Plan => {
            reading.plan = plan_file::plan(root, &mut reading.mistakes);
            reading.plan_written = Some(document);
        }
    }
}

/// A plan as written, and the bench's name where it is told with a mistake.
#[derive(Clone, Copy)]
struct Written<'a> {
    plan: &'a Plan,
    places: &'a PlanPlaces,
    bench: Option<&'a Place>,
}

/// Each part of a plan at its place by the bench file alone. A part that this bench
/// has no place for is told, and not held against it.
fn each_part(
    written: &Written<'_>,
    lamp: &Lamp,
    card: &Card,
    mistakes: &mut Mistakes,
) -> (Option<Itinerary>, Option<Itinerary>) {
    let plan = written.plan;
    let parts = parts::split(plan).into_iter().flatten();
    let (here, elsewhere): (Vec<Part>, Vec<Part>) =
        parts.partition(|part| parts::has(card, part.side));
    if here.is_empty() {
        let placement = placing::nominal_for(plan, "any", lamp, card);
        let whole = together(written, plan, (lamp, &placement, card), mistakes);
        return (whole, None);
    }
    for part in &elsewhere {
        let names: Vec<&str> = part.plan.tests.iter().map(|t| t.name.as_str()).collect();
        let mut tests = plan.tests.iter().zip(&written.places.tests);
        let place = tests.find_map(|(test, places)| {
            let first = names.first() == Some(&test.name.as_str());
            first.then(|| places.test.clone())
        });
        let text = format!(
            "measured {}, for which bench `{}` has no place: {}",
            part.side.words(),
            card.name,
            names.join(", ")
        );
        let place = place.unwrap_or_else(|| written.places.name.clone());
        mistakes.add(Mistake::warning(place, "other-place", text).hint(
            "check the plan with the bench that has one; when it is booked, this part is a run \
             that waits until the unit is placed there",
        ));
    }
    let mut laid_out = here.iter().map(|part| {
        let placement = placing::nominal_on(part.side, "any", lamp, card);
        together(written, &part.plan, (lamp, &placement, card), mistakes)
    });
    (laid_out.next().flatten(), laid_out.next().flatten())
}

/// What plan, lamp, placement and bench say together.
///
/// `part`: what of the plan is measured at this placement.
fn together(
    written: &Written<'_>,
    part: &Plan,
    (lamp, placement, card): (&Lamp, &Placement, &Card),
    mistakes: &mut Mistakes,
) -> Option<Itinerary> {
    let Written {
        plan,
        places,
        bench,
    } = *written;
    match layout::itinerary(part, lamp, placement, card) {
        Err(faults) => {
            let all = faults.iter();
            let told = all.map(|fault| as_mistake(fault, plan, places, bench));
            mistakes.extend(grouped(told.collect()));
            None
        }
        Ok(itinerary) => {
            window_fits(plan, places, &itinerary, mistakes);
            Some(itinerary)
        }
    }
}

/// Mistakes of one kind at one place become one: a grid that reaches too far
/// has many positions outside and one line.
fn grouped(all: Vec<Mistake>) -> Vec<Mistake> {
    let mut groups: Vec<(Mistake, usize)> = Vec::new();
    for mistake in all {
        let same = |(first, _): &&mut (Mistake, usize)| {
            first.code == mistake.code && first.place == mistake.place
        };
        match groups.iter_mut().find(same) {
            Some((_, more)) => *more += 1,
            None => groups.push((mistake, 0)),
        }
    }
    groups
        .into_iter()
        .map(|(mut first, more)| {
            if more > 0 {
                first
                    .message
                    .push_str(&format!("; and {more} more like it"));
            }
            first
        })
        .collect()
}

/// A fault of the planner at the line that it concerns.
fn as_mistake(
    fault: &PlanFault,
    plan: &Plan,
    places: &PlanPlaces,
    bench: Option<&Place>,
) -> Mistake {
    let at = plan.tests.iter().position(|test| test.name == fault.test);
    let test = at.and_then(|at| places.tests.get(at));
    let place = test.map_or_else(
        || places.name.clone(),
        |test| place_of(fault, plan, at, test),
    );
    let mistake = Mistake::new(place, fault.problem.code(), fault.problem.to_string())
        .maybe_hint(fault.problem.hint());
    let of_the_lamp = matches!(fault.part, faults::Part::Setting(_) | faults::Part::Plan);
    match bench {
        Some(bench) if !of_the_lamp => mistake.also(bench.clone(), "on this bench"),
        _ => mistake,
    }
}

fn place_of(fault: &PlanFault, plan: &Plan, at: Option<usize>, test: &TestPlaces) -> Place {
    let part = match fault.part {
        faults::Part::Setting(index) => test.settings.get(index).cloned(),
        faults::Part::Position(index) => {
            let position = at.and_then(|at| plan.tests.get(at)).and_then(|test| {
                let survey = test.kind.survey()?;
                survey.positions.get(index).copied()
            });
            let listed = test
                .listed
                .iter()
                .find(|(length, _)| Some(*length) == position);
            Some(listed.map_or_else(|| test.positions.clone(), |(_, place)| place.clone()))
        }
        faults::Part::Reference => Some(
            test.reference
                .clone()
                .unwrap_or_else(|| test.positions.clone()),
        ),
        faults::Part::Meter => test.meter.clone(),
        faults::Part::Plan | faults::Part::Test | faults::Part::Lamp | faults::Part::Placement => {
            None
        }
    };
    part.unwrap_or_else(|| test.test.clone())
}

/// Without a bench, at least the settings can be held against the lamp.
fn settings_fit(plan: &Plan, places: &PlanPlaces, lamp: &Lamp, mistakes: &mut Mistakes) {
    if plan.policies.if_absent == super::intent::IfAbsent::LeaveOut {
        return;
    }
    for (test, at) in plan.tests.iter().zip(&places.tests) {
        let (_, lacking) = super::settings::targets(test.kind.settings(), lamp);
        for (index, problem) in lacking {
            let place = at.settings.get(index).unwrap_or(&at.test).clone();
            mistakes.add(
                Mistake::new(place, problem.code(), problem.to_string()).maybe_hint(problem.hint()),
            );
        }
    }
}

/// A lamp that is large for the sphere is measured all the same: the auxiliary
/// lamp sees less of what it swallows, and the flux has a term for that.
fn large_lamp(reading: &mut Reading) {
    let bench = reading.bench.as_ref().map(|(card, _)| card);
    let sphere = bench.and_then(|card| card.sphere.as_ref());
    let surface = reading.lamp.as_ref().and_then(|lamp| lamp.surface_m2);
    let in_sphere = reading.plan.as_ref().is_none_or(|(plan, _)| {
        let mut tests = plan.tests.iter();
        tests.any(|test| test.kind.name() == KindName::Flux)
    });
    let (Some(sphere), Some(surface), Some(place)) = (sphere, surface, &reading.surface) else {
        return;
    };
    let share = sphere.wall_share(surface);
    if !in_sphere || reading.several || share <= SHARE_OF_WALL_AT_MOST.share() {
        return;
    }
    let text = format!(
        "the lamp's surface is {:.1} % of the wall of the sphere, {} wide; more than \
         {SHARE_OF_WALL_AT_MOST} is large",
        100.0 * share,
        sphere.diameter
    );
    let hint = "its flux is measured all the same, with a term of uncertainty of its own";
    let mistake = Mistake::warning(place.clone(), "large-lamp", text).hint(hint);
    reading.mistakes.add(mistake);
}

/// An evening must be long enough to warm the lamp up and to measure a leg.
fn window_fits(plan: &Plan, places: &PlanPlaces, itinerary: &Itinerary, mistakes: &mut Mistakes) {
    let (Some(window), Some(place)) = (plan.policies.window, places.window.clone()) else {
        return;
    };
    let length = window.length();
    let needed = evenings::needed(itinerary);
    if needed > length {
        let text = format!(
            "the window is open for {}, and homing and what is done in one go (a leg with its \
             warm-up, a recording) likely take {}",
            length.shown(),
            needed.shown()
        );
        mistakes.add(Mistake::new(place, "window-short", text).hint(
            "open it longer, or measure fewer positions or readings, or record for less long",
        ));
    } else if itinerary.time().likely > length {
        let text = super::print::window_words(itinerary);
        mistakes.add(Mistake::warning(
            place,
            "several-evenings",
            text.trim_end_matches('.'),
        ));
    }
}

/// Calibrations that are overdue, or soon will be.
fn due(card: &Card, places: &BenchPlaces, today: &str, mistakes: &mut Mistakes) {
    for (name, calibration) in calibrated(card) {
        let place = places.due.iter().find(|(known, _)| known == name);
        let Some((_, place)) = place else { continue };
        let due = &calibration.due;
        let (Some(due_day), Some(today_day)) = (day_number(due), day_number(today)) else {
            continue;
        };
        let left = due_day - today_day;
        if left < 0 {
            let text = format!("the calibration of `{name}` ended on {due}");
            mistakes.add(
                Mistake::new(place.clone(), "calibration-overdue", text)
                    .hint("have it calibrated, and write the new certificate here"),
            );
        } else if left <= DUE_SOON_DAYS {
            let text = format!("the calibration of `{name}` ends on {due}, in {left} days");
            mistakes.add(Mistake::warning(place.clone(), "calibration-due", text));
        }
    }
}

/// A day as a number that grows by one a day; none when it is no day.
fn day_number(day: &str) -> Option<i64> {
    if !file::is_day(day) {
        return None;
    }
    let mut parts = day.split('-').map(|part| part.parse::<i64>().ok());
    let (year, month, day) = (parts.next()??, parts.next()??, parts.next()??);
    // Months from March, so that the leap day comes last.
    let (year, month) = if month > 2 {
        (year, month - 3)
    } else {
        (year - 1, month + 9)
    };
    Some(
        365 * year + year.div_euclid(4) - year.div_euclid(100)
            + year.div_euclid(400)
            + (153 * month + 2) / 5
            + day,
    )
}
