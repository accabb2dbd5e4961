//! Spectra with figures computed three ways, and published values beside them:
//! CIE 015:2018, CIE 13.3-1995, CIE 224:2017, CIE S 026:2018, IEC 62471:2006.
//! Each value in `colour.json` names its own source and tolerance.

use photometry::alpha_opic::{self, AlphaOpic};
use photometry::blue_light;
use photometry::colour::{self, Chromaticity, Tristimulus};
use photometry::light_units::{Irradiance, Kelvin};
use photometry::rendering::daylight;
use photometry::spectrum::{Scale, Spectrum, SpectrumError};
use photometry::temperature::{self, planck};
use photometry::{fidelity, rendering};
use serde_json::Value;

use crate::reference::{array, colour_json, number, numbers, object, text};
use crate::tally::Tally;

fn grid(step: f64) -> Vec<f64> {
    let n = (400.0 / step) as usize;
    (0..=n).map(|at| 380.0 + step * at as f64).collect()
}

fn spectrum(values: &[f64], scale: Scale) -> Spectrum {
    let step = 400.0 / (values.len() - 1) as f64;
    Spectrum::new(&grid(step), values, scale).expect("a spectrum")
}

/// Every figure by the key of the reference file.
fn figure(spectrum: &Spectrum, key: &str) -> Option<f64> {
    let tristimulus = Tristimulus::of(spectrum);
    let point = tristimulus.chromaticity()?;
    let (u, v) = point.uv();
    let by_receptor = |prefix: &str, of: fn(&AlphaOpic) -> f64| -> Option<f64> {
        let receptors = ["sc", "mc", "lc", "rh", "mel"];
        let at = receptors
            .iter()
            .position(|name| key == format!("{prefix}{name}"))?;
        alpha_opic::of(spectrum).map(|all| of(&all[at]))
    };
    let rendered = || {
        let cct = temperature::of_tristimulus(tristimulus).ok()?.cct;
        rendering::of(spectrum, cct)
    };
    let faithful = || {
        let cct = temperature::of_tristimulus(tristimulus).ok()?.cct;
        fidelity::of(spectrum, cct)
    };
    match key {
        "x" => Some(point.x),
        "y" => Some(point.y),
        "u" => Some(u),
        "v" => Some(v),
        "up" => Some(point.uv_prime().0),
        "vp" => Some(point.uv_prime().1),
        "CCT" => Some(temperature::of_tristimulus(tristimulus).ok()?.cct.0),
        "Duv" => Some(temperature::of_tristimulus(tristimulus).ok()?.duv),
        "Ra" => Some(rendered()?.ra),
        "Rf" => Some(faithful()?.rf),
        "Rg" => faithful()?.rg,
        "dC_uv" => Some(rendered()?.chromaticity_distance),
        "LER" => colour::efficacy_lm_per_w(spectrum),
        "SP" => alpha_opic::scotopic_photopic_ratio(spectrum),
        "blh_mW_per_lm" => Some(blue_light::of(spectrum)?.mw_per_lm),
        "EDI_mel_100lx" => Some(100.0 * alpha_opic::of(spectrum)?[4].der),
        _ if key.starts_with("K_") => by_receptor("K_", |one| one.mw_per_lm),
        _ if key.starts_with("DER_") => by_receptor("DER_", |one| one.der),
        _ => {
            let index: usize = key.strip_prefix('R')?.parse().ok()?;
            rendered()?.special.get(index.checked_sub(1)?).copied()
        }
    }
}

/// How many values the file asks for, counted without looking at what they
/// are.
fn expected(json: &Value) -> usize {
    let spectra: usize = array(json, "spectra")
        .iter()
        .map(|spectrum| {
            let sets = ["expected_5nm", "expected_1nm"];
            let own = sets.iter().filter_map(|set| spectrum.get(set)?.as_object());
            // E_v, E_e, five irradiances, five EDIs.
            own.map(serde_json::Map::len).sum::<usize>() + array(spectrum, "published").len() + 12
        })
        .sum();
    spectra + 2 * array(json, "cct_points").len()
}

