//! An account as a person reads it: what it is and how large, how it came
//! about with numbers to recompute it, the doubt in it, the raw readings, and
//! what it all stands on.

use std::fmt::Write as _;

use comfy_table::{CellAlignment, Table, presets};

use super::data::{Account, Group, RulingTold, Stated};
use super::sources::ten_digits;

impl Account {
    /// The account as text; nothing is left out.
    pub fn text(&self) -> String {
        let mut out = format!("{}\n{}\n\n", self.id, self.what);
        for value in &self.values {
            line(&mut out, &stated(value));
        }
        for flag in &self.flags {
            line(&mut out, &format!("Note: {flag}"));
        }
        if let Some(told) = &self.ruling {
            ruling(&mut out, told);
        }
        self.how(&mut out);
        self.doubt(&mut out);
        self.figures(&mut out);
        self.asides(&mut out);
        self.raw(&mut out);
        self.stands_on(&mut out);
        out
    }

    fn how(&self, out: &mut String) {
        head(out, "How it comes about");
        for (at, step) in self.steps.iter().enumerate() {
            line(out, &format!("{}. {step}", at + 1));
        }
        if !self.corrections.is_empty() {
            let of_others = self.corrections.iter().any(|c| !c.figure.is_empty());
            let gained = self.corrections.iter().any(|c| c.gain.is_some());
            let mut heads = vec![
                "event",
                "as it came",
                "- background",
                "= net",
                "x reference first",
                "/ reference now",
                "= corrected, lx",
            ];
            if gained {
                heads.insert(2, "x gain");
            }
            if of_others {
                heads.insert(0, "figure");
            }
            let rows = self.corrections.iter().map(|c| {
                let mut row = vec![
                    c.seq.to_string(),
                    ten_digits(c.raw_lx),
                    number(Some(c.subtracted_lx)),
                    number(Some(c.net_lx)),
                    number(c.reference_first_lx),
                    number(c.reference_now_lx),
                    number(Some(c.corrected_lx)),
                ];
                if gained {
                    row.insert(2, number(c.gain));
                }
                if of_others {
                    row.insert(0, c.figure.clone());
                }
                row
            });
            table(out, &heads, rows.collect());
        }
        if !self.visits.is_empty() {
            out.push('\n');
            line(out, "Visits to the reference position:");
            let heads = ["time, s", "net, lx", "breaks before", "events", ""];
            let rows = self.visits.iter().map(|visit| {
                let seqs: Vec<String> = visit.seqs.iter().map(u64::to_string).collect();
                vec![
                    ten_digits(visit.at_mono_s),
                    number(visit.lx),
                    visit.stretch.to_string(),
                    seqs.join(" "),
                    if visit.own { "" } else { "only to correct by" }.to_owned(),
                ]
            });
            table(out, &heads, rows.collect());
        }
    }

    fn doubt(&self, out: &mut String) {
        if self.budget.is_empty() {
            return;
        }
        head(out, "Uncertainty, by source (k = 1)");
        let unit = self.values.first().map_or("", |value| &value.unit);
        let u = format!("u, {}", if unit.is_empty() { "1" } else { unit });
        let rows = self.budget.iter().map(|budget| {
            let share = budget.share_percent.map(|share| format!("{share:.1} %"));
            let dof = budget
                .dof
                .map_or("infinite".to_owned(), |dof| dof.to_string());
            vec![
                budget.source.clone(),
                number(budget.u),
                share.unwrap_or_else(|| "not known".to_owned()),
                dof,
            ]
        });
        let heads = ["source", &u, "share", "degrees of freedom"];
        table(out, &heads, rows.collect());
    }

    fn figures(&self, out: &mut String) {
        if self.rests_on.is_empty() {
            return;
        }
        head(out, "Figures that it rests on, each with its own account");
        let rows = self.rests_on.iter();
        let rows = rows.map(|figure| vec![figure.id.clone(), figure.shown.clone()]);
        table(out, &["id", "value"], rows.collect());
    }

    fn asides(&self, out: &mut String) {
        if !self.set_aside.is_empty() {
            head(out, "Readings set aside");
        }
        for aside in &self.set_aside {
            let (no, who, at) = (aside.remark, &aside.who, &aside.at_utc);
            line(
                out,
                &format!("remark {no}, {at}, by {who}: {}", aside.because),
            );
            for reading in &aside.readings {
                line(out, &format!("  {reading}"));
            }
        }
    }

    fn raw(&self, out: &mut String) {
        for group in &self.readings {
            head(out, &format!("Raw readings: {}", group.title));
            readings(out, group);
        }
        if !self.events.is_empty() {
            head(out, "Journal lines");
        }
        for event in &self.events {
            line(out, &format!("event {}, {}", event.seq, event.at_utc));
            line(out, &format!("  {}", event.line));
        }
    }

