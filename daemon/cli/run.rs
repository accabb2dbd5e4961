//! From words to a command to what it does.
//!
//! Called by: main.

use std::ffi::OsString;

use clap::error::ErrorKind;
use clap::{CommandFactory, FromArgMatches};

use super::arguments::{Arguments, Command, Common, Serve, StoreCommand};
use super::arguments_of_rulings::ScriptCommand;
use super::client::Client;
use super::complaint::Complaint;
use super::data_dir::{DataDir, Surroundings};
use super::exit_codes::ExitCode;
use super::terminal::Terminal;
use super::verbs::Verb;
use super::{
    account, bench, book, check, compute, demo, figures, format, help, morning, new, place,
    readings, record, remarks, rulings, runs, script, show, survey, text_files, tonight, traffic,
    verbs, watch,
};
use crate::service;

/// What is logged when nothing else was asked for.
const LOGGED: &str = "info";
/// What the demo logs: it tells its own story.
const LOGGED_BY_DEMO: &str = "warn";

/// Reads the words. Help goes to stdout, complaints to stderr; both have been
/// printed when this gives a code.
///
/// # Errors
/// The exit code, when there is nothing to do.
pub fn parse(words: &[OsString], terminal: Terminal) -> Result<Arguments, ExitCode> {
    let colour = if terminal.bold {
        clap::ColorChoice::Auto
    } else {
        clap::ColorChoice::Never
    };
    let mut program = Arguments::command().color(colour);
    let parsed = program
        .try_get_matches_from_mut(words)
        .and_then(|matches| Arguments::from_arg_matches(&matches));
    parsed.map_err(|error| {
        let code = match error.kind() {
            ErrorKind::DisplayHelp | ErrorKind::DisplayVersion => ExitCode::Ok,
            _ => ExitCode::Usage,
        };
        // Nobody is left to be told when this cannot be printed.
        let _ = error.print();
        code
    })
}

/// Does what the arguments say.
///
/// # Errors
/// Whatever kept it from being done.
pub async fn dispatch(arguments: Arguments, terminal: Terminal) -> Result<(), Complaint> {
    let out = &mut std::io::stdout();
    let common = arguments.common;
    if arguments.version {
        return format::say(out, &version().await?);
    }
    let Some(command) = arguments.command else {
        eprint!("{}", Arguments::command().render_help());
        return Err(Complaint::NoCommand);
    };
    match command {
        Command::New(args) => new::run(&args, out),
        Command::Check(args) => check::run(&args, terminal, out),
        Command::Compute(args) => compute::run(&args.topic, out),
        Command::Bench(args) => bench::run(&args.command, terminal, out).await,
        Command::Script(args) => script(args.command, common, terminal).await,
        Command::Help(args) => format::say(out, &help::text(args.topic.as_deref())?),
        Command::Completion(args) => format::say(out, &help::completion(args.shell)),
        Command::Serve(args) => serve(args, common, terminal).await,
        Command::Store(args) => {
            let StoreCommand::Check(args) = args.command;
            record::check(&data_dir(common)?, &args, out).await
        }
        Command::Demo(args) => {
            service::log_to_stderr(Default::default(), terminal.bold, LOGGED_BY_DEMO);
            demo::run(common.data, &args, terminal, out).await
        }
        other => ask_daemon(&client(common)?, other, terminal).await,
    }
}