#[test]
fn every_spectrum_has_its_published_figures() {
    let json = colour_json();
    let mut tally = Tally::new("colour");
    for entry in array(&json, "spectra") {
        let id = text(entry, "id");
        let five = spectrum(&numbers(entry, "spectrum_5nm"), Scale::Relative);
        let one = entry
            .get("spectrum_1nm")
            .map(|_| spectrum(&numbers(entry, "spectrum_1nm"), Scale::Relative))
            // Illuminant E is flat.
            .or_else(|| (id == "E").then(|| spectrum(&[100.0; 401], Scale::Relative)));
        for (set, spectrum) in [
            ("expected_5nm", Some(&five)),
            ("expected_1nm", one.as_ref()),
        ] {
            let Some(values) = entry.get(set).and_then(Value::as_object) else {
                continue;
            };
            let spectrum = spectrum.expect("the spectrum beside its values");
            for (key, value) in values {
                let at = format!("{id} {set}");
                let got = figure(spectrum, key);
                tally.number(key, &at, got, number(value, "v"), number(value, "tol"));
            }
        }
        for value in array(entry, "published") {
            let key = text(value, "q");
            let at = format!("{id}, {}", text(value, "source"));
            // The published EDIs rest on 1 nm data, linear between 5 nm points.
            let edi = key == "EDI_mel_100lx" || key.starts_with("DER_") || key.starts_with("K_");
            let source = if edi {
                one.as_ref().unwrap_or(&five)
            } else {
                &five
            };
            let got = figure(source, key);
            tally.number(
                "published",
                &at,
                got,
                number(value, "v"),
                number(value, "tol"),
            );
        }
        absolute(&mut tally, id, entry);
    }
    for (at, point) in array(&json, "cct_points").iter().enumerate() {
        let xy = Chromaticity::from_uv(number(point, "u"), number(point, "v")).expect("a point");
        let found = temperature::of_chromaticity(xy).expect("a temperature");
        let at = format!("point {at}");
        let (cct, duv) = (Some(found.cct.0), Some(found.duv));
        tally.number(
            "CCT of a point",
            &at,
            cct,
            number(point, "CCT"),
            number(point, "tol_CCT"),
        );
        tally.number(
            "Duv of a point",
            &at,
            duv,
            number(point, "Duv"),
            number(point, "tol_Duv"),
        );
    }
    tally.end(expected(&json));
}

/// The spectrum scaled to 100 lx.
fn absolute(tally: &mut Tally, id: &str, entry: &Value) {
    let about = object(entry, "absolute");
    let scale = number(about, "scale");
    let values: Vec<f64> = numbers(entry, "spectrum_5nm")
        .iter()
        .map(|v| v * scale)
        .collect();
    let spectrum = spectrum(&values, Scale::Absolute);
    let relative = number(about, "rel_tol");
    let mut near = |kind: &str, got: Option<f64>, want: f64| {
        tally.number(kind, id, got, want, relative * want.abs());
    };
    let lux = colour::illuminance(&spectrum).map(|lux| lux.0);
    near("E_v", lux, number(about, "E_v_lx"));
    let irradiance = spectrum.irradiance().map(|e| e.0);
    near("E_e", irradiance, number(about, "E_e_W_m2"));
    let all = alpha_opic::of(&spectrum).expect("light");
    for (one, name) in all.iter().zip(["sc", "mc", "lc", "rh", "mel"]) {
        let powers = object(about, "alpha_opic_irradiance_mW_m2");
        near("alpha-opic", one.irradiance_mw_per_m2, number(powers, name));
        let edis = object(about, "alpha_opic_EDI_lx");
        near("EDI", one.edi_lx, number(edis, name));
    }
}

/// The rules that stand beside the spectra, by their names in the file.
#[test]
fn every_rule_holds() {
    let json = colour_json();
    let mut tally = Tally::new("rules");
    for rule in array(&json, "invariants") {
        let id = text(rule, "id");
        let said = match id {
            "scale" => scale(&json),
            "mono555" => within(colour::monochromatic(Irradiance(1.0), 555.0).0, rule),
            "additive" => additive(&json),
            "edi" => edi(&json),
            "bbcri" => black_bodies(),
            "edge5000" => edge_of_daylight(rule),
            "rg_empty" => empty_bins(),
            "mixref" => mixed_reference(),
            "bad" => bad_spectra(),
            "short" => short_spectrum(),
            "grid" => other_grids(&json),
            other => Err(format!("the rule {other} is not checked")),
        };
        tally.holds("rule", said.is_ok(), || format!("{id}: {said:?}"));
    }
    tally.end(array(&json, "invariants").len());
}

type Said = Result<(), String>;

fn must(holds: bool, said: impl std::fmt::Debug) -> Said {
    if holds {
        Ok(())
    } else {
        Err(format!("{said:?}"))
    }
}

fn within(got: f64, rule: &Value) -> Said {
    let (want, tolerance) = (number(rule, "v"), number(rule, "tol"));
    must((got - want).abs() <= tolerance, (got, want))
}

fn values(json: &Value, id: &str, key: &str) -> Vec<f64> {
    let spectra = array(json, "spectra").iter();
    let entry = spectra.clone().find(|entry| text(entry, "id") == id);
    numbers(entry.expect("the spectrum"), key)
}

