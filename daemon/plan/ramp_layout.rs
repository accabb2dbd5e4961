//! Lays out a sunrise or a sunset: the lamp cold and dark, recorded from before
//! its program starts until after it ended, then watched until it is stable.
//!
//! ```text
//!  opening · times x [ set the alarm · lamp off · dark readings · cold soak ·
//!            recording · [ spectra ] · warm-up ] · lamp off · closing
//! ```
//!
//! Spectra on the way belong to the recording, and so do those with the meter covered
//! that follow it.
//!
//! In a sphere nothing moves, and the light is the unit's flux where a flux of the
//! same run tells what a lux at the port is. What stands in the outer brackets is made
//! again whole after a seam: a lamp that has lit is no longer cold. Called by: layout.

use photometry::measured::Quantity;
use photometry::units::{Length, Span};

use super::card::{Card, DarkBy, Meter};
use super::course::{Builder, Course, InForce, Nths, ask, by_a_person};
use super::faults::{Part, PlanFault, Problem};
use super::fitting::{self, Against, rail_at, reachable, reading_time};
use super::flux_layout;
use super::intent::{Test, WarmUp};
use super::itinerary::{
    Begins, Duration3, KindName, Purpose, Question, RECORDED_AT_MOST, Recording, Restart,
    SpectraBeat, StartedBy, WAY_SPECTRA_AT_MOST, WarmUpRule, What,
};
use super::kinds::{RampTest, SpectraAsked, WaySpectra};
use super::lamp::{Alarm, AlarmMarks, Program, Starts, SwitchOff, Way};
use super::placement::Placement;
use super::sight_fitting::{self, Seen, spectroradiometer};
use super::sight_layout::{CAPTURE_OVERHEAD, Exposed, INTEGRATION_AT_LEAST};

/// Minutes of a day.
const DAY: u16 = 24 * 60;
/// While the lamp is watched after its program.
const HOLD_READ_EVERY: Span = Span::from_mins(5);
/// A spectroradiometer whose plane lies within this share of the distance from that of
/// the meter that watches sees the same light: its colour is taken, not how much of it
/// there is. Own rule, no source.
const SAME_PLANE: f64 = 0.1;
/// Integrations that one recording may use: from 1 ms to 60 s in factors of two.
const INTEGRATIONS_AT_MOST: i64 = 16;

/// A recording with everything resolved.
pub struct Resolved<'a> {
    /// The program.
    pub program: &'a Program,
    /// The meters that record beside the one that watches.
    pub beside: Vec<&'a Meter>,
    /// The spectroradiometer and what is asked of it at the end.
    array: Option<(&'a Meter, &'a SpectraAsked)>,
    /// The same, and what is asked of it on the way.
    way: Option<(&'a Meter, &'a WaySpectra)>,
    /// How it is started.
    begins: Begins,
}

/// Lays one out; the name of the meter that watches, from where, and what was left
/// out.
///
/// # Errors
/// Everything that does not fit, at once.
pub fn lay_out(
    test: &Test,
    ramp: &RampTest,
    against: Against<'_>,
    builder: &mut Builder,
    index: u32,
) -> Result<(String, Length, Vec<String>), Vec<PlanFault>> {
    if ramp.sight.at.is_none() {
        let problem = flux_layout::sphere(against).err();
        if let Some(problem) = problem {
            return Err(vec![fitting::fault(test, Part::Placement, problem)]);
        }
    }
    let name = ramp.sight.watched_by.as_deref();
    let wanted = (Quantity::Illuminance, name);
    let (seen, watching, mut absent) =
        sight_fitting::understand(test, &ramp.sight, wanted, against)?;
    let faults = |problems: Vec<Problem>| -> Vec<PlanFault> {
        let problems = problems.into_iter();
        let fault = |problem| fitting::fault(test, Part::Test, problem);
        problems.map(fault).collect()
    };
    let mut wrong = Vec::new();
    let mut lacking = |what: &str, problem: Problem| match against.leave_out && problem.is_lack() {
        true => absent.push(format!("{}, {what}: {problem}", test.name)),
        false => wrong.push(problem),
    };
    let array = array(ramp, against).unwrap_or_else(|problem| {
        lacking("spectra at the end", problem);
        None
    });
    let way = way(ramp, against, watching).unwrap_or_else(|problem| {
        lacking("spectra on the way", problem);
        None
    });
    wrong.dedup(); // the meter that both lack is told once
    let resolved = match (resolve(ramp, against, watching), wrong.is_empty()) {
        (Ok(resolved), true) => Resolved {
            array,
            way,
            ..resolved
        },
        (resolved, _) => {
            let problems = resolved.err().unwrap_or_default().into_iter();
            return Err(faults(problems.chain(wrong).collect()));
        }
    };
    self::ramp(&seen, ramp, &resolved, builder, index);
    let ground = &seen.ground;
    Ok((ground.meter.name.clone(), ground.watch, absent))
}

