//! Lays out luminous flux in a sphere: the reference lamp first, then the unit in
//! its place, each seen by the auxiliary lamp before it is lit.
//!
//! ```text
//!  opening · a person mounts the reference lamp · dark ·
//!    [auxiliary on · wait · read · off] · [reference on · wait · read · off] ·
//!  a person mounts the unit · lamp off · dark ·
//!    [auxiliary on · wait · read · off] · legs as of every kind, with the power
//!    where a meter of power stands there · lamp off
//! ```
//!
//! Where spectra are asked for, they are taken wherever something is read: of a lamp of
//! the sphere before the readings, which then tell that it shone until the end; of the
//! unit after them, for the reference visit follows.
//!
//! What stands in brackets is made again whole after a seam: making the bench safe
//! switches every outlet off, and a lamp that was off is cold. Called by: layout.

use photometry::measured::Quantity;
use photometry::units::Span;

use super::card::{DarkBy, LitBy, Meter, Sphere};
use super::course::{Builder, Course, DARK, InForce, Nths, ask, by_a_person};
use super::faults::{Part, PlanFault, Problem};
use super::fitting::{Against, fault};
use super::intent::Test;
use super::itinerary::{Duration3, OFF, Purpose, Question, Restart, What};
use super::kinds::{FluxTest, SpectraAsked};
use super::lamp::SwitchOff;
use super::power::power_meter;
use super::sight_fitting::{self, Seen, spectroradiometer};
use super::sight_layout::{Exposed, each_setting};

/// How long an outlet takes.
const SWITCHING: Span = Span::from_ms(100);

/// Where a unit's flux is measured.
pub struct Setup<'a> {
    /// The sphere in which it hangs.
    pub sphere: &'a Sphere,
    /// The meter of power in its mains.
    pub power: Option<&'a Meter>,
    /// The spectroradiometer at a port of the sphere, where spectra are asked for.
    pub array: Option<(&'a Meter, &'a SpectraAsked)>,
}

/// Resolves a test of flux: the sphere in which the unit hangs, its photometer, the
/// meter of power, the settings; also what was left out.
///
/// # Errors
/// Everything that does not fit, at once.
pub fn understand<'a>(
    test: &'a Test,
    flux: &'a FluxTest,
    against: Against<'a>,
) -> Result<(Seen<'a>, Setup<'a>, Vec<String>), Vec<PlanFault>> {
    let card = against.card;
    let sphere = sphere(against).map_err(|problem| {
        let part = match problem {
            Problem::NotInSphere { .. } => Part::Placement,
            _ => Part::Test,
        };
        vec![fault(test, part, problem)]
    })?;
    let wanted = (Quantity::Illuminance, flux.sight.watched_by.as_deref());
    let understood = sight_fitting::understand(test, &flux.sight, wanted, against);
    let lamp = against.lamp;
    let lit_always = (lamp.off == SwitchOff::Cannot)
        .then(|| fault(test, Part::Lamp, Problem::NeverDark(lamp.name.clone())));
    let power = power_meter(flux.power_meter.as_deref(), against.placement, card)
        .map_err(|problem| fault(test, Part::Meter, problem));
    let mut lacks = None;
    let array = match array(flux, against) {
        Err(problem) if against.leave_out && problem.is_lack() => {
            lacks = Some(format!("{}, spectra: {problem}", test.name));
            Ok(None)
        }
        found => found,
    };
    match (understood, power, array, lit_always) {
        (Ok((seen, _, absent)), Ok(power), Ok(array), None) => {
            let at = Setup {
                sphere,
                power,
                array,
            };
            Ok((seen, at, absent.into_iter().chain(lacks).collect()))
        }
        (understood, power, array, more) => {
            let mut faults = understood.err().unwrap_or_default();
            let of_array = array.err().map(|p| fault(test, Part::Meter, p));
            faults.extend(power.err().into_iter().chain(of_array).chain(more));
            Err(faults)
        }
    }
}

/// The spectroradiometer at a port; none where no spectra are asked for. It covers
/// itself: nobody can cap a meter in a closed sphere.
fn array<'a>(
    flux: &'a FluxTest,
    against: Against<'a>,
) -> Result<Option<(&'a Meter, &'a SpectraAsked)>, Problem> {
    let Some(spectra) = &flux.spectra else {
        return Ok(None);
    };
    let meter = spectroradiometer(spectra.meter.as_deref(), against)?;
    if meter.dark != DarkBy::Shutter {
        return Err(Problem::MeterUnfit {
            meter: meter.name.clone(),
            why: "it has no shutter of its own, and must be covered after each of the lights"
                .to_owned(),
        });
    }
    Ok(Some((meter, spectra)))
}

/// The sphere in which the unit hangs.
///
/// # Errors
/// The bench has none, or the unit stands elsewhere.
pub(super) fn sphere(against: Against<'_>) -> Result<&Sphere, Problem> {
    let place = &against.placement.place;
    let Some(sphere) = &against.card.sphere else {
        return Err(Problem::NoSphere(against.card.name.clone()));
    };
    if *place != sphere.place {
        let (place, sphere) = (place.clone(), sphere.place.clone());
        return Err(Problem::NotInSphere { place, sphere });
    }
    Ok(sphere)
}

/// Adds the flux of every setting, the test with this index.
pub fn flux(seen: &Seen<'_>, test: &FluxTest, at: &Setup<'_>, builder: &mut Builder, index: u32) {
    let course = Course::of(&seen.ground, builder, index);
    let force = InForce::at_first();
    Substitution {
        course,
        seen,
        test,
        sphere: at.sphere,
        power: at.power,
        array: at.array,
        force,
    }
    .build();
}

