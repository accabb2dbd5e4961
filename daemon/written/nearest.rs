//! Did-you-mean: the known word that is nearest to what was written.
//!
//! Called by `fields` and `readers`, and by the checks of `plan` for names.

/// Longer words are not compared: nobody mistypes a known word into one.
const MAX_WORD_CHARS: usize = 64;

/// The nearest of `candidates`, if it is near enough to be meant: one slip
/// (letter wrong, missing, too many, or two swapped) per three letters. Case,
/// and `_` or a space for `-`, are no slip.
#[must_use]
pub fn nearest<'c>(word: &str, candidates: impl IntoIterator<Item = &'c str>) -> Option<&'c str> {
    let word = folded(word)?;
    candidates
        .into_iter()
        .filter_map(|candidate| {
            let other = folded(candidate)?;
            let allowed = (word.len().max(other.len()) / 3).clamp(1, 3);
            if word.len().abs_diff(other.len()) > allowed {
                return None;
            }
            let slips = distance(&word, &other);
            // A word of which nothing is left is no slip of the other.
            let kept = word.len().min(other.len());
            (slips <= allowed && slips < kept.max(1)).then_some((slips, candidate))
        })
        .min_by_key(|(slips, _)| *slips)
        .map(|(_, candidate)| candidate)
}

fn folded(word: &str) -> Option<Vec<char>> {
    let folded: Vec<char> = word
        .chars()
        .take(MAX_WORD_CHARS + 1)
        .map(|c| if c == '_' || c == ' ' { '-' } else { c })
        .flat_map(char::to_lowercase)
        .collect();
    (!folded.is_empty() && folded.len() <= MAX_WORD_CHARS).then_some(folded)
}

/// Edit distance in which two swapped neighbours count once (optimal string
/// alignment).
fn distance(a: &[char], b: &[char]) -> usize {
    let width = b.len() + 1;
    let mut before: Vec<usize> = vec![0; width];
    let mut above: Vec<usize> = (0..width).collect();
    for i in 1..=a.len() {
        let mut row = vec![i; width];
        for j in 1..width {
            let replace = above[j - 1] + usize::from(a[i - 1] != b[j - 1]);
            row[j] = replace.min(above[j] + 1).min(row[j - 1] + 1);
            if i > 1 && j > 1 && a[i - 1] == b[j - 2] && a[i - 2] == b[j - 1] {
                row[j] = row[j].min(before[j - 2] + 1);
            }
        }
        before = std::mem::replace(&mut above, row);
    }
    above[b.len()]
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Kukich 1992, "Techniques for automatically correcting words in text":
    /// about 80 % of misspellings are one of the four single slips.
    #[test]
    fn the_word_meant_is_found() {
        let keys = [
            "travel",
            "speed",
            "acceleration",
            "carries",
            "on-failure",
            "n",
        ];
        let cases = [
            ("travle", Some("travel")),
            ("travl", Some("travel")),
            ("sspeed", Some("speed")),
            ("Speed", Some("speed")),
            ("on_failure", Some("on-failure")),
            ("aceleraton", Some("acceleration")),
            ("x", None),
            ("", None),
            ("wavelength", None),
            ("spot", None),
        ];
        for (written, meant) in cases {
            assert_eq!(nearest(written, keys), meant, "{written}");
        }
    }

    #[test]
    fn a_swap_is_one_slip() {
        let of = |a: &str, b: &str| {
            distance(
                &a.chars().collect::<Vec<_>>(),
                &b.chars().collect::<Vec<_>>(),
            )
        };
        assert_eq!(of("ab", "ba"), 1);
        assert_eq!(of("ca", "abc"), 3); // optimal string alignment, not Damerau's 2
        assert_eq!(of("kitten", "sitting"), 3); // Levenshtein's textbook pair
    }
}
