//! Every command and option. Each help page begins with examples.
//!
//! Called by: main. Not here: doing anything.

use std::path::PathBuf;

use clap::{Args, Parser, Subcommand, ValueEnum};

use super::arguments_of_bench::Bench;
use super::arguments_of_evening::{Morning, Tonight};
use super::arguments_of_rulings::{Account, Report, Rule, Rulings, Script};
use super::compute::arguments::Topic;

/// Unattended measuring of wake-up and light-therapy lamps.
#[derive(Debug, Parser)]
#[command(
    name = "wakerail",
    disable_help_subcommand = true,
    disable_version_flag = true,
    max_term_width = 100,
    before_help = "Examples:
  wakerail demo                                      the whole job, on a simulated bench
  wakerail check bench.yaml lamp.yaml plan.yaml      every mistake of every file
  wakerail bench probe bench.yaml                    is each device there, and the right one?
  wakerail serve --bench bench.yaml                  the daemon
  wakerail place D-17 --lamp lamp.yaml --gauge '6 in'
  wakerail book plan.yaml --unit D-17
  wakerail watch latest
  wakerail help survey                               pages: survey spectrum flicker ramp flux standby bench lamp plan evening profiles scripts compute figures exit-codes safety"
)]
pub struct Arguments {
    /// What to do.
    #[command(subcommand)]
    pub command: Option<Command>,

    /// Options that every command takes.
    #[command(flatten)]
    pub common: Common,

    /// Print the version, the commit that it was made from, and SQLite's version
    #[arg(short = 'V', long)]
    pub version: bool,
}

/// Options that every command takes.
#[derive(Debug, Clone, Args)]
pub struct Common {
    /// Data directory; otherwise WAKERAIL_DATA, then the XDG state directory
    #[arg(long, global = true, value_name = "DIR")]
    pub data: Option<PathBuf>,

    /// No colour and no bold words (also: NO_COLOR, TERM=dumb)
    #[arg(long, global = true)]
    pub no_color: bool,

    /// Ask nothing, also at a terminal
    #[arg(long, global = true)]
    pub no_input: bool,
}

/// How rows are printed.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, ValueEnum)]
pub enum Format {
    /// Aligned columns for a person.
    #[default]
    Table,
    /// RFC 4180, units in the column names.
    Csv,
    /// The CSV's columns, one line a row, tabs between: for grep, cut and awk.
    Tsv,
    /// JSON, units in the names.
    Json,
    /// What the CSV's columns are (W3C CSVW): types, units, missing values.
    Csvw,
}

/// How the daemon's log is written.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, ValueEnum)]
pub enum LogForm {
    /// Lines for a person.
    #[default]
    Human,
    /// One JSON object a line.
    Json,
}

/// `--format`, for commands that print rows.
#[derive(Debug, Clone, Copy, Args)]
pub struct Printed {
    /// How to print
    #[arg(long, value_enum, default_value_t, value_name = "FORM")]
    pub format: Format,
}

/// A run by its number, or `latest`.
#[derive(Debug, Clone, Args)]
pub struct RunArg {
    /// The run's number, or `latest`
    #[arg(value_name = "RUN")]
    pub run: RunName,
}

/// A run as typed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum RunName {
    /// The one that was booked last.
    Latest,
    /// By its number, from 1.
    Number(i64),
}

impl std::str::FromStr for RunName {
    type Err = String;
    fn from_str(text: &str) -> Result<RunName, String> {
        match text.parse::<i64>() {
            _ if text == "latest" => Ok(RunName::Latest),
            Ok(number) if number > 0 => Ok(RunName::Number(number)),
            _ => Err("a run is a number such as 7, or `latest`".to_owned()),
        }
    }
}

impl std::fmt::Display for RunName {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            RunName::Latest => f.write_str("latest"),
            RunName::Number(number) => write!(f, "{number}"),
        }
    }
}

