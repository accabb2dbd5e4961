//! Writes HTML: every text and attribute is escaped, every element that was
//! opened is closed, every name is given once.
//!
//! Rows and cells of tables are left to close themselves, as HTML permits: two
//! thousand points are a fifth shorter so.

use std::collections::BTreeSet;

use crate::report::ids::FigureId;
use crate::report::svg::escaped;

/// A page in the making.
#[derive(Debug)]
pub struct Markup {
    out: String,
    open: Vec<&'static str>,
    names: BTreeSet<String>,
}

/// One cell of a table.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Cell {
    /// Words, to the left.
    Words(String),
    /// A figure, to the right.
    Figure(String),
    /// Words across so many columns.
    Across(usize, String),
}

/// One row of a table.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Row {
    /// The figure's id, in the last column.
    pub id: FigureId,
    /// The cells before it.
    pub cells: Vec<Cell>,
}

/// Characters of a caption that no screen is too narrow for.
const SHORT_CAPTION: usize = 24;
/// A space at which no line breaks.
const NO_BREAK: &str = "\u{a0}";
/// What follows a number and belongs to it.
const UNITS: [&str; 10] = ["%", "±", "lx", "cd", "in", "mm", "m", "min", "h", "UTC"];

/// The words with every value on one line: number, U and unit.
fn values_whole(text: &str) -> String {
    let mut out = String::with_capacity(text.len() + 8);
    let mut before = "";
    for (index, word) in text.split(' ').enumerate() {
        let bare = word.trim_end_matches(['.', ',', ';', ':', ')']);
        let of_number = before.ends_with(|c: char| c.is_ascii_digit()) && UNITS.contains(&bare);
        if index > 0 {
            out.push_str(if of_number || before == "±" {
                NO_BREAK
            } else {
                " "
            });
        }
        out.push_str(word);
        before = word;
    }
    out
}

impl Markup {
    /// A page with its title; the style sheet is this room's own.
    pub fn new(title: &str, style: &str) -> Markup {
        let mut markup = Markup {
            out: String::with_capacity(1 << 16),
            open: Vec::new(),
            names: BTreeSet::new(),
        };
        markup.out.push_str("<!DOCTYPE html>\n");
        markup.open("html", &[("lang", "en")]);
        markup.open("head", &[]);
        markup.out.push_str("<meta charset=\"utf-8\">\n");
        markup
            .out
            .push_str("<meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n");
        markup
            .out
            .push_str("<meta name=\"color-scheme\" content=\"light dark\">\n");
        markup.tag("title", &[]);
        markup
            .out
            .push_str(&format!("{}</title>\n", escaped(title)));
        markup.out.push_str("<style>\n");
        markup.out.push_str(style);
        markup.out.push_str("</style>\n");
        markup.close();
        markup.open("body", &[]);
        markup
    }

    /// Opens an element.
    pub fn open(&mut self, tag: &'static str, attributes: &[(&str, &str)]) {
        self.tag(tag, attributes);
        self.out.push('\n');
        self.open.push(tag);
    }

    /// Closes the innermost element.
    pub fn close(&mut self) {
        if let Some(tag) = self.open.pop() {
            self.out.push_str(&format!("</{tag}>\n"));
        }
    }

    /// An element with a text.
    pub fn element(&mut self, tag: &str, attributes: &[(&str, &str)], text: &str) {
        self.tag(tag, attributes);
        self.text(text);
        self.out.push_str(&format!("</{tag}>\n"));
    }

    /// A text within the innermost element.
    pub fn text(&mut self, text: &str) {
        self.out.push_str(&values_whole(&escaped(text)));
    }

    /// A picture that this room drew.
    pub fn picture(&mut self, svg: &str) {
        self.out.push_str(svg);
    }

    /// A figure's id in small type. The first time it names the place, later
    /// it leads there.
    pub fn account(&mut self, id: &str) {
        self.out.push(' ');
        if self.names.insert(id.to_owned()) {
            self.element("small", &[("class", "id"), ("id", id)], id);
        } else {
            let place = format!("#{}", id.replace('%', "%25"));
            self.open("small", &[("class", "id")]);
            self.element("a", &[("href", &place)], id);
            self.close();
        }
    }

    /// A figure's id that leads to where the figure stands, further down.
    pub fn leads_to(&mut self, id: &FigureId) {
        let id = id.to_string();
        let place = format!("#{}", id.replace('%', "%25"));
        self.out.push(' ');
        self.open("small", &[("class", "id")]);
        self.element("a", &[("href", &place)], &id);
        self.close();
    }

