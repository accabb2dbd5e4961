//! Why a plan cannot be laid out for a lamp on a bench: one entry for every
//! mistake, each with the part of the plan that it concerns.
//!
//! Made by settings and layout; check turns them into mistakes at their lines,
//! the daemon shows them when a booking is refused.

use photometry::measured::Quantity;
use photometry::units::{Length, LengthUnit, Span};

use super::intent::PlanLine;
use super::itinerary::KindName;
use super::lamp::ONLY_MODE;

/// One reason why a plan cannot be laid out.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
#[error("{test}{}: {problem}", in_brackets(line))]
pub struct PlanFault {
    /// The test; the plan's name where the whole plan is concerned.
    pub test: String,
    /// Where the test was written.
    pub line: PlanLine,
    /// What of it is concerned.
    pub part: Part,
    /// What is wrong.
    pub problem: Problem,
}

/// The part of a plan, or of what it meets, that is at fault.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Part {
    /// The plan as a whole.
    Plan,
    /// The test as a whole.
    Test,
    /// The meter's name.
    Meter,
    /// One of the settings, by its place in the list.
    Setting(usize),
    /// One of the positions, by its place in the ascending list.
    Position(usize),
    /// The reference position.
    Reference,
    /// The lamp's controls.
    Lamp,
    /// The placement.
    Placement,
}