/// The spectroradiometer for the spectra at the end; none where none are asked for.
fn array<'a>(
    test: &'a RampTest,
    against: Against<'a>,
) -> Result<Option<(&'a Meter, &'a SpectraAsked)>, Problem> {
    let Some(spectra) = &test.spectra else {
        return Ok(None);
    };
    if test.sight.at.is_none() {
        return Err(Problem::NoPosition(KindName::Ramp));
    }
    let Against {
        lamp,
        placement,
        card,
        ..
    } = against;
    if let Some(program) = lamp.program(&test.program)
        && program.way == Way::Sunset
    {
        return Err(Problem::DarkAtTheEnd(program.name.clone()));
    }
    let meter = spectroradiometer(spectra.meter.as_deref(), against)?;
    if let (Some(rail), Some(at)) = (rail_at(placement, card), test.sight.at) {
        reachable(at, rail, meter.plane, placement, card)?;
    }
    Ok(Some((meter, spectra)))
}

/// The spectroradiometer for the spectra on the way; none where none are asked for. It
/// must see what the meter sees that watches, without anything moving, and have a port
/// of its own beside those that record.
fn way<'a>(
    test: &'a RampTest,
    against: Against<'a>,
    watching: &Meter,
) -> Result<Option<(&'a Meter, &'a WaySpectra)>, Problem> {
    let Some(spectra) = &test.on_the_way else {
        return Ok(None);
    };
    let Some(at) = test.sight.at else {
        return Err(Problem::NoPosition(KindName::Ramp));
    };
    let meter = spectroradiometer(spectra.meter.as_deref(), against)?;
    if meter.name == watching.name || test.beside.contains(&meter.name) {
        return Err(Problem::AlsoRecords(meter.name.clone()));
    }
    let apart = (meter.plane - watching.plane).abs();
    if apart.mm() > SAME_PLANE * at.mm() {
        return Err(Problem::OtherPlane {
            meter: meter.name.clone(),
            watches: watching.name.clone(),
            apart,
            lengths: against.card.lengths,
        });
    }
    Ok(Some((meter, spectra)))
}

/// Resolves program and meters.
///
/// # Errors
/// What the lamp or the bench lacks.
fn resolve<'a>(
    test: &RampTest,
    against: Against<'a>,
    watching: &Meter,
) -> Result<Resolved<'a>, Vec<Problem>> {
    let Against {
        lamp,
        placement,
        card,
        ..
    } = against;
    let (beside, mut problems) = beside(test, card);
    for meter in beside.iter().copied().chain([watching]) {
        let takes = reading_time(meter).likely;
        if takes > test.every {
            problems.push(Problem::BeatTooFast {
                meter: meter.name.clone(),
                every: test.every,
                takes,
            });
        }
    }
    if lamp.off == SwitchOff::Cannot {
        problems.push(Problem::NeverDark(lamp.name.clone()));
    }
    let Some(program) = lamp.program(&test.program) else {
        problems.push(Problem::ProgramUnknown {
            lamp: lamp.name.clone(),
            program: test.program.clone(),
            known: lamp
                .programs
                .iter()
                .map(|known| known.name.clone())
                .collect(),
        });
        return Err(problems);
    };
    let by = started_by(test, program, placement);
    let recording = recording(test, program, Vec::new(), None);
    if recording.readings() >= RECORDED_AT_MOST {
        problems.push(Problem::TooMany {
            readings: recording.readings().into(),
            at_most: RECORDED_AT_MOST.into(),
            time: recording.lead + recording.length,
        });
    }
    problems.extend(too_many_spectra(test, recording));
    match by {
        Ok(by) if problems.is_empty() => Ok(Resolved {
            program,
            beside,
            array: None,
            way: None,
            begins: Begins {
                program: program.name.clone(),
                by,
            },
        }),
        Ok(_) => Err(problems),
        Err(problem) => {
            problems.push(problem);
            Err(problems)
        }
    }
}

