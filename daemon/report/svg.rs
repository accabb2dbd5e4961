//! Writes SVG 1.1. Every text is escaped, every number has at most two
//! decimals, so that a picture is the same on every machine.

use std::fmt::Write as _;

use super::ink::{Ink, Look};

/// A picture in the making.
#[derive(Debug)]
pub struct Svg {
    out: String,
    open: Vec<&'static str>,
    look: Look,
    /// Before each name within the picture, so that two pictures of one page
    /// do not share any.
    prefix: String,
    /// Paths that have a name.
    named: usize,
}

/// Where a text is anchored.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Anchor {
    /// It begins at the place.
    Start,
    /// It is centred on it.
    Middle,
    /// It ends there.
    End,
}

impl Anchor {
    const fn word(self) -> &'static str {
        match self {
            Anchor::Start => "start",
            Anchor::Middle => "middle",
            Anchor::End => "end",
        }
    }
}

impl Svg {
    /// A picture of this size in pixels, with its name and what it says for
    /// those who don't see it.
    pub fn new(width: f64, height: f64, title: &str, description: &str) -> Svg {
        let font = "font-family=\"'DejaVu Sans', Verdana, Arial, sans-serif\" fill=\"#222\"";
        let mut svg = Svg::begun(Look::Alone, "");
        svg.head((width, height), font, title, description);
        svg
    }

    /// The same within a page, whose style sheet colours it; `prefix` is the
    /// picture's own there.
    pub fn within(
        prefix: &str,
        (width, height): (f64, f64),
        title: &str,
        description: &str,
    ) -> Svg {
        let mut svg = Svg::begun(Look::Page, &format!("{prefix}-"));
        svg.head((width, height), "class=\"chart\"", title, description);
        svg
    }

    fn begun(look: Look, prefix: &str) -> Svg {
        Svg {
            out: String::new(),
            open: Vec::new(),
            look,
            prefix: escaped(prefix),
            named: 0,
        }
    }

    fn head(&mut self, (width, height): (f64, f64), style: &str, title: &str, description: &str) {
        let (w, h) = (number(width), number(height));
        let id = self.prefix.clone();
        self.line(&format!(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{w}\" height=\"{h}\" \
             viewBox=\"0 0 {w} {h}\" role=\"img\" \
             aria-labelledby=\"{id}title {id}desc\" {style}>"
        ));
        self.open.push("svg");
        let (title, description) = (escaped(title), escaped(description));
        self.line(&format!("<title id=\"{id}title\">{title}</title>"));
        self.line(&format!("<desc id=\"{id}desc\">{description}</desc>"));
        self.rect(
            (0.0, 0.0),
            (width, height),
            Ink::Paper.attributes(self.look),
        );
    }

    /// Where it stands.
    pub const fn look(&self) -> Look {
        self.look
    }

    /// Begins a group of what lies within a named rectangle.
    pub fn clipped(&mut self, id: &str) {
        let prefix = self.prefix.clone();
        self.group(&format!("clip-path=\"url(#{prefix}{id})\""));
    }

    /// Begins a group. `style` holds attributes from this room's own code.
    pub fn group(&mut self, style: &str) {
        self.line(&format!("<g {style}>"));
        self.open.push("g");
    }

    /// Ends the innermost group.
    pub fn end(&mut self) {
        if let Some(name) = self.open.pop() {
            self.line(&format!("</{name}>"));
        }
    }

    /// A named rectangle outside of which nothing is drawn.
    pub fn clip(&mut self, id: &str, (x, y): (f64, f64), (w, h): (f64, f64)) {
        let (x, y, w, h) = (number(x), number(y), number(w), number(h));
        let prefix = &self.prefix;
        self.line(&format!(
            "<clipPath id=\"{prefix}{id}\"><rect x=\"{x}\" y=\"{y}\" width=\"{w}\" height=\"{h}\"/></clipPath>"
        ));
    }

    /// A rectangle.
    pub fn rect(&mut self, (x, y): (f64, f64), (w, h): (f64, f64), style: &str) {
        let (x, y, w, h) = (number(x), number(y), number(w), number(h));
        self.line(&format!(
            "<rect x=\"{x}\" y=\"{y}\" width=\"{w}\" height=\"{h}\" {style}/>"
        ));
    }

