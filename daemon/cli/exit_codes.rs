//! The exit codes, named. Most are those of `sysexits.h`; two are our own.
//!
//! Called by: complaint, main. The table is printed by `help exit-codes`, and
//! a test keeps both the same.

/// How the program ends.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ExitCode {
    /// All went well.
    Ok,
    /// The run ran, but with gaps, or it was stopped or failed.
    Gaps,
    /// A criterion is not a pass.
    NotPassed,
    /// The command line is wrong.
    Usage,
    /// A file has mistakes.
    Data,
    /// A file, run or unit is not there.
    NoInput,
    /// The daemon cannot be reached.
    Unavailable,
    /// A defect of this program.
    Bug,
    /// A file cannot be created.
    CannotCreate,
    /// Reading or writing failed.
    Io,
    /// Not now; the same command may work later.
    Retry,
    /// Not permitted.
    NotPermitted,
    /// The machine or the data directory is not set up for this.
    Config,
    /// Interrupted by Ctrl-C while only looking on, or by a no to a question.
    Interrupted,
}

impl ExitCode {
    /// Every code, in the order of its number.
    pub const ALL: [ExitCode; 14] = [
        ExitCode::Ok,
        ExitCode::Gaps,
        ExitCode::NotPassed,
        ExitCode::Usage,
        ExitCode::Data,
        ExitCode::NoInput,
        ExitCode::Unavailable,
        ExitCode::Bug,
        ExitCode::CannotCreate,
        ExitCode::Io,
        ExitCode::Retry,
        ExitCode::NotPermitted,
        ExitCode::Config,
        ExitCode::Interrupted,
    ];

    /// The number that the shell sees.
    pub const fn number(self) -> u8 {
        match self {
            ExitCode::Ok => 0,
            ExitCode::Gaps => 3,
            ExitCode::NotPassed => 4,
            ExitCode::Usage => 64,
            ExitCode::Data => 65,
            ExitCode::NoInput => 66,
            ExitCode::Unavailable => 69,
            ExitCode::Bug => 70,
            ExitCode::CannotCreate => 73,
            ExitCode::Io => 74,
            ExitCode::Retry => 75,
            ExitCode::NotPermitted => 77,
            ExitCode::Config => 78,
            ExitCode::Interrupted => 130,
        }
    }

    /// What it means, as `help exit-codes` prints it.
    pub const fn meaning(self) -> &'static str {
        match self {
            ExitCode::Ok => "all went well",
            ExitCode::Gaps => "the run ran, but with gaps, or it was stopped or failed",
            ExitCode::NotPassed => "a criterion is not a pass",
            ExitCode::Usage => "the command line is wrong",
            ExitCode::Data => "a file has mistakes",
            ExitCode::NoInput => "a file, run or unit is not there",
            ExitCode::Unavailable => "the daemon cannot be reached",
            ExitCode::Bug => "a defect of this program; please report it",
            ExitCode::CannotCreate => "a file cannot be created",
            ExitCode::Io => "reading or writing failed",
            ExitCode::Retry => "not now; the same command may work later",
            ExitCode::NotPermitted => "not permitted",
            ExitCode::Config => "the data directory or the bench is not set up for this",
            ExitCode::Interrupted => "interrupted by Ctrl-C, or by a no; what was measured is kept",
        }
    }
}

impl From<ExitCode> for std::process::ExitCode {
    fn from(code: ExitCode) -> std::process::ExitCode {
        std::process::ExitCode::from(code.number())
    }
}
