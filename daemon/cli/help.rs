//! The pages of the manual, embedded, and the help of each command.
//!
//! Called by: main.

use std::fmt::Write as _;

use clap::CommandFactory;

use super::arguments::Arguments;
use super::complaint::Complaint;
use crate::script::api::{Entry, api, codec_api};
use crate::script::limits::Limits;

/// The pages by name.
pub const PAGES: [(&str, &str); 15] = [
    ("survey", include_str!("help/survey.md")),
    ("spectrum", include_str!("help/spectrum.md")),
    ("flicker", include_str!("help/flicker.md")),
    ("ramp", include_str!("help/ramp.md")),
    ("flux", include_str!("help/flux.md")),
    ("standby", include_str!("help/standby.md")),
    ("bench", include_str!("help/bench.md")),
    ("lamp", include_str!("help/lamp.md")),
    ("plan", include_str!("help/plan.md")),
    ("evening", include_str!("help/evening.md")),
    ("profiles", include_str!("help/profiles.md")),
    ("scripts", include_str!("help/scripts.md")),
    ("compute", include_str!("help/compute.md")),
    ("exit-codes", include_str!("help/exit-codes.md")),
    ("safety", include_str!("help/safety.md")),
];

/// The page that is made from the figures' names.
const FIGURES: &str = "figures";

/// Every figure with its unit, its standard, and what it is held against.
fn figures() -> String {
    let mut page = "# Figures: names, standards, checks\n\nOne name for each, the same in JSON, \
                    CSV and tables.\n"
        .to_owned();
    for name in photometry::figure::all_names() {
        let unit = if name.unit.is_empty() {
            String::new()
        } else {
            format!(" [{}]", name.unit)
        };
        let _ = write!(
            page,
            "\n{}{unit}\n    {}\n    after: {}\n    held against: {}\n",
            name.name, name.meaning, name.standard, name.check
        );
    }
    page
}

/// A page with what is told from the program itself.
fn filled(page: &str) -> String {
    page.replace("{{api}}\n", &table_of(api()))
        .replace("{{codec-api}}\n", &table_of(codec_api()))
        .replace("{{limits}}\n", &script_limits())
}

/// All that a script can call, as the engine knows it.
fn table_of(entries: &[&Entry]) -> String {
    let mut table = String::new();
    for entry in entries {
        let _ = write!(
            table,
            "    {}  gives {}\n        {}\n",
            entry.call(),
            entry.gives,
            entry.what
        );
    }
    table
}

fn script_limits() -> String {
    let limits = Limits::default();
    let rows = [
        ("operations", limits.operations.to_string()),
        ("seconds", limits.deadline.as_secs().to_string()),
        ("calls within calls", limits.depth.to_string()),
        ("items of an array", limits.array_items.to_string()),
        ("entries of a map", limits.map_items.to_string()),
        ("bytes of text", limits.string_bytes.to_string()),
    ];
    let mut told = String::new();
    for (what, most) in rows {
        let _ = writeln!(told, "    {most:>9}  {what}");
    }
    told
}

/// The script that lets a shell complete commands, options and file names.
pub fn completion(shell: clap_complete::Shell) -> String {
    let mut program = Arguments::command();
    let name = program.get_name().to_owned();
    let mut script = Vec::new();
    clap_complete::generate(shell, &mut program, name, &mut script);
    String::from_utf8_lossy(&script).into_owned()
}

/// The text for `help TOPIC`: a page, a command's help, or the general one.
///
/// # Errors
/// When there is neither a page nor a command of that name.
pub fn text(topic: Option<&str>) -> Result<String, Complaint> {
    let mut program = Arguments::command();
    let Some(topic) = topic else {
        return Ok(program.render_long_help().to_string());
    };
    if let Some((_, page)) = PAGES.iter().find(|(name, _)| *name == topic) {
        return Ok(filled(page));
    }
    if topic == FIGURES {
        return Ok(figures());
    }
    program.build();
    if let Some(command) = program.find_subcommand_mut(topic) {
        return Ok(command.render_long_help().to_string());
    }
    let commands = program.get_subcommands().map(clap::Command::get_name);
    let pages = PAGES.iter().map(|(name, _)| *name).chain([FIGURES]);
    let names = pages.chain(commands);
    Err(Complaint::NoTopic {
        topic: topic.to_owned(),
        near: written::nearest(topic, names).map(str::to_owned),
    })
}

#[cfg(test)]
mod tests {
    use super::super::exit_codes::ExitCode;
    use super::*;

    #[test]
    fn the_page_of_exit_codes_tells_every_code() {
        let page = text(Some("exit-codes")).expect("a page");
        for code in ExitCode::ALL {
            let line = format!("    {:<4} {}\n", code.number(), code.meaning());
            assert!(page.contains(&line), "{line}");
        }
    }

    #[test]
    fn a_mistyped_page_is_guessed() {
        let complaint = text(Some("survay")).expect_err("no page");
        assert_eq!(complaint.hints(), ["did you mean `wakerail help survey`?"]);
    }
}
