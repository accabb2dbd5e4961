//! Measured values inside the engine, and what arithmetic makes of them.
//!
//! Uncertainty goes along term by term (equal sources correlate fully), units
//! are kept or derived, flags and items are united. What is not known stays not
//! known, with its reason; nothing here ever becomes not-a-number. A given
//! quantity (a parameter) is such a value too, without doubt.
//!
//! Called by: scripts, `criteria`, `seen`. Not here: comparing (`comparing`).

use std::sync::Arc;

pub(super) use photometry::figure::five_digits as shown;
use photometry::uncertainty::Estimate;
use rhai::{Array, Dynamic, Engine};

use super::api::{Entry, entries};
use super::fault::{Raised, raise};
use super::items::Items;
use super::limits::ITEMS_PER_VALUE;
use super::reach::{self, Extreme, Reach};
use super::sandbox::charge;
use super::unit::Unit;

/// A value as scripts hold it; cloning bumps a counter.
#[derive(Clone, Debug)]
pub(super) struct Amount(pub(super) Arc<Parts>);

/// What an amount is made of.
#[derive(Clone, Debug)]
pub(super) struct Parts {
    /// The estimate, finite, or why there is none.
    pub(super) what: Result<Estimate, String>,
    pub(super) unit: Unit,
    /// Sorted, each once.
    pub(super) flags: Vec<String>,
    pub(super) items: Items,
    /// Where the true value may lie: of one that is not known, or of the largest
    /// or smallest of some that are not all known.
    pub(super) reach: Option<Reach>,
    /// A parameter, not measured.
    pub(super) given: bool,
}

impl Amount {
    /// Of parts; what is not finite is not known, nor what has terms that are
    /// not: a budget with a gap is no figure.
    pub(super) fn of(mut parts: Parts) -> Amount {
        if let Ok(estimate) = &parts.what {
            let counts = |dof: f64| dof > 0.0;
            let mut terms = estimate.terms.iter();
            let sound = terms.all(|term| term.u.is_finite() && term.dof.is_none_or(counts));
            if !estimate.value.is_finite() {
                parts.what = Err("it is not a finite number".to_owned());
            } else if !sound {
                parts.what = Err("its uncertainty is not known".to_owned());
            }
        }
        parts.flags.sort();
        parts.flags.dedup();
        charge(ITEMS_PER_VALUE + parts.items.words());
        Amount(Arc::new(parts))
    }

    /// A parameter.
    pub(super) fn given(value: f64, unit: Unit) -> Amount {
        Amount::of(Parts {
            what: Ok(Estimate::exact(value)),
            unit,
            flags: Vec::new(),
            items: Items::default(),
            reach: None,
            given: true,
        })
    }

    /// A measured value that is not known.
    pub(super) fn unknown(why: impl Into<String>, unit: Unit) -> Amount {
        Amount::of(Parts {
            what: Err(why.into()),
            unit,
            flags: Vec::new(),
            items: Items::default(),
            reach: None,
            given: false,
        })
    }

    /// Another value in place of this one's, resting on the same.
    pub(super) fn with(&self, what: Result<Estimate, String>, unit: Unit) -> Amount {
        Amount::of(Parts {
            what,
            unit,
            flags: self.remarks(),
            reach: None,
            ..(*self.0).clone()
        })
    }

    /// Its flags; that values were passed over on the way to it is one.
    pub(super) fn remarks(&self) -> Vec<String> {
        let passed = self.0.reach.iter().filter(|_| self.0.what.is_ok());
        let flags = self.0.flags.iter().cloned();
        flags.chain(passed.map(Reach::flag)).collect()
    }

    /// Where it lies.
    pub(super) fn lies(&self) -> Reach {
        let anywhere = |why: &str| Reach::anywhere(why);
        match (&self.0.what, &self.0.reach) {
            // A flagged reading may lie anywhere, whatever its range says.
            (Err(why), Some(_)) if !self.0.flags.is_empty() => anywhere(why),
            (_, Some(reach)) => reach.clone(),
            (Err(why), None) => anywhere(why),
            (Ok(estimate), None) => Reach {
                from: Some(estimate.value),
                to: Some(estimate.value),
                why: String::new(),
            },
        }
    }