    fn stands_on(&self, out: &mut String) {
        if let Some(plan) = &self.plan {
            head(out, &format!("Plan: {}:{}", plan.file, plan.line));
            line(out, &format!("SHA-256 {}", plan.digest));
            for text in plan.text.lines() {
                line(out, &format!("  {text}"));
            }
        }
        for meter in &self.meters {
            let serial = meter.serial.as_ref().map(|serial| format!(", {serial}"));
            head(
                out,
                &format!("Meter: {}{}", meter.name, serial.unwrap_or_default()),
            );
            let (certificate, due) = (&meter.certificate, &meter.due);
            let due = if due.is_empty() { "not known" } else { due };
            line(out, &format!("certificate {certificate}, due {due}"));
            if let Some(profile) = &meter.profile {
                line(out, &format!("spoken to by the profile {profile}"));
            }
            for term in &meter.terms {
                line(out, &format!("stated u: {term}"));
            }
        }
        let placed = &self.placement;
        head(out, &format!("Lamp: {}, unit {}", placed.lamp, placed.unit));
        let firmware = placed.firmware.as_deref().unwrap_or("not known");
        line(out, &format!("firmware {firmware}"));
        line(
            out,
            &format!(
                "at {} of {} since {}, placed by {}",
                placed.place, placed.bench, placed.since_utc, placed.who
            ),
        );
        let gauge = match &placed.gauge {
            Some(gauge) => format!("set with a gauge of {gauge}"),
            None => "set without a gauge".to_owned(),
        };
        line(out, &format!("{}, {gauge}", placed.datum));
        if !placed.fingers.is_empty() {
            line(out, &format!("fingers: {}", placed.fingers.join(", ")));
        }
        let journal = &self.journal;
        head(
            out,
            &format!(
                "Journal of run {}, by {}; this account by {}",
                journal.run, journal.program, journal.computed_by
            ),
        );
        line(out, &format!("bundle     {}", journal.bundle));
        line(out, &format!("event {:<5}{}", journal.seq, journal.link));
        line(
            out,
            &format!(
                "event {:<5}{} (the last)",
                journal.last_seq, journal.last_link
            ),
        );
    }
}

fn head(out: &mut String, text: &str) {
    // Writing to a String cannot fail.
    let _ = writeln!(out, "\n{text}");
}

fn line(out: &mut String, text: &str) {
    let _ = writeln!(out, "{}", format!("  {text}").trim_end());
}

fn number(value: Option<f64>) -> String {
    value.map_or_else(String::new, ten_digits)
}

fn stated(value: &Stated) -> String {
    let mut text = value.shown.clone();
    if !value.label.is_empty() {
        text = format!("{}: {text}", value.label);
    }
    let Some(exact) = value.value else {
        return text;
    };
    let space = if value.unit.is_empty() { "" } else { " " };
    let unit = format!("{space}{}", value.unit);
    let _ = write!(text, "   (all digits: {exact}{unit}");
    if let Some(expanded) = value.expanded {
        let _ = write!(text, ", U = {expanded}{unit}");
    }
    if let Some(k) = value.coverage_factor {
        let _ = write!(text, ", k = {k}");
    }
    text.push(')');
    text
}

fn ruling(out: &mut String, told: &RulingTold) {
    let mut say = |name: &str, words: &str| {
        if !words.is_empty() {
            line(out, &format!("{name:<8} {words}"));
        }
    };
    say("limit", &told.limit);
    say("rule", &told.rule);
    say("because", &told.reason);
    let given = told
        .given
        .iter()
        .map(|(name, value)| format!("{name} {value}"));
    say("given", &given.collect::<Vec<_>>().join(", "));
    let (round, cause) = (told.round, &told.cause);
    say("round", &format!("{round}, {cause}, {}", told.ruled_utc));
    head(out, &format!("Script: {}", told.script));
    line(out, &format!("SHA-256 {}", told.script_digest));
    out.push('\n');
    if told.script_text.is_empty() {
        line(out, "Its text is not on record.");
    }
    for text in told.script_text.lines() {
        line(out, &format!("  {text}"));
    }
}

fn readings(out: &mut String, group: &Group) {
    let heads = [
        "event",
        "key",
        "attempt",
        "sitting",
        "taken, UTC",
        "clock, s",
        "raw bytes",
        "outcome",
        "range, lx",
        "standing",
    ];
    let rows = group.readings.iter().map(|reading| {
        let mut standing = reading.standing.clone();
        if !reading.flags.is_empty() {
            let _ = write!(standing, " [{}]", reading.flags.join("; "));
        }
        vec![
            reading.seq.to_string(),
            reading.key.clone(),
            reading.attempt.to_string(),
            reading.sitting.to_string(),
            reading.taken_utc.clone(),
            ten_digits(reading.taken_mono_s),
            reading.raw.clone(),
            reading.outcome.clone(),
            number(reading.range_lx),
            standing,
        ]
    });
    table(out, &heads, rows.collect());
}

fn table(out: &mut String, heads: &[&str], rows: Vec<Vec<String>>) {
    let mut table = Table::new();
    table.load_style(presets::NOTHING);
    table.set_header(heads);
    for row in rows {
        table.add_row(row.into_iter().map(|cell| {
            let number = cell.parse::<f64>().is_ok();
            let cell = comfy_table::Cell::new(cell);
            if number {
                cell.set_alignment(CellAlignment::Right)
            } else {
                cell
            }
        }));
    }
    for text in table.to_string().lines() {
        let _ = writeln!(out, " {}", text.trim_end());
    }
}
