//! Random waveforms: sums of sines, pulses with and without ripple or a filter
//! behind them, noise, drift; at several rates and lengths.

use std::f64::consts::TAU;

use crate::random::Random;

/// A random waveform, and what the oracle is told of its kind.
pub struct Wave {
    pub name: String,
    pub rate_hz: f64,
    pub samples: Vec<f64>,
    /// Its lines are multiples of one rate.
    pub repeats: bool,
    /// Without edges: harmonics describe its cycle.
    pub smooth: bool,
    pub two_levels: bool,
    pub noisy: bool,
    /// No modulation but noise.
    pub flat: bool,
}

const KINDS: [&str; 8] = [
    "sines",
    "separate-sines",
    "pwm",
    "filtered-pwm",
    "pwm-ripple",
    "noisy-sines",
    "drifting-sines",
    "noise",
];
const RATES_HZ: [f64; 4] = [5_000.0, 10_000.0, 20_000.0, 32_000.0];

pub fn waves(count: usize, seed: u64) -> Vec<Wave> {
    let mut random = Random::new(seed);
    let one = |at: usize| {
        let kind = KINDS[at % KINDS.len()];
        let rate_hz = RATES_HZ[(at / KINDS.len()) % RATES_HZ.len()];
        wave(kind, at, rate_hz, &mut random)
    };
    (0..count).map(one).collect()
}

fn wave(kind: &str, at: usize, rate_hz: f64, random: &mut Random) -> Wave {
    let seconds = random.between(1.0, 1.3);
    // A quarter of any length, the others of lengths that transforms like: in a
    // debug build these take a third of the time.
    let n = (seconds * rate_hz).ceil() as usize;
    let n = if at.is_multiple_of(4) {
        n
    } else {
        n.next_multiple_of(500)
    };
    let volts = random.by_ratio(0.01, 5.0);
    let of: Shape = match kind {
        "separate-sines" => separate(random, rate_hz),
        "pwm" => pwm(random, rate_hz).1,
        "filtered-pwm" => filtered_pwm(random, rate_hz),
        "pwm-ripple" => rippled_pwm(random, rate_hz),
        "noise" => Box::new(|_| 1.0),
        _ => sines(random, rate_hz),
    };
    let drift = match kind {
        "drifting-sines" => random.one_of(&[-1.0, 1.0]) * random.between(0.01, 0.05),
        _ => 0.0,
    };
    let noise = match kind {
        "noisy-sines" | "noise" => random.by_ratio(5e-4, 5e-3),
        _ => 0.0,
    };
    let sample = |at: usize| {
        let t = at as f64 / rate_hz;
        let slope = 1.0 + drift * (t / seconds - 0.5);
        volts * (of(t) * slope + noise * random.normal())
    };
    Wave {
        name: format!("{kind} {at} {rate_hz} S/s"),
        rate_hz,
        samples: (0..n).map(sample).collect(),
        repeats: !matches!(kind, "separate-sines" | "noise" | "pwm-ripple"),
        smooth: !kind.contains("pwm"),
        two_levels: kind == "pwm",
        noisy: noise > 0.0,
        flat: kind == "noise",
    }
}

type Shape = Box<dyn Fn(f64) -> f64>;

/// A repetition that both sides can tell from its multiples, one line clearly
/// the strongest: the first is never below half of it, the others stay below
/// 0.85.
fn sines(random: &mut Random, rate_hz: f64) -> Shape {
    let hz = random.by_ratio(30.0, rate_hz / 60.0);
    let orders = random.whole(1, 5);
    let strongest = random.whole(1, orders);
    let mut parts: Vec<(f64, f64, f64)> = Vec::new();
    for order in 1..=orders {
        let least = if order == 1 { 0.5 } else { 0.1 };
        let depth = if order == strongest {
            1.0
        } else {
            random.between(least, 0.85)
        };
        parts.push((order as f64, depth, random.between(0.0, TAU)));
    }
    let depth = random.by_ratio(0.02, 0.9);
    let sum: f64 = parts.iter().map(|part| part.1).sum();
    Box::new(move |t| {
        let wave = parts
            .iter()
            .map(|(order, share, phase)| share * (TAU * order * hz * t + phase).sin());
        1.0 + depth * wave.sum::<f64>() / sum
    })
}

/// Lines that share no rate, the first one clearly the strongest.
fn separate(random: &mut Random, rate_hz: f64) -> Shape {
    let mut parts = vec![(
        random.by_ratio(30.0, rate_hz / 20.0),
        1.0,
        random.between(0.0, TAU),
    )];
    let count = random.whole(2, 4);
    while parts.len() < count {
        let hz = random.by_ratio(30.0, rate_hz / 20.0);
        if parts.iter().all(|(other, ..)| (hz - other).abs() > 6.0) {
            parts.push((hz, random.between(0.3, 0.8), random.between(0.0, TAU)));
        }
    }
    let depth = random.by_ratio(0.02, 0.9);
    let sum: f64 = parts.iter().map(|part| part.1).sum();
    Box::new(move |t| {
        let wave = parts
            .iter()
            .map(|(hz, share, phase)| share * (TAU * hz * t + phase).sin());
        1.0 + depth * wave.sum::<f64>() / sum
    })
}