/// More spectra on the way than can be kept.
fn too_many_spectra(test: &RampTest, recording: Recording) -> Option<Problem> {
    let way = test.on_the_way.as_ref()?;
    let beat = beat(way, ("", DarkBy::Shutter), 1);
    let recording = Recording {
        spectra: Some(Box::new(beat)),
        ..recording
    };
    let (spectra, at_most) = (recording.spectra_on_the_way(), WAY_SPECTRA_AT_MOST);
    (spectra > at_most).then_some(Problem::TooManySpectra {
        spectra,
        at_most,
        every: way.every,
    })
}

/// The meters that record as well, and what is wrong with those that cannot.
fn beside<'a>(test: &RampTest, card: &'a Card) -> (Vec<&'a Meter>, Vec<Problem>) {
    let (mut beside, mut problems) = (Vec::new(), Vec::new());
    for name in &test.beside {
        let found = card.meters.iter().find(|meter| meter.name == *name);
        match found {
            Some(meter) if meter.yields.contains(&Quantity::Illuminance) => beside.push(meter),
            Some(_) => problems.push(Problem::MeterUnfit {
                meter: name.clone(),
                why: "it does not yield illuminance".to_owned(),
            }),
            None => problems.push(Problem::MeterUnknown {
                meter: name.clone(),
                bench: card.name.clone(),
                known: card.meters.iter().map(|meter| meter.name.clone()).collect(),
            }),
        }
    }
    (beside, problems)
}

fn started_by(
    test: &RampTest,
    program: &Program,
    placement: &Placement,
) -> Result<StartedBy, Problem> {
    match (&program.starts, test.alarm) {
        // A plan for several lamps may say a time that this one does not need.
        (Starts::Button(button), _) => {
            let mut seated = placement.fingers.iter();
            match seated.any(|seated| seated.button == *button) {
                true => Ok(StartedBy::Button(button.clone())),
                false => Err(Problem::ButtonBare {
                    button: button.clone(),
                }),
            }
        }
        (Starts::ByHand, _) => Ok(StartedBy::ByHand),
        (Starts::Alarm(alarm), Some(minute)) => {
            Ok(StartedBy::Minute(starts_at(*alarm, minute, program.length)))
        }
        (Starts::Alarm(_), None) => Err(Problem::NoAlarmTime(program.name.clone())),
    }
}

/// The minute of the day at which a program begins whose alarm is set for
/// `minute`.
fn starts_at(alarm: Alarm, minute: u16, length: Span) -> u16 {
    match alarm.marks {
        AlarmMarks::Start => minute % DAY,
        AlarmMarks::End => {
            let long = (length.ns() / Span::from_mins(1).ns()) as u16 % DAY; // 120 min at most
            (minute % DAY + DAY - long) % DAY
        }
    }
}

fn recording(
    test: &RampTest,
    program: &Program,
    meters: Vec<(String, Quantity)>,
    begins: Option<Begins>,
) -> Recording {
    Recording {
        meters,
        every: test.every,
        begins,
        lead: test.lead,
        length: program.length + test.after,
        room: None,
        spectra: None,
    }
}