/// A lamp of the sphere that is lit to be read.
struct Lit<'s> {
    /// What a person is asked to switch.
    called: String,
    by: &'s LitBy,
    warm_up: Span,
}

struct Substitution<'a, 'b> {
    course: Course<'a, 'b>,
    seen: &'a Seen<'a>,
    test: &'a FluxTest,
    sphere: &'a Sphere,
    power: Option<&'a Meter>,
    array: Option<(&'a Meter, &'a SpectraAsked)>,
    force: InForce,
}

/// The number of the first spectrum of a setting: readings and power have the same keys.
fn first_spectrum(readings: u32, power: Option<&Meter>) -> u32 {
    let kinds = if power.is_some() { 2 } else { 1 };
    kinds * readings + 1
}

/// Spectra of what shines in the sphere, numbered from `first`, and as many as ever are
/// taken covered.
fn spectra(
    course: &mut Course<'_, '_>,
    force: &InForce,
    array: Option<(&Meter, &SpectraAsked)>,
    (purpose, first): (Purpose, u32),
) {
    let Some((meter, asked)) = array else { return };
    let point = course.same_place();
    let nths = |first: u32, count: u16| Nths {
        first,
        count: count.into(),
    };
    let covered = course.next_of(&force.setting, Purpose::Covered);
    let wanted = Exposed {
        meter,
        longest: asked.longest,
        captures: (purpose, nths(first, asked.captures)),
        covered: (Purpose::Covered, nths(covered, asked.dark)),
    };
    wanted.push(course, force, point);
}

impl Substitution<'_, '_> {
    fn build(mut self) {
        let sphere = self.sphere;
        let place = || sphere.place.clone();
        let auxiliary = || Lit {
            called: "the auxiliary lamp of the sphere".to_owned(),
            by: &sphere.auxiliary.lit,
            warm_up: sphere.auxiliary.warm_up,
        };
        self.course.open(&mut self.force);
        self.mount(Question::MountReference {
            reference: sphere.reference.name.clone(),
            place: place(),
        });
        self.dark(Purpose::StandardDark);
        self.lit(&auxiliary(), Purpose::StandardAuxiliary);
        let reference = Lit {
            called: format!("the reference lamp {}", sphere.reference.name),
            by: &sphere.reference.lit,
            warm_up: sphere.reference.warm_up,
        };
        self.lit(&reference, Purpose::Standard);
        self.mount(Question::MountUnit {
            unit: self.seen.ground.placement.unit.clone(),
            place: place(),
        });
        // A person who mounts a lamp can tell whether it is off; one that the
        // bench switches is proven dark.
        if self.seen.ground.lamp.off.needs_nobody() {
            self.course.lamp_off(&mut self.force);
        }
        self.dark(Purpose::Dark);
        self.lit(&auxiliary(), Purpose::Auxiliary);
        let (watch, readings) = (self.seen.ground.watch, self.seen.sight.readings.into());
        let (power, array) = (self.power, self.array);
        let first = first_spectrum(readings, power);
        each_setting(
            &mut self.course,
            self.seen,
            &mut self.force,
            |course, force| {
                course.point(force, watch, Purpose::Read, Nths::first(readings));
                if let Some(meter) = power {
                    course.read_power(force, meter, Purpose::Read, Nths::nth(1, readings));
                }
                spectra(course, force, array, (Purpose::Read, first));
            },
        );
        self.course.lamp_off(&mut self.force);
        self.course.close(&mut self.force);
    }

    fn mount(&mut self, question: Question) {
        let force = &self.force;
        self.course
            .push(force, None, ask(question), None, by_a_person());
    }

    /// Reads with nothing lit.
    fn dark(&mut self, purpose: Purpose) {
        let watch = self.seen.ground.watch;
        DARK.clone_into(&mut self.force.setting);
        let n = Nths::first(self.test.dark.into());
        self.course.point(&mut self.force, watch, purpose, n);
        let first = n.count + 1;
        spectra(&mut self.course, &self.force, self.array, (purpose, first));
        OFF.clone_into(&mut self.force.setting);
    }

    /// Lights a lamp of the sphere, waits, reads, switches it off: one group.
    fn lit(&mut self, lamp: &Lit<'_>, purpose: Purpose) {
        self.course.builder.end_point();
        let group = self.course.builder.actions.len() as u32;
        self.switch(lamp, true);
        let wait = What::Wait {
            least: lamp.warm_up,
        };
        let time = Duration3::sure(lamp.warm_up);
        self.course.push(&self.force, None, wait, None, time);
        let watch = self.seen.ground.watch;
        let n = Nths::first(self.seen.sight.readings.into());
        let first = n.count + 1;
        spectra(&mut self.course, &self.force, self.array, (purpose, first));
        self.course.point(&mut self.force, watch, purpose, n);
        self.switch(lamp, false);
        for action in &mut self.course.builder.actions[group as usize..] {
            action.restart = Restart::FromGroup(group);
        }
    }

    fn switch(&mut self, lamp: &Lit<'_>, on: bool) {
        let (what, time) = match lamp.by {
            LitBy::Outlet(outlet) => {
                let outlet = outlet.clone();
                (What::Switch { outlet, on }, Duration3::sure(SWITCHING))
            }
            LitBy::ByHand => {
                let lamp = lamp.called.clone();
                (ask(Question::SwitchByHand { lamp, on }), by_a_person())
            }
        };
        // Off, it is looked whether nothing shines any more.
        let key = (!on).then(|| self.course.series(OFF, Purpose::Watch));
        self.course.push(&self.force, None, what, key, time);
    }
}
