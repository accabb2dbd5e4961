//! Random spectra: glowing bodies, daylight, white and coloured LEDs, sums of
//! Gaussians; at 5 nm, 1 nm, and on grids that no table has.

use photometry::light_units::Kelvin;
use photometry::rendering::daylight;
use photometry::temperature::planck;

use crate::random::Random;

/// A random spectrum.
pub struct Light {
    pub name: String,
    pub nm: Vec<f64>,
    pub values: Vec<f64>,
    /// On a grid of 5 or 1 nm.
    pub regular: bool,
}

const KINDS: [&str; 5] = ["glow", "daylight", "white-led", "rgb-led", "gaussians"];
const GRIDS: [&str; 4] = ["5nm", "1nm", "irregular", "off-edge"];

/// Twice as many at 5 nm as on each other grid.
pub fn lights(count: usize, seed: u64) -> Vec<Light> {
    let mut random = Random::new(seed);
    (0..count)
        .map(|at| {
            let kind = KINDS[at % KINDS.len()];
            let grid = ["5nm", GRIDS[(at / 2) % GRIDS.len()]][at % 2];
            let nm = wavelengths(grid, &mut random);
            let shape = shape(kind, &mut random);
            let level = random.by_ratio(1e-5, 1.0);
            // A third with a spectrometer's noise, below zero where there is no
            // light.
            let noise = if at % 3 == 0 { 0.003 } else { 0.0 };
            let most = nm.iter().map(|nm| shape(*nm)).fold(0.0, f64::max);
            let values: Vec<f64> = nm
                .iter()
                .map(|nm| level * (shape(*nm) + noise * most * random.normal()))
                .collect();
            Light {
                name: format!("{kind} {at} {grid}"),
                regular: matches!(grid, "5nm" | "1nm"),
                nm,
                values,
            }
        })
        .collect()
}

fn wavelengths(grid: &str, random: &mut Random) -> Vec<f64> {
    let steps = |from: f64, step: f64| -> Vec<f64> {
        let count = ((780.0 - from) / step).ceil() as usize;
        (0..=count).map(|at| from + step * at as f64).collect()
    };
    match grid {
        "5nm" => steps(380.0, 5.0),
        "1nm" => steps(380.0, 1.0),
        "irregular" => {
            let mut nm = vec![380.0];
            let mut last = 380.0;
            while last < 776.0 {
                last += random.between(0.4, 4.0);
                nm.push(last);
            }
            nm.push(780.0);
            nm
        }
        // Steps over both ends, as spectrometers do.
        _ => steps(random.between(375.0, 379.0), random.between(0.9, 4.9)),
    }
}

type Shape = Box<dyn Fn(f64) -> f64>;

fn shape(kind: &str, random: &mut Random) -> Shape {
    match kind {
        "glow" => {
            let kelvin = Kelvin(random.by_ratio(1_400.0, 12_000.0));
            let tint = gaussian(random, 400.0, 750.0, 20.0, 80.0);
            let share = random.between(-0.3, 0.6);
            Box::new(move |nm| planck(nm, kelvin) * (1.0 + share * tint(nm)))
        }
        "daylight" => {
            let of = daylight(Kelvin(random.by_ratio(4_100.0, 20_000.0)));
            let tint = gaussian(random, 400.0, 750.0, 20.0, 80.0);
            let share = random.between(-0.3, 0.6);
            Box::new(move |nm| of(nm) * (1.0 + share * tint(nm)))
        }
        "white-led" => {
            let blue = gaussian(random, 435.0, 470.0, 7.0, 14.0);
            let phosphor = gaussian(random, 540.0, 605.0, 40.0, 65.0);
            let red = gaussian(random, 615.0, 660.0, 8.0, 30.0);
            let (a, b) = (random.by_ratio(0.1, 2.0), random.between(0.0, 0.6));
            Box::new(move |nm| a * blue(nm) + phosphor(nm) + b * red(nm))
        }
        "rgb-led" => {
            let blue = gaussian(random, 440.0, 480.0, 7.0, 14.0);
            let green = gaussian(random, 510.0, 560.0, 11.0, 22.0);
            let red = gaussian(random, 600.0, 650.0, 7.0, 12.0);
            let [a, b, c] = [(); 3].map(|()| random.between(0.3, 1.0));
            Box::new(move |nm| a * blue(nm) + b * green(nm) + 1.6 * c * red(nm))
        }
        _ => {
            let count = random.whole(2, 6);
            let parts: Vec<(f64, Shape)> = (0..count)
                .map(|_| {
                    let height = random.between(0.1, 1.0);
                    (height, gaussian(random, 400.0, 720.0, 9.0, 90.0))
                })
                .collect();
            let floor = random.between(0.0, 0.1);
            Box::new(move |nm| {
                floor
                    + parts
                        .iter()
                        .map(|(height, of)| height * of(nm))
                        .sum::<f64>()
            })
        }
    }
}

fn gaussian(random: &mut Random, from: f64, to: f64, narrow: f64, wide: f64) -> Shape {
    let (centre, sigma) = (random.between(from, to), random.by_ratio(narrow, wide));
    Box::new(move |nm| (-0.5 * ((nm - centre) / sigma).powi(2)).exp())
}