    /// A path of commands with their coordinates.
    pub fn path(&mut self, d: &Path, style: &str) {
        if !d.0.is_empty() {
            self.line(&format!("<path d=\"{}\" {style}/>", d.0));
        }
    }

    /// A path that is drawn twice, each time in another style.
    pub fn twice(&mut self, d: &Path, style: &str, styles: [&str; 2]) {
        if d.0.is_empty() {
            return;
        }
        self.named += 1;
        let name = format!("{}{}", self.prefix, self.named);
        let d = &d.0;
        self.line(&format!(
            "<defs><path id=\"{name}\" d=\"{d}\"{style}/></defs>"
        ));
        for style in styles {
            self.line(&format!("<use href=\"#{name}\" {style}/>"));
        }
    }

    /// A path in one of the room's inks.
    pub fn draw(&mut self, d: &Path, ink: Ink) {
        self.path(d, ink.attributes(self.look));
    }

    /// A text of one line in one of the room's inks.
    pub fn say(&mut self, place: (f64, f64), anchor: Anchor, ink: Ink, text: &str) {
        self.text(place, anchor, ink.attributes(self.look), text);
    }

    /// A text of one line.
    pub fn text(&mut self, (x, y): (f64, f64), anchor: Anchor, style: &str, text: &str) {
        let (x, y) = (number(x), number(y));
        self.line(&format!(
            "<text x=\"{x}\" y=\"{y}\" text-anchor=\"{}\" {style}>{}</text>",
            anchor.word(),
            escaped(text)
        ));
    }

    /// The whole picture.
    pub fn finish(mut self) -> String {
        while !self.open.is_empty() {
            self.end();
        }
        self.out
    }

    fn line(&mut self, line: &str) {
        self.out.push_str(line);
        self.out.push('\n');
    }
}

/// The commands of a path.
#[derive(Clone, Debug, Default)]
pub struct Path(String);

impl Path {
    /// Goes there without drawing.
    pub fn to(&mut self, x: f64, y: f64) -> &mut Path {
        self.add('M', x, y)
    }

    /// Draws there.
    pub fn draw(&mut self, x: f64, y: f64) -> &mut Path {
        self.add('L', x, y)
    }

    /// Adds commands from this room's own code, relative to the last place.
    pub fn as_written(&mut self, commands: &str) -> &mut Path {
        self.0.push_str(commands);
        self
    }

    fn add(&mut self, command: char, x: f64, y: f64) -> &mut Path {
        // Writing to a String cannot fail.
        let _ = write!(self.0, "{command}{} {}", number(x), number(y));
        self
    }
}

/// At most two decimals; what is not finite becomes zero.
fn number(value: f64) -> String {
    let value = if value.is_finite() { value } else { 0.0 };
    let text = format!("{value:.2}");
    let text = text.trim_end_matches('0').trim_end_matches('.');
    if text == "-0" { "0" } else { text }.to_owned()
}

/// Text that cannot become markup; control characters that XML 1.0 forbids
/// become a replacement character.
pub fn escaped(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&#39;"),
            '\t' | '\n' | '\r' => out.push(' '),
            c if c.is_control() || matches!(c, '\u{fffe}' | '\u{ffff}') => out.push('\u{fffd}'),
            c => out.push(c),
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn text_cannot_become_markup() {
        let hostile = "</title><script>alert('x')</script>]]>\u{0}\u{1b}[31m\n&";
        assert_eq!(
            escaped(hostile),
            "&lt;/title&gt;&lt;script&gt;alert(&#39;x&#39;)&lt;/script&gt;]]&gt;\u{fffd}\u{fffd}[31m &amp;"
        );
        let mut svg = Svg::new(10.0, 10.0, hostile, hostile);
        svg.text((0.0, 0.0), Anchor::Start, "", hostile);
        assert!(!svg.finish().contains("<script"));
    }

    #[test]
    fn numbers_are_short_and_finite() {
        let cases = [
            (1.0, "1"),
            (1.005, "1"),
            (-0.001, "0"),
            (2.346, "2.35"),
            (f64::NAN, "0"),
        ];
        for (value, text) in cases {
            assert_eq!(number(value), text);
        }
    }

    #[test]
    fn what_was_opened_is_closed() {
        let mut svg = Svg::new(10.0, 10.0, "t", "d");
        svg.group("id=\"a\"");
        let out = svg.finish();
        assert!(out.ends_with("</g>\n</svg>\n"), "{out}");
    }
}
