//! The program: arguments, a call, a complaint, an exit code.

use std::process::ExitCode;

use wakerail::cli::complaint::Complaint;
use wakerail::cli::exit_codes;
use wakerail::cli::run::{dispatch, parse};
use wakerail::cli::terminal::{Terminal, says};

fn main() -> ExitCode {
    let words: Vec<_> = std::env::args_os().collect();
    let asked = |option| says(words.iter().map(std::ffi::OsString::as_os_str), option);
    let terminal = Terminal::of_process(asked("--no-color"), asked("--no-input"));
    let arguments = match parse(&words, terminal) {
        Ok(arguments) => arguments,
        Err(code) => return code.into(),
    };
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .enable_all()
        .build();
    let done = match runtime {
        Ok(runtime) => {
            let done = runtime.block_on(dispatch(arguments, terminal));
            // A thread that reads the keyboard must not keep the program.
            runtime.shutdown_background();
            done
        }
        Err(source) => Err(Complaint::System {
            doing: "start its threads",
            source,
        }),
    };
    match done {
        Ok(()) => exit_codes::ExitCode::Ok.into(),
        Err(complaint) => {
            eprint!("{}", complaint.shown(terminal));
            complaint.code().into()
        }
    }
}
