//! No more digits than the uncertainty supports: U to two significant digits,
//! the value to the same place (JCGM 100:2008, 7.2.6).

/// Decimal places that can be shown; below, a lux meter has nothing to say.
const PLACES_AT_MOST: i32 = 9;

/// Value and U as text. Without a U above zero, or above what rounding leaves
/// of one, the value has three significant digits and U none.
pub fn shown(value: f64, expanded: Option<f64>) -> (String, Option<String>) {
    let dust = f64::EPSILON * value.abs();
    match expanded.filter(|u| u.is_finite() && *u > dust) {
        Some(u) => {
            let place = place_of(u, 2);
            (at_place(value, place), Some(at_place(u, place)))
        }
        None if value == 0.0 => ("0".to_owned(), None),
        None => (at_place(value, place_of(value.abs(), 3)), None),
    }
}

/// The power of ten of the last of `digits` significant digits, after
/// rounding: 0.0996 to two digits is 0.10, not 0.100.
fn place_of(value: f64, digits: i32) -> i32 {
    let place = value.log10().floor() as i32 - (digits - 1);
    let rounded = (value / 10_f64.powi(place)).round();
    if rounded >= 10_f64.powi(digits) {
        place + 1
    } else {
        place
    }
}

/// Rounded at a power of ten.
fn at_place(value: f64, place: i32) -> String {
    if place > 0 {
        let unit = 10_f64.powi(place);
        return format!("{:.0}", (value / unit).round() * unit);
    }
    let text = format!("{value:.*}", (-place).min(PLACES_AT_MOST) as usize);
    if text
        .trim_start_matches('-')
        .chars()
        .all(|c| c == '0' || c == '.')
    {
        return text.trim_start_matches('-').to_owned(); // no minus before zero
    }
    text
}

#[cfg(test)]
mod tests {
    use super::shown;

    /// JCGM 100:2008, 7.2.6: a resistance of 10.057 62 ohm with u = 27 mohm is
    /// written 10.058 ohm. The metre-bar of H.1 and the rest: ours.
    #[test]
    fn values_end_where_their_uncertainty_does() {
        let cases = [
            (10.057_62, 0.027, "10.058", "0.027"),
            (1234.56, 49.4, "1235", "49"),
            (18_234.5, 734.0, "18230", "730"),
            (18_234.5, 99.6, "18230", "100"),
            (0.0456, 0.0996, "0.05", "0.10"),
            (152.349, 6.05, "152.3", "6.0"),
            (-0.001, 0.12, "0.00", "0.12"),
            (9.99, 1.0, "10.0", "1.0"),
        ];
        for (value, u, value_text, u_text) in cases {
            assert_eq!(
                shown(value, Some(u)),
                (value_text.to_owned(), Some(u_text.to_owned())),
                "{value} {u}"
            );
        }
        assert_eq!(shown(1234.5, None), ("1230".to_owned(), None));
        assert_eq!(shown(0.0, Some(0.0)), ("0".to_owned(), None));
        assert_eq!(shown(1.712_62, Some(6e-18)), ("1.71".to_owned(), None));
        assert_eq!(shown(0.012_34, None), ("0.0123".to_owned(), None));
    }

    proptest::proptest! {
        /// What is shown lies within half of the last place of what is known.
        #[test]
        fn rounding_never_moves_a_value_by_more_than_the_last_place(
            value in -1e6_f64..1e6, u in 1e-6_f64..1e5
        ) {
            let (text, u_text) = shown(value, Some(u));
            let back: f64 = text.parse().expect("a number");
            let u_back: f64 = u_text.expect("a U").parse().expect("a number");
            proptest::prop_assert!((back - value).abs() <= u * 0.05 + 1e-9, "{}", text);
            proptest::prop_assert!((u_back / u - 1.0).abs() <= 0.0501, "{}", u_back);
        }
    }
}