    /// Whether it is known and without remarks.
    pub(super) fn is_sound(&self) -> bool {
        self.0.what.is_ok() && self.remarks().is_empty()
    }

    /// Of two values: flags and items of both, a value where both have one.
    pub(super) fn joined(
        &self,
        other: &Amount,
        unit: Unit,
        of: impl FnOnce(&Estimate, &Estimate) -> Result<Estimate, String>,
    ) -> Amount {
        let what = match (&self.0.what, &other.0.what) {
            (Ok(one), Ok(two)) => of(one, two),
            (Err(why), _) | (_, Err(why)) => Err(why.clone()),
        };
        let terms = |amount: &Amount| amount.0.what.as_ref().map_or(0, |e| e.terms.len());
        charge(terms(self) * terms(other).max(1) + terms(other));
        Amount::of(Parts {
            what,
            unit,
            flags: [self.remarks(), other.remarks()].concat(),
            items: self.0.items.union(&other.0.items),
            reach: None,
            given: self.0.given && other.0.given,
        })
    }

    /// The number in another unit of its kind.
    pub(super) fn in_unit(&self, unit: &Unit) -> Option<Amount> {
        let factor = self.0.unit.factor_to(unit)?;
        Some(Amount::of(Parts {
            what: self.0.what.clone().map(|estimate| estimate.scaled(factor)),
            unit: unit.clone(),
            reach: self.0.reach.as_ref().map(|reach| reach.scaled(factor)),
            ..(*self.0).clone()
        }))
    }

    /// The same, with another place where it may lie.
    pub(super) fn reaching(&self, reach: Option<Reach>) -> Amount {
        Amount::of(Parts {
            reach,
            ..(*self.0).clone()
        })
    }

    fn without_reach(&self) -> Amount {
        match self.0.reach {
            None => self.clone(),
            Some(_) => self.reaching(None),
        }
    }

    fn plain(&self) -> Amount {
        self.in_unit(&self.0.unit.plain())
            .unwrap_or_else(|| self.clone())
    }

    /// As for a person: `263.4 lx`, `not known (timed out)`.
    pub(super) fn shown(&self) -> String {
        match &self.0.what {
            Ok(estimate) => with_unit(estimate.value, &self.0.unit),
            Err(why) => format!("not known ({why})"),
        }
    }
}

/// A number with its unit as for a person.
pub(super) fn with_unit(value: f64, unit: &Unit) -> String {
    let number = shown(value);
    match unit.symbol() {
        "" => number,
        symbol => format!("{number} {symbol}"),
    }
}

/// A value with its U, to the two digits of U that mean something.
pub(super) fn with_u(value: f64, expanded: f64, unit: &Unit) -> String {
    let symbol = unit.symbol();
    let space = if symbol.is_empty() { "" } else { " " };
    // What rounding leaves of a U that cancels is none.
    let dust = f64::EPSILON * value.abs();
    if !(expanded > dust && expanded.is_finite() && value.is_finite()) {
        return with_unit(value, unit);
    }
    let mut last = 1 - expanded.log10().floor() as i32;
    if (expanded * 10_f64.powi(last)).round() >= 100.0 {
        last -= 1; // 0.0996 is 0.10 in two digits, as reports write it
    }
    // A large value with a small U would be told in hundreds of digits.
    if !(-6..=12).contains(&last) || value.abs() >= 1e15 {
        return format!("{} ± {}{space}{symbol}", shown(value), shown(expanded));
    }
    let places = last.max(0) as usize;
    let step = 10_f64.powi(-last);
    let round = |number: f64| {
        if last > 0 {
            format!("{number:.places$}")
        } else {
            format!("{:.0}", (number / step).round() * step)
        }
    };
    format!("{} ± {}{space}{symbol}", round(value), round(expanded))
}

