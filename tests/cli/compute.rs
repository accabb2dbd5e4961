//! `compute` as a person meets it: whole outputs, good files and bad ones.

use std::io::Write;

use assert_cmd::Command;

fn compute(words: &[&str], stdin: &str) -> (i32, String, String) {
    let mut command = Command::new(env!("CARGO_BIN_EXE_wakerail"));
    command.env_clear().arg("compute").args(words);
    let done = command.write_stdin(stdin).output().expect("it runs");
    (
        done.status.code().expect("a code"),
        String::from_utf8(done.stdout).expect("text"),
        String::from_utf8(done.stderr).expect("text"),
    )
}

/// Code, stdout and stderr as one text, numbers to ten digits: what follows
/// depends on the order in which a processor adds.
fn shown(words: &[&str], stdin: &str) -> String {
    let (code, out, err) = compute(words, stdin);
    format!("[code {code}]\n{}[stderr]\n{err}", to_ten_digits(&out))
}

fn to_ten_digits(text: &str) -> String {
    let of_number = |c: char| c.is_ascii_digit() || ".e-".contains(c);
    let mut all = String::new();
    let mut rest = text;
    while let Some(start) = rest.find(|c: char| c.is_ascii_digit()) {
        let (before, from) = rest.split_at(start);
        let end = from.find(|c| !of_number(c)).unwrap_or(from.len());
        let (number, after) = from.split_at(end);
        all += before;
        match number.parse::<f64>() {
            Ok(value) if number.len() > 11 && number.contains('.') => {
                let rounded: f64 = format!("{value:.9e}").parse().expect("a number");
                all += &rounded.to_string();
            }
            _ => all += number,
        }
        rest = after;
    }
    all + rest
}

/// Planck's law at 2700 K on 10 nm, in any unit.
fn warm_white() -> Vec<(f64, f64)> {
    (0..41)
        .map(|at| {
            let nm = 380.0 + 10.0 * f64::from(at);
            let exponent = 1.4388e7 / (nm * 2_700.0);
            (nm, 1e10 / nm.powi(5) * 1e3 / exponent.exp_m1())
        })
        .collect()
}

fn csv(separator: &str, comma: bool) -> String {
    let mut text = format!("# warm white\nwavelength_nm{separator}relative\n");
    for (nm, value) in warm_white() {
        let row = format!("{nm}{separator}{value:.9}\n");
        text += &if comma { row.replace('.', ",") } else { row };
    }
    text
}

#[test]
fn a_spectrum_gives_all_its_figures_in_every_form() {
    for form in ["table", "csv", "json"] {
        let text = shown(&["spectrum", "-", "--format", form], &csv(",", false));
        insta::assert_snapshot!(format!("compute_spectrum_{form}"), text);
    }
}

#[test]
fn the_same_data_in_every_form_of_file_give_the_same_figures() {
    let words = ["spectrum", "-", "--format", "csv"];
    let (_, plain, _) = compute(&words, &csv(",", false));
    let (_, semicolons, _) = compute(&words, &csv(";", true));
    assert_eq!(plain, semicolons);
    let column = |of: fn(&(f64, f64)) -> f64| -> String {
        let values: Vec<String> = warm_white()
            .iter()
            .map(|row| format!("{:.9}", of(row)))
            .collect();
        values.join(", ")
    };
    let json = format!(
        "{{\"wavelength_nm\": [{}], \"relative\": [{}]}}",
        column(|row| row.0),
        column(|row| row.1)
    );
    let (_, json, _) = compute(&words, &json);
    assert_eq!(plain, json);
    let mut file = tempfile::NamedTempFile::new().expect("a file");
    let marked = format!("\u{feff}{}", csv(",", false).replace('\n', "\r\n"));
    file.write_all(marked.as_bytes()).expect("written");
    let path = file.path().to_str().expect("a path");
    let (_, marked, _) = compute(&["spectrum", path, "--format", "csv"], "");
    assert_eq!(plain, marked);
}