/// Spectra on the way by a meter, which a person may have to cover.
fn beat(way: &WaySpectra, (meter, dark): (&str, DarkBy), first: u32) -> SpectraBeat {
    let covered = Question::CoverMeter(meter.to_owned());
    let open = Question::UncoverMeter(meter.to_owned());
    SpectraBeat {
        meter: meter.to_owned(),
        every: way.every,
        least: INTEGRATION_AT_LEAST.min(way.longest),
        most: way.longest,
        dark: way.dark,
        by_hand: (dark == DarkBy::Cap).then_some((covered, open)),
        first,
    }
}

/// How long the spectra take that are made covered when a recording is over.
fn covered(beat: &SpectraBeat) -> Duration3 {
    // All integrations in factors of two take twice as long as the longest.
    let each = i64::from(beat.dark);
    let person = match beat.by_hand {
        Some(_) => by_a_person(),
        None => Duration3::default(),
    };
    let answers = CAPTURE_OVERHEAD.times(each * INTEGRATIONS_AT_MOST);
    let covered = Duration3 {
        least: Span::ZERO,
        likely: beat.most.times(each) + CAPTURE_OVERHEAD.times(4 * each),
        most: beat.most.times(2 * each) + answers.times(4),
    };
    [covered, person, person].into_iter().sum()
}

/// Adds the recordings of one program, the test with this index.
fn ramp(
    seen: &Seen<'_>,
    test: &RampTest,
    resolved: &Resolved<'_>,
    builder: &mut Builder,
    index: u32,
) {
    let course = Course::of(&seen.ground, builder, index);
    let force = InForce::at_first();
    Ramp {
        course,
        seen,
        test,
        resolved,
        force,
    }
    .build();
}

struct Ramp<'a, 'b> {
    course: Course<'a, 'b>,
    seen: &'a Seen<'a>,
    test: &'a RampTest,
    resolved: &'a Resolved<'a>,
    force: InForce,
}

impl Ramp<'_, '_> {
    fn build(mut self) {
        self.course.open(&mut self.force);
        self.hang_in_the_sphere();
        for nth in 0..u32::from(self.test.times) {
            self.once(nth);
        }
        self.course.lamp_off(&mut self.force);
        self.course.close(&mut self.force);
    }

    /// A person puts the unit into the sphere, unless it hangs there since a flux of
    /// the same plan.
    fn hang_in_the_sphere(&mut self) {
        let placement = self.seen.ground.placement;
        let mounts = |what: &What| matches!(what, What::Ask { question } if matches!(question, Question::MountUnit { .. }));
        let mut before = self.course.builder.actions.iter();
        if self.test.sight.at.is_some() || before.any(|action| mounts(&action.what)) {
            return;
        }
        let question = Question::MountUnit {
            unit: placement.unit.clone(),
            place: placement.place.clone(),
        };
        self.course
            .push(&self.force, None, ask(question), None, by_a_person());
    }

    /// One recording and what belongs to it: one group.
    fn once(&mut self, nth: u32) {
        self.course.builder.end_point();
        let first = self.course.builder.actions.len() as u32;
        if let (Starts::Alarm(alarm), Some(minute)) =
            (&self.resolved.program.starts, self.test.alarm)
            && (nth == 0 || alarm.rearmed)
        {
            let question = Question::SetAlarm {
                program: self.resolved.program.name.clone(),
                minute,
            };
            self.course
                .push(&self.force, None, ask(question), None, by_a_person());
        }
        let group = self.course.builder.actions.len() as u32;
        self.course.lamp_off(&mut self.force);
        let dark = Nths::nth(nth, self.test.dark.into());
        let watch = self.seen.ground.watch;
        self.course
            .point(&mut self.force, watch, Purpose::Ambient, dark);
        self.soak();
        self.record(nth);
        self.spectra(nth);
        if self.test.hold && self.resolved.program.way == Way::Sunrise {
            self.hold();
        }
        // An alarm that must be armed anew is asked for again, whatever broke
        // the night off; one that stays armed is not.
        let rearmed =
            matches!(&self.resolved.program.starts, Starts::Alarm(alarm) if alarm.rearmed);
        let from = if rearmed { first } else { group };
        for action in &mut self.course.builder.actions[from as usize..] {
            if action.point.is_none() {
                action.restart = Restart::FromGroup(from);
            }
        }
    }

