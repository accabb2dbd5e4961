//! Distance, sphere, stabilisation, ramps and blue light against worked
//! examples, and mismatch against open data: all 120 published f1' of EMPIR
//! 19NRM02 (CC0).

use photometry::distance::{
    Point, disc_shortfall, fit_offset, illuminance_lx, isotropic_intensity, misalignment,
    of_distance,
};
use photometry::drift;
use photometry::far_field::cosine_index;
use photometry::light_units::Lumens;
use photometry::mismatch::{f1_prime, factor, uncorrected_u};
use photometry::ramp::{
    Dark, Record, Way, analyse, crossings, dose_lux_min, isotonic, perceived, steps,
};
use photometry::spectrum::{Scale, Spectrum};
use photometry::sphere::{self, Reading, Readings};
use photometry::sphere_spectral::{self, ReferenceColour, Repeats, Steps};
use photometry::stabilisation::{WindowRule, spread, window_rule};
use photometry::uncertainty::Estimate;
use photometry::units::{Length, Mono, Span};
use photometry::{alpha_opic, blue_light};
use serde_json::{Map, Value, json};

use crate::reference::{
    Checked, array, checks, colour_json, metrology_json, number, numbers, object, text,
};

const TOPICS: [&str; 5] = ["distance", "sphere", "stabilisation", "ramp", "safety"];

#[test]
fn every_worked_example_is_met() {
    checks(
        "distance, sphere, ramp",
        &|topic, _| TOPICS.contains(&topic),
        computed,
    );
}

fn computed(id: &str, inputs: &Value) -> Checked {
    let of = |key: &str| number(inputs, key);
    let each = |key: &str, what: &dyn Fn(f64) -> f64| -> Vec<f64> {
        numbers(inputs, key).into_iter().map(what).collect()
    };
    match id {
        "D01" => {
            let at =
                |degrees: f64| illuminance_lx(of("I_cd"), of("d_m"), degrees.to_radians().cos());
            let all = each("theta_deg", &at);
            json!({"E0_lx": all[0], "E45_lx": all[1], "E90_lx": all[2]})
        }
        "D02" => {
            let intensity = isotropic_intensity(Lumens(of("flux_lm"))).0;
            let e = illuminance_lx(intensity, of("d_m"), of("cos_theta"));
            json!({"I_cd": intensity, "E_lx": e})
        }
        "D03" => json!({"dev_pct": each("d_over_diameter", &|d| 100.0 * disc_shortfall(d))}),
        "D04" => {
            let mm = |station: f64| {
                Length::parse(&format!("{} in", station * 6.0))
                    .expect("a length")
                    .mm()
            };
            let first = illuminance_lx(1.0, mm(1.0), 1.0);
            json!({
                "d_mm": each("stations", &mm),
                "E_ratio": each("stations", &|s| illuminance_lx(1.0, mm(s), 1.0) / first),
            })
        }
        "D05" => offset_fit(inputs),
        "D10" => json!({"dev_pct": each("y_over_d", &|y| 100.0 * misalignment(y))}),
        "D11" => json!({"u_rel_pct": each("d_mm", &|d| 100.0 * of_distance(of("u_d_mm"), d))}),
        "D12" => json!({"f2": cosine_index(|theta| theta.cos().powf(of("exponent")))}),
        "D15" => {
            let visits: Vec<_> = pairs(inputs, "ambient")
                .into_iter()
                .map(|(t, e)| (at(t), e))
                .collect();
            let ambient = drift::along(&visits, at(of("t_s"))).expect("ambient");
            json!({"net": of("lit_reading") - ambient})
        }
        "S01" => {
            let ports = numbers(inputs, "f");
            let all = numbers(inputs, "rho").into_iter().zip(ports);
            json!({"M": all.map(|(rho, f)| sphere::multiplier(rho, f)).collect::<Vec<_>>()})
        }
        "S02" => substitution(inputs),
        "S04" => heads(inputs),
        "S06" => corrections(inputs),
        "S08" => {
            let row = |key: &str| numbers(inputs, key);
            json!({"F": factor(&row("V"), &row("s_rel"), &row("S_ref"), &row("S_test")).ok()})
        }
        "S09" => json!({
            "max_area_m2": each("sphere_d_m", &sphere::largest_surface_m2),
            "max_opening_m": each("sphere_d_m", &sphere::largest_port_m),
        }),
        "L01" | "L02" => blue(id, inputs),
        _ if id.starts_with('T') => warming(id, inputs),
        _ => ramps(id, inputs),
    }
}