/// What is wrong.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum Problem {
    /// The unit stands elsewhere, or is another model.
    #[error("the unit {unit} is placed as {placed}, the run needs {needed}")]
    Misplaced {
        /// The unit.
        unit: String,
        /// As the placement says.
        placed: String,
        /// As the run needs it.
        needed: String,
    },
    /// Two tests share their name.
    #[error("two tests are named `{0}`")]
    SameName(String),
    /// The lamp stands where no rail is.
    #[error("a {} needs the rail, and the place `{place}` of bench `{bench}` has none", kind.word())]
    NoRail {
        /// The kind of test.
        kind: KindName,
        /// The place.
        place: String,
        /// The bench.
        bench: String,
    },
    /// The bench has no sphere.
    #[error("bench `{0}` has no sphere, and flux is measured in one")]
    NoSphere(String),
    /// The unit stands elsewhere than in the sphere.
    #[error("the unit stands at `{place}`, and flux is measured in the sphere at `{sphere}`")]
    NotInSphere {
        /// Where it stands.
        place: String,
        /// The sphere's place.
        sphere: String,
    },
    /// The rail's speed or acceleration is not above zero.
    #[error("the rail of bench `{0}` has no speed or no acceleration")]
    RailAtRest(String),
    /// No meter by this name.
    #[error("bench `{bench}` has no meter `{meter}`")]
    MeterUnknown {
        /// As written.
        meter: String,
        /// The bench.
        bench: String,
        /// The meters that it has.
        known: Vec<String>,
    },
    /// The named meter cannot do it.
    #[error("the meter `{meter}` cannot be used here: {why}")]
    MeterUnfit {
        /// The meter.
        meter: String,
        /// Why not.
        why: String,
    },
    /// No meter can do it.
    #[error("no meter of bench `{bench}` measures {} at its place `{place}`", quantity.name())]
    NoMeter {
        /// What is to be measured.
        quantity: Quantity,
        /// Where the unit stands.
        place: String,
        /// The bench.
        bench: String,
    },
    /// What a kind of test needs of a position was not said.
    #[error("a {} needs a position on the rail", .0.word())]
    NoPosition(KindName),
    /// The lamp has no such program.
    #[error("the lamp `{lamp}` has no program `{program}`")]
    ProgramUnknown {
        /// The lamp.
        lamp: String,
        /// As written.
        program: String,
        /// The programs that it has.
        known: Vec<String>,
    },
    /// An alarm starts the program, and no time for it was given.
    #[error("the program `{0}` is started by the lamp's alarm, and no time is given for it")]
    NoAlarmTime(String),
    /// No command can hold the name.
    #[error("the mode `{0}` cannot be told to the lamp: at most 32 characters of ASCII")]
    ModeUnsendable(String),
    /// What ends in the dark has no spectrum at its end.
    #[error("the program `{0}` ends in the dark, and spectra are asked for at its end")]
    DarkAtTheEnd(String),
    /// The lamp cannot be dark.
    #[error("the lamp `{0}` cannot be switched off, and this test needs it dark")]
    NeverDark(String),
    /// More than one meter of power could do it.
    #[error("{} meters of power could be used here: {}", .0.len(), .0.join(", "))]
    SeveralPowerMeters(Vec<String>),
    /// Readings come faster than the meter can make them.
    #[error("`{meter}` takes {} for a reading, and one is wanted every {}", takes.shown(), every.shown())]
    BeatTooFast {
        /// The meter.
        meter: String,
        /// As the plan wants it.
        every: Span,
        /// As it likely takes.
        takes: Span,
    },
    /// Spectra on the way are wanted of a meter that sees another plane.
    #[error("`{meter}` sees a plane {} from that of `{watches}`, and nothing moves while a program is recorded", apart.shown(*lengths))]
    OtherPlane {
        /// The spectroradiometer.
        meter: String,
        /// The meter that watches the lamp.
        watches: String,
        /// How far their planes lie apart.
        apart: Length,
        /// How lengths are shown.
        lengths: LengthUnit,
    },
    /// It cannot take spectra while it reads the light at a beat.
    #[error("`{0}` reads the light all the while, and cannot take spectra on the way")]
    AlsoRecords(String),
    /// More spectra on the way than can be kept.
    #[error("that is {spectra} spectra on the way, one every {}; at most {at_most} are taken", every.shown())]
    TooManySpectra {
        /// How many.
        spectra: u32,
        /// How many may be.
        at_most: u32,
        /// From one to the next.
        every: Span,
    },
    /// More than one meter could do it.
    #[error("{} meters could be used here: {}", .0.len(), .0.join(", "))]
    SeveralMeters(Vec<String>),
    /// The same of the meter that watches.
    #[error("{} meters could watch the lamp here: {}", .0.len(), .0.join(", "))]
    SeveralWatch(Vec<String>),
    /// The same of the spectroradiometer beside another meter.
    #[error("{} meters could take spectra here: {}", .0.len(), .0.join(", "))]
    SeveralForSpectra(Vec<String>),
    /// No mode of the lamp has the level.
    #[error("the lamp `{lamp}` has no level {level}; its highest is {highest}")]
    LevelAbsent {
        /// The lamp.
        lamp: String,
        /// The level asked for.
        level: u16,
        /// The highest that it has (in the mode, where one was named).
        highest: u16,
    },
    /// The lamp lacks the mode.
    #[error("the lamp `{lamp}` has no mode `{mode}`")]
    ModeAbsent {
        /// The lamp.
        lamp: String,
        /// The mode asked for.
        mode: String,
        /// The modes that it has.
        known: Vec<String>,
    },
    /// A position that the carriage cannot go to.
    #[error("position {} lies outside the travel: it would be at coordinate {}, the rail goes from {} to {}",
        .position.shown(*.lengths), .coordinate.shown(*.lengths), .from.shown(*.lengths), .to.shown(*.lengths))]
    OutsideTravel {
        /// The position.
        position: Length,
        /// Its coordinate.
        coordinate: Length,
        /// Least coordinate.
        from: Length,
        /// Greatest coordinate.
        to: Length,
        /// How lengths are shown.
        lengths: LengthUnit,
    },
    /// A position that cannot be overshot.
    #[error("position {} leaves no room to arrive from below: the rail must go {} past it, to coordinate {}, and begins at {}",
        .position.shown(*.lengths), .overshoot.shown(*.lengths), .coordinate.shown(*.lengths), .from.shown(*.lengths))]
    NoRoomToOvershoot {
        /// The position.
        position: Length,
        /// The overshoot.
        overshoot: Length,
        /// The coordinate at which the carriage would turn.
        coordinate: Length,
        /// Least coordinate.
        from: Length,
        /// How lengths are shown.
        lengths: LengthUnit,
    },
    /// The lamp has buttons, the bench has no fingers.
    #[error("the lamp `{lamp}` is worked by buttons, and bench `{bench}` has no fingers")]
    NoFingers {
        /// The lamp.
        lamp: String,
        /// The bench.
        bench: String,
    },
    /// A button on which no finger sits.
    #[error("no finger sits on the button `{button}`")]
    ButtonBare {
        /// The button.
        button: String,
    },
    /// A finger that the bench lacks.
    #[error("bench `{bench}` has no finger `{finger}`")]
    FingerUnknown {
        /// As placed.
        finger: String,
        /// The bench.
        bench: String,
    },
    /// The lamp wants level commands that no device of the bench gives.
    #[error(
        "the lamp `{lamp}` is worked directly, and bench `{bench}` has nothing that sends it levels"
    )]
    NoDirectControl {
        /// The lamp.
        lamp: String,
        /// The bench.
        bench: String,
    },
    /// The lamp is lit by its outlet, and the bench says none that feeds it.
    #[error("the lamp `{lamp}` is lit and darkened by its mains, and bench `{bench}` {lacks}")]
    NoLampOutlet {
        /// The lamp.
        lamp: String,
        /// The bench.
        bench: String,
        /// What of it is not there.
        lacks: &'static str,
    },
    /// Without mains a lamp takes no power and has no display.
    #[error(
        "the lamp `{0}` is off when its mains are: it has neither a display nor a power at standby"
    )]
    NoStandby(String),
    /// Nothing to measure, or no readings.
    #[error("there is nothing to measure: no {0}")]
    Empty(&'static str),
    /// The plan waits for a quiet room, and nothing of the bench sees the room.
    #[error(
        "the policy `if-disturbed: {policy}` needs a sensor of the room, and bench `{bench}` has none"
    )]
    RoomUnseen {
        /// The policy.
        policy: &'static str,
        /// The bench.
        bench: String,
    },
    /// More than can be measured or held.
    #[error("that is {readings} readings, at least {}; at most {at_most} are laid out", .time.shown())]
    TooMany {
        /// How many readings.
        readings: u64,
        /// How many may be.
        at_most: u64,
        /// The least time that they take.
        time: Span,
    },
    /// All tests together are too long.
    #[error("all tests together are more than {at_most} actions")]
    TooManyActions {
        /// How many may be.
        at_most: usize,
    },
    /// Longer on than the lamp may be.
    #[error("the lamp would be on for at least {}, it may be on for {}", .least.shown(), .allowed.shown())]
    OnTooLong {
        /// The least time on.
        least: Span,
        /// The time allowed.
        allowed: Span,
    },
}

