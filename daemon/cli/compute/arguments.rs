//! The topics of `compute` and their options.
//!
//! Called by: arguments. Not here: computing.

use std::path::PathBuf;

use clap::{Args, Subcommand, ValueEnum};

use crate::cli::arguments::Printed;

/// What can be computed.
#[derive(Debug, Subcommand)]
pub enum Topic {
    /// Colour, rendering, melanopic content and blue light of a spectrum
    #[command(before_help = "Examples:
  wakerail compute spectrum lamp.csv
  wakerail compute spectrum - --format json < lamp.csv
  wakerail compute spectrum program-a.csv --second program-b.csv")]
    Spectrum(Spectrum),

    /// Flicker of a captured waveform: depth, index, SVM, PstLM, classes
    #[command(before_help = "Examples:
  wakerail compute waveform capture.csv --rate-hz 20000
  wakerail compute waveform a.csv --rate-hz 20000 --second b.csv --second-rate-hz 19000
  wakerail compute waveform capture.csv --dark 0.012 --bits 12 --full-scale 4.096")]
    Waveform(Waveform),

    /// A sunrise or sunset: onset, shape, evenness, dose
    #[command(before_help = "Examples:
  wakerail compute ramp dawn.csv --length '30 min' --dark-lx 0.02,0.03,0.02
  wakerail compute ramp dusk.csv --length '30 min' --dark-lx 0.02 --sunset --start '5 min'")]
    Ramp(Ramp),

    /// Illuminance along a rail: intensity, offset, size, near and far field
    #[command(before_help = "Examples:
  wakerail compute distance rail.csv --target-lx 250
  wakerail compute distance rail.csv --face '20 cm' --beam medium")]
    Distance(Distance),

    /// The flux of a lamp in an integrating sphere
    #[command(before_help = "Examples:
  wakerail compute sphere readings.csv --reference-lm 800 --reference-u-lm 6.5
  wakerail compute sphere readings.csv --reference-lm 800 --power-w 6.1 --on-axis-cd 52")]
    Sphere(Sphere),

    /// Mean, scatter, drift and outliers of repeated readings
    #[command(before_help = "Examples:
  wakerail compute stats readings.csv
  wakerail compute stats readings.csv --column illuminance_lx")]
    Stats(Stats),

    /// An uncertainty budget: combined, degrees of freedom, expanded
    #[command(before_help = "Examples:
  wakerail compute budget terms.csv --value 250")]
    Budget(Budget),

    /// A figure before and after: changed, and does it matter?
    #[command(before_help = "Examples:
  wakerail compute compare runs.csv --margin '3 %'")]
    Compare(Compare),
}

/// A file of measured data.
#[derive(Debug, Args)]
pub struct Measured {
    /// CSV or JSON with named columns; `-` reads standard input
    #[arg(value_name = "FILE")]
    pub file: PathBuf,
    /// How to print
    #[command(flatten)]
    pub printed: Printed,
    /// As CSV, print the rows that stand beside the figures in their place
    #[arg(long)]
    pub rows: bool,
}

/// `compute spectrum`
#[derive(Debug, Args)]
pub struct Spectrum {
    /// Where the data are
    #[command(flatten)]
    pub measured: Measured,
    /// Another spectrum: what is different?
    #[arg(long, value_name = "FILE")]
    pub second: Option<PathBuf>,
}

/// `compute sphere`
#[derive(Debug, Args)]
pub struct Sphere {
    /// Where the data are
    #[command(flatten)]
    pub measured: Measured,
    /// Flux of the reference lamp in lumens, from its certificate
    #[arg(long, value_name = "LUMENS")]
    pub reference_lm: f64,
    /// Its standard uncertainty (k = 1)
    #[arg(long, value_name = "LUMENS", default_value_t = 0.0)]
    pub reference_u_lm: f64,
    /// Spectral mismatch correction factor of the test lamp
    #[arg(long, value_name = "FACTOR", default_value_t = 1.0)]
    pub mismatch: f64,
    /// Its standard uncertainty
    #[arg(long, value_name = "NUMBER", default_value_t = 0.0)]
    pub mismatch_u: f64,
    /// Intensity of the lamp on its axis: gives the directivity
    #[arg(long, value_name = "CANDELAS")]
    pub on_axis_cd: Option<f64>,
    /// Electrical power of the lamp: gives the efficacy
    #[arg(long, value_name = "WATTS")]
    pub power_w: Option<f64>,
    /// Surface of the lamp, with --sphere-m
    #[arg(long, value_name = "M2", requires = "sphere_m")]
    pub lamp_surface_m2: Option<f64>,
    /// Diameter of the sphere
    #[arg(long, value_name = "M", requires = "lamp_surface_m2")]
    pub sphere_m: Option<f64>,
}