    fn soak(&mut self) {
        let least = self.test.soak;
        let (before, most) = match self.resolved.begins.by {
            StartedBy::Minute(minute) => {
                let day = Span::from_mins(i64::from(DAY));
                (Some((minute, self.test.lead)), least + day)
            }
            _ => (None, least),
        };
        let time = Duration3 {
            least,
            likely: least,
            most,
        };
        let what = What::Soak { least, before };
        self.course.push(&self.force, None, what, None, time);
    }

    fn record(&mut self, nth: u32) {
        let watching = self.seen.ground.meter.name.as_str();
        let beside = self.resolved.beside.iter().map(|meter| meter.name.as_str());
        let names: Vec<&str> = std::iter::once(watching).chain(beside).collect();
        // Spectra are one more that records.
        let series = names.len() + usize::from(self.resolved.way.is_some());
        let each = RECORDED_AT_MOST * series as u32;
        let first = nth.saturating_mul(each).saturating_add(1);
        let of_spectra = first.saturating_add(RECORDED_AT_MOST * names.len() as u32);
        let meters = names
            .iter()
            .map(|name| ((*name).to_owned(), Quantity::Illuminance))
            .collect();
        let begins = Some(self.resolved.begins.clone());
        let mut recording = recording(self.test, self.resolved.program, meters, begins);
        recording.room = self.course.builder.room_beat();
        let way = self.resolved.way;
        recording.spectra =
            way.map(|(meter, way)| Box::new(beat(way, (&meter.name, meter.dark), of_spectra)));
        let time = Duration3::sure(recording.lead + recording.length);
        let after = recording.spectra.iter().map(|beat| covered(beat));
        let time = after.chain([time]).sum();
        self.force.setting.clone_from(&self.resolved.program.name);
        let watch: Length = self.seen.ground.watch;
        let key = self
            .course
            .key(&self.force.setting, watch, Purpose::Sample, first);
        let what = What::Record(recording);
        self.course.push(&self.force, None, what, Some(key), time);
    }

    /// What the program ended in, before the lamp settles further.
    fn spectra(&mut self, nth: u32) {
        let Some((meter, wanted)) = self.resolved.array else {
            return;
        };
        let (watch, own) = (self.seen.ground.watch, self.seen.ground.meter.plane);
        let moved = meter.plane != own;
        if moved {
            self.course
                .go_and_rest(&mut self.force, None, watch, meter.plane);
        }
        let spectra = Exposed {
            meter,
            longest: wanted.longest,
            captures: (Purpose::Read, Nths::nth(nth, wanted.captures.into())),
            covered: (Purpose::Dark, Nths::nth(nth, wanted.dark.into())),
        };
        spectra.push(&mut self.course, &self.force, None);
        if moved {
            self.course.go_and_rest(&mut self.force, None, watch, own);
        }
    }

    fn hold(&mut self) {
        let WarmUp::Standard(rule) = self.seen.sight.warm_up else {
            return;
        };
        let cap = self.seen.ground.lamp.warm_up_cap;
        let what = What::WarmUp {
            rule: WarmUpRule::Window(rule),
            every: HOLD_READ_EVERY,
            cap,
        };
        let key = self.course.series(&self.force.setting, Purpose::WarmUp);
        let most = cap.max(rule.least);
        let time = Duration3 {
            least: rule.least,
            likely: most.min(Span::from_mins(75)),
            most,
        };
        self.course.push(&self.force, None, what, Some(key), time);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_alarm_that_marks_the_end_starts_a_length_before() {
        let alarm = |marks| Alarm {
            marks,
            alarms: 1,
            rearmed: false,
        };
        let cases = [
            (AlarmMarks::Start, 390, 25, 390),
            (AlarmMarks::End, 390, 25, 365),
            (AlarmMarks::End, 10, 25, 1_425),
            (AlarmMarks::End, 0, 120, 1_320),
        ];
        for (marks, minute, length, wanted) in cases {
            let found = starts_at(alarm(marks), minute, Span::from_mins(length));
            assert_eq!(found, wanted, "{marks:?} {minute} {length}");
        }
    }
}