fn scale(json: &Value) -> Said {
    let base = values(json, "LED-B3", "spectrum_5nm");
    let plain = spectrum(&base, Scale::Absolute);
    for factor in [1e-6, 1e6] {
        let scaled: Vec<f64> = base.iter().map(|value| value * factor).collect();
        let scaled = spectrum(&scaled, Scale::Absolute);
        for key in [
            "x", "y", "CCT", "Ra", "R9", "Rf", "Rg", "LER", "DER_mel", "SP",
        ] {
            let (a, b) = (figure(&plain, key), figure(&scaled, key));
            let (a, b) = (a.ok_or(key)?, b.ok_or(key)?);
            must((a - b).abs() <= 1e-9 * a.abs(), (key, a, b))?;
        }
        let lux = |s: &Spectrum| colour::illuminance(s).map_or(f64::NAN, |lux| lux.0);
        let edi = |s: &Spectrum| {
            alpha_opic::of(s)
                .and_then(|all| all[4].edi_lx)
                .unwrap_or(f64::NAN)
        };
        for of in [lux as fn(&Spectrum) -> f64, edi] {
            let ratio = of(&scaled) / of(&plain) / factor;
            must((ratio - 1.0).abs() < 1e-9, ratio)?;
        }
    }
    Ok(())
}

fn additive(json: &Value) -> Said {
    let (a, b) = (
        values(json, "A", "spectrum_5nm"),
        values(json, "FL2", "spectrum_5nm"),
    );
    let sum: Vec<f64> = a.iter().zip(&b).map(|(a, b)| a + b).collect();
    let [a, b, sum] = [a, b, sum].map(|values| spectrum(&values, Scale::Absolute));
    let lux = |s: &Spectrum| colour::illuminance(s).map_or(f64::NAN, |lux| lux.0);
    must(
        (lux(&a) + lux(&b) - lux(&sum)).abs() <= 1e-9 * lux(&sum),
        "E_v",
    )?;
    for at in 0..5 {
        let power = |s: &Spectrum| {
            alpha_opic::of(s)
                .and_then(|all| all[at].irradiance_mw_per_m2)
                .unwrap_or(f64::NAN)
        };
        must(
            (power(&a) + power(&b) - power(&sum)).abs() <= 1e-9 * power(&sum),
            at,
        )?;
    }
    Ok(())
}

fn edi(json: &Value) -> Said {
    let spectrum = spectrum(&values(json, "D65", "spectrum_5nm"), Scale::Absolute);
    let lux = colour::illuminance(&spectrum).ok_or("no lux")?.0;
    for one in alpha_opic::of(&spectrum).ok_or("no light")? {
        let edi = one.edi_lx.ok_or("no EDI")?;
        must((edi - one.der * lux).abs() <= 1e-9 * edi, (edi, one.der))?;
    }
    Ok(())
}

fn of_power(step: f64, power: impl Fn(f64) -> f64) -> Spectrum {
    let values: Vec<f64> = grid(step).into_iter().map(power).collect();
    spectrum(&values, Scale::Relative)
}

/// CCT, Ra with the least special index, Rf and Rg.
fn quality(spectrum: &Spectrum) -> Result<(f64, f64, f64, Option<f64>), String> {
    let found = temperature::of_tristimulus(Tristimulus::of(spectrum));
    let cct = found.map_err(|why| why.to_string())?.cct;
    let rendered = rendering::of(spectrum, cct).ok_or("no indices")?;
    let least = rendered.special.iter().copied().fold(rendered.ra, f64::min);
    let faithful = fidelity::of(spectrum, cct).ok_or("no Rf")?;
    Ok((rendered.ra, least, faithful.rf, faithful.rg))
}

fn black_bodies() -> Said {
    for kelvin in [
        1_200.0, 1_400.0, 1_800.0, 2_700.0, 3_500.0, 3_990.0, 4_500.0, 4_990.0,
    ] {
        let (_, least, rf, rg) = quality(&of_power(1.0, |nm| planck(nm, Kelvin(kelvin))))?;
        must(least > 99.9, (kelvin, least))?;
        if kelvin <= 3_990.0 {
            must(rf > 99.9, (kelvin, rf))?;
            must(rg.is_none_or(|rg| (rg - 100.0).abs() < 0.1), (kelvin, rg))?;
        }
    }
    let (_, _, rf, rg) = quality(&of_power(1.0, |nm| planck(nm, Kelvin(4_999.0))))?;
    must((rf - 97.0).abs() < 0.02, rf)?;
    must(rg.is_some_and(|rg| (rg - 101.32).abs() < 0.05), rg)?;
    for kelvin in [5_020.0, 6_504.0, 8_000.0, 12_000.0, 25_000.0] {
        let (_, least, rf, rg) = quality(&of_power(1.0, daylight(Kelvin(kelvin))))?;
        must(least > 99.9 && rf > 99.9, (kelvin, least, rf))?;
        must(rg.is_some_and(|rg| (rg - 100.0).abs() < 0.1), (kelvin, rg))?;
    }
    Ok(())
}

