//! Names of serial ports: those that last, and those that the kernel gives anew
//! with every plug.
//!
//! Called by: service, at start. Not here: the warning about a file (plan).

use std::path::{Path, PathBuf};

use crate::plan::card::{Card, PortAddress};
use crate::plan::port_file;

/// Where the system keeps lasting names: by the adapter's own serial number, and,
/// for adapters that have none, by the socket that they are plugged into.
const LASTING: [&str; 2] = ["/dev/serial/by-id", "/dev/serial/by-path"];
/// Names that are looked through in each of them.
const LOOKED_AT_MOST: usize = 1000;

/// What is to be said of ports whose names do not last.
pub fn passing(card: &Card) -> Vec<String> {
    let folders = LASTING.map(Path::new);
    let paths = card.ports.iter().filter_map(|port| match &port.at {
        PortAddress::Serial { path, .. } if port_file::is_passing(path) => Some((port, path)),
        _ => None,
    });
    paths
        .map(|(port, path)| said(&port.name, path, &lasting(Path::new(path), &folders)))
        .collect()
}

fn said(port: &str, path: &str, names: &[PathBuf]) -> String {
    let names: Vec<String> = names
        .iter()
        .map(|name| name.display().to_string())
        .collect();
    let instead = match names.as_slice() {
        [] => "nothing below /dev/serial points there now".to_owned(),
        names => format!("write {}", names.join(" or ")),
    };
    format!(
        "the port `{port}` is `{path}`, which may be another device after the next start or when \
         its plug was pulled; {instead}"
    )
}

/// The names in these folders that lead to the same device.
fn lasting(path: &Path, folders: &[&Path]) -> Vec<PathBuf> {
    let Ok(device) = path.canonicalize() else {
        return Vec::new();
    };
    let mut found = Vec::new();
    for folder in folders {
        // Without any adapter the folder is not there either.
        let Ok(entries) = std::fs::read_dir(folder) else {
            continue;
        };
        let names = entries.take(LOOKED_AT_MOST).flatten();
        let mut names: Vec<PathBuf> = names
            .map(|entry| entry.path())
            .filter(|name| name.canonicalize().is_ok_and(|leads_to| leads_to == device))
            .collect();
        names.sort();
        found.extend(names);
    }
    found
}

#[cfg(test)]
mod tests {
    use std::os::unix::fs::symlink;

    use super::*;
    use crate::plan::samples;

    #[test]
    fn the_names_that_lead_to_a_port_are_told() {
        let dev = tempfile::tempdir().expect("a folder");
        let at = |name: &str| dev.path().join(name);
        for name in ["by-id", "by-path"] {
            std::fs::create_dir(at(name)).expect("a folder");
        }
        for name in ["tty0", "tty1"] {
            std::fs::write(at(name), "").expect("a device");
        }
        symlink("../tty0", at("by-id/usb-0107-if00")).expect("a link");
        symlink("../tty1", at("by-id/usb-0042-if00")).expect("a link");
        symlink("../gone", at("by-id/usb-0001-if00")).expect("a link");
        symlink("../tty0", at("by-path/pci-0-usb-0:1")).expect("a link");
        let (by_id, by_path, none) = (at("by-id"), at("by-path"), at("none"));
        let folders = [none.as_path(), by_id.as_path(), by_path.as_path()];
        let names = lasting(&at("tty0"), &folders);
        assert_eq!(
            names,
            [at("by-id/usb-0107-if00"), at("by-path/pci-0-usb-0:1")]
        );
        assert_eq!(lasting(&at("tty7"), &folders), Vec::<PathBuf>::new());
        let begins = "the port `lux` is `/dev/ttyUSB0`, which may be another device";
        let words = said(
            "lux",
            "/dev/ttyUSB0",
            &[PathBuf::from("/a"), PathBuf::from("/b")],
        );
        assert!(
            words.starts_with(begins) && words.ends_with("; write /a or /b"),
            "{words}"
        );
    }

    #[test]
    fn only_names_that_do_not_last_are_told() {
        let mut card = samples::card();
        assert_eq!(passing(&card), Vec::<String>::new());
        card.ports[0].at = PortAddress::Serial {
            path: "/dev/ttyACM12345".to_owned(),
            baud: 115_200,
            framing: Default::default(),
        };
        let told = passing(&card);
        assert_eq!(told.len(), 1, "{told:?}");
        assert!(
            told[0].ends_with("nothing below /dev/serial points there now"),
            "{told:?}"
        );
    }
}