#[test]
fn bad_files_are_told_with_line_column_and_reason() {
    let cases = [
        (
            "slips",
            "wavelength_nm,relativ\n380,1\n385,x\n,3\n1,2,3\n390,nan\n",
        ),
        (
            "falling",
            "wavelength_nm,relative,operator\n# a remark\n380,1,me\n380,2,me\n",
        ),
        ("narrow", "wavelength_nm,relative\n450,1\n455,1\n460,1\n"),
        (
            "both",
            "wavelength_nm,relative,irradiance_w_per_m2_nm\n450,1,1\n",
        ),
        ("strange", "a,b\n1,2\n"),
        ("empty", ""),
        ("header only", "wavelength_nm,relative\n"),
        ("twice", "wavelength_nm,relative,relative\n380,1,1\n"),
        ("json", "{\"wavelength_nm\": [380,\n  \"x\"]}"),
        (
            "lengths",
            "{\"wavelength_nm\": [380, 385], \"relative\": [1]}",
        ),
        ("broken", "{\"wavelength_nm\": [380, 385"),
        (
            "all at once",
            "{\"wavelength_nm\": [380, \"é\", true,\n 395, 1e999],\n\"relative\": [null, {\"a\": 1}, 3, [4], 5]}",
        ),
    ];
    let mut all = String::new();
    for (what, text) in cases {
        all += &format!("== {what}\n{}\n", shown(&["spectrum", "-"], text));
    }
    insta::assert_snapshot!(all);
}

#[test]
fn a_file_that_is_not_there_and_one_that_is_no_text() {
    assert_eq!(compute(&["spectrum", "/nowhere/x.csv"], "").0, 66);
    let mut file = tempfile::NamedTempFile::new().expect("a file");
    file.write_all(&[0, 159, 146, 150]).expect("written");
    let path = file.path().to_str().expect("a path");
    assert_eq!(compute(&["spectrum", path], "").0, 65);
}

/// JCGM 100:2008, G.4.1 (from memory): 1.03 %, 19 degrees of freedom, 2.09,
/// 2.2 %; U14's runs before and after; readings with one wild among them.
#[test]
fn readings_budgets_and_comparisons_are_printed_whole() {
    let budget = "source,stated,dof\nmean of 10,0.25,9\nmean of 5,0.57,4\nmean of 15,0.82,14\n";
    let compare = "when;value\nbefore;251,2\nbefore;249,8\nbefore;250,9\nbefore;250,1\n\
                   before;251,5\nafter;247,9\nafter;249,0\nafter;248,2\nafter;248,8\nafter;247,5\n";
    let stats =
        "illuminance_lx,by\n1,a\n2,a\n1.5,a\n>300,b\n,b\n1.2,b\n1.4,b\n55,b\n1.3,b\n1.9,b\n";
    let cases: [(&[&str], &str); 3] = [
        (&["budget", "-", "--value", "100"], budget),
        (&["compare", "-", "--margin", "3 %"], compare),
        (&["stats", "-", "--column", "illuminance_lx"], stats),
    ];
    let mut all = String::new();
    for (words, text) in cases {
        all += &format!("== {}\n{}\n", words[0], shown(words, text));
    }
    insta::assert_snapshot!(all);
}

/// The worked chain of the reference file: 542.515464 lm (formula chain of
/// LM-79-08, 9.2, from memory).
const SPHERE: &str = "reading,value,u\ntest,1.629,0.002\nreference,2.504,0.002\ndark,0.003,\n\
                      dark,0.005,\naux_test,1.459,0.001\naux_reference,1.504,0.001\naux_dark,0.004,0.0005\n";

#[test]
fn a_flux_is_computed_whole() {
    let known = "--reference-lm 800 --reference-u-lm 6.5 --mismatch 1.012 --mismatch-u 0.004";
    let beside = " --on-axis-cd 52 --power-w 6.1 --lamp-surface-m2 0.11 --sphere-m 1";
    let plain = SPHERE.lines().take(5).collect::<Vec<_>>().join("\n");
    let mut all = String::new();
    for (options, text) in [
        (format!("{known}{beside}"), SPHERE),
        ("--reference-lm 800".to_owned(), &plain),
        (format!("{known} --format csv --rows"), SPHERE),
        (known.replace("800", "-1").replace("0.004", "nan"), SPHERE),
        (
            known.to_owned(),
            "reading,value\ntest,1\nlamp,2\nauxtest,-\n",
        ),
        (known.to_owned(), "reading,value,u\ntest,1,-1\nlamp,2,1\n"),
        (known.to_owned(), "reading,value\ntest,1\naux_test,2\n"),
        (
            known.to_owned(),
            "reading,value\ntest,1\ndark,2\nreference,3\n",
        ),
    ] {
        let words: Vec<&str> = ["sphere", "-"]
            .into_iter()
            .chain(options.split(' '))
            .collect();
        all += &format!("== {options}\n{}\n", shown(&words, text));
    }
    insta::assert_snapshot!(all);
}