/// A plain number where one stands.
pub(super) fn number(value: &Dynamic) -> Option<f64> {
    let whole = value.as_int().ok().map(|whole| whole as f64);
    whole.or_else(|| value.as_float().ok())
}

/// An amount, or a bare number that counts in the unit beside it.
pub(super) fn amount_or_number(value: &Dynamic, unit: &Unit) -> Option<Amount> {
    let amount = value.read_lock::<Amount>().map(|amount| (*amount).clone());
    amount.or_else(|| number(value).map(|number| Amount::given(number, unit.clone())))
}

/// What stands there, in words, for messages.
pub(super) fn kind_of(value: &Dynamic) -> String {
    match value.type_name() {
        "()" => "nothing".to_owned(),
        "bool" => format!("a bare `{value}`"),
        "i64" | "f64" => match number(value) {
            Some(number) => format!("the plain number {}", shown(number)),
            None => format!("the plain number {value}"),
        },
        "string" => "a text".to_owned(),
        "array" => "an array".to_owned(),
        "map" => "a map".to_owned(),
        "blob" => "bytes".to_owned(),
        name if name.ends_with("::Amount") => "a measured value".to_owned(),
        name if name.ends_with("::Column") => "a column".to_owned(),
        name if name.ends_with("::Ruled") => "a ruling".to_owned(),
        name if name.ends_with("::Run") => "the run".to_owned(),
        name if name.ends_with("::Setting") => "a setting".to_owned(),
        name if name.ends_with("::Point") => "a point".to_owned(),
        name if name.ends_with("::Fit") => "a fit".to_owned(),
        _ => "something else".to_owned(),
    }
}

/// The sum or difference; a bare number counts in the unit beside it.
fn sum(one: &Amount, two: &Amount, sign: f64) -> Raised<Amount> {
    let Some(other) = two.in_unit(&one.0.unit) else {
        let verb = if sign > 0.0 { "added to" } else { "taken from" };
        let (a, b) = if sign > 0.0 { (one, two) } else { (two, one) };
        return raise(format!(
            "{} cannot be {verb} {}",
            a.0.unit.words(),
            b.0.unit.words()
        ));
    };
    Ok(one.joined(&other, one.0.unit.clone(), |a, b| {
        Ok(if sign > 0.0 { a.plus(b) } else { a.minus(b) })
    }))
}

fn product(one: &Amount, two: &Amount) -> Amount {
    let (one, two) = (one.plain(), two.plain());
    let unit = one.0.unit.times(&two.0.unit);
    one.joined(&two, unit, |a, b| Ok(a.times(b)))
}

/// The quotient; not known where the divisor is zero.
pub(super) fn quotient(one: &Amount, two: &Amount) -> Amount {
    let (one, two) = (one.plain(), two.plain());
    let unit = one.0.unit.over(&two.0.unit);
    one.joined(&two, unit, |a, b| {
        if b.value == 0.0 {
            return Err("divided by zero".to_owned());
        }
        Ok(a.over(b))
    })
}

/// Registers an operator for two amounts and for an amount and a number.
fn operator(
    engine: &mut Engine,
    name: &str,
    of: fn(&Amount, &Amount) -> Raised<Amount>,
    keeps_unit: bool,
) {
    let beside = move |number: f64, amount: &Amount| {
        let unit = if keeps_unit {
            amount.0.unit.clone()
        } else {
            Unit::One
        };
        // A number in the script is no measurement, but neither does it make
        // of a measured value a given one.
        Amount::given(number, unit)
    };
    engine
        .register_fn(name, move |a: Amount, b: Amount| of(&a, &b))
        .register_fn(name, move |a: Amount, b: f64| of(&a, &beside(b, &a)))
        .register_fn(name, move |a: f64, b: Amount| of(&beside(a, &b), &b))
        .register_fn(name, move |a: Amount, b: i64| of(&a, &beside(b as f64, &a)))
        .register_fn(name, move |a: i64, b: Amount| of(&beside(a as f64, &b), &b));
}

