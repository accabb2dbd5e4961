//! Civil time: what a clock on the wall shows. The only home of the time-zone
//! library.

use jiff::Timestamp;
use jiff::civil::DateTime;
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

    /// When local time is first this; none where the calendar has no such day, or the
    /// zone left that day out.
    fn instant_of(&self, local: DateTime) -> Option<Wall> {
        let found = self.0.to_ambiguous_timestamp(local).compatible().ok()?;
        let is_that_day = self.0.to_datetime(found).date() == local.date();
        is_that_day.then(|| Wall::from_us(found.as_microsecond()))
    }

    pub(super) fn at(&self, (year, month, day): (i16, u8, u8), minute: u16) -> Option<Wall> {
        let (hour, minute) = of_day(minute)?;
        let (month, day) = (i8::try_from(month).ok()?, i8::try_from(day).ok()?);
        self.instant_of(DateTime::new(year, month, day, hour, minute, 0, 0).ok()?)
    }

    pub(super) fn day_before(&self, wall: Wall, minute: u16) -> Option<Wall> {
        let (hour, minute) = of_day(minute)?;
        let mut date = self.0.to_datetime(instant(wall)).date();
        for _ in 0..LIMIT_DAYS {
            date = date.yesterday().ok()?;
            let found = self.instant_of(date.at(hour, minute, 0, 0));
            if found.is_some() {
                return found;
            }
        }
        None
    }

    pub(super) fn next_at(&self, after: Wall, minute: u16) -> Option<Wall> {
        let (hour, minute) = of_day(minute)?;
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

/// A time of day by the minutes since midnight; none from 24:00 on.
fn of_day(minute: u16) -> Option<(i8, i8)> {
    let (hour, minute) = (minute / 60, minute % 60);
    (hour < 24).then_some((hour as i8, minute as i8)) // below 24 and 60
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
            let found = berlin.next_at(at(after), 60 * hour + minute);
            let found = found.expect("a time");
            assert_eq!(shown(&berlin, found), expected, "after {after}");
        }
    }

    /// Samoa had no 30 December 2011 (Standard Time Act 2009, amended 2011).
    #[test]
    fn a_day_left_out_is_stepped_over() {
        let apia = zone("Pacific/Apia");
        let found = apia.next_at(at("2011-12-30T09:30:00Z"), 23 * 60);
        assert_eq!(
            found.map(|wall| shown(&apia, wall)),
            Some("2011-12-31 23:00:00 +14".to_owned())
        );
    }

    /// The same changes, and the same day that Samoa had not, looked for by their dates.
    #[test]
    fn a_day_and_a_time_of_day() {
        let (berlin, apia) = (zone("Europe/Berlin"), zone("Pacific/Apia"));
        let cases = [
            ((2026, 11, 25), 22 * 60, Some("2026-11-25 22:00:00 +1")),
            ((2026, 3, 29), 150, Some("2026-03-29 03:30:00 +2")),
            ((2026, 10, 25), 150, Some("2026-10-25 02:30:00 +2")),
            ((2026, 2, 30), 0, None),
            ((2026, 13, 1), 0, None),
        ];
        for (day, minute, expected) in cases {
            let found = berlin.at(day, minute).map(|wall| shown(&berlin, wall));
            assert_eq!(found.as_deref(), expected, "{day:?}");
        }
        assert_eq!(apia.at((2011, 12, 30), 720), None);
        let noon = |now: &str| {
            let found = apia.day_before(at(now), 720).expect("a noon");
            shown(&apia, found)
        };
        assert_eq!(noon("2011-12-31T09:30:00Z"), "2011-12-29 12:00:00 -10");
        assert_eq!(noon("2012-01-02T09:30:00Z"), "2012-01-01 12:00:00 +14");
    }

    #[test]
    fn no_such_time_of_day() {
        let utc = Zone::utc();
        for minute in [24 * 60, 24 * 60 + 59, u16::MAX] {
            assert_eq!(utc.next_at(Wall::from_us(0), minute), None);
            assert_eq!(utc.at((2026, 11, 25), minute), None);
            assert_eq!(utc.day_before(Wall::from_us(0), minute), None);
        }
        assert_eq!(utc.next_at(Wall::from_us(i64::MAX), 12 * 60), None);
        assert_eq!(utc.day_before(Wall::from_us(i64::MIN), 12 * 60), None);
    }

    proptest::proptest! {
        #[test]
        fn no_instant_panics_and_the_next_is_later(us in proptest::num::i64::ANY, hour in 0_u16..24) {
            let utc = Zone::utc();
            let wall = Wall::from_us(us);
            let _ = utc.civil(wall);
            if let Some(next) = utc.next_at(wall, 60 * hour) {
                proptest::prop_assert!(next > wall);
            }
            if let Some(before) = utc.day_before(wall, 60 * hour) {
                proptest::prop_assert!(before < wall);
            }
        }
    }
}