fn at(seconds: f64) -> Mono {
    Mono::from_ns((seconds * 1e9).round() as i64)
}

fn pairs(inputs: &Value, key: &str) -> Vec<(f64, f64)> {
    let of = |pair: &Value, i: usize| pair.get(i).and_then(Value::as_f64).expect("a number");
    array(inputs, key)
        .iter()
        .map(|pair| (of(pair, 0), of(pair, 1)))
        .collect()
}

fn offset_fit(inputs: &Value) -> Checked {
    let points: Vec<Point> = numbers(inputs, "d_m")
        .into_iter()
        .zip(numbers(inputs, "E_lx"))
        .map(|(distance_m, e_lx)| Point {
            distance_m,
            e_lx,
            u_lx: None,
        })
        .collect();
    let found = fit_offset(&points).expect("a fit");
    json!({
        "I_cd": found.intensity_cd.value,
        "offset_m": found.offset_m.map(|offset| offset.value),
    })
}

fn substitution(inputs: &Value) -> Checked {
    let read = |key: &str| Reading {
        value: number(inputs, key),
        u: 0.0,
    };
    let readings = Readings {
        test: read("y_test"),
        reference: read("y_ref"),
        dark: read("y_dark"),
        aux_test: read("aux_test"),
        aux_reference: read("aux_ref"),
        aux_dark: read("aux_dark"),
    };
    let reference = Estimate::exact(number(inputs, "Phi_ref_lm"));
    let mismatch = Estimate::exact(number(inputs, "F"));
    let found = sphere::flux(&reference, &readings, &mismatch).expect("a flux");
    json!({
        "alpha": found.absorption,
        "Phi_lm": found.flux_lm.value,
        "Phi_uncorrected_lm": found.uncorrected_lm,
    })
}

/// Columns of an open data file; the first is the wavelength.
fn columns(text: &str) -> Vec<Vec<f64>> {
    let rows: Vec<Vec<f64>> = text
        .lines()
        .map(|line| {
            line.split(';')
                .map(|cell| cell.parse().expect("a number"))
                .collect()
        })
        .collect();
    let width = rows[0].len();
    (0..width)
        .map(|at| rows.iter().map(|row| row[at]).collect())
        .collect()
}

/// Column 1 is V(lambda), the others are heads.
fn detectors() -> Vec<Vec<f64>> {
    columns(include_str!(
        "../reference/open-data/CIES025_VL_Detectors.csv"
    ))
}

/// Column 1 is illuminant A, the others are phosphor LEDs.
fn phosphor() -> Vec<Vec<f64>> {
    columns(include_str!(
        "../reference/open-data/CIES025_SPD_PT_LED_White.csv"
    ))
}

/// Column 1 is illuminant A, the others are white RGB LEDs.
fn rgb() -> Vec<Vec<f64>> {
    columns(include_str!(
        "../reference/open-data/CIES025_SPD_RGB_LED_White.csv"
    ))
}

fn by_name(inputs: &Value, of: impl Fn(usize) -> Option<f64>) -> Checked {
    let mut found = Map::new();
    for name in array(inputs, "detectors") {
        let name = name.as_str().expect("a name");
        let number: usize = name.trim_start_matches("Photo_").parse().expect("a number");
        found.insert(name.to_owned(), json!(of(number + 1)));
    }
    Value::Object(found)
}

fn heads(inputs: &Value) -> Checked {
    let (heads, light) = (detectors(), phosphor());
    by_name(inputs, |column| {
        f1_prime(&heads[1], &heads[column], &light[1]).ok()
    })
}

fn corrections(inputs: &Value) -> Checked {
    let (heads, light) = (detectors(), phosphor());
    let test = &light[number(inputs, "spd_index") as usize + 1];
    by_name(inputs, |column| {
        factor(&heads[1], &heads[column], &light[1], test).ok()
    })
}

fn blue(id: &str, inputs: &Value) -> Checked {
    if id == "L01" {
        let hazards = numbers(inputs, "L_B")
            .into_iter()
            .map(blue_light::hazard_of_radiance);
        let hazards: Vec<_> = hazards.map(|hazard| hazard.expect("a radiance")).collect();
        return json!({
            "rg": hazards.iter().map(|h| h.risk_group).collect::<Vec<_>>(),
            "t_max_s": hazards.iter().map(|h| h.longest_s).collect::<Vec<_>>(),
        });
    }
    let each = |what: &dyn Fn(f64) -> f64| -> Vec<f64> {
        numbers(inputs, "K_Bv").into_iter().map(what).collect()
    };
    json!({
        "L_cd_m2": each(&|k| blue_light::luminance_cd_per_m2(100.0, k)),
        "E_small_source_1W_lx": each(&blue_light::small_source_lx),
    })
}