/// The largest or smallest of some; not known when one is not, unless asked:
/// then it knows where the others may lie.
fn extreme(list: &Array, which: Extreme, skip_unknown: bool) -> Raised<Amount> {
    let mut best: Option<Amount> = None;
    let mut others: Vec<Amount> = Vec::new();
    for item in list {
        let Some(amount) = item.read_lock::<Amount>() else {
            return raise(format!(
                "{} stands among the measured values",
                kind_of(item)
            ));
        };
        if skip_unknown && (amount.0.what.is_err() || amount.0.reach.is_some()) {
            others.push((*amount).clone());
        }
        if skip_unknown && amount.0.what.is_err() {
            continue;
        }
        let amount = match skip_unknown {
            true => amount.without_reach(),
            false => (*amount).clone(),
        };
        let Some(so_far) = best else {
            best = Some(amount);
            continue;
        };
        let Some(same) = amount.in_unit(&so_far.0.unit) else {
            let (a, b) = (so_far.0.unit.words(), amount.0.unit.words());
            return raise(format!("{a} and {b} cannot be compared"));
        };
        best = Some(so_far.joined(&same, so_far.0.unit.clone(), |a, b| {
            let second = match which {
                Extreme::Largest => b.value > a.value,
                Extreme::Smallest => b.value < a.value,
            };
            Ok(if second { b.clone() } else { a.clone() })
        }));
    }
    let Some(best) = best else {
        return Ok(Amount::unknown("there are no values", Unit::One));
    };
    match &best.0.what {
        Ok(estimate) if !others.is_empty() => {
            let value = estimate.value;
            // What is of another kind tells nothing of where it lies.
            let lies = |other: &Amount| match other.in_unit(&best.0.unit) {
                Some(same) => same.lies(),
                None => Reach::anywhere("a value of another unit"),
            };
            let lies: Vec<Reach> = others.iter().map(lies).collect();
            let reach = reach::of_extreme(which, value, lies.iter());
            Ok(best.reaching(reach))
        }
        _ => Ok(best),
    }
}

/// A whole number as a value without doubt.
fn counted(number: f64) -> Raised<Amount> {
    if number < 0.0 || number.fract() != 0.0 || !number.is_finite() {
        return raise(format!("{} is not a count", shown(number)));
    }
    let exact = Amount::given(number, Unit::One);
    Ok(Amount::of(Parts {
        given: false,
        ..(*exact.0).clone()
    }))
}

fn value_of(amount: &Amount) -> Raised<f64> {
    match &amount.0.what {
        Ok(estimate) => Ok(estimate.value),
        Err(why) => raise(format!("there is no value: {why}; is_known(x) asks first")),
    }
}

fn u_of(amount: &Amount) -> Raised<f64> {
    match &amount.0.what {
        Ok(estimate) => Ok(estimate.combined()),
        Err(why) => raise(format!("there is no value: {why}; is_known(x) asks first")),
    }
}

/// The directivity: on-axis intensity over that of a ball with the same flux.
fn directivity(intensity: &Amount, flux: &Amount) -> Raised<Amount> {
    let fits = intensity.0.unit == Unit::Candela && flux.0.unit == Unit::Lumen;
    if !fits {
        let (a, b) = (intensity.0.unit.words(), flux.0.unit.words());
        return raise(format!("directivity is of cd and lm, not of {a} and {b}"));
    }
    Ok(intensity.joined(flux, Unit::One, |intensity, flux| {
        if flux.value > 0.0 {
            Ok(intensity.over(flux).scaled(4.0 * std::f64::consts::PI))
        } else {
            Err("there is no flux above zero".to_owned())
        }
    }))
}

