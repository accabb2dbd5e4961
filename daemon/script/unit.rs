//! Units of what scripts compute with, and what becomes of them.
//!
//! A product or quotient gets the unit that its factors make: lx m m is cd,
//! lx/lx is a ratio. Percent is a ratio in hundredths.
//!
//! Called by: `view`, `parameters`, `values`. Not here: reading quantities.

use std::collections::BTreeMap;
use std::fmt;

use serde::{Deserialize, Serialize};

/// A unit. The number beside it counts in just this unit: 2 % is 2.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Unit {
    /// Illuminance, lx.
    Lux,
    /// Luminous intensity, cd.
    Candela,
    /// Luminous flux, lm.
    Lumen,
    /// Length, m.
    Metre,
    /// Time, s.
    Second,
    /// Temperature, K.
    Kelvin,
    /// Hundredths of one.
    Percent,
    /// A ratio or a count.
    One,
    /// Any other, as it is written: `lx m^-1`.
    Other(String),
}

/// Base symbols with their powers.
type KnownPowers = &'static [(&'static str, i32)];

/// The named units with symbol and powers of cd, lm, m, s, K. The lumen stands
/// for itself: cd = lx m m, but a lumen never becomes a candela unasked.
const NAMED: &[(Unit, &str, KnownPowers)] = &[
    (Unit::Lux, "lx", &[("cd", 1), ("m", -2)]),
    (Unit::Candela, "cd", &[("cd", 1)]),
    (Unit::Lumen, "lm", &[("lm", 1)]),
    (Unit::Metre, "m", &[("m", 1)]),
    (Unit::Second, "s", &[("s", 1)]),
    (Unit::Kelvin, "K", &[("K", 1)]),
    (Unit::One, "", &[]),
    (Unit::Percent, "%", &[]),
];

impl Unit {
    /// Its symbol; empty for a ratio.
    pub fn symbol(&self) -> &str {
        match self {
            Unit::Other(written) => written,
            named => NAMED
                .iter()
                .find(|(unit, ..)| unit == named)
                .map_or("", |(_, symbol, _)| symbol),
        }
    }

    /// In words, for messages: `lx`, `a ratio`.
    pub fn words(&self) -> String {
        match self {
            Unit::One => "a ratio".to_owned(),
            unit => unit.symbol().to_owned(),
        }
    }

    /// What a number in this unit is multiplied by to be free of per cent.
    pub fn plain_factor(&self) -> f64 {
        if *self == Unit::Percent { 0.01 } else { 1.0 }
    }

    /// The unit without per cent.
    pub fn plain(&self) -> Unit {
        match self {
            Unit::Percent => Unit::One,
            unit => unit.clone(),
        }
    }

    /// What a number in this unit is multiplied by to count in another; none
    /// when they are not of one kind.
    pub fn factor_to(&self, other: &Unit) -> Option<f64> {
        match (self, other) {
            (Unit::Percent, Unit::One) => Some(0.01),
            (Unit::One, Unit::Percent) => Some(100.0),
            (a, b) => (a == b).then_some(1.0),
        }
    }

    /// The unit of a product of values whose per cent were made plain.
    #[must_use]
    pub fn times(&self, other: &Unit) -> Unit {
        of_powers(joined(self.powers(), other.powers(), 1))
    }

    /// The unit of a quotient likewise.
    #[must_use]
    pub fn over(&self, other: &Unit) -> Unit {
        of_powers(joined(self.powers(), other.powers(), -1))
    }

    fn powers(&self) -> Powers {
        if let Unit::Other(written) = self {
            return written.split_whitespace().map(power_of).collect();
        }
        let named = NAMED.iter().find(|(unit, ..)| unit == self);
        let powers = named.map_or(&[][..], |(_, _, powers)| powers);
        let owned = |(symbol, power): &(&str, i32)| ((*symbol).to_owned(), *power);
        powers.iter().map(owned).collect()
    }
}

/// Shown as its symbol.
impl fmt::Display for Unit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.symbol())
    }
}

type Powers = BTreeMap<String, i32>;

/// `m^-2` as symbol and power; without a power it is 1.
fn power_of(part: &str) -> (String, i32) {
    let split = part.rsplit_once('^');
    let parsed = split.and_then(|(symbol, power)| Some((symbol, power.parse().ok()?)));
    let (symbol, power) = parsed.unwrap_or((part, 1));
    (symbol.to_owned(), power)
}

fn joined(mut one: Powers, other: Powers, sign: i32) -> Powers {
    for (symbol, power) in other {
        let sum = one.entry(symbol).or_insert(0);
        *sum = sum.saturating_add(power.saturating_mul(sign));
    }
    one.retain(|_, power| *power != 0);
    one
}

fn of_powers(powers: Powers) -> Unit {
    let same = |(symbol, power): &(&str, i32)| powers.get(*symbol) == Some(power);
    let named = NAMED
        .iter()
        .find(|(.., known)| known.len() == powers.len() && known.iter().all(same));
    if let Some((unit, ..)) = named {
        return unit.clone();
    }
    let written = |(symbol, power): (&String, &i32)| match power {
        1 => symbol.clone(),
        power => format!("{symbol}^{power}"),
    };
    Unit::Other(powers.iter().map(written).collect::<Vec<_>>().join(" "))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn products_and_quotients_have_their_units() {
        let metres = Unit::Metre;
        assert_eq!(Unit::Lux.times(&metres).times(&metres), Unit::Candela);
        assert_eq!(Unit::Candela.over(&metres).over(&metres), Unit::Lux);
        assert_eq!(Unit::Lux.over(&Unit::Lux), Unit::One);
        assert_eq!(Unit::Percent.times(&Unit::Lux), Unit::Lux);
        let odd = Unit::Lux.over(&Unit::Second);
        assert_eq!(odd, Unit::Other("cd m^-2 s^-1".to_owned()));
        assert_eq!(odd.times(&Unit::Second), Unit::Lux);
        let watts = Unit::Other("W".to_owned());
        let efficacy = Unit::Lumen.over(&watts);
        assert_eq!(efficacy.symbol(), "W^-1 lm");
        assert_eq!(efficacy.times(&watts), Unit::Lumen);
    }
}