/// `compute stats`
#[derive(Debug, Args)]
pub struct Stats {
    /// Where the data are
    #[command(flatten)]
    pub measured: Measured,
    /// The column with the readings
    #[arg(long, value_name = "NAME", default_value = "value")]
    pub column: String,
}

/// `compute budget`
#[derive(Debug, Args)]
pub struct Budget {
    /// Where the data are
    #[command(flatten)]
    pub measured: Measured,
    /// The value that the budget is for, in its unit
    #[arg(
        long,
        value_name = "NUMBER",
        default_value_t = 0.0,
        allow_negative_numbers = true
    )]
    pub value: f64,
}

/// `compute compare`
#[derive(Debug, Args)]
pub struct Compare {
    /// Where the data are
    #[command(flatten)]
    pub measured: Measured,
    /// Ratios up to this far from one count as equivalent
    #[arg(long, value_name = "RATIO", default_value = "3 %")]
    pub margin: String,
}

/// `compute waveform`
#[derive(Debug, Args)]
pub struct Waveform {
    /// Where the data are
    #[command(flatten)]
    pub measured: Measured,
    /// Samples per second, where the file has no `time_s`
    #[arg(long, value_name = "HZ")]
    pub rate_hz: Option<f64>,
    /// What the sensor gives in the dark, in the samples' unit
    #[arg(
        long,
        value_name = "NUMBER",
        default_value_t = 0.0,
        allow_negative_numbers = true
    )]
    pub dark: f64,
    /// A second capture of the same light at another rate
    #[arg(long, value_name = "FILE")]
    pub second: Option<PathBuf>,
    /// The second one's samples per second
    #[arg(long, value_name = "HZ", requires = "second")]
    pub second_rate_hz: Option<f64>,
    /// Bits of the converter
    #[arg(long, value_name = "BITS", requires = "full_scale")]
    pub bits: Option<u32>,
    /// The converter's full scale, in the samples' unit
    #[arg(long, value_name = "NUMBER", requires = "bits")]
    pub full_scale: Option<f64>,
    /// Where an analogue low-pass before the converter cuts
    #[arg(long, value_name = "HZ")]
    pub filter_hz: Option<f64>,
}

/// `compute ramp`
#[derive(Debug, Args)]
pub struct Ramp {
    /// Where the data are
    #[command(flatten)]
    pub measured: Measured,
    /// How long the program was to last, such as '30 min'
    #[arg(long, value_name = "TIME")]
    pub length: String,
    /// When it was to start, on the file's clock
    #[arg(long, value_name = "TIME", default_value = "0 s")]
    pub start: String,
    /// Dark readings in lux
    #[arg(long, value_name = "LUX", value_delimiter = ',', required = true)]
    pub dark_lx: Vec<f64>,
    /// The meter's smallest step in lux
    #[arg(long, value_name = "LUX", default_value_t = 0.0)]
    pub resolution_lx: f64,
    /// It falls: a sunset
    #[arg(long)]
    pub sunset: bool,
}

/// How wide a beam is.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, ValueEnum)]
pub enum BeamWord {
    /// 90 degrees or more, near to the cosine law: far from 5 faces on.
    #[default]
    Wide,
    /// 60 degrees or more: far from 10 faces on.
    Medium,
    /// Narrower: far from 15 faces on.
    Narrow,
}

/// `compute distance`
#[derive(Debug, Args)]
pub struct Distance {
    /// Where the data are
    #[command(flatten)]
    pub measured: Measured,
    /// A target illuminance in lux: where is it reached?
    #[arg(long, value_name = "LUX")]
    pub target_lx: Option<f64>,
    /// Largest size of the luminous face, such as '20 cm'
    #[arg(long, value_name = "LENGTH")]
    pub face: Option<String>,
    /// How wide the beam is
    #[arg(long, value_enum, default_value_t, value_name = "BEAM")]
    pub beam: BeamWord,
}
