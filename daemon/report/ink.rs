//! What each part of a picture looks like, alone and within a page.
//!
//! A picture that stands alone carries its own colours, so that any program
//! shows it. Within a page parts carry class names only: the page's style
//! sheet then follows the reader's light or dark screen, and two hundred
//! points stay small.

/// Where a picture stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Look {
    /// In a file of its own.
    Alone,
    /// Within a page, whose style sheet colours it.
    Page,
}

/// A part of a picture.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Ink {
    /// The title, 17 px.
    Title,
    /// A word that must be seen, 12 px.
    Strong,
    /// A figure at an axis or a name, 12 px.
    Name,
    /// The name of an axis, 13 px.
    Axis,
    /// What stands below the title, 12 px.
    Subtitle,
    /// A note, 11 px.
    Note,
    /// The paper.
    Paper,
    /// The fine grid.
    Fine,
    /// The grid at the decades.
    Decade,
    /// The axes' lines.
    Frame,
    /// From a line's end to its name.
    Leader,
    /// The bars of uncertainty.
    Bar,
    /// A border of validity.
    Border,
}

impl Ink {
    /// Its attributes.
    pub const fn attributes(self, look: Look) -> &'static str {
        match look {
            Look::Alone => self.alone(),
            Look::Page => self.in_page(),
        }
    }

    const fn alone(self) -> &'static str {
        match self {
            Ink::Title => "font-size=\"17\" font-weight=\"bold\"",
            Ink::Strong => "font-size=\"12\" font-weight=\"bold\"",
            Ink::Name => "font-size=\"12\"",
            Ink::Axis => "font-size=\"13\"",
            Ink::Subtitle => "font-size=\"12\" fill=\"#555\"",
            Ink::Note => "font-size=\"11\" fill=\"#555\"",
            Ink::Paper => "fill=\"#fff\"",
            Ink::Fine => "stroke=\"#ececec\" fill=\"none\"",
            Ink::Decade => "stroke=\"#c4c4c4\" fill=\"none\"",
            Ink::Frame => "stroke=\"#444\" fill=\"none\"",
            Ink::Leader => "stroke=\"#999\" stroke-width=\"0.8\" fill=\"none\"",
            Ink::Bar => "stroke=\"#000\" stroke-width=\"1\" fill=\"none\"",
            Ink::Border => "stroke=\"#444\" stroke-dasharray=\"3 3\" fill=\"none\"",
        }
    }

    const fn in_page(self) -> &'static str {
        match self {
            Ink::Title | Ink::Strong => "class=\"b\"",
            Ink::Name => "class=\"t\"",
            Ink::Axis => "class=\"a\"",
            Ink::Subtitle | Ink::Note => "class=\"s\"",
            Ink::Paper => "class=\"p\"",
            Ink::Fine => "class=\"g\"",
            Ink::Decade => "class=\"d\"",
            Ink::Frame => "class=\"f\"",
            Ink::Leader => "class=\"e\"",
            Ink::Bar => "class=\"u\"",
            Ink::Border => "class=\"n\"",
        }
    }
}
