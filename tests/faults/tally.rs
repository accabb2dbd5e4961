//! A line of the fault report: what was done, how often, what it cost.

use std::fmt::Display;

/// Tells the counts of one kind of fault; with `WAKERAIL_FAULT_REPORT` also as
/// a file in that folder, so that the lines of all tests make one report.
///
/// # Panics
/// When the folder cannot be written.
pub fn line(fault: &str, counts: &[(&str, &dyn Display)]) {
    let counts: Vec<String> = counts
        .iter()
        .map(|(what, count)| format!("{what} {count}"))
        .collect();
    let line = format!("{fault}: {}", counts.join(", "));
    println!("fault report: {line}");
    if let Some(folder) = std::env::var_os("WAKERAIL_FAULT_REPORT") {
        let name: String = fault
            .chars()
            .map(|letter| {
                if letter.is_alphanumeric() {
                    letter
                } else {
                    '-'
                }
            })
            .collect();
        let path = std::path::Path::new(&folder).join(name);
        std::fs::write(path, format!("{line}\n")).expect("the report's folder can be written");
    }
}

/// Whether all cases are asked for, or only a part of them.
pub fn long() -> bool {
    std::env::var_os("WAKERAIL_LONG").is_some()
}
