//! What a person is asked, in words that can be followed at midnight.

use crate::plan::itinerary::Question;

/// The words of a question.
pub fn words(question: &Question) -> String {
    match question {
        Question::CoverMeter(meter) => {
            format!("Put the cap on the meter `{meter}`, then answer.")
        }
        Question::UncoverMeter(meter) => {
            format!("Take the cap off the meter `{meter}`, leave the room dark, then answer.")
        }
        Question::MountReference { reference, place } => format!(
            "Put the reference lamp `{reference}` into the sphere `{place}`, switched off, close \
             the sphere, then answer. Let it cool before it is touched."
        ),
        Question::MountUnit { unit, place } => format!(
            "Take out what is in the sphere `{place}`, put unit `{unit}` in as it is used, \
             switched off, close the sphere, then answer. Let a lamp cool before it is touched."
        ),
        Question::SetAlarm { program, minute } => format!(
            "Set the lamp's clock to the time of this bench, its alarm for `{program}` to \
             {:02}:{:02}, arm it, switch the lamp off, then answer.",
            minute / 60,
            minute % 60
        ),
        Question::SwitchByHand { lamp, on } => format!(
            "Switch {lamp} {}, then answer.",
            if *on { "on" } else { "off" }
        ),
    }
}
