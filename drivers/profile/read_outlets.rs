//! What a profile of mains relays must say as a whole: a watchdog is fed, and how often
//! is known.
//!
//! Called by `read`.

use written::{Mistake, Mistakes, Node};

use super::types::{Profile, ProfileVerb};

/// The setting after whose time a board that is not fed switches everything off.
pub const WATCHDOG: &str = "watchdog";
/// Shortest and longest time that a watchdog waits, in seconds: a shorter one would
/// trip over one late answer.
const WAITS_S: std::ops::RangeInclusive<f64> = 1.0..=3_600.0;

/// What concerns several keys of mains relays.
pub(super) fn whole(root: Node<'_>, profile: &Profile, mistakes: &mut Mistakes) {
    let feed = profile.steps(ProfileVerb::Feed);
    let setting = profile.settings.iter().find(|known| known.name == WATCHDOG);
    let Some(setting) = setting else {
        if feed.is_some() {
            let place = root.get("feed").map_or(root.place(), Node::place);
            let text = "nothing says how often the board is to be fed";
            let hint = "write a setting `watchdog`, in s";
            mistakes.add(Mistake::new(place, "missing-key", text).hint(hint));
        }
        return;
    };
    let mut entries = root.get("settings").into_iter().flat_map(Node::entries);
    let place = entries.find_map(|(key, _)| (key.text() == Some(WATCHDOG)).then(|| key.place()));
    let place = place.unwrap_or(root.place());
    let told = setting.value.as_deref().unwrap_or_default();
    let Some(seconds) = setting.seconds(told) else {
        let text = "a watchdog takes a time, `in: s` or `in: ms`";
        mistakes.add(Mistake::new(place, "setting-value", text));
        return;
    };
    if seconds != 0.0 && !WAITS_S.contains(&seconds) {
        let text = format!("a watchdog waits 1 to 3600 s, or 0 for never, not {seconds} s");
        mistakes.add(Mistake::new(place, "setting-value", text));
    } else if feed.is_none() {
        let text = "a watchdog that nobody feeds switches everything off";
        let hint = "write `feed: ...`, or leave the setting out";
        mistakes.add(Mistake::new(place, "missing-key", text).hint(hint));
    }
}