pub(super) const ENTRIES: &[Entry] = entries! {
    "" "+" (Some("x + y")) -> "a measured value": "the sum, in one unit; a bare number counts in that unit",
        |e| operator(e, "+", |a, b| sum(a, b, 1.0), true);
    "" "-" (Some("x - y")) -> "a measured value": "the difference, in one unit", |e| {
            operator(e, "-", |a, b| sum(a, b, -1.0), true);
            e.register_fn("-", |a: Amount| product(&a, &Amount::given(-1.0, Unit::One)));
        };
    "" "*" (Some("x * y")) -> "a measured value": "the product, with its unit",
        |e| operator(e, "*", |a, b| Ok(product(a, b)), false);
    "" "/" (Some("x / y")) -> "a measured value": "the quotient, with its unit; equal sources cancel",
        |e| operator(e, "/", |a, b| Ok(quotient(a, b)), false);
    "measured" "value" (None) -> "a number": "the value in its unit; a fault where there is none", |e| {
            e.register_get("value", |a: &mut Amount| value_of(a));
        };
    "measured" "u" (None) -> "a number": "its standard uncertainty (k = 1) in its unit", |e| {
            e.register_get("u", |a: &mut Amount| u_of(a));
        };
    "measured" "unit" (None) -> "a text": "its unit's symbol", |e| {
            e.register_get("unit", |a: &mut Amount| a.0.unit.symbol().to_owned());
        };
    "measured" "flags" (None) -> "an array of texts": "remarks for which no ruling is made on it", |e| {
            e.register_get("flags", |a: &mut Amount| -> Array {
                a.remarks().into_iter().map(Dynamic::from).collect()
            });
        };
    "" "is_known" (Some("x")) -> "true or false": "whether there is a value", |e| {
            e.register_fn("is_known", |a: Amount| a.0.what.is_ok());
        };
    "" "is_sound" (Some("x")) -> "true or false": "whether there is a value without flags", |e| {
            e.register_fn("is_sound", |a: Amount| a.is_sound());
        };
    "" "largest" (Some("[x, y, ...]")) -> "a measured value": "the largest; not known when one is not", |e| {
            e.register_fn("largest", |list: Array| extreme(&list, Extreme::Largest, false));
        };
    "" "smallest" (Some("[x, y, ...]")) -> "a measured value": "the smallest; not known when one is not", |e| {
            e.register_fn("smallest", |list: Array| extreme(&list, Extreme::Smallest, false));
        };
    "" "largest_known" (Some("[x, y, ...]")) -> "a measured value": "the largest known; undecided where an unknown one could change a ruling", |e| {
            e.register_fn("largest_known", |list: Array| extreme(&list, Extreme::Largest, true));
        };
    "" "smallest_known" (Some("[x, y, ...]")) -> "a measured value": "the smallest known; undecided where an unknown one could change a ruling", |e| {
            e.register_fn("smallest_known", |list: Array| extreme(&list, Extreme::Smallest, true));
        };
    "" "counted" (Some("n")) -> "a measured value": "a whole number without doubt, to rule on", |e| {
            e.register_fn("counted", |n: i64| counted(n as f64))
                .register_fn("counted", counted);
        };
    "" "directivity" (Some("intensity, flux")) -> "a measured value": "on-axis cd over that of a ball with the same lm: ball 1, flat face 4", |e| {
            e.register_fn("directivity", |a: Amount, b: Amount| directivity(&a, &b));
        };
};

#[cfg(test)]
mod tests {
    use super::*;

    /// As reports write the same figures.
    #[test]
    fn a_value_ends_where_its_u_does() {
        let cases = [
            (1.712_62, 0.0054, "1.7126 ± 0.0054"),
            (0.0456, 0.0996, "0.05 ± 0.10"),
            (18_234.5, 99.6, "18230 ± 100"),
            (18_234.5, 734.0, "18230 ± 730"),
            (1.712_62, 6e-18, "1.7126"),
            (0.0, 3e-18, "0 ± 3.0000e-18"),
        ];
        for (value, expanded, wanted) in cases {
            assert_eq!(with_u(value, expanded, &Unit::One), wanted);
        }
    }
}
