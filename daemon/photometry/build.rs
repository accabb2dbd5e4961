//! Turns the CIE's tables (`tables/*.csv`) into static arrays, so that nothing
//! is parsed at run time and nothing can fail there.

use std::env;
use std::fmt::Write as _;
use std::fs;
use std::path::Path;

/// (file, name of the array).
const TABLES: [(&str, &str); 7] = [
    ("cie1931_2deg_1nm", "CIE_1931"),
    ("cie1964_10deg_1nm", "CIE_1964"),
    ("cie_s026_alpha_opic_1nm", "ALPHA_OPIC"),
    ("cie13_3_tcs_5nm", "TEST_COLOURS"),
    ("cie224_ces_1nm", "EVALUATION_COLOURS"),
    ("cie_daylight_components_5nm", "DAYLIGHT"),
    ("iec62471_blue_light_5nm", "BLUE_LIGHT"),
];

fn main() -> Result<(), Box<dyn std::error::Error>> {
    println!("cargo::rerun-if-changed=tables");
    let mut code = String::new();
    for (file, name) in TABLES {
        let path = format!("tables/{file}.csv");
        println!("cargo::rerun-if-changed={path}");
        let text = fs::read_to_string(&path)?;
        table(&mut code, name, &text).map_err(|why| format!("{path}: {why}"))?;
    }
    let out = env::var("OUT_DIR")?;
    fs::write(Path::new(&out).join("tables.rs"), code)?;
    Ok(())
}

/// One array of rows; the first column is the wavelength, in equal steps.
fn table(code: &mut String, name: &str, text: &str) -> Result<(), String> {
    let mut rows: Vec<Vec<f64>> = Vec::new();
    let data = text.lines().filter(|line| !line.starts_with('#')).skip(1);
    for (at, line) in data.enumerate() {
        let row: Result<Vec<f64>, _> = line.split(',').map(str::parse).collect();
        rows.push(row.map_err(|why| format!("row {}: {why}", at + 1))?);
    }
    let first = rows.first().ok_or("no rows")?;
    let (columns, start) = (first.len() - 1, first[0]);
    let step = rows.get(1).ok_or("one row")?[0] - start;
    for (at, row) in rows.iter().enumerate() {
        if row.len() != columns + 1 || row[0] != start + step * at as f64 {
            return Err(format!("row {} is out of step", at + 1));
        }
    }
    let count = rows.len();
    writeln!(
        code,
        "#[allow(clippy::approx_constant)]\npub static {name}: Table<{columns}, {count}> = Table {{ \
         first_nm: {start:?}, step_nm: {step:?}, rows: ["
    )
    .map_err(|e| e.to_string())?;
    for row in &rows {
        writeln!(code, "{:?},", &row[1..]).map_err(|e| e.to_string())?;
    }
    code.push_str("] };\n");
    Ok(())
}