/// The commands.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// Write a commented starter file of a bench, a lamp or a plan
    #[command(before_help = "Examples:
  wakerail new bench mudflat                  bench-mudflat.yaml
  wakerail new lamp sanderling --to lamp.yaml
  wakerail new plan 'first look' --to -       to standard output")]
    New(New),

    /// Report every mistake of every file; needs no daemon and no hardware
    #[command(before_help = "Examples:
  wakerail check bench.yaml lamp.yaml plan.yaml
  wakerail check bench.yaml lamp.yaml plan.yaml --itinerary   what would be done, and how long it takes
  wakerail check bench.yaml lamp.yaml plan.yaml --list        every single action
  wakerail check --merged plan.yaml                           base and defaults, each value with its origin")]
    Check(Check),

    /// Try the devices of a bench by hand, without the daemon
    #[command(before_help = "Examples:
  wakerail bench probe bench.yaml                  is each device there, and the right one?
  wakerail bench probe bench.yaml --bytes          also every byte that was sent and came
  wakerail bench try bench.yaml lux-head read
  wakerail bench try bench.yaml fingers press left '120 ms'
  wakerail bench try bench.yaml rail go '500 mm'   a terminal is asked before it moves")]
    Bench(Bench),

    /// Run the daemon that measures
    #[command(before_help = "Examples:
  wakerail serve --bench bench.yaml
  wakerail serve --bench bench.yaml --rehearse 1     every port answered by a simulated device
  wakerail serve --bench bench.yaml --log json 2>> wakerail.log")]
    Serve(Serve),

    /// The whole job on a simulated bench: survey, table, chart
    #[command(before_help = "Examples:
  wakerail demo
  wakerail demo --data /tmp/look        keep what was recorded
  wakerail demo --format csv > lux.csv")]
    Demo(Demo),

    /// Record which unit stands where, and which finger sits on which button
    #[command(before_help = "Examples:
  wakerail place D-17 --lamp lamp.yaml --gauge '6 in' --fingers brighter=left,dimmer=right,power=round
  wakerail place D-17 --lamp lamp.yaml --firmware 2.1     a lamp that is worked by hand
  wakerail place D-17 --lamp lamp.yaml --stated 'supply=230 V, 50 Hz' --stated air-temperature='24 C'")]
    Place(Place),

    /// Book a run of a plan
    #[command(before_help = "Examples:
  wakerail book plan.yaml --unit D-17
  wakerail book plan.yaml --unit D-17 --hold       begins when it is released")]
    Book(Book),

    /// Measure part of a run again, as a new run that names the old one
    #[command(before_help = "Examples:
  wakerail redo 7                                        whatever is missing or failed
  wakerail redo 7 --setting L07,L08 --position '24 in'
  wakerail redo latest --test levels --hold              begins when it is released")]
    Redo(Redo),

    /// Tell what to do before going to bed: caps, alarms, what each run will ask, and when
    #[command(before_help = "Examples:
  wakerail tonight
  wakerail tonight --format json")]
    Tonight(Tonight),

    /// Tell what was done since yesterday noon, and what needs a person now
    #[command(before_help = "Examples:
  wakerail morning
  wakerail morning --since 2026-11-26T12:00     on the bench's clock
  wakerail morning --format json")]
    Morning(Morning),

    /// List the runs
    #[command(before_help = "Examples:
  wakerail runs
  wakerail runs --format json")]
    Runs(Runs),

    /// Tell about one run
    #[command(before_help = "Examples:
  wakerail show latest
  wakerail show 7 --journal")]
    Show(Show),

    /// Look on while a run measures, and answer its questions
    #[command(before_help = "Examples:
  wakerail watch latest
  wakerail watch 7 | grep lx")]
    Watch(RunArg),

    /// Answer a run's open question
    #[command(before_help = "Examples:
  wakerail answer 7                  done as asked
  wakerail answer 7 'level is 3'")]
    Answer(Answer),

    /// Make the bench safe and let the run wait
    #[command(before_help = "Examples:
  wakerail hold latest")]
    Hold(RunArg),

    /// Let a held run go on
    #[command(before_help = "Examples:
  wakerail release latest")]
    Release(RunArg),

    /// Make the bench safe and end the run for good
    #[command(before_help = "Examples:
  wakerail stop 7
  wakerail stop 7 --yes        without the question that a terminal is asked")]
    Stop(Stop),

    /// Print a run's raw readings
    #[command(before_help = "Examples:
  wakerail readings latest --format csv > readings.csv
  wakerail readings 7 --what all        also warm-up, reference, dark, ambient, and superseded ones")]
    Readings(Readings),

    /// Print what a run's spectra, waveforms and programs say
    #[command(before_help = "Examples:
  wakerail figures latest
  wakerail figures 7 --format csv > figures.csv       a row for each figure
  wakerail figures 7 --beside 4 --beside 2            the programs of three runs")]
    Figures(Figures),

    /// Print what went over the links of a run's devices, where it was kept
    #[command(before_help = "Examples:
  wakerail traffic latest                      of which devices, and how much
  wakerail traffic 7 lux-head > night.session  every byte with its time, to be read or sent to somebody
  wakerail traffic 7 lux-head --format json    a JSON object a line
  wakerail help bench                          `traffic: kept` at a port keeps it")]
    Traffic(Traffic),

    /// Say something about a run; it stays with the run, by whom and when
    #[command(before_help = "Examples:
  wakerail note 7 'door open from 02:10 to 02:15'
  wakerail note latest 'new meter cable' --format json")]
    Note(Note),

    /// Set a reading, or a point's readings, aside: kept and shown, but in no mean
    #[command(before_help = "Examples:
  wakerail set-aside '7:levels/L07/24 in/read/1' --because 'door open'    one reading
  wakerail set-aside 7.levels.L07@24in --because 'door open'            the whole point
  wakerail set-aside 7.levels.L07@24in --take-back --because 'wrong point'    it counts again
  wakerail set-aside 7:levels/L07/609600000nm/read/1 --attempt 2 --because 'cable loose'
  wakerail readings 7 --what all                                        prints the keys")]
    SetAside(SetAside),

    /// Print a survey: lux against distance and level
    #[command(before_help = "Examples:
  wakerail survey latest
  wakerail survey 7 --chart lux.svg
  wakerail survey 7 --format csv > lux.csv")]
    Survey(Survey),

    /// Print what the criteria and metrics of a run say
    #[command(before_help = "Examples:
  wakerail rulings latest
  wakerail rulings 7 --all              every round, also those before the latest
  wakerail rulings 7 --format json")]
    Rulings(Rulings),

    /// Rule on a run's stored readings again; the earlier rulings stay
    #[command(before_help = "Examples:
  wakerail rule latest
  wakerail rule 7 --plan stricter.yaml                        its criteria in place of the run's own
  wakerail rule 7 --certificate K-2027-114 --gain 1.013 --certificate-u '1.2 %'")]
    Rule(Rule),

    /// Write a run's report: one HTML file
    #[command(before_help = "Examples:
  wakerail report latest
  wakerail report 7 --to turnstone.html
  wakerail report 7 --to - > turnstone.html")]
    Report(Report),

    /// Tell the full story behind one printed figure, from its raw bytes on
    #[command(before_help = "Examples:
  wakerail account 12.levels.L07@24in      the ids stand beside the figures of `wakerail report`
  wakerail account latest.levels.L07.drift
  wakerail account 12.r3 --format json     a ruling, with its script and all that it rests on")]
    Account(Account),

    /// Look after the record
    #[command(before_help = "Examples:
  wakerail store check                 every link, reading and row; also while a daemon measures
  wakerail store check --format json
  wakerail store check --data /media/backup/wakerail")]
    Store(StoreArgs),

    /// Check a script, try it on a stored run, see those that are shipped
    #[command(before_help = "Examples:
  wakerail script check mine.rhai                             every mistake, with line and column
  wakerail script try mine.rhai latest --given target='300 lx'
  wakerail script list
  wakerail script show reaches-target > mine.rhai             a shipped one to begin with
  wakerail help scripts                                       how to write one")]
    Script(Script),

    /// Compute the trade's figures from a measured file; needs no daemon
    #[command(before_help = "Examples:
  wakerail compute spectrum lamp.csv                    colour, rendering, melanopic, blue light
  wakerail compute waveform capture.csv --rate-hz 20000 flicker
  wakerail help compute                                 what each topic reads and gives")]
    Compute(Compute),

    /// Print a page of the manual, or a command's help
    #[command(before_help = "Examples:
  wakerail help survey
  wakerail help exit-codes
  wakerail help place")]
    Help(Help),

    /// Print a script that lets your shell complete commands and options
    #[command(before_help = "Examples:
  wakerail completion bash > ~/.local/share/bash-completion/completions/wakerail
  wakerail completion zsh > ~/.zfunc/_wakerail          a folder of your fpath
  wakerail completion fish > ~/.config/fish/completions/wakerail.fish")]
    Completion(Completion),
}