#[test]
fn two_programs_are_compared_by_their_spectra() {
    let mut second = tempfile::NamedTempFile::new().expect("a file");
    let bluer = csv(",", false).replace("relative", "irradiance_w_per_m2_nm");
    let bluer: String = bluer
        .lines()
        .map(|line| match line.strip_prefix("460,") {
            Some(value) => format!("460,{}\n", 8.0 * value.parse::<f64>().expect("a number")),
            None => format!("{line}\n"),
        })
        .collect();
    second.write_all(bluer.as_bytes()).expect("written");
    let path = second.path().to_str().expect("a path");
    let words = ["spectrum", "-", "--second", path];
    insta::assert_snapshot!(shown(&words, &csv(",", false)));
    let (code, _, _) = compute(&["spectrum", "-", "--second", "/nowhere"], &csv(",", false));
    assert_eq!(code, 66);
}

#[test]
fn what_makes_no_budget_and_no_comparison_is_told() {
    let cases: [(&[&str], &str); 8] = [
        (&["budget", "-"], "source,stated,shape\na,1,round\n"),
        (&["budget", "-"], "source,stated,dof\na,1,0\n"),
        (&["budget", "-"], "source,stated\na,-1\n"),
        (&["budget", "-"], "stated\n1\n"),
        (&["compare", "-"], "when,value\nbefore,1\nafter,1\n"),
        (&["compare", "-"], "when,value\nbefore,1\nlater,1\n"),
        (
            &["compare", "-", "--margin", "3"],
            "when,value\nbefore,1\nafter,2\n",
        ),
        (&["stats", "-"], "value\n>1\n>2\n"),
    ];
    let mut all = String::new();
    for (words, text) in cases {
        all += &format!("== {}\n{}\n", words.join(" "), shown(words, text));
    }
    insta::assert_snapshot!(all);
}

fn waveform(rate: f64, of: impl Fn(f64) -> f64) -> String {
    let rows = (0..rate as usize).map(|at| format!("{}\n", of(at as f64 / rate)));
    format!("light\n{}", rows.collect::<String>())
}

/// Common practice, no source: 200 Hz at full depth is high risk, for its limit
/// is 16 %.
#[test]
fn a_square_wave_of_200_hz_is_high_risk_with_a_limit_of_16_per_cent() {
    let square = waveform(20_000.0, |t| f64::from((200.0 * t + 0.0025).fract() < 0.5));
    for form in ["table", "json"] {
        let text = shown(
            &["waveform", "-", "--rate-hz", "20000", "--format", form],
            &square,
        );
        insta::assert_snapshot!(format!("compute_waveform_{form}"), text);
    }
    let (_, csv, _) = compute(
        &["waveform", "-", "--rate-hz", "20000", "--format", "csv"],
        &square,
    );
    assert!(csv.contains("ieee_worst,,,,high_risk,"), "{csv}");
    assert!(csv.contains("low_risk_below_percent,16,"), "{csv}");
}

/// 25 kHz sampled at 20 and at 19 kS/s shows 5 and 6 kHz: neither is believed.
#[test]
fn a_folded_line_is_withheld_when_the_second_capture_disagrees() {
    let pwm = |t: f64| f64::from((25_000.0 * t + 0.13).fract() < 0.5);
    let mut second = tempfile::NamedTempFile::new().expect("a file");
    second
        .write_all(waveform(19_000.0, pwm).as_bytes())
        .expect("written");
    let path = second.path().to_str().expect("a path");
    let words = [
        "waveform",
        "-",
        "--rate-hz",
        "20000",
        "--second",
        path,
        "--second-rate-hz",
        "19000",
    ];
    insta::assert_snapshot!(shown(&words, &waveform(20_000.0, pwm)));
    for words in [&["waveform", "-"][..], &["waveform", "-", "--bits", "12"]] {
        assert_ne!(compute(words, "light\n1\n2\n").0, 0);
    }
    let uneven = format!("time_s,light\n{}", "0,1\n0.1,1\n0.4,1\n");
    let (code, _, err) = compute(&["waveform", "-"], &uneven);
    assert!(
        code == 65 && err.contains("input:3: the times do not rise"),
        "{err}"
    );
}

