//! How soon a text of nearly the largest size is refused, every line of it wrong:
//! `cargo bench -p written --bench wrong`. Read, its fields asked for, all
//! mistakes put into words; the best and the middle of nine times.

use std::time::Instant;

use written::{Fields, MAX_BYTES, Mistakes, Sources, read_collecting, readers, render};

const LINES: usize = 30_000;

/// Lines that are wrong in their own way, each by its name. `N` is the number of
/// the line.
const KINDS: &[(&str, &str)] = &[
    ("unknown keys, text", "wrong-N: some text of people"),
    ("unknown keys, plain words", "wrong-N: tungsten"),
    ("unknown keys, whole numbers", "wrong-N: 4N"),
    ("unknown keys, numbers", "wrong-N: 12.N"),
    ("unknown keys, quantities", "wrong-N: 12 in"),
    ("unknown keys, times", "wrong-N: 12:N"),
    ("unknown keys, true", "wrong-N: true"),
    ("keys that begin like words of YAML", "no-N: no"),
    ("keys that are numbers", "N: 1"),
    ("one key, many times", "travel: N mm"),
    ("a list of numbers", "- 3.N"),
    ("a list of lists", "- [N, off]"),
    ("a list of groups, a key misspelt", "- {travle: N}"),
    ("a list of groups, a wrong number", "- {travel: N}"),
    ("anchors", "wrong-N: &a 1"),
];

/// Milliseconds until all is told, and how many mistakes that were.
fn refuse(text: &str) -> (f64, usize) {
    let begun = Instant::now();
    let mut mistakes = Mistakes::new();
    if let Some(document) = read_collecting("f.yaml", text, &mut mistakes) {
        let (root, speed) = (document.root(), readers::integer_in(-9..=-1));
        for node in root.items().chain([root]) {
            let Some(mut fields) = Fields::of(node, "the rail", &mut mistakes) else {
                break;
            };
            fields.need("travel", &speed);
            fields.may("speed", &speed);
            fields.finish();
        }
    }
    let told = mistakes.into_sorted();
    let mut sources = Sources::new();
    sources.add("f.yaml", text);
    std::hint::black_box(render(&told, &sources, false));
    (begun.elapsed().as_secs_f64() * 1e3, told.len())
}

fn main() {
    println!("   best    p50  told");
    for (name, line) in KINDS {
        let text: String = (0..LINES)
            .map(|no| format!("{:33}\n", line.replace('N', &format!("{no:05}"))))
            .collect();
        assert!(text.len() <= MAX_BYTES, "{name}: {} bytes", text.len());
        let mut times = [0.0; 9];
        let mut count = 0;
        for time in &mut times {
            (*time, count) = refuse(&text);
            assert!(count > 0, "{name} is not refused");
        }
        times.sort_by(f64::total_cmp);
        println!("{:7.1}{:7.1}{count:6}  {name}", times[0], times[4]);
    }
}