/// `store`
#[derive(Debug, Args)]
pub struct StoreArgs {
    /// What to do with it.
    #[command(subcommand)]
    pub command: StoreCommand,
}

/// What can be done with the record.
#[derive(Debug, Subcommand)]
pub enum StoreCommand {
    /// Are journals, readings, remarks and kept traffic still what was written? Names the first that is
    /// not. Rulings have no links: `wakerail rule` makes them again from the readings
    Check(StoreCheck),
}

/// `store check`
#[derive(Debug, Args)]
pub struct StoreCheck {
    /// How to print.
    #[command(flatten)]
    pub printed: Printed,
}

/// Kinds of file that a person writes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum FileKind {
    /// What one bench can do.
    Bench,
    /// A lamp model.
    Lamp,
    /// What is measured.
    Plan,
    /// How one model of device is spoken to.
    Profile,
}

impl FileKind {
    /// As it is typed.
    pub const fn word(self) -> &'static str {
        match self {
            FileKind::Bench => "bench",
            FileKind::Lamp => "lamp",
            FileKind::Plan => "plan",
            FileKind::Profile => "profile",
        }
    }
}

/// `new`
#[derive(Debug, Args)]
pub struct New {
    /// What kind of file
    #[arg(value_enum, value_name = "KIND")]
    pub kind: FileKind,
    /// The name of the bench, lamp, plan or profile
    #[arg(value_name = "NAME")]
    pub name: GivenName,
    /// Where to write it; `-` is standard output [default: KIND-NAME.yaml]
    #[arg(long, value_name = "FILE")]
    pub to: Option<PathBuf>,
}

