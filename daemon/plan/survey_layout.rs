//! Lays one survey out: opening, dark, ambient, warm-up, legs, closing.
//!
//! Called by: layout, which has checked that everything fits.

use photometry::units::Length;

use super::course::{Builder, Course, InForce, Nths};
use super::fitting::Layout;
use super::intent::WarmUp;
use super::itinerary::{Purpose, Target, What};
use super::lamp::SwitchOff;
use super::order;
use super::settings::ModeTargets;

/// Adds one survey, the test with this index.
pub fn survey(layout: &Layout<'_>, builder: &mut Builder, test: u32) {
    let course = Course::of(&layout.ground, builder, test);
    SurveyBuilder { layout, course }.build();
}

/// Builds one survey.
struct SurveyBuilder<'a, 'b> {
    layout: &'a Layout<'a>,
    course: Course<'a, 'b>,
}

impl SurveyBuilder<'_, '_> {
    fn build(mut self) {
        let survey = self.layout.survey;
        let mut force = InForce::at_first();
        self.course.open(&mut force);
        self.course.dark(&force, survey.dark.into());
        self.ambient(&mut force, 0);
        for mode in &self.layout.modes {
            self.mode(mode, &mut force);
        }
        self.ambient(&mut force, 1);
        self.course.close(&mut force);
    }

    /// The lamp off, every position; `nth` such round, from 0.
    fn ambient(&mut self, force: &mut InForce, nth: u32) {
        let n = u32::from(self.layout.survey.ambient);
        if n == 0 || self.layout.ground.lamp.off == SwitchOff::Cannot {
            return;
        }
        self.course.lamp_off(force);
        let watch = self.layout.ground.watch;
        for position in order::sweep(&self.layout.positions, watch) {
            let nths = Nths::nth(nth, n);
            self.course.point(force, position, Purpose::Ambient, nths);
        }
        self.course.go(force, None, watch);
    }

    fn mode(&mut self, mode: &ModeTargets, force: &mut InForce) {
        let warm_up = self.layout.survey.warm_up;
        self.course.begin_mode(mode, warm_up, force);
        let mut targets = mode.targets.clone();
        if matches!(warm_up, WarmUp::Standard(_)) {
            targets.reverse();
        }
        for target in &targets {
            self.leg(target, force);
        }
        force.leg = None;
    }

    fn leg(&mut self, target: &Target, force: &mut InForce) {
        let survey = self.layout.survey;
        let leg_first = self.course.open_leg(force, target, survey.warm_up);
        let (watch, n) = (survey.reference.at, u32::from(survey.readings));
        let mut references = 0;
        let mut visit = |course: &mut Course<'_, '_>, force: &mut InForce| {
            course.point(force, watch, Purpose::Reference, Nths::nth(references, n));
            references += 1;
        };
        visit(&mut self.course, force);
        let positions = order::sweep(&self.layout.positions, watch);
        let positions = self.snake(positions);
        for (index, position) in positions.iter().enumerate() {
            let course = &mut self.course;
            course.point(force, *position, Purpose::Read, Nths::first(n));
            let visited = index + 1;
            // A sensor that stands still tells the drift without a move; the last
            // visit proves that carriage and meter are as they were.
            let due = survey.reference.every > 0
                && course.ground.fixed.is_none()
                && visited % usize::from(survey.reference.every) == 0
                && visited < positions.len();
            if due {
                visit(&mut self.course, force);
            }
        }
        visit(&mut self.course, force);
        let what = What::CheckDrift {
            limit: survey.reference.drift_limit,
            give_up: survey.reference.give_up,
            leg: self.course.builder.legs,
        };
        self.course.close_leg(force, what, leg_first);
    }

    /// Out on odd legs, back on even ones.
    fn snake(&self, mut positions: Vec<Length>) -> Vec<Length> {
        if self.course.builder.legs.is_multiple_of(2) {
            positions.reverse();
        }
        positions
    }
}