impl PlanFault {
    /// As an itinerary says what it leaves out.
    pub fn left_out(&self) -> String {
        format!("{}, the whole test: {}", self.test, self.problem)
    }
}

impl Problem {
    /// The lamp or the bench lacks something that the test as a whole needs:
    /// under `if-absent: leave out` the test is left out.
    pub fn is_lack(&self) -> bool {
        matches!(
            self,
            Problem::NoRail { .. }
                | Problem::NoSphere(_)
                | Problem::NotInSphere { .. }
                | Problem::NoMeter { .. }
                | Problem::MeterUnknown { .. }
                | Problem::ProgramUnknown { .. }
                | Problem::OtherPlane { .. }
                | Problem::AlsoRecords(_)
                | Problem::NoStandby(_)
                | Problem::OutsideTravel { .. }
                | Problem::NoRoomToOvershoot { .. }
                | Problem::Empty("setting" | "position")
        )
    }
    /// The lamp does not have what the whole test is about; not where another name
    /// was likely meant.
    pub fn is_of_the_lamp(&self) -> bool {
        match self {
            Problem::ProgramUnknown { program, known, .. } => {
                written::nearest(program, known.iter().map(String::as_str)).is_none()
            }
            Problem::NoStandby(_) => true,
            _ => false,
        }
    }
    /// What to do about it.
    pub fn hint(&self) -> Option<String> {
        let hint = match self {
            Problem::Misplaced { .. } => "place the unit again with `wakerail place`".to_owned(),
            Problem::SameName(_) => "give each test a name of its own".to_owned(),
            Problem::NoRail { .. } => "place the lamp at the rail's place".to_owned(),
            Problem::NoSphere(_) => "describe it in the bench file, under `sphere`".to_owned(),
            Problem::NotInSphere { sphere, .. } => {
                format!("place it there: `wakerail place ... --place {sphere}`")
            }
            Problem::RailAtRest(_) => {
                "give `speed` and `acceleration` in the bench file".to_owned()
            }
            Problem::MeterUnknown { meter, known, .. } => nearest_or_list(meter, known),
            Problem::MeterUnfit { .. } => {
                "name another meter, or none when only one fits".to_owned()
            }
            Problem::NoMeter { .. } => {
                "a meter must stand where the unit stands, yield what is measured, and ride if the \
                 carriage carries the meter"
                    .to_owned()
            }
            Problem::SeveralMeters(names) => say_which("meter", names),
            Problem::SeveralWatch(names) => say_which("watched-by", names),
            Problem::SeveralForSpectra(names) => say_which("spectrum-meter", names),
            Problem::SeveralPowerMeters(names) => say_which("power-meter", names),
            Problem::LevelAbsent { highest, .. } => {
                format!("use a level from 1 to {highest}, or the policy `if-absent: leave out`")
            }
            Problem::ModeAbsent { known, .. } if *known == [ONLY_MODE] => {
                "it has one mode: write the level alone, such as `3`".to_owned()
            }
            Problem::ModeAbsent { mode, known, .. } => nearest_or_list(mode, known),
            Problem::OutsideTravel { .. } => {
                "leave the position out, or use the policy `if-absent: leave out`".to_owned()
            }
            Problem::NoRoomToOvershoot { .. } => {
                "leave the position out, or place the lamp so that its datum lies higher".to_owned()
            }
            Problem::ButtonBare { button } => {
                format!("put a finger on it: `wakerail place ... --fingers {button}=FINGER`")
            }
            Problem::FingerUnknown { .. } => "place the unit again with a finger that the bench \
                                              has"
            .to_owned(),
            Problem::NoFingers { .. } => ADD_FINGERS.to_owned(),
            Problem::NoDirectControl { .. } => ADD_CONTROL.to_owned(),
            Problem::NoLampOutlet { .. } => ADD_OUTLET.to_owned(),
            Problem::NoStandby(_) => LEAVE_OUT.to_owned(),
            Problem::NoPosition(_) => "write `at: 24 in`".to_owned(),
            Problem::ProgramUnknown { program, known, .. } => nearest_or_list(program, known),
            Problem::NoAlarmTime(_) => "write `alarm: 06:30`".to_owned(),
            Problem::DarkAtTheEnd(_) => "leave out `spectra`".to_owned(),
            Problem::ModeUnsendable(_) => "name it as the lamp's own commands do".to_owned(),
            Problem::NeverDark(_) => "say in the lamp file how it is switched `off`".to_owned(),
            Problem::OtherPlane { .. }
            | Problem::AlsoRecords(_)
            | Problem::TooManySpectra { .. }
            | Problem::BeatTooFast { .. }
            | Problem::RoomUnseen { .. } => self.fixed_hint().to_owned(),
            Problem::Empty(_) => return None,
            Problem::TooMany { .. } | Problem::TooManyActions { .. } => "use fewer positions, settings or readings".to_owned(),
            Problem::OnTooLong { .. } => {
                "measure fewer settings in one test, or raise `maximum-on-time` if the lamp's maker \
                 allows it"
                    .to_owned()
            }
        };
        Some(hint)
    }
    /// The same where it says nothing of names and numbers.
    const fn fixed_hint(&self) -> &'static str {
        match self {
            Problem::OtherPlane { .. } => {
                "mount both so that their planes lie together, or measure farther away; or leave \
                 out `spectra-every`"
            }
            Problem::AlsoRecords(_) => "let another meter watch: `watched-by`",
            Problem::BeatTooFast { .. } => {
                "a longer `every`, or a shorter `integration` in the bench file"
            }
            Problem::RoomUnseen { .. } => {
                "describe it in the bench file, under `room`; or leave the policy out"
            }
            _ => "a longer `spectra-every`",
        }
    }
    /// A short stable word for programs.
    pub const fn code(&self) -> &'static str {
        match self {
            Problem::Misplaced { .. } => "misplaced",
            Problem::SameName(_) => "same-name",
            Problem::NoRail { .. } => "no-rail",
            Problem::NoSphere(_) => "no-sphere",
            Problem::NotInSphere { .. } => "not-in-sphere",
            Problem::RailAtRest(_) => "rail-at-rest",
            Problem::MeterUnknown { .. } => "meter-unknown",
            Problem::MeterUnfit { .. } => "meter-unfit",
            Problem::NoMeter { .. } => "no-meter",
            Problem::NoPosition(_) => "no-position",
            Problem::ProgramUnknown { .. } => "program-unknown",
            Problem::NoAlarmTime(_) => "no-alarm-time",
            Problem::DarkAtTheEnd(_) => "dark-at-the-end",
            Problem::ModeUnsendable(_) => "mode-unsendable",
            Problem::NeverDark(_) => "never-dark",
            Problem::SeveralPowerMeters(_) => "several-meters",
            Problem::BeatTooFast { .. } => "beat-too-fast",
            Problem::OtherPlane { .. } => "other-plane",
            Problem::AlsoRecords(_) => "also-records",
            Problem::TooManySpectra { .. } => "too-many",
            Problem::SeveralMeters(_)
            | Problem::SeveralWatch(_)
            | Problem::SeveralForSpectra(_) => "several-meters",
            Problem::LevelAbsent { .. } => "level-absent",
            Problem::ModeAbsent { .. } => "mode-absent",
            Problem::OutsideTravel { .. } => "outside-travel",
            Problem::NoRoomToOvershoot { .. } => "no-room-to-overshoot",
            Problem::NoFingers { .. } => "no-fingers",
            Problem::ButtonBare { .. } => "button-bare",
            Problem::FingerUnknown { .. } => "finger-unknown",
            Problem::NoDirectControl { .. } => "no-direct-control",
            Problem::NoLampOutlet { .. } => "no-lamp-outlet",
            Problem::NoStandby(_) => "no-standby",
            Problem::RoomUnseen { .. } => "room-unseen",
            Problem::Empty(_) => "empty",
            Problem::TooMany { .. } | Problem::TooManyActions { .. } => "too-many",
            Problem::OnTooLong { .. } => "on-too-long",
        }
    }
}