fn warming(id: &str, inputs: &Value) -> Checked {
    if id == "T01" {
        let found = spread(&numbers(inputs, "readings")).expect("a spread");
        let limit = WindowRule::LM79.limit.share();
        return json!({"spread_pct": found.percent(), "stable": found.share() < limit});
    }
    // 1000 (1 + 0.06 exp(-t/18)), t in minutes.
    assert_eq!(text(inputs, "model"), "1000*(1+0.06*exp(-t/18))");
    let step = number(inputs, "dt_min");
    let mut samples = Vec::new();
    for minute in (0..).map(|k| k as f64 * step) {
        let light = 1_000.0 * (1.0 + 0.06 * (-minute / 18.0).exp());
        samples.push((Mono::ZERO + Span::from_secs_f64(minute * 60.0), light));
        let verdict = window_rule(&samples, WindowRule::LM79);
        if let Some(verdict) = verdict.filter(|verdict| verdict.stable) {
            return json!({"t_stable_min": minute, "spread_pct": verdict.spread.percent()});
        }
        assert!(minute < 300.0, "never stable");
    }
    Value::Null
}

fn even(step: f64, to: f64) -> Vec<f64> {
    (0..=(to / step).round() as usize)
        .map(|at| step * at as f64)
        .collect()
}

fn ramps(id: &str, inputs: &Value) -> Checked {
    let of = |key: &str| number(inputs, key);
    match id {
        "R01" => {
            let time = even(1.0, 60.0 * of("minutes"));
            json!({"lux_min": dose_lux_min(&time, &vec![of("E_lx"); time.len()])})
        }
        "R02" => doses(inputs),
        "R04" => square_ramp(inputs),
        "R06" => {
            let levels = numbers(inputs, "n").into_iter();
            json!({
                "percent": levels.map(|n| perceived::dimming_percent(n as u8)).collect::<Vec<_>>(),
                "step_ratio": perceived::dimming_step_ratio(),
            })
        }
        "R07" => {
            let shown = numbers(inputs, "measured_pct");
            let looks = |at: usize| perceived::square_law_percent(shown[at]);
            json!({"p10": looks(0), "p1": looks(1)})
        }
        "R08" => {
            let (at, ratio) = steps::largest_plain(&numbers(inputs, "E")).expect("a step");
            let step = steps::Step { at_s: 0.0, ratio };
            json!({
                "max_ratio": ratio, "index_of_later": at,
                "ln": step.ln(), "in_log_dim_steps": step.in_dimming_steps(),
            })
        }
        "R10" => {
            let values = numbers(inputs, "E");
            let fitted = isotonic::rising(&values);
            let away = values.iter().zip(&fitted).map(|(e, fit)| (e - fit).abs());
            json!({"isotonic": fitted, "max_violation": away.fold(0.0, f64::max)})
        }
        "R11" => {
            let dark = Dark::of(&numbers(inputs, "dark"), 0.0).expect("a dark");
            let series = numbers(inputs, "series");
            let step = of("dt_s");
            let time: Vec<f64> = (0..series.len()).map(|at| step * at as f64).collect();
            let rise = crossings::Rise {
                time_s: &time,
                net_lx: &series,
            };
            let (when, _) = rise.onset(dark.onset_lx()).expect("an onset");
            json!({"threshold": dark.onset_lx(), "onset_index": when / step, "onset_s": when})
        }
        "R12" => melanopic_of_a(inputs),
        "R15" => {
            use perceived::Recommendation;
            let kept = |of: Recommendation| -> Vec<bool> {
                numbers(inputs, "mEDI_lx")
                    .into_iter()
                    .map(|edi| of.is_kept(edi))
                    .collect()
            };
            json!({
                "day_ok": kept(Recommendation::Day),
                "evening_ok": kept(Recommendation::Evening),
                "night_ok": kept(Recommendation::Night),
            })
        }
        "R17" => largest_steps(),
        other => panic!("the check {other} is not computed"),
    }
}

/// Doses of sampled ramps against their integrals: fine enough that the
/// trapezoids are not what is tested.
fn doses(inputs: &Value) -> Checked {
    let (top, minutes) = (number(inputs, "E1_lx"), number(inputs, "T_min"));
    let low = number(inputs, "E0_exp_lx");
    let time = even(0.05, 60.0 * minutes);
    let dose = |of: &dyn Fn(f64) -> f64| {
        let lux: Vec<f64> = time.iter().map(|t| of(t / (60.0 * minutes))).collect();
        dose_lux_min(&time, &lux)
    };
    json!({
        "linear": dose(&|x| top * x),
        "square": dose(&|x| top * x * x),
        "exponential": dose(&|x| low * (top / low).powf(x)),
    })
}

