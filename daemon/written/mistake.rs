//! One mistake in a written file, and the collector of all of them.
//!
//! Everything in this crate reports here, and so do the checks of `plan` that
//! need several files. How a mistake looks is `render`'s business.

use crate::place::Place;

/// Mistakes that are kept; the rest is counted. A file with more is not being
/// repaired by reading a longer list.
pub const MAX_MISTAKES: usize = 200;

/// Whether a file is refused for it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Severity {
    /// The file is refused.
    Mistake,
    /// The file is taken; the person is told.
    Warning,
}

/// Something wrong at a place.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Mistake {
    /// Refused, or only told.
    pub severity: Severity,
    /// Where.
    pub place: Place,
    /// A short stable word for programs, like `unknown-key`.
    pub code: &'static str,
    /// What is wrong, without a final stop.
    pub message: String,
    /// What to do about it.
    pub hint: Option<String>,
    /// Other places that belong to it, each with what stands there.
    pub also: Vec<(Place, String)>,
}

impl Mistake {
    /// A mistake, for which the file is refused.
    pub fn new(place: Place, code: &'static str, message: impl Into<String>) -> Self {
        Self {
            severity: Severity::Mistake,
            place,
            code,
            message: message.into(),
            hint: None,
            also: Vec::new(),
        }
    }

    /// A warning, with which the file is taken.
    pub fn warning(place: Place, code: &'static str, message: impl Into<String>) -> Self {
        Self {
            severity: Severity::Warning,
            ..Self::new(place, code, message)
        }
    }

    /// The same with a hint.
    #[must_use]
    pub fn hint(mut self, hint: impl Into<String>) -> Self {
        self.hint = Some(hint.into());
        self
    }

    /// The same with a hint where there is one.
    #[must_use]
    pub fn maybe_hint(mut self, hint: Option<String>) -> Self {
        self.hint = hint.or(self.hint);
        self
    }

    /// The same with one more place.
    #[must_use]
    pub fn also(mut self, place: Place, what: impl Into<String>) -> Self {
        self.also.push((place, what.into()));
        self
    }
}

/// Collects mistakes, at most [`MAX_MISTAKES`] of each severity.
#[derive(Debug, Default)]
pub struct Mistakes {
    mistakes: Vec<Mistake>,
    warnings: Vec<Mistake>,
    /// The first one that was left out, and how many were.
    left_out: Option<(Place, usize)>,
}

impl Mistakes {
    /// None yet.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// Adds one.
    pub fn add(&mut self, mistake: Mistake) {
        let kept = match mistake.severity {
            Severity::Mistake => &mut self.mistakes,
            Severity::Warning => &mut self.warnings,
        };
        if kept.len() < MAX_MISTAKES {
            kept.push(mistake);
            return;
        }
        self.only_count(mistake.place);
    }

    /// Counts one that [`Mistakes::is_full`] leaves no room for: what nobody will
    /// read need not be put into words.
    pub(crate) fn only_count(&mut self, place: Place) {
        match &mut self.left_out {
            Some((_, count)) => *count += 1,
            none => *none = Some((place, 1)),
        }
    }

    /// Adds several.
    pub fn extend(&mut self, mistakes: impl IntoIterator<Item = Mistake>) {
        for mistake in mistakes {
            self.add(mistake);
        }
    }

    /// Neither a mistake nor a warning.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.mistakes.is_empty() && self.warnings.is_empty()
    }

    /// Whether there is one for which a file is refused.
    #[must_use]
    pub fn refuses(&self) -> bool {
        !self.mistakes.is_empty()
    }

    /// Whether further mistakes are only counted.
    #[must_use]
    pub fn is_full(&self) -> bool {
        self.mistakes.len() >= MAX_MISTAKES
    }

    /// How many mistakes (without warnings) were kept.
    #[must_use]
    pub fn count(&self) -> usize {
        self.mistakes.len()
    }

    /// How many of either severity were left out.
    #[must_use]
    pub fn left_out(&self) -> usize {
        self.left_out.as_ref().map_or(0, |(_, count)| *count)
    }

    /// All, by file, then line, then column. If some were left out, a last entry
    /// says how many.
    #[must_use]
    pub fn into_sorted(self) -> Vec<Mistake> {
        let refuses = self.refuses();
        let mut all = self.mistakes;
        all.extend(self.warnings);
        all.sort_by(|a, b| (&a.place, a.severity).cmp(&(&b.place, b.severity)));
        if let Some((place, count)) = self.left_out {
            let message = format!("{count} more are not shown");
            let more =
                Mistake::warning(place, "more", message).hint("mend these first, then check again");
            all.push(if refuses {
                Mistake {
                    severity: Severity::Mistake,
                    ..more
                }
            } else {
                more
            });
        }
        all
    }
}
