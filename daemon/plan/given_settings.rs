//! The values that a bench file gives to settings of a device's profile.
//!
//! ```yaml
//! meters:
//!   lux-head: {port: meter-port, profile: tern.yaml, settings: {gain: 4}}
//! ```
//!
//! Called by: bench_file. Not here: whether the profile has such a setting and takes
//! such a value, which is asked of [`super::profiles::Profiles`].

use written::{Kind, Mistake, Mistakes, Node, Place, readers};

use super::profiles::GivenSetting;

/// What is given settings.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum DeviceKind {
    /// A meter, some of whose settings are keys of their own.
    Meter,
    /// Fingers or a rail.
    Other,
}

/// Settings of a meter that the bench file has keys of its own for.
const OWN_KEYS: [&str; 2] = ["integration", "averages"];

/// A reader of the key `settings`. What cannot be read is told and left out, so that
/// the rest is held against the profile.
pub(super) fn settings(
    kind: DeviceKind,
) -> impl Fn(Node<'_>, &mut Mistakes) -> Option<Vec<GivenSetting>> {
    move |node, mistakes| {
        if node.kind() != Kind::Map {
            let wanted = "settings by their names, `{gain: 4}`";
            mistakes.add(readers::must_be(node, wanted));
            return None;
        }
        let read = node.entries().filter_map(|(key, value)| {
            let name = readers::name(key, mistakes)?;
            if kind == DeviceKind::Meter && OWN_KEYS.contains(&name.as_str()) {
                let text = format!("`{name}` of a meter is no key of `settings`");
                mistakes.add(
                    Mistake::new(key.place(), "own-key", text)
                        .hint(format!("write `{name}: ...` as a key of the meter itself")),
                );
                return None;
            }
            let value = readers::text(value, mistakes)?;
            Some(GivenSetting { name, value })
        });
        Some(read.collect())
    }
}

/// Where each of a device's settings stands: its name, the place of the name, and
/// that of the value.
pub(super) fn places(device: Node<'_>) -> Vec<(String, Place, Place)> {
    let settings = device.get("settings").into_iter();
    let settings = settings.flat_map(|settings| settings.entries());
    settings
        .filter_map(|(key, value)| Some((key.text()?.to_owned(), key.place(), value.place())))
        .collect()
}
