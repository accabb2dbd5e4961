//! Civil time: what a clock on the wall shows. The only home of the time-zone
//! library.

use jiff::Timestamp;
use jiff::tz::TimeZone;
use photometry::units::{Span, Wall};

/// Local date and time of day, with its offset from UTC.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Civil {
    /// Year of the common era.
    pub year: i16,
    /// Month, 1 to 12.
    pub month: u8,
    /// Day of the month, 1 to 31.
    pub day: u8,
    /// Hour, 0 to 23.
    pub hour: u8,
    /// Minute, 0 to 59.
    pub minute: u8,
    /// Second, 0 to 59.
    pub second: u8,
    /// Local time minus UTC.
    pub offset: Span,
}

impl Civil {
    /// The day as text, `2026-11-25` (ISO 8601).
    pub fn day_text(&self) -> String {
        format!("{:04}-{:02}-{:02}", self.year, self.month, self.day)
    }
}

/// Days looked at for a time of day: today, tomorrow, and one for a day that
/// a zone left out altogether (Samoa, 30 December 2011).
const LIMIT_DAYS: usize = 4;

pub(super) struct Zone(TimeZone);

impl Zone {
    /// The system's zone; UTC if it cannot be told.
    pub(super) fn system() -> Zone {
        Zone(TimeZone::system())
    }

    pub(super) fn utc() -> Zone {
        Zone(TimeZone::UTC)
    }

    pub(super) fn civil(&self, wall: Wall) -> Civil {
        let instant = instant(wall);
        let local = self.0.to_datetime(instant);
        let part = |value: i8| u8::try_from(value).unwrap_or(0);
        Civil {
            year: local.year(),
            month: part(local.month()),
            day: part(local.day()),
            hour: part(local.hour()),
            minute: part(local.minute()),
            second: part(local.second()),
            offset: Span::from_secs(i64::from(self.0.to_offset(instant).seconds())),
        }
    }

    pub(super) fn next_at(&self, after: Wall, hour: u8, minute: u8) -> Option<Wall> {
        if hour > 23 || minute > 59 {
            return None;
        }
        let (hour, minute) = (i8::try_from(hour).ok()?, i8::try_from(minute).ok()?);
        let mut date = self.0.to_datetime(instant(after)).date();
        for _ in 0..LIMIT_DAYS {
            let local = date.at(hour, minute, 0, 0);
            let found = self.0.to_ambiguous_timestamp(local).compatible().ok()?;
            if found.as_microsecond() > after.us() {
                return Some(Wall::from_us(found.as_microsecond()));
            }
            date = date.tomorrow().ok()?;
        }
        None
    }
}

/// Instants beyond the years -9999 to 9999 are held at the nearest of them.
fn instant(wall: Wall) -> Timestamp {
    Timestamp::from_microsecond(wall.us()).unwrap_or(if wall.us() < 0 {
        Timestamp::MIN
    } else {
        Timestamp::MAX
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn zone(name: &str) -> Zone {
        Zone(TimeZone::get(name).expect("zone data of the system"))
    }

    fn at(text: &str) -> Wall {
        let instant: Timestamp = text.parse().expect("an instant");
        Wall::from_us(instant.as_microsecond())
    }

    fn shown(zone: &Zone, wall: Wall) -> String {
        let c = zone.civil(wall);
        let offset_h = c.offset.ns() / 3_600_000_000_000;
        format!(
            "{:04}-{:02}-{:02} {:02}:{:02}:{:02} {offset_h:+}",
            c.year, c.month, c.day, c.hour, c.minute, c.second
        )
    }

    /// Changes of central European time in 2026: 29 March and 25 October at
    /// 01:00 UTC (directive 2000/84/EC: last Sundays of the two months).
    #[test]
    fn next_time_of_day_across_the_changes() {
        let berlin = zone("Europe/Berlin");
        let cases = [
            ("2026-11-25T12:00:00Z", 22, 0, "2026-11-25 22:00:00 +1"),
            ("2026-11-25T21:00:00Z", 22, 0, "2026-11-26 22:00:00 +1"),
            ("2026-03-28T12:00:00Z", 2, 30, "2026-03-29 03:30:00 +2"),
            ("2026-10-24T12:00:00Z", 2, 30, "2026-10-25 02:30:00 +2"),
            ("2026-10-25T00:30:00Z", 2, 30, "2026-10-26 02:30:00 +1"),
        ];
        for (after, hour, minute, expected) in cases {
            let found = berlin.next_at(at(after), hour, minute).expect("a time");
            assert_eq!(shown(&berlin, found), expected, "after {after}");
        }
    }

    /// Samoa had no 30 December 2011 (Standard Time Act 2009, amended 2011).
    #[test]
    fn a_day_left_out_is_stepped_over() {
        let apia = zone("Pacific/Apia");
        let found = apia.next_at(at("2011-12-30T09:30:00Z"), 23, 0);
        assert_eq!(
            found.map(|wall| shown(&apia, wall)),
            Some("2011-12-31 23:00:00 +14".to_owned())
        );
    }

    #[test]
    fn no_such_time_of_day() {
        let utc = Zone::utc();
        for (hour, minute) in [(24, 0), (0, 60), (255, 255)] {
            assert_eq!(utc.next_at(Wall::from_us(0), hour, minute), None);
        }
        assert_eq!(utc.next_at(Wall::from_us(i64::MAX), 12, 0), None);
    }

    proptest::proptest! {
        #[test]
        fn no_instant_panics_and_the_next_is_later(us in proptest::num::i64::ANY, hour in 0_u8..24) {
            let utc = Zone::utc();
            let wall = Wall::from_us(us);
            let _ = utc.civil(wall);
            if let Some(next) = utc.next_at(wall, hour, 0) {
                proptest::prop_assert!(next > wall);
            }
        }
    }
}
