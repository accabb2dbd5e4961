//! Lines of plain text: broken at the width of a screen, hanging under a mark.
//!
//! Called by: tonight, morning.

/// A screen's width, in characters.
const WIDTH: usize = 80;

/// Adds words behind `mark`; what does not fit stands under their beginning. A
/// word that is longer than a line stays whole.
pub fn hang(text: &mut String, mark: &str, words: &str) {
    let indent = mark.chars().count();
    let mut line = mark.to_owned();
    let mut length = indent;
    for word in words.split_whitespace() {
        let long = word.chars().count();
        let first = length == indent;
        if !first && length + 1 + long > WIDTH {
            text.push_str(line.trim_end());
            text.push('\n');
            line = " ".repeat(indent);
            length = indent;
        }
        if length > indent {
            line.push(' ');
            length += 1;
        }
        line.push_str(word);
        length += long;
    }
    text.push_str(line.trim_end());
    text.push('\n');
}

/// Adds tasks with their numbers, each with its commands below.
pub fn tasks(text: &mut String, tasks: &[super::Task]) {
    for (at, task) in tasks.iter().enumerate() {
        hang(text, &format!("{:>3}. ", at + 1), &task.words);
        for command in &task.commands {
            // A command stays on one line, to be copied.
            text.push_str(&format!("         {command}\n"));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_hang_under_their_mark_and_long_ones_stay_whole() {
        let mut text = String::new();
        let long = "x".repeat(90);
        hang(
            &mut text,
            "  - ",
            &format!("{} end {long} last", "word ".repeat(15)),
        );
        let lines: Vec<&str> = text.lines().collect();
        assert_eq!(lines.len(), 4, "{text}");
        assert!(lines[0].starts_with("  - word word"), "{text}");
        assert!(lines[0].len() <= WIDTH, "{text}");
        assert_eq!(lines[1], "    end");
        assert_eq!(lines[2], format!("    {long}"));
        assert_eq!(lines[3], "    last");
    }
}
