//! `watch`: looks on while a run measures. Means go to stdout, the rest to
//! stderr. At a terminal a question can be answered by typing.
//!
//! Called by: main, demo. Not here: what the lines say (follow).

use std::io::{BufRead, Write};

use tokio::sync::mpsc;

use super::arguments::RunName;
use super::client::Client;
use super::complaint::Complaint;
use super::follow::{self, Follower, Shown};
use super::format;
use super::terminal::{Terminal, printable};
use super::verbs;
use crate::web::wire::{Entry, Progress};

/// Clears the line of the cursor and goes to its beginning (ECMA-48: EL, CR).
const CLEAR_LINE: &str = "\r\x1b[2K";

/// Looks on until the run is over.
///
/// # Errors
/// No daemon, no such run; gaps when the run is over without having measured
/// everything; Ctrl-C.
pub async fn run(
    client: &Client,
    run: RunName,
    terminal: Terminal,
    out: &mut impl Write,
) -> Result<(), Complaint> {
    let run = client.number(run).await?;
    let looking = look_on(client, run, terminal, out);
    tokio::select! {
        ended = looking => verdict(run, &ended?),
        _ = tokio::signal::ctrl_c() => Err(Complaint::LookedAway { run }),
    }
}

/// Whether a run that is over measured everything.
///
/// # Errors
/// [`Complaint::Gaps`] when it did not.
pub fn verdict(run: i64, state: &str) -> Result<(), Complaint> {
    if state == "complete" {
        Ok(())
    } else {
        Err(Complaint::Gaps {
            run,
            state: state.to_owned(),
        })
    }
}

/// Follows a run to its end; its last state.
///
/// # Errors
/// No daemon, no such run, or the daemon leaves before the run is over.
pub async fn look_on(
    client: &Client,
    run: i64,
    terminal: Terminal,
    out: &mut impl Write,
) -> Result<String, Complaint> {
    let mut events = client.events(&format!("/runs/{run}/events")).await?;
    let mut follower = Follower::default();
    let mut screen = Screen {
        terminal,
        status: String::new(),
    };
    let mut typed: Option<mpsc::Receiver<String>> = None;
    let mut open_question = false;
    loop {
        let event = tokio::select! {
            event = events.next() => event?,
            Some(answer) = next_line(&mut typed) => {
                if open_question {
                    let answer = Some(answer.trim()).filter(|answer| !answer.is_empty());
                    match verbs::answer(client, RunName::Number(run), answer).await {
                        Ok(_) => open_question = false,
                        Err(complaint) => screen.say_ready(complaint.shown(terminal).trim_end()),
                    }
                }
                continue;
            }
        };
        let Some(event) = event else {
            screen.end();
            return Err(Complaint::DaemonLeft { run });
        };
        match event.name.as_str() {
            "journal" => {
                let entry: Entry = understood(&event.data)?;
                match follower.take(&entry) {
                    Some(Shown::Mean(line)) => screen.data(out, &line)?,
                    Some(Shown::Said(line)) => screen.say(&line),
                    Some(Shown::Asked(_)) | None => {}
                }
                open_question &= entry.kind != "resumed";
            }
            "progress" => {
                let progress: Progress = understood(&event.data)?;
                screen.status(&follow::status(&progress));
                if let Some(question) = &progress.asks
                    && !open_question
                {
                    open_question = true;
                    screen.ask(run, question);
                    if terminal.asks && typed.is_none() {
                        typed = Some(lines_typed());
                    }
                }
                if let Some(why) = progress.out_of_service.filter(|_| !progress.is_over) {
                    screen.end();
                    let bench = format!("the bench of run {run}");
                    return Err(Complaint::BenchOut { bench, why });
                }
                if progress.is_over {
                    screen.end();
                    return Ok(progress.state);
                }
            }
            _ => {}
        }
    }
}

fn understood<T: serde::de::DeserializeOwned>(data: &str) -> Result<T, Complaint> {
    serde_json::from_str(data).map_err(|error| Complaint::Answer {
        reason: error.to_string(),
    })
}

/// The next line that was typed; never, when nobody types.
async fn next_line(typed: &mut Option<mpsc::Receiver<String>>) -> Option<String> {
    match typed {
        Some(lines) => lines.recv().await,
        None => std::future::pending().await,
    }
}

/// Reads lines in a thread of its own: reading a terminal cannot be
/// interrupted, and the thread ends with the process.
fn lines_typed() -> mpsc::Receiver<String> {
    let (post, lines) = mpsc::channel(1);
    std::thread::spawn(move || {
        for line in std::io::stdin().lock().lines() {
            let Ok(line) = line else { return };
            if post.blocking_send(line).is_err() {
                return;
            }
        }
    });
    lines
}

/// stdout for means, stderr for the rest, with a status line at a terminal.
struct Screen {
    terminal: Terminal,
    status: String,
}

impl Screen {
    fn clear(&self) {
        if self.terminal.redraws && !self.status.is_empty() {
            eprint!("{CLEAR_LINE}");
        }
    }
    fn redraw(&self) {
        if self.terminal.redraws && !self.status.is_empty() {
            eprint!("{}", self.status);
        }
    }
    fn data(&self, out: &mut impl Write, line: &str) -> Result<(), Complaint> {
        self.clear();
        format::say(out, &format!("{}\n", printable(line)))?;
        self.redraw();
        Ok(())
    }
    fn say(&self, text: &str) {
        self.say_ready(&printable(text.trim_end()));
    }
    /// Text that is safe to print and may be bold.
    fn say_ready(&self, text: &str) {
        self.clear();
        eprintln!("{text}");
        self.redraw();
    }
    fn ask(&self, run: i64, question: &str) {
        let how = if self.terminal.asks {
            "press Enter when it is done, or type an answer".to_owned()
        } else {
            format!("answer with `wakerail answer {run}`")
        };
        let (mark, question) = (self.terminal.bold("?"), printable(question));
        self.say_ready(&format!("{mark} {question}\n  {how}"));
    }
    fn status(&mut self, line: &str) {
        self.clear();
        self.status = printable(line);
        self.redraw();
    }
    fn end(&mut self) {
        self.clear();
        self.status.clear();
    }
}
