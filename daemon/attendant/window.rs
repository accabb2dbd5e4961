//! The hours in which a plan may measure, on this bench's clock.

use drivers::clock::Clock;
use photometry::measured::Moment;
use photometry::units::{Mono, Wall};

use crate::plan::intent::Window;

/// Where a window stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Hours {
    /// Open; when it closes (none: never).
    Open(Option<Mono>),
    /// Closed; when it opens (none: the calendar does not say).
    Closed(Option<Mono>),
}

/// Where a window stands now.
pub fn hours(clock: &Clock, now: Moment, window: Option<Window>) -> Hours {
    let Some(window) = window else {
        return Hours::Open(None);
    };
    let civil = clock.civil(now.wall);
    let minute = u16::from(civil.hour) * 60 + u16::from(civil.minute);
    let open = window.is_open(minute);
    let edge = if open { window.closes } else { window.opens };
    let at = clock
        .next_at(now.wall, edge)
        .map(|wall| now.mono + wall.since(now.wall));
    if open {
        Hours::Open(at)
    } else {
        Hours::Closed(at)
    }
}

/// The first opening after an instant; none without a window.
pub fn opens_after(clock: &Clock, after: Wall, window: Option<Window>) -> Option<Wall> {
    clock.next_at(after, window?.opens)
}