/// Commands that need a daemon.
async fn ask_daemon(
    client: &Client,
    command: Command,
    terminal: Terminal,
) -> Result<(), Complaint> {
    let out = &mut std::io::stdout();
    match command {
        Command::Place(args) => format::say(out, &place::run(client, &args).await?),
        Command::Book(args) => {
            let booked = book::run(client, &args).await?;
            format::say(out, &book::told(&booked))
        }
        Command::Redo(args) => book::redo(client, &args, out).await,
        Command::Runs(args) => runs::run(client, &args, out).await,
        Command::Tonight(args) => tonight::run(client, &args, out).await,
        Command::Morning(args) => morning::run(client, &args, out).await,
        Command::Show(args) => show::run(client, &args, out).await,
        Command::Watch(args) => watch::run(client, args.run, terminal, out).await,
        Command::Answer(args) => {
            let told = verbs::answer(client, args.run.run, args.text.as_deref()).await?;
            format::say(out, &told)
        }
        Command::Hold(args) => format::say(out, &verbs::order(client, args.run, Verb::Hold).await?),
        Command::Release(args) => {
            format::say(out, &verbs::order(client, args.run, Verb::Release).await?)
        }
        Command::Stop(args) => {
            let asks = terminal.asks && !args.yes;
            format::say(out, &verbs::stop(client, args.run.run, asks).await?)
        }
        Command::Readings(args) => readings::run(client, &args, out).await,
        Command::Traffic(args) => traffic::run(client, &args, out).await,
        Command::Note(args) => remarks::note(client, &args, out).await,
        Command::SetAside(args) => remarks::set_aside(client, &args, out).await,
        Command::Survey(args) => survey::run(client, &args, out).await,
        Command::Figures(args) => figures::run(client, &args, out).await,
        Command::Account(args) => account::run(client, &args, out).await,
        Command::Rulings(args) => rulings::list(client, &args, out).await,
        Command::Rule(args) => rulings::rule(client, &args, out).await,
        Command::Report(args) => rulings::report(client, &args, out).await,
        Command::New(_)
        | Command::Check(_)
        | Command::Bench(_)
        | Command::Compute(_)
        | Command::Script(_)
        | Command::Help(_)
        | Command::Completion(_)
        | Command::Serve(_)
        | Command::Store(_)
        | Command::Demo(_) => Ok(()),
    }
}

/// Scripts: only to try one takes a daemon.
async fn script(
    command: ScriptCommand,
    common: Common,
    terminal: Terminal,
) -> Result<(), Complaint> {
    let out = &mut std::io::stdout();
    match command {
        ScriptCommand::Check(args) => script::check(&args, terminal, out),
        ScriptCommand::List(args) => script::list(&args, out),
        ScriptCommand::Show(args) => script::show(&args, out),
        ScriptCommand::Try(args) => script::attempt(&client(common)?, &args, out).await,
    }
}

fn data_dir(common: Common) -> Result<DataDir, Complaint> {
    DataDir::find(Surroundings::of_process(common.data)).ok_or(Complaint::NoDataDirectory)
}

fn client(common: Common) -> Result<Client, Complaint> {
    Ok(Client::new(&data_dir(common)?.socket()))
}

async fn serve(args: Serve, common: Common, terminal: Terminal) -> Result<(), Complaint> {
    service::log_to_stderr(args.log, terminal.bold, LOGGED);
    let data = data_dir(common)?;
    let mut cards = Vec::new();
    for path in &args.bench {
        cards.push(check::card(path, &text_files::read(path)?)?);
    }
    let mut names: Vec<&str> = cards.iter().map(|card| card.name.as_str()).collect();
    names.sort_unstable();
    if let Some(twice) = names.windows(2).find(|pair| pair[0] == pair[1]) {
        return Err(Complaint::SameBench {
            bench: twice[0].to_owned(),
        });
    }
    let benches = names.join(", ");
    let order = service::Order {
        data: data.clone(),
        cards,
        rehearse: args.rehearse,
    };
    let daemon = service::start(order).await?;
    let socket = data.socket();
    match args.rehearse {
        Some(seed) => {
            tracing::info!(%benches, seed, socket = %socket.display(), "REHEARSING on simulated devices")
        }
        None => tracing::info!(%benches, socket = %socket.display(), "at work"),
    }
    daemon.serve_until_told().await
}

async fn version() -> Result<String, Complaint> {
    let sqlite = service::sqlite_version().await?;
    Ok(format!(
        "wakerail {} (commit {}, SQLite {sqlite})\n",
        env!("CARGO_PKG_VERSION"),
        env!("WAKERAIL_COMMIT")
    ))
}
