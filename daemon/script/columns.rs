//! Columns: many measured values of one unit, held once and never copied.
//!
//! A script combines columns and does not loop over them. Uncertainty is kept
//! by source, so that a figure of the column carries its terms as a figure of
//! single values does. Cloning a column bumps a counter.
//!
//! Called by: scripts, `seen`, `column_figures`.

use std::collections::HashMap;
use std::sync::Arc;

use photometry::uncertainty::{Estimate, Term, lesser_dof};
use rhai::Array;

use super::api::{Entry, entries};
use super::fault::{Raised, raise};
use super::items::Items;
use super::reach::Reach;
use super::sandbox::charge;
use super::unit::Unit;
use super::values::{Amount, Parts, kind_of};

/// Terms of one figure of a column at most. Beyond, the sources that touch one
/// row each (repeatabilities) are joined in squares: sums over two figures with
/// thousands of terms each would take seconds.
const TERMS_AT_MOST: usize = 256;

/// A column as scripts hold it.
#[derive(Clone, Debug)]
pub(super) struct Column(pub(super) Arc<Rows>);

/// What a column is made of.
#[derive(Clone, Debug)]
pub(super) struct Rows {
    /// What it is a column of, for names of terms: `lux of L07`.
    pub(super) label: String,
    /// Finite values.
    pub(super) values: Vec<f64>,
    pub(super) unit: Unit,
    pub(super) sources: Vec<Source>,
    pub(super) flags: Vec<String>,
    pub(super) items: Items,
    /// Rows that had no value.
    pub(super) left_out: usize,
    /// Where their values may lie.
    pub(super) passed_over: Vec<Reach>,
}

/// What one source does to the rows that it touches.
#[derive(Clone, Debug)]
pub(super) struct Source {
    pub(super) name: String,
    pub(super) dof: Option<f64>,
    /// (row, signed standard uncertainty).
    pub(super) rows: Vec<(usize, f64)>,
}

/// Fills a column row by row.
pub(super) struct Filling<'a> {
    rows: Rows,
    places: HashMap<&'a str, usize>,
    /// Place of each term of the row before: rows mostly have the same sources.
    before: Vec<usize>,
}

impl<'a> Filling<'a> {
    pub(super) fn new(label: String, unit: Unit, rows: usize) -> Filling<'a> {
        Filling {
            rows: Rows {
                label,
                values: Vec::with_capacity(rows),
                unit,
                sources: Vec::new(),
                flags: Vec::new(),
                items: Items::default(),
                left_out: 0,
                passed_over: Vec::new(),
            },
            places: HashMap::new(),
            before: Vec::new(),
        }
    }

    /// One more row, in the column's unit.
    pub(super) fn push(&mut self, estimate: &'a Estimate, flags: &[String]) {
        let row = self.rows.values.len();
        self.rows.values.push(estimate.value);
        for flag in flags {
            if !self.rows.flags.contains(flag) {
                self.rows.flags.push(flag.clone());
            }
        }
        for (at, term) in estimate.terms.iter().enumerate() {
            let place = self.place(at, term);
            let source = &mut self.rows.sources[place];
            source.dof = lesser_dof(source.dof, term.dof);
            source.rows.push((row, term.u));
        }
    }

    pub(super) fn item(&mut self, item: usize) {
        self.rows.items.insert(item);
    }

    pub(super) fn items(&mut self, items: &Items) {
        self.rows.items = self.rows.items.union(items);
    }

    pub(super) fn left_out(&mut self, rows: usize) {
        self.rows.left_out = rows;
    }

    /// A row that has no value lies here.
    pub(super) fn passed_over(&mut self, reach: Reach) {
        self.rows.passed_over.push(reach);
    }

    fn place(&mut self, at: usize, term: &'a Term) -> usize {
        let guess = self.before.get(at).copied();
        if let Some(place) = guess.filter(|p| self.rows.sources[*p].name == term.source) {
            return place;
        }
        let sources = &mut self.rows.sources;
        let place = *self.places.entry(&term.source).or_insert_with(|| {
            sources.push(Source {
                name: term.source.clone(),
                dof: term.dof,
                rows: Vec::new(),
            });
            sources.len() - 1
        });
        if at < self.before.len() {
            self.before[at] = place;
        } else {
            self.before.push(place);
        }
        place
    }

    pub(super) fn done(self) -> Column {
        let terms: usize = self.rows.sources.iter().map(|s| s.rows.len()).sum();
        charge(self.rows.values.len() + terms);
        Column(Arc::new(self.rows))
    }
}

impl Column {
    pub(super) fn values(&self) -> &[f64] {
        &self.0.values
    }

    /// A figure of the rows with this sensitivity to each, to first order.
    pub(super) fn figure(
        &self,
        value: Option<f64>,
        unit: Unit,
        by: impl Fn(usize) -> f64,
    ) -> Amount {
        let terms: usize = self.0.sources.iter().map(|s| s.rows.len()).sum();
        charge(terms + self.0.values.len());
        let what = match value {
            Some(value) => Ok(Estimate {
                value,
                terms: self.terms(by),
            }),
            None => Err(self.why_none()),
        };
        Amount::of(Parts {
            what,
            unit,
            flags: self.0.flags.clone(),
            items: self.0.items.clone(),
            reach: None,
            given: false,
        })
    }