fn square_ramp(inputs: &Value) -> Checked {
    let (power, minutes) = (number(inputs, "p"), number(inputs, "T_min"));
    let length = 60.0 * minutes;
    let time = even(0.05, length + 120.0);
    let lux: Vec<f64> = time
        .iter()
        .map(|t| 250.0 * (t / length).min(1.0).powf(power))
        .collect();
    let found = analyse(&Record {
        time_s: &time,
        e_lx: &lux,
        dark: Dark {
            mean_lx: 0.0,
            sd_lx: 0.0,
        },
        start_s: 0.0,
        length_s: length,
        melanopic_der: None,
        way: Way::Sunrise,
    })
    .expect("a ramp");
    let minutes = |t: Option<f64>| t.map(|t| t / 60.0);
    json!({
        "t10": minutes(found.t10_s), "t50": minutes(found.t50_s), "t90": minutes(found.t90_s),
        "p_hat": found.exponent, "t50_over_T": found.t50_s.map(|t| t / length),
    })
}

fn melanopic_of_a(inputs: &Value) -> Checked {
    let json = colour_json();
    let mut spectra = array(&json, "spectra").iter();
    let a = spectra.find(|entry| text(entry, "id") == text(inputs, "illuminant"));
    let values = numbers(a.expect("the illuminant"), "spectrum_1nm");
    let nm: Vec<f64> = (0..values.len()).map(|at| 380.0 + at as f64).collect();
    let spectrum = Spectrum::new(&nm, &values, Scale::Relative).expect("a spectrum");
    let der = alpha_opic::of(&spectrum).expect("light")[4].der;
    json!({"mEDI_lx": number(inputs, "E_lx") * der})
}

fn largest_steps() -> Checked {
    let square = |t: f64| 250.0 * (t / 1_800.0).powi(2);
    let fine = even(0.5, 1_800.0);
    let plain: Vec<f64> = fine.iter().map(|t| square(*t)).collect();
    let stepped: Vec<f64> = fine
        .iter()
        .map(|t| square(*t) * if *t >= 900.0 { 1.1 } else { 1.0 })
        .collect();
    let coarse = even(5.0, 1_800.0);
    let rare: Vec<f64> = coarse.iter().map(|t| square(*t)).collect();
    let first = steps::largest(&fine, &plain, 1.0).expect("a step");
    let second = steps::largest(&fine, &stepped, 1.0).expect("a step");
    let third = steps::largest(&coarse, &rare, 1.0);
    // The expectation is a bound from above.
    assert!(first.ratio < 1.005, "{first:?}");
    json!({
        "first_ratio_below": first.ratio.max(1.005),
        "second_ratio": second.ratio,
        "second_at_s": second.at_s,
        "third": third.map_or("not graded", |_| "graded"),
    })
}

#[test]
fn all_published_f1_primes_are_reproduced() {
    let (heads, light) = (detectors(), phosphor());
    let info = include_str!("../reference/open-data/CIES025_VL_Detectors_Info.txt");
    let mut checked = 0;
    for line in info.lines().skip(1) {
        let cells: Vec<&str> = line.split(',').collect();
        let [number, name, published] = cells.as_slice() else {
            continue;
        };
        let column: usize = number.parse::<usize>().expect("a number") + 1;
        let published: f64 = published.parse().expect("a number");
        let got = f1_prime(&heads[1], &heads[column], &light[1]).expect("an index");
        // Nine decimals are published.
        assert!(
            (got - published).abs() <= 1e-9,
            "{name}: {got} against {published}"
        );
        checked += usize::from(*name != "VL");
    }
    assert_eq!(checked, 120);
    println!("{checked} published f1' reproduced");
}