/// A name as files take it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct GivenName(pub String);

impl std::str::FromStr for GivenName {
    type Err = String;
    fn from_str(text: &str) -> Result<GivenName, String> {
        let wanted = |c: char| c.is_alphanumeric() || matches!(c, '-' | '_' | ' ');
        let at_most = written::readers::MAX_NAME_CHARS;
        if text.is_empty() || text.trim() != text || text.chars().count() > at_most {
            return Err(format!(
                "a name has 1 to {at_most} characters and no space at its ends"
            ));
        }
        if let Some(c) = text.chars().find(|c| !wanted(*c)) {
            return Err(format!(
                "{c:?} cannot be in a name; names have letters, digits, `-`, `_` and spaces"
            ));
        }
        // YAML would read `12`, `true` or `null` as something else than a name.
        let begins = text.chars().next().is_some_and(char::is_alphabetic);
        let word = text.to_ascii_lowercase();
        if !begins || ["true", "false", "null"].contains(&word.as_str()) {
            return Err("a name begins with a letter and is none of YAML's own words".to_owned());
        }
        Ok(GivenName(text.to_owned()))
    }
}

/// `check`
#[derive(Debug, Args)]
pub struct Check {
    /// Bench, lamp and plan files, in any order
    #[arg(required = true, value_name = "FILE")]
    pub files: Vec<PathBuf>,
    /// Print the itinerary: parts, times, whether it fits the window
    #[arg(long)]
    pub itinerary: bool,
    /// Print every action of the itinerary
    #[arg(long)]
    pub list: bool,
    /// Print the plan with its base and its defaults, each value with its origin
    #[arg(long)]
    pub merged: bool,
    /// How to print the merged plan
    #[arg(
        long,
        value_enum,
        default_value_t,
        value_name = "FORM",
        requires = "merged"
    )]
    pub format: Format,
}

/// `serve`
#[derive(Debug, Args)]
pub struct Serve {
    /// The benches that this machine works
    #[arg(long, required = true, num_args = 1.., value_name = "FILE")]
    #[arg(env = "WAKERAIL_BENCH", hide_env_values = true)]
    pub bench: Vec<PathBuf>,
    /// Let simulated devices answer every port, with this seed
    // Not from the environment: nobody may take a rehearsal for a measurement
    // because of a variable that was left set.
    #[arg(long, value_name = "SEED")]
    pub rehearse: Option<u64>,
    /// How to write the log (stderr)
    #[arg(long, value_enum, default_value_t, value_name = "FORM")]
    #[arg(env = "WAKERAIL_LOG_FORM", hide_env_values = true)]
    pub log: LogForm,
}

