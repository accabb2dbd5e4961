//! Makes the waveforms of `flicker.json` from their formulas (its `grammar`).
//! What is unknown in a formula fails.

use serde_json::Value;

use crate::reference::{array, number, text};

/// Samples by a formula.
pub fn samples(formula: &Value) -> Vec<f64> {
    let rate = number(formula, "fs_hz");
    let n = number(formula, "n") as usize;
    let known = [
        "fs_hz",
        "n",
        "dc",
        "terms",
        "modulators",
        "envelope",
        "dark",
        "noise",
        "quantise",
    ];
    for key in formula.as_object().expect("a formula").keys() {
        assert!(
            known.contains(&key.as_str()),
            "`{key}` is not in the grammar"
        );
    }
    let or_zero = |key: &str| formula.get(key).and_then(Value::as_f64).unwrap_or(0.0);
    let list = |key: &str| formula.get(key).map_or(&[][..], |_| array(formula, key));
    let mut noise = formula.get("noise").map(Noise::of);
    (0..n)
        .map(|at| {
            let t = at as f64 / rate;
            let sum: f64 = list("terms").iter().map(|one| term(one, t)).sum();
            let product: f64 = list("modulators")
                .iter()
                .map(|one| 1.0 + term(one, t))
                .product();
            let envelope = formula
                .get("envelope")
                .map_or(1.0, |one| envelope(one, t, n as f64 / rate));
            let noise = noise.as_mut().map_or(0.0, Noise::next);
            let clean = (or_zero("dc") + sum) * product * envelope + or_zero("dark") + noise;
            formula
                .get("quantise")
                .map_or(clean, |one| quantised(one, clean))
        })
        .collect()
}

fn term(one: &Value, t: f64) -> f64 {
    let amp = one.get("amp").and_then(Value::as_f64).unwrap_or(1.0);
    let or_zero = |key: &str| one.get(key).and_then(Value::as_f64).unwrap_or(0.0);
    let turn = |hz: f64| std::f64::consts::TAU * hz * t + or_zero("phase_rad");
    let cycles = || {
        let cycles = number(one, "freq_hz") * t + or_zero("phase_cycles");
        cycles - cycles.floor()
    };
    match text(one, "type") {
        "sine" => amp * turn(number(one, "freq_hz")).sin(),
        "rectified_sine" => amp * turn(number(one, "mains_hz")).sin().abs(),
        "pwm" => {
            if cycles() < number(one, "duty") {
                amp
            } else {
                0.0
            }
        }
        "square" => {
            if cycles() < 0.5 {
                amp
            } else {
                -amp
            }
        }
        "pwm_rc" => {
            let (duty, tau) = (number(one, "duty"), number(one, "tau_s"));
            let period = 1.0 / number(one, "freq_hz");
            let decay = |share: f64| (-share * period / tau).exp();
            let high = (1.0 - decay(duty)) / (1.0 - decay(1.0));
            let low = high * decay(1.0 - duty);
            let p = cycles();
            let shape = if p < duty {
                1.0 - (1.0 - low) * decay(p)
            } else {
                high * decay(p - duty)
            };
            amp * shape
        }
        other => panic!("the term {other} is not made here"),
    }
}

fn envelope(one: &Value, t: f64, seconds: f64) -> f64 {
    match text(one, "type") {
        "linear" => {
            let (from, to) = (number(one, "from"), number(one, "to"));
            from + (to - from) * t / seconds
        }
        "exp" => (t / number(one, "tau_s")).exp(),
        other => panic!("the envelope {other} is not made here"),
    }
}

fn quantised(one: &Value, value: f64) -> f64 {
    let codes = 2_f64.powi(number(one, "bits") as i32);
    let full_scale = number(one, "full_scale");
    let code = (value / full_scale * codes + 0.5)
        .floor()
        .clamp(0.0, codes - 1.0);
    code * full_scale / codes
}

/// A linear congruential generator: the same everywhere.
pub struct Noise {
    state: u32,
    peak_to_peak: f64,
}

impl Noise {
    fn of(one: &Value) -> Noise {
        assert_eq!(text(one, "type"), "lcg_uniform");
        Noise::new(number(one, "seed") as u32, number(one, "amp_pp"))
    }
    pub fn new(seed: u32, peak_to_peak: f64) -> Noise {
        Noise {
            state: seed,
            peak_to_peak,
        }
    }
    pub fn next(&mut self) -> f64 {
        let next = self
            .state
            .wrapping_mul(1_664_525)
            .wrapping_add(1_013_904_223);
        self.state = next;
        self.peak_to_peak * (f64::from(next) / 4_294_967_296.0 - 0.5)
    }
}