fn cycle(t: f64, hz: f64, phase: f64) -> f64 {
    (hz * t + phase).rem_euclid(1.0)
}

/// Slow enough that its folded harmonics stay below 5 % of its first line.
fn pulses(random: &mut Random, rate_hz: f64) -> (f64, f64, f64) {
    let hz = random.by_ratio(25.0, rate_hz / 100.0);
    (hz, random.between(0.15, 0.85), random.share())
}

fn pwm(random: &mut Random, rate_hz: f64) -> (f64, Shape) {
    let (hz, duty, phase) = pulses(random, rate_hz);
    let low = random.one_of(&[0.0, 0.2, 0.6, 0.9]);
    (
        hz,
        Box::new(move |t| if cycle(t, hz, phase) < duty { 1.0 } else { low }),
    )
}

/// Pulses through one pole, steady: as phosphor or a capacitor leave them.
fn filtered_pwm(random: &mut Random, rate_hz: f64) -> Shape {
    let (hz, duty, phase) = pulses(random, rate_hz);
    let periods_per_tau = 1.0 / random.by_ratio(0.2, 3.0);
    let decay = move |share: f64| (-share * periods_per_tau).exp();
    let high = (1.0 - decay(duty)) / (1.0 - decay(1.0));
    let low = high * decay(1.0 - duty);
    Box::new(move |t| {
        let at = cycle(t, hz, phase);
        if at < duty {
            1.0 - (1.0 - low) * decay(at)
        } else {
            high * decay(at - duty)
        }
    })
}

/// Pulses whose upper level carries the mains' ripple; no line of one lies near
/// a line of the other, where neither side could tell them apart.
fn rippled_pwm(random: &mut Random, rate_hz: f64) -> Shape {
    let mains = random.one_of(&[100.0, 120.0]);
    let ripple = random.between(0.005, 0.02);
    loop {
        let (hz, of) = pwm(random, rate_hz);
        let between = (mains / hz).fract();
        if hz > 35.0 && (0.25..0.75).contains(&between) {
            return Box::new(move |t| of(t) * (1.0 + ripple * (TAU * mains * t).sin()));
        }
    }
}

/// Slow modulation for PstLM: sines, squares, both, and sines that come and go,
/// without which every percentile of flicker would be the same; on a mains'
/// ripple.
pub fn slow_waves(count: usize, seed: u64) -> Vec<Wave> {
    let mut random = Random::new(seed);
    (0..count).map(|at| slow(at, &mut random)).collect()
}

const SLOW_KINDS: [&str; 4] = ["sine", "square", "both", "bursts"];

fn slow(at: usize, random: &mut Random) -> Wave {
    let (rate_hz, seconds) = match at % 12 {
        0 => (20_000.0, 40.0),
        1 | 2 => (10_000.0, random.between(35.0, 60.0)),
        3 | 4 => (5_000.0, random.between(35.0, 60.0)),
        _ => (2_000.0, random.between(35.0, 70.0)),
    };
    let kind = SLOW_KINDS[(at / 5) % SLOW_KINDS.len()];
    let (hz, depth) = (random.by_ratio(0.5, 30.0), random.by_ratio(0.002, 0.03));
    let (other_hz, other_depth) = (random.by_ratio(0.3, 25.0), random.by_ratio(0.002, 0.02));
    let ripple = random.between(0.0, 0.2);
    let block_s = random.between(0.7, 5.0);
    let blocks: Vec<f64> = (0..200).map(|_| random.by_ratio(0.05, 2.0)).collect();
    let n = (seconds * rate_hz) as usize;
    let sample = |at: usize| {
        let t = at as f64 / rate_hz;
        let swing = (TAU * hz * t).sin();
        let up = cycle(t, other_hz, 0.01) < 0.5;
        let square = 1.0 + if up { other_depth } else { -other_depth };
        let mains = 1.0 - ripple * (TAU * 100.0 * t).cos();
        mains
            * match kind {
                "sine" => 1.0 + depth * swing,
                "square" => square,
                "both" => (1.0 + depth * swing) * square,
                _ => 1.0 + depth * blocks[(t / block_s) as usize] * swing,
            }
    };
    Wave {
        name: format!("{kind} {at} {rate_hz} S/s"),
        rate_hz,
        samples: (0..n).map(sample).collect(),
        repeats: true,
        smooth: true,
        two_levels: false,
        noisy: false,
        flat: false,
    }
}