/// Check S06 (open data of the EMPIR toolbox): the flux by a spectroradiometer is that of
/// a photometer times the mismatch factor of its head, though the wall has a colour that
/// neither knows; and that of all 323 white LEDs is the ratio of their sums with V(lambda)
/// to that of illuminant A.
#[test]
fn a_spectral_substitution_needs_no_mismatch_factor() {
    let (heads, of_phosphor, of_rgb) = (detectors(), phosphor(), rgb());
    let (nm, v) = (&heads[0], &heads[1]);
    let wall: Vec<f64> = nm.iter().map(|nm| 1.0 + (nm - 555.0) / 900.0).collect();
    let seen = |light: &[f64], leaves: f64| {
        let shown = light.iter().zip(&wall);
        let shown = shown.map(|(light, wall)| leaves * light * wall).collect();
        Repeats {
            lit: vec![shown],
            covered: vec![vec![0.0; nm.len()]],
        }
    };
    let flat = vec![1.0; nm.len()];
    let none = vec![0.0; nm.len()];
    let spectral = |a: &[f64], light: &[f64]| {
        let steps = Steps {
            unit: seen(light, 0.95),
            unit_dark: seen(&none, 1.0),
            auxiliary: seen(&flat, 0.95),
            reference: seen(a, 1.0),
            reference_dark: seen(&none, 1.0),
            reference_auxiliary: seen(&flat, 1.0),
        };
        let colour = nm.iter().copied().zip(a.iter().copied()).collect();
        let lamp = Estimate::exact(800.0);
        let found = sphere_spectral::flux(nm, &lamp, &ReferenceColour::Table(colour), &steps);
        found.expect("a flux").flux.flux_lm.value
    };
    let sum = |light: &[f64], by: &[f64]| -> f64 {
        light.iter().zip(by).map(|(light, by)| light * by).sum()
    };
    let mut compared = 0;
    for lights in [&of_phosphor, &of_rgb] {
        let a = &lights[1];
        for light in &lights[2..] {
            let wanted = 800.0 * sum(light, v) / sum(a, v);
            let found = spectral(a, light);
            // Plain sums there, trapezoids here: half a sample at both ends.
            assert!((found / wanted - 1.0).abs() < 1e-5, "{found} {wanted}");
            compared += 1;
        }
    }
    assert_eq!(compared, 227 + 96);
    let json = metrology_json();
    let mut checks = array(&json, "checks").iter();
    let check = checks
        .find(|check| text(check, "id") == "S06")
        .expect("S06");
    let (inputs, expected) = (object(check, "inputs"), object(check, "expected"));
    let light = &of_phosphor[number(inputs, "spd_index") as usize + 1];
    let a = &of_phosphor[1];
    for name in array(inputs, "detectors") {
        let name = name.as_str().expect("a name");
        let nth: usize = name.trim_start_matches("Photo_").parse().expect("a number");
        let head = &heads[nth + 1];
        let by_photometer = 800.0 * sum(light, head) / sum(a, head);
        let factor = spectral(a, light) / by_photometer;
        let wanted = number(expected, name);
        assert!((factor - wanted).abs() < 1e-5, "{name}: {factor} {wanted}");
    }
}

/// How far uncorrected readings of white LEDs are off, by the class of a head:
/// 95th percentile and the worst, in per cent, from the same open data.
#[test]
fn the_mismatch_of_white_leds_by_class_is_reproduced() {
    let (heads, of_phosphor, of_rgb) = (detectors(), phosphor(), rgb());
    let v = &heads[1];
    let classes = [(0.0, 0.015), (0.015, 0.03), (0.03, 0.06), (0.06, 0.20)];
    let wanted = [([0.4, 0.9, 2.1, 3.0], 5.5), ([0.9, 2.0, 4.3, 6.5], 12.0)];
    for ((lights, wanted), is_rgb) in [&of_phosphor, &of_rgb]
        .into_iter()
        .zip(wanted)
        .zip([false, true])
    {
        let mut worst: f64 = 0.0;
        for (class, want) in classes.iter().zip(wanted.0) {
            let mut away = Vec::new();
            for head in &heads[2..] {
                let index = f1_prime(v, head, &lights[1]).expect("an index");
                if !(class.0..class.1).contains(&index) {
                    continue;
                }
                for light in &lights[2..] {
                    let f = factor(v, head, &lights[1], light).expect("a factor");
                    away.push(100.0 * (f - 1.0).abs());
                }
            }
            away.sort_by(f64::total_cmp);
            let at_95 = away[(0.95 * (away.len() - 1) as f64).round() as usize];
            worst = worst.max(away[away.len() - 1]);
            assert!(
                (at_95 - want).abs() <= 0.0501,
                "{class:?}: {at_95} against {want}"
            );
            let typical = 200.0 * uncorrected_u(class.0.midpoint(class.1), is_rgb);
            assert!((typical - want).abs() < 1e-9, "{typical} {want}");
        }
        assert!(
            (worst - wanted.1).abs() <= 0.51,
            "{worst} against {}",
            wanted.1
        );
    }
}