/// `demo`
#[derive(Debug, Args)]
pub struct Demo {
    /// The evening survey of one lamp alone
    #[arg(long)]
    pub short: bool,
    /// How the final table is printed
    #[command(flatten)]
    pub printed: Printed,
}

/// `place`
#[derive(Debug, Args)]
pub struct Place {
    /// The unit's serial number, or the name you gave it
    pub unit: String,
    /// The lamp file of its model
    #[arg(long, value_name = "FILE")]
    pub lamp: PathBuf,
    /// The bench; not needed when there is one
    #[arg(long, value_name = "NAME")]
    pub bench: Option<String>,
    /// The place on the bench; not needed when there is one, or one on a rail
    #[arg(long, value_name = "NAME")]
    pub place: Option<String>,
    /// The unit's firmware revision
    #[arg(long, value_name = "F")]
    pub firmware: Option<String>,
    /// The gauge block between lamp and meter, such as '6 in'
    #[arg(long, value_name = "LENGTH")]
    pub gauge: Option<String>,
    /// The carriage's coordinate while the gauge was used, such as '200 mm'
    #[arg(long, value_name = "LENGTH", requires = "gauge")]
    pub carriage_at: Option<String>,
    /// Which finger sits on which button: brighter=left,dimmer=right
    #[arg(long, value_name = "BUTTON=FINGER", value_delimiter = ',')]
    pub fingers: Vec<String>,
    /// What you know and the bench does not measure; the report states it:
    /// supply, air-temperature, hours-run, orientation (may be repeated)
    #[arg(long, value_name = "ITEM=WORDS")]
    pub stated: Vec<String>,
    /// Who placed it; otherwise the user's name
    #[arg(long, value_name = "NAME")]
    pub who: Option<String>,
}

/// `book`
#[derive(Debug, Args)]
pub struct Book {
    /// The plan file
    pub plan: PathBuf,
    /// The unit to measure
    #[arg(long)]
    pub unit: String,
    /// The bench; not needed when there is one
    #[arg(long, value_name = "NAME")]
    pub bench: Option<String>,
    /// The lamp file, for a unit that was never placed
    #[arg(long, value_name = "FILE")]
    pub lamp: Option<PathBuf>,
    /// Book it held; it begins when it is released
    #[arg(long)]
    pub hold: bool,
}

/// `redo`
#[derive(Debug, Args)]
pub struct Redo {
    /// Which run
    #[command(flatten)]
    pub run: RunArg,
    /// Tests of its plan [default: every one that has what else is chosen]
    #[arg(long, value_name = "NAME", value_delimiter = ',')]
    pub test: Vec<String>,
    /// Settings by their keys, such as L07,L08 [default: all of the test]
    #[arg(long, value_name = "KEY", value_delimiter = ',')]
    pub setting: Vec<String>,
    /// Positions in any unit, such as '24 in,36 in' [default: all of the test]
    #[arg(long, value_name = "LENGTH", value_delimiter = ',')]
    pub position: Vec<String>,
    /// Book it held; it begins when it is released
    #[arg(long)]
    pub hold: bool,
    /// How to print
    #[command(flatten)]
    pub printed: Printed,
}

/// `runs`
#[derive(Debug, Args)]
pub struct Runs {
    /// How to print
    #[command(flatten)]
    pub printed: Printed,
}

/// `show`
#[derive(Debug, Args)]
pub struct Show {
    /// Which run
    #[command(flatten)]
    pub run: RunArg,
    /// Print its journal, event by event
    #[arg(long)]
    pub journal: bool,
    /// How to print
    #[command(flatten)]
    pub printed: Printed,
}

/// `stop`
#[derive(Debug, Args)]
pub struct Stop {
    /// Which run
    #[command(flatten)]
    pub run: RunArg,
    /// Do not ask whether it is meant
    #[arg(long)]
    pub yes: bool,
}

/// `answer`
#[derive(Debug, Args)]
pub struct Answer {
    /// Which run
    #[command(flatten)]
    pub run: RunArg,
    /// The answer; without one: done as asked
    #[arg(value_name = "TEXT")]
    pub text: Option<String>,
}

/// Which readings.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, ValueEnum)]
pub enum Which {
    /// Those that count as the results of their keys.
    #[default]
    Results,
    /// Every one that was taken.
    All,
}