    /// A table of numbers that are no figures of their own, the last column of words.
    pub fn plain_table(
        &mut self,
        caption: &str,
        heads: &[&str],
        rows: impl IntoIterator<Item = Vec<String>>,
    ) {
        self.open("div", &[("class", "scroll")]);
        self.open("table", &[]);
        self.element("caption", &[], caption);
        self.out.push_str("<thead><tr>");
        for (index, head) in heads.iter().enumerate() {
            let all = [("scope", "col"), ("class", "w")];
            let own = 1 + usize::from(index + 1 == heads.len());
            self.element("th", &all[..own], head);
        }
        self.out.push_str("</thead>\n<tbody>\n");
        for row in rows {
            self.out.push_str("<tr>");
            for (index, cell) in row.iter().enumerate() {
                let all = [("class", "w")];
                let own = usize::from(index + 1 == row.len());
                self.element("td", &all[..own], cell);
            }
        }
        self.out.push_str("</tbody>\n");
        self.close();
        self.close();
    }

    /// A table whose last column is each row's id. A first cell of words is
    /// the row's head.
    pub fn table(&mut self, caption: &str, heads: &[&str], rows: impl IntoIterator<Item = Row>) {
        self.open("div", &[("class", "scroll")]);
        self.open("table", &[]);
        if caption.chars().count() > SHORT_CAPTION {
            // A span stays within a narrow screen where its table does not.
            self.tag("caption", &[]);
            self.tag("span", &[]);
            self.text(caption);
            self.out.push_str("</span></caption>\n");
        } else {
            self.element("caption", &[], caption);
        }
        self.out.push_str("<thead><tr>");
        let rows: Vec<Row> = rows.into_iter().collect();
        let full = rows.iter().find(|row| row.cells.len() == heads.len());
        for (index, head) in heads.iter().chain(&["account"]).enumerate() {
            let words = full.and_then(|row| row.cells.get(index));
            if index > 0 && matches!(words, Some(Cell::Words(_))) {
                self.tag("th", &[("scope", "col"), ("class", "w")]);
            } else {
                self.tag("th", &[("scope", "col")]);
            }
            self.text(head);
        }
        self.out.push_str("</thead>\n<tbody>\n");
        for row in &rows {
            self.row(row);
        }
        self.out.push_str("</tbody>\n");
        self.close();
        self.close();
    }

    fn row(&mut self, row: &Row) {
        let id = row.id.to_string();
        if self.names.insert(id.clone()) {
            self.tag("tr", &[("id", &id)]);
        } else {
            self.out.push_str("<tr>");
        }
        for (index, cell) in row.cells.iter().enumerate() {
            match cell {
                Cell::Words(text) if index == 0 => {
                    self.out.push_str("<th>");
                    self.text(text);
                }
                Cell::Words(text) => {
                    self.out.push_str("<td class=\"w\">");
                    self.text(text);
                }
                Cell::Figure(text) => {
                    self.out.push_str("<td>");
                    self.text(text);
                }
                Cell::Across(columns, text) => {
                    self.out
                        .push_str(&format!("<td class=\"w\" colspan=\"{columns}\">"));
                    self.text(text);
                }
            }
        }
        self.out.push_str("<td>");
        self.text(&id);
        self.out.push('\n');
    }

    fn tag(&mut self, tag: &str, attributes: &[(&str, &str)]) {
        self.out.push('<');
        self.out.push_str(tag);
        for (name, value) in attributes {
            self.out
                .push_str(&format!(" {name}=\"{}\"", escaped(value)));
        }
        self.out.push('>');
    }

    /// The whole page.
    pub fn finish(mut self) -> String {
        while !self.open.is_empty() {
            self.close();
        }
        self.out
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A line may break between words, never within a value.
    #[test]
    fn a_value_stays_on_its_line() {
        let cases = [
            (
                "L06: 0.08 ± 0.21 % against at most 2 %.",
                "L06: 0.08~±~0.21~% against at most 2~%.",
            ),
            (
                "guard band of U (95.45 %); words",
                "guard band of U (95.45~%); words",
            ),
            ("615 lx at 72 in (level 12)", "615~lx at 72~in (level 12)"),
            ("a ± b and level 3 inside", "a ±~b and level 3 inside"),
            ("", ""),
            (" 3  %", " 3  %"),
        ];
        for (text, whole) in cases {
            assert_eq!(values_whole(text).replace(NO_BREAK, "~"), whole);
            assert_eq!(values_whole(text).replace(NO_BREAK, " "), text);
        }
    }
}