/// A panel of 500 cd and 10 cm radius; the last point is over range.
fn rail() -> String {
    let row = |station: u32| {
        let inches = 6 * station;
        let metres = 0.0254 * f64::from(inches);
        format!("{inches},{:.4}\n", 500.0 / (metres * metres + 0.01))
    };
    let rows: String = (1..=12).map(row).collect();
    format!("distance_in,illuminance_lx\n{rows}78,>20000\n")
}

/// A square-law sunrise of 30 min to 250 lx, two samples a second, over a dark
/// of 0.02 lx.
fn dawn() -> String {
    let row = |at: i32| {
        let t = f64::from(at) / 2.0;
        let light = 250.0 * (t / 1_800.0).clamp(0.0, 1.0).powi(2);
        format!("{t},{:.4}\n", light + 0.02)
    };
    let rows: String = (-120..3_960).map(row).collect();
    format!("time_s,illuminance_lx\n{rows}")
}

#[test]
fn a_rail_and_a_dawn_are_computed_whole() {
    let dark = "0.02,0.03,0.02,0.01";
    let cases: [(&[&str], String); 3] = [
        (
            &["distance", "-", "--target-lx", "250", "--face", "20 cm"],
            rail(),
        ),
        (
            &["ramp", "-", "--length", "30 min", "--dark-lx", dark],
            dawn(),
        ),
        (
            &[
                "ramp",
                "-",
                "--length",
                "30 min",
                "--dark-lx",
                dark,
                "--format",
                "csv",
            ],
            dawn(),
        ),
    ];
    let mut all = String::new();
    for (words, text) in cases {
        all += &format!("== {}\n{}\n", words.join(" "), shown(words, &text));
    }
    insta::assert_snapshot!(all);
}

#[test]
fn what_makes_no_rail_and_no_dawn_is_told() {
    let cases: [(&[&str], &str); 6] = [
        (
            &["distance", "-"],
            "distance_m,distance_mm,illuminance_lx\n1,2,3\n",
        ),
        (&["distance", "-"], "distance_m\n1\n"),
        (
            &["distance", "-", "--face", "20"],
            "distance_m,illuminance_lx\n1,2\n",
        ),
        (
            &["ramp", "-", "--length", "30", "--dark-lx", "0"],
            "time_s,illuminance_lx\n1,2\n",
        ),
        (
            &["ramp", "-", "--length", "30 s", "--dark-lx", "0"],
            "time_s,illuminance_lx\n1,2\n",
        ),
        (
            &["ramp", "-", "--length", "30 s", "--dark-lx", "nan"],
            "time_s,illuminance_lx\n1,2\n",
        ),
    ];
    let mut all = String::new();
    for (words, text) in cases {
        all += &format!("== {}\n{}\n", words.join(" "), shown(words, text));
    }
    insta::assert_snapshot!(all);
}

/// What may not be said as a fact: classes of risk from lux, compliance, doses,
/// safety where nothing was assessed.
#[test]
fn no_output_of_compute_claims_what_was_not_measured() {
    let square = waveform(20_000.0, |t| f64::from((200.0 * t + 0.0025).fract() < 0.5));
    let dark = "0.02,0.03,0.02,0.01";
    let cases: [(&[&str], String); 4] = [
        (&["spectrum", "-"], csv(",", false)),
        (&["waveform", "-", "--rate-hz", "20000"], square),
        (&["distance", "-", "--target-lx", "250"], rail()),
        (
            &["ramp", "-", "--length", "30 min", "--dark-lx", dark],
            dawn(),
        ),
    ];
    let (_, page, _) = compute(&["--help"], "");
    let mut texts = vec![page];
    for (words, text) in cases {
        for form in ["table", "csv", "json"] {
            let mut words = words.to_vec();
            words.extend(["--format", form]);
            let text = shown(&words, &text).to_lowercase();
            assert!(text.starts_with("[code 0]"), "{words:?}: {text}");
            texts.push(text);
        }
    }
    let forbidden = [
        "complies",
        "compliant",
        "conforms",
        "exempt",
        "rg0",
        "rg1",
        "rg2",
        "risk group 0",
        "risk group 1",
        "is safe",
        "low flicker",
        "recommended dose",
        "10 000 lx for",
        "emergency stop",
    ];
    for text in &texts {
        for word in forbidden {
            assert!(!text.contains(word), "`{word}` in {text}");
        }
    }
}