fn edge_of_daylight(rule: &Value) -> Said {
    let day = of_power(1.0, daylight(Kelvin(5_000.0)));
    let found = temperature::of_tristimulus(Tristimulus::of(&day)).map_err(|e| e.to_string())?;
    must((found.cct.0 - 4_998.8).abs() < 0.2, found)?;
    let (ra, least, ..) = quality(&day)?;
    must((least - 93.76).abs() < 0.1, least)?;
    within(ra, rule)
}

fn empty_bins() -> Said {
    let mut none = 0;
    for kelvin in (1_005..1_200).step_by(5) {
        let body = of_power(1.0, |nm| planck(nm, Kelvin(f64::from(kelvin))));
        let (.., rf, rg) = quality(&body)?;
        must(
            rf.is_finite() && rg.is_none_or(f64::is_finite),
            (kelvin, rf, rg),
        )?;
        none += usize::from(rg.is_none());
    }
    must(none > 0, "no bin was empty")
}

fn mixed_reference() -> Said {
    let weight = |power: &dyn Fn(f64) -> f64| -> f64 {
        // The 1964 observer's Y is not public; V(lambda) alters the mixture by
        // less than the rule sees.
        grid(1.0)
            .into_iter()
            .map(|nm| power(nm) * colour::efficacy_at(nm))
            .sum()
    };
    let glow = |nm: f64| planck(nm, Kelvin(4_500.0));
    let day = daylight(Kelvin(4_500.0));
    let (of_glow, of_day) = (weight(&glow), weight(&day));
    let mixed = of_power(1.0, |nm| glow(nm) / of_glow + day(nm) / of_day);
    let (.., rf, _) = quality(&mixed)?;
    must(rf > 99.9, rf)
}

fn bad_spectra() -> Said {
    let five = grid(5.0);
    let refused = |nm: &[f64], values: &[f64]| Spectrum::new(nm, values, Scale::Relative).err();
    let mut falling = five.clone();
    falling.reverse();
    let cases = [
        ("all zero", refused(&five, &[0.0; 81])),
        ("negative", refused(&five, &[-1.0; 81])),
        ("no number", refused(&five, &[f64::NAN; 81])),
        ("empty", refused(&[], &[])),
        ("falling", refused(&falling, &[1.0; 81])),
        ("one", refused(&[555.0], &[1.0])),
    ];
    for (what, error) in cases {
        let error: SpectrumError = error.ok_or(what)?;
        must(!error.to_string().is_empty(), what)?;
    }
    Ok(())
}

fn short_spectrum() -> Said {
    let nm: Vec<f64> = grid(5.0)
        .into_iter()
        .filter(|nm| (390.0..=750.0).contains(nm))
        .collect();
    let short = Spectrum::new(&nm, &vec![1.0; nm.len()], Scale::Absolute);
    let short = short.map_err(|e| e.to_string())?;
    must(short.marks() == ["short"], short.marks())?;
    let power = short.irradiance().ok_or("relative")?.0;
    must((power - 360.0).abs() < 1e-9, power)
}

fn other_grids(json: &Value) -> Said {
    let one = values(json, "SYN-4500", "spectrum_1nm");
    let spectra = array(json, "spectra").iter();
    let entry = spectra
        .clone()
        .find(|entry| text(entry, "id") == "SYN-4500");
    let wanted = object(entry.ok_or("no spectrum")?, "expected_1nm");
    let irregular = [1_usize, 2, 3, 1, 3, 2];
    let mut steps = irregular.iter().cycle();
    let mut at = 0;
    let mut uneven = vec![0];
    while at < 400 {
        at = (at + steps.next().copied().unwrap_or(1)).min(400);
        uneven.push(at);
    }
    let two: Vec<usize> = (0..=400).step_by(2).collect();
    for picked in [two, uneven] {
        let nm: Vec<f64> = picked.iter().map(|at| 380.0 + *at as f64).collect();
        let values: Vec<f64> = picked.iter().map(|at| one[*at]).collect();
        let spectrum = Spectrum::new(&nm, &values, Scale::Relative).map_err(|e| e.to_string())?;
        for (key, tolerance) in [("x", 2e-4), ("y", 2e-4), ("CCT", 5.0), ("Ra", 0.2)] {
            let want = number(object(wanted, key), "v");
            let got = figure(&spectrum, key).ok_or(key)?;
            must((got - want).abs() <= tolerance, (key, got, want))?;
        }
        let want = number(object(wanted, "DER_mel"), "v");
        let got = figure(&spectrum, "DER_mel").ok_or("DER")?;
        must((got / want - 1.0).abs() <= 0.002, (got, want))?;
    }
    Ok(())
}
