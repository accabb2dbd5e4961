//! Answers that a person's own words contradict: not done yet, another level,
//! another time. They are refused, and the question stays open. Pure.
//!
//! Called by: verbs. Not here: whether what was asked for was done (the attendant
//! looks at the light).

/// First words by which an answer says that it is not done.
const NOT_DONE: [&str; 9] = [
    "no", "not", "nope", "never", "wait", "later", "cannot", "can't", "couldn't",
];

/// Why an answer is none to this question, as the rest of a sentence; none where
/// nothing in it speaks against it.
pub fn refused(question: &str, answer: &str) -> Option<String> {
    let words = answer.to_lowercase();
    let is_of_word = |c: char| c.is_alphanumeric() || c == '\'';
    let first = words
        .split(|c| !is_of_word(c))
        .find(|word| !word.is_empty());
    if first.is_some_and(|word| NOT_DONE.contains(&word)) {
        return Some("waits for what it asked: the answer says that it is not done".to_owned());
    }
    let differs = |what: &str, asked: Option<String>, told: &[String]| {
        let asked = asked.filter(|asked| !told.contains(asked))?;
        let told = told.first()?;
        Some(format!(
            "waits for what it asked: it asks for {what}{asked}, and the answer says {what}{told}"
        ))
    };
    let told: Vec<String> = level(&words).into_iter().collect();
    let levels = differs("level ", level(question), &told);
    levels.or_else(|| differs("", times(question).pop(), &times(&words)))
}

/// `7` of `level 7` or `level is 7`, the last one named.
fn level(text: &str) -> Option<String> {
    let (_, rest) = text.rsplit_once("level ")?;
    let rest = rest.strip_prefix("is ").unwrap_or(rest);
    let end = rest.find(|c: char| !c.is_ascii_digit());
    let number: u32 = rest[..end.unwrap_or(rest.len())].parse().ok()?;
    Some(number.to_string())
}

/// Times of day that are named, `06:30`; `6:30` is the same.
fn times(text: &str) -> Vec<String> {
    let words = text.split(|c: char| !c.is_ascii_digit() && c != ':');
    let time = |word: &str| {
        let (hour, minute) = word.split_once(':')?;
        let digits = hour.len() <= 2 && minute.len() == 2;
        let (hour, minute): (u8, u8) = (hour.parse().ok()?, minute.parse().ok()?);
        digits.then(|| format!("{hour:02}:{minute:02}"))
    };
    words.filter_map(time).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_answer_that_contradicts_its_question_is_refused() {
        let level = "The light did not change. Set the lamp to level 7, then answer.";
        let alarm = "Set the lamp's clock to the time of this bench, its alarm for `dawn` to \
                     06:30, arm it, switch the lamp off, then answer.";
        let cap = "Put the cap on the meter `lux-head`, then answer.";
        let cases = [
            (level, "", true),
            (level, "done as asked", true),
            (level, "level is 7", true),
            (level, "Level 07", true),
            (level, "it is at the level now", true),
            (level, "notch 7 of 12", true),
            (level, "level is 3", false),
            (level, "No, it does not light", false),
            (level, "not yet", false),
            (level, "can't find the ring", false),
            (alarm, "armed for 06:30", true),
            (alarm, "6:30, armed", true),
            (alarm, "armed at 20:14:31 for the morning", true),
            (alarm, "at 20:14, for 06:30", true),
            (alarm, "armed for 07:30", false),
            (alarm, "wait", false),
            (cap, "level 3 or 12:30, who knows", true),
            (cap, "nobody saw the cap fall: it is on", true),
            (cap, "\u{e9}\u{1f514}:30", true),
        ];
        for (question, answer, taken) in cases {
            let found = refused(question, answer);
            assert_eq!(found.is_none(), taken, "{answer}: {found:?}");
        }
        let told = [(level, "level is 3"), (alarm, "7:30"), (cap, "No.")];
        let told: Vec<String> = told
            .iter()
            .filter_map(|(question, answer)| refused(question, answer))
            .collect();
        assert_eq!(
            told,
            [
                "waits for what it asked: it asks for level 7, and the answer says level 3",
                "waits for what it asked: it asks for 06:30, and the answer says 07:30",
                "waits for what it asked: the answer says that it is not done",
            ]
        );
    }
}