    fn why_none(&self) -> String {
        match self.0.values.len() {
            0 => format!("{} has no values", self.0.label),
            _ => format!("{} does not tell", self.0.label),
        }
    }

    fn terms(&self, by: impl Fn(usize) -> f64) -> Vec<Term> {
        let sum = |source: &Source| -> f64 {
            let parts = source.rows.iter().map(|(row, u)| by(*row) * u);
            parts.sum()
        };
        let joins = self.0.sources.len() > TERMS_AT_MOST;
        let mut terms = Vec::new();
        // Joined in squares, with Welch-Satterthwaite's degrees of freedom
        // (JCGM 100:2008, G.4.1).
        let (mut squares, mut fourths) = (0.0, 0.0);
        for source in &self.0.sources {
            let u = sum(source);
            if joins && source.rows.len() == 1 {
                squares += u * u;
                fourths += source.dof.map_or(0.0, |dof| u.powi(4) / dof);
            } else if u != 0.0 {
                terms.push(Term {
                    source: source.name.clone(),
                    u,
                    dof: source.dof,
                });
            }
        }
        if squares > 0.0 {
            terms.push(Term {
                source: format!("rows of {}", self.0.label),
                u: squares.sqrt(),
                dof: (fourths > 0.0).then(|| squares * squares / fourths),
            });
        }
        terms
    }

    /// One row; negative counts from the end.
    fn row(&self, at: i64) -> Raised<Amount> {
        let rows = self.values().len();
        let from_end = if at < 0 {
            at.saturating_add(rows as i64)
        } else {
            at
        };
        let found = usize::try_from(from_end).ok().filter(|row| *row < rows);
        let Some(row) = found else {
            return raise(format!("there is no row {at}: the column has {rows}"));
        };
        let of_row = |other: usize| if other == row { 1.0 } else { 0.0 };
        let value = self.values()[row];
        Ok(self.figure(Some(value), self.0.unit.clone(), of_row))
    }
}

/// A column of single values, all known and in one unit.
fn column_of(list: &Array) -> Raised<Column> {
    let mut amounts = Vec::with_capacity(list.len());
    for item in list {
        let Some(amount) = item.read_lock::<Amount>() else {
            return raise(format!(
                "{} stands among the measured values",
                kind_of(item)
            ));
        };
        amounts.push((*amount).clone());
    }
    let unit = amounts
        .first()
        .map_or(Unit::One, |first| first.0.unit.clone());
    let mut converted = Vec::with_capacity(amounts.len());
    for amount in &amounts {
        let Some(same) = amount.in_unit(&unit) else {
            let (a, b) = (unit.words(), amount.0.unit.words());
            return raise(format!("{a} and {b} do not make one column"));
        };
        if let Err(why) = &same.0.what {
            return raise(format!("one of the values is not known: {why}"));
        }
        converted.push(same);
    }
    let mut filling = Filling::new("a column".to_owned(), unit, converted.len());
    let remarks: Vec<Vec<String>> = converted.iter().map(Amount::remarks).collect();
    for (amount, remarks) in converted.iter().zip(&remarks) {
        if let Ok(estimate) = &amount.0.what {
            filling.push(estimate, remarks);
            filling.items(&amount.0.items);
        }
    }
    Ok(filling.done())
}

impl IntoIterator for Column {
    type Item = Raised<Amount>;
    type IntoIter = EachRow;

    fn into_iter(self) -> EachRow {
        EachRow {
            column: self,
            next: 0,
        }
    }
}

/// Goes through the rows of a column in `for`.
pub(super) struct EachRow {
    column: Column,
    next: usize,
}

impl Iterator for EachRow {
    type Item = Raised<Amount>;

    fn next(&mut self) -> Option<Raised<Amount>> {
        if self.next >= self.column.values().len() {
            return None;
        }
        let row = self.column.row(self.next as i64);
        self.next += 1;
        Some(row)
    }
}

pub(super) const ENTRIES: &[Entry] = entries! {
    "" "column" (Some("[x, y, ...]")) -> "a column": "of measured values that are all known", |e| {
            e.register_fn("column", |list: Array| column_of(&list));
        };
    "column" "len" (Some("")) -> "a number": "how many rows", |e| {
            e.register_fn("len", |c: &mut Column| c.values().len() as i64);
        };
    "column" "left_out" (None) -> "a number": "how many points had no value and are no rows", |e| {
            e.register_get("left_out", |c: &mut Column| c.0.left_out as i64);
        };
    "column" "[]" (Some("column[i]")) -> "a measured value": "one row from 0; -1 is the last", |e| {
            e.register_indexer_get(|c: &mut Column, at: i64| c.row(at));
        };
    "column" "for" (Some("for x in column { }")) -> "measured values": "its rows; single figures are faster", |e| {
            e.register_iterator_result::<Column, Amount>();
        };
};