/// What to do about a bench that cannot work the lamp.
const ADD_FINGERS: &str =
    "add `fingers` to the bench file, or write `worked: by hand` in the lamp file";
/// The same of a lamp that is told its level.
const ADD_CONTROL: &str = "describe it in the bench file, under `control`; or `worked: by hand`";
/// The same of a lamp that an outlet lights.
const ADD_OUTLET: &str = "describe the relays in the bench file, under `outlets`, and say which one \
     feeds the lamp: `lamp-outlet: NAME`; or write `worked: by hand` in the lamp file";
/// What to do about a test that the lamp cannot be put to.
const LEAVE_OUT: &str = "leave the test out, or use the policy `if-absent: leave out`";

/// The line of the file; nothing where no file says it.
fn in_brackets(line: &PlanLine) -> String {
    if line.file.is_empty() {
        return String::new();
    }
    format!(" ({}:{})", line.file, line.line)
}

fn say_which(key: &str, names: &[String]) -> String {
    let first = names.first().map_or("NAME", String::as_str);
    format!("say which with `{key}: {first}`")
}

fn nearest_or_list(meant: &str, known: &[String]) -> String {
    match written::nearest(meant, known.iter().map(String::as_str)) {
        Some(name) => format!("did you mean `{name}`?"),
        None if known.is_empty() => "it has none".to_owned(),
        None => format!("it has {}", known.join(", ")),
    }
}
