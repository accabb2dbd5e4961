//! What a person is asked, in words that can be followed at midnight.

use crate::plan::intent::of_day;
use crate::plan::itinerary::Question;
use crate::plan::print::to_do;

/// The words of a question.
pub fn words(question: &Question) -> String {
    match question {
        Question::CoverMeter(_) | Question::SwitchByHand { .. } => {
            format!("{}, then answer.", to_do(question))
        }
        Question::UncoverMeter(_) => {
            format!("{}, leave the room dark, then answer.", to_do(question))
        }
        Question::MountReference { .. } => format!(
            "{}, switched off, close the sphere, then answer. Let it cool before it is touched.",
            to_do(question)
        ),
        Question::MountUnit { unit, place } => format!(
            "Take out what is in the sphere `{place}`, put unit `{unit}` in as it is used, \
             switched off, close the sphere, then answer. Let a lamp cool before it is touched."
        ),
        Question::SetAlarm { program, minute } => format!(
            "Set the lamp's clock to the time of this bench, its alarm for `{program}` to {}, arm \
             it, switch the lamp off, then answer.",
            of_day(*minute)
        ),
    }
}