/// `figures`
#[derive(Debug, Args)]
pub struct Figures {
    /// Which run
    #[command(flatten)]
    pub run: RunArg,
    /// Print its programs alone, beside those of this run (may be repeated)
    #[arg(long, value_name = "RUN")]
    pub beside: Vec<RunName>,
    /// How to print
    #[command(flatten)]
    pub printed: Printed,
}

/// `readings`
#[derive(Debug, Args)]
pub struct Readings {
    /// Which run
    #[command(flatten)]
    pub run: RunArg,
    /// Which readings
    #[arg(long, value_enum, default_value_t, value_name = "WHICH")]
    pub what: Which,
    /// How to print
    #[command(flatten)]
    pub printed: Printed,
}

/// How traffic is printed.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, ValueEnum)]
pub enum Lines {
    /// For a person; of a device a session, which can be played again.
    #[default]
    Text,
    /// One JSON object a line, units in the names.
    Json,
}

/// `traffic`
#[derive(Debug, Args)]
pub struct Traffic {
    /// Which run
    #[command(flatten)]
    pub run: RunArg,
    /// The device, by its name in the bench file; without, what is kept of which
    pub device: Option<String>,
    /// How to print
    #[arg(long, value_enum, default_value_t, value_name = "FORM")]
    pub format: Lines,
}

/// `note`
#[derive(Debug, Args)]
pub struct Note {
    /// Which run
    #[command(flatten)]
    pub run: RunArg,
    /// What there is to say
    #[arg(value_name = "TEXT")]
    pub text: String,
    /// How to print
    #[command(flatten)]
    pub printed: Printed,
}

/// `set-aside`
#[derive(Debug, Args)]
pub struct SetAside {
    /// RUN:TEST/SETTING/POSITION/WHAT/VISIT as `readings` prints it; without the last two
    /// parts, or as the report names the figure (7.levels.L07@24in): the whole point
    #[arg(value_name = "KEY")]
    pub key: ReadingName,
    /// Why; it is printed wherever the reading is
    #[arg(long, value_name = "TEXT")]
    pub because: String,
    /// Undo an earlier set-aside: the readings count again, both remarks stay
    #[arg(long)]
    pub take_back: bool,
    /// Which attempt, where the key was read more than once [default: the one that counts]
    #[arg(long, value_name = "N")]
    pub attempt: Option<u32>,
    /// How to print
    #[command(flatten)]
    pub printed: Printed,
}

/// A reading or a point as typed, and its run.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ReadingName {
    /// The run.
    pub run: RunName,
    /// Its key within the run, or the id of a figure.
    pub key: String,
}

impl std::str::FromStr for ReadingName {
    type Err = String;
    fn from_str(text: &str) -> Result<ReadingName, String> {
        let wrong = || {
            "a reading is RUN:KEY such as `7:levels/L07/24 in/read/1`, a point `7.levels.L07@24in`"
                .to_owned()
        };
        let (run, key) = match text.split_once(':') {
            Some((run, key)) => (run, key),
            // A figure's id begins with its run, and only a point has an `@`.
            None => match text.split_once('.') {
                Some((run, rest)) if rest.contains('@') => (run, text),
                _ => return Err(wrong()),
            },
        };
        Ok(ReadingName {
            run: run.parse().map_err(|_| wrong())?,
            key: key.to_owned(),
        })
    }
}

/// `survey`
#[derive(Debug, Args)]
pub struct Survey {
    /// Which run
    #[command(flatten)]
    pub run: RunArg,
    /// Write a chart (SVG) to this file
    #[arg(long, value_name = "FILE")]
    pub chart: Option<PathBuf>,
    /// How to print
    #[command(flatten)]
    pub printed: Printed,
}

/// `compute`
#[derive(Debug, Args)]
pub struct Compute {
    /// What to compute
    #[command(subcommand)]
    pub topic: Topic,
}

/// `help`
#[derive(Debug, Args)]
pub struct Help {
    /// A page (survey, spectrum, flicker, ramp, flux, standby, bench, lamp, plan, evening, profiles, scripts, compute, figures, exit-codes, safety) or a command
    pub topic: Option<String>,
}

/// `completion`
#[derive(Debug, Args)]
pub struct Completion {
    /// The shell
    pub shell: clap_complete::Shell,
}
