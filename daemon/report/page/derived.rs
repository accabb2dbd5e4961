//! What a plan's metrics made of the figures: a table, each row with its id.

use super::markup::{Cell, Markup, Row};
use super::{Page, or_words};
use crate::report::digits;
use crate::report::ids::FigureId;

/// A figure that a metric derived.
#[derive(Clone, Debug, PartialEq)]
pub struct Derived {
    /// Its id, such as `12.r3`.
    pub id: FigureId,
    /// The metric's name, and of which test.
    pub name: String,
    /// The figure; none where it is not known.
    pub value: Option<f64>,
    /// Its U, about 95 %.
    pub expanded: Option<f64>,
    /// The unit of both.
    pub unit: String,
    /// How many printed figures it rests on.
    pub rests_on: usize,
    /// The script.
    pub script: String,
    /// What the script says of it.
    pub reason: String,
}

/// The table; nothing where the plan has no metrics.
pub fn section(out: &mut Markup, page: &Page) {
    if page.derived.is_empty() {
        return;
    }
    out.open("section", &[]);
    out.element("h2", &[], "Derived figures");
    let rows = page.derived.iter().map(|derived| Row {
        id: derived.id.clone(),
        cells: cells(derived),
    });
    let caption = "U for about 95 %; n: figures that it rests on";
    let heads = ["figure", "value", "U", "unit", "n", "script", "remark"];
    out.table(caption, &heads, rows);
    out.close();
}

fn cells(derived: &Derived) -> Vec<Cell> {
    let name = or_words(&derived.name, "a metric without a name").to_owned();
    let mut cells = vec![Cell::Words(name)];
    match derived.value.filter(|value| value.is_finite()) {
        Some(value) => {
            let (value, u) = digits::shown(value, derived.expanded);
            cells.push(Cell::Figure(value));
            cells.push(Cell::Figure(u.unwrap_or_else(|| "no U".to_owned())));
            // A ratio has none.
            cells.push(Cell::Words(derived.unit.trim().to_owned()));
        }
        None => cells.push(Cell::Across(3, "not known".to_owned())),
    }
    cells.push(Cell::Figure(derived.rests_on.to_string()));
    cells.push(Cell::Words(
        or_words(&derived.script, "no script is named").to_owned(),
    ));
    cells.push(Cell::Words(or_words(&derived.reason, "–").to_owned()));
    cells
}
