//! The account of a figure: the full story behind one printed number, by its
//! id, from the plan's line and the raw bytes to the digits on the page.
//!
//! ```text
//!  id ──► sources (frozen, readings, events, links, rulings) ──► point · whole · derived · ruled
//!                                                                   └──► Account ──► text
//! ```
//!
//! The numbers of the corrections are those that [`super::gather`] kept when it
//! made the figure, not a second computation: their mean is the figure, to the
//! last bit. An id that leads nowhere is answered with what is wrong in it and
//! with near ones.
//!
//! Pure. Called by: web. Not here: reading the store, how an id is written
//! ([`super::ids`]).

pub mod data;
mod derived;
mod measured;
mod point;
mod ruled;
mod sources;
#[cfg(test)]
mod tests;
#[cfg(test)]
mod tests_ruled;
mod text;
mod unknown;
mod whole;

pub use data::Account;
pub use ruled::limit_words;
pub use sources::{AsRuled, Sources};
pub use unknown::{Unknown, ids, ids_of, ids_of_measures, near_text};
pub(super) use whole::capital;

use super::ids::{FigureId, SettingFigure, TestFigure};

/// The account of a figure.
///
/// # Errors
/// When the run has no such figure: what is wrong, and near ids.
pub fn account(sources: &Sources<'_>, id: &FigureId) -> Result<Account, Unknown> {
    let found = match id {
        FigureId::Ruling { no, .. } => ruled::ruling(sources, *no),
        FigureId::Measured {
            test, of, figure, ..
        } => measured::measured(sources, test, of, figure),
        FigureId::Test { test, figure, .. } => match figure {
            TestFigure::Dark => whole::dark(sources, test),
            TestFigure::Home => whole::home(sources, test),
            TestFigure::Ambient(place) => whole::ambient(sources, test, *place),
        },
        FigureId::Setting {
            test,
            setting,
            figure,
            ..
        } => match figure {
            SettingFigure::At(place) => point::point(sources, test, setting, *place),
            SettingFigure::Drift => derived::drift(sources, test, setting),
            SettingFigure::WarmUp(no) => derived::warm_up(sources, test, setting, *no),
            SettingFigure::Step => derived::step(sources, test, setting),
            SettingFigure::Offset | SettingFigure::Disc => {
                derived::fit(sources, test, setting, *figure)
            }
            SettingFigure::Reaches(lux) => derived::reaches(sources, test, setting, *lux),
        },
    };
    let account = found.ok_or_else(|| unknown::unknown(sources, id))?;
    Ok(sources.finish(Account {
        id: id.to_string(),
        ..account
    }))
}
