//! The ports of a bench file: a serial line, a socket, or a program.
//!
//! ```yaml
//! ports:
//!   rail-port: {serial: /dev/serial/by-id/usb-rail-0042-if00, baud: 115200, traffic: kept}
//!   finger-port: {tcp: "192.0.2.10:502", unit: 3}
//!   lux-port: {program: /usr/local/bin/lux-once}
//! ```
//!
//! Called by: bench_file. Not here: that each is used once (bench_file).

use written::{Fields, Mistake, Mistakes, Node, readers};

use super::card::{Framing, Port, PortAddress};

/// The keys that say where a port is.
const WHERE: [&str; 3] = ["serial", "tcp", "program"];

/// Whether what goes over a link is kept.
const TRAFFIC: [(&str, bool); 2] = [("kept", true), ("not kept", false)];

/// What each kind of port has besides, and how it is called.
fn others(kind: &str) -> (&'static [&'static str], &'static str) {
    match kind {
        "serial" => (&["baud", "framing", "unit", "traffic"], "a serial line"),
        "tcp" => (&["unit", "frames", "traffic"], "a socket"),
        _ => (&[], "a program"),
    }
}

/// One port.
pub(super) fn port(name: &str, node: Node<'_>, mistakes: &mut Mistakes) -> Option<Port> {
    let mut fields = Fields::of(node, &format!("the port `{name}`"), mistakes)?;
    let serial = fields.may("serial", readers::text);
    let tcp = fields.may(
        "tcp",
        readers::checked(readers::text, |text| host_port(text)),
    );
    let program = fields.may(
        "program",
        readers::checked(readers::text, |path| program(path)),
    );
    let baud = fields.may_or("baud", readers::integer_in(300..=4_000_000), 115_200);
    let framing = fields.may_or(
        "framing",
        readers::one_of(Framing::WORDS),
        Framing::default(),
    );
    let unit = fields.may("unit", readers::integer_in(1..=247));
    let serial_frames = fields.may("frames", readers::one_of(&[("serial", true)]));
    let traffic_kept = fields.may_or("traffic", readers::one_of(&TRAFFIC), false);
    let written: Vec<&str> = WHERE
        .into_iter()
        .filter(|key| node.get(key).is_some())
        .collect();
    let is_one = one_place(name, node, &written, fields.mistakes());
    if let Some(path) = &serial {
        stable(path, node, fields.mistakes());
    }
    fields.finish();
    let at = match (serial, tcp, program) {
        (Some(path), _, _) => Some(PortAddress::Serial {
            path,
            baud: baud as u32,
            framing,
        }),
        (_, Some(host_port), _) => Some(PortAddress::Tcp { host_port }),
        (_, _, Some(path)) => Some(PortAddress::Program { path }),
        (None, None, None) => None,
    };
    Some(Port {
        name: name.to_owned(),
        at: at.filter(|_| is_one)?,
        unit: unit.map(|unit| unit as u8),
        serial_frames: serial_frames.unwrap_or(false),
        traffic_kept,
    })
}

/// Whether it says where it is, once, and has nothing that such a port has not.
fn one_place(name: &str, node: Node<'_>, written: &[&str], mistakes: &mut Mistakes) -> bool {
    let kind = match written {
        [kind] => *kind,
        [] => {
            let text = format!("the port `{name}` does not say where it is");
            mistakes.add(Mistake::new(node.place(), "no-address", text).hint(
                "write `serial: /dev/serial/by-id/...`, `tcp: host:5025` or `program: /path`",
            ));
            return false;
        }
        several => {
            let text = format!(
                "the port `{name}` is given twice: {}",
                several.join(" and ")
            );
            mistakes.add(Mistake::new(node.place(), "two-addresses", text));
            return false;
        }
    };
    let (has, what) = others(kind);
    for key in ["baud", "framing", "unit", "frames", "traffic"] {
        if let Some(value) = node.get(key).filter(|_| !has.contains(&key)) {
            let text = format!("{what} has no `{key}`");
            mistakes.add(Mistake::new(value.place(), "other-port", text).hint("leave it out"));
        }
    }
    true
}

/// Whether the kernel may give this name to another port when that one is plugged
/// in first.
pub fn is_passing(path: &str) -> bool {
    path.starts_with("/dev/ttyUSB") || path.starts_with("/dev/ttyACM")
}

fn stable(path: &str, node: Node<'_>, mistakes: &mut Mistakes) {
    if is_passing(path) {
        let place = node.get("serial").map_or(node.place(), Node::place);
        mistakes.add(
            Mistake::warning(
                place,
                "unstable-name",
                format!("`{path}` may be another device after the next start"),
            )
            .hint("use its name below /dev/serial/by-id/"),
        );
    }
}

fn host_port(text: &str) -> Result<(), String> {
    let port = text.rsplit_once(':').filter(|(host, _)| !host.is_empty());
    match port.and_then(|(_, port)| port.parse::<u16>().ok()) {
        Some(port) if port > 0 => Ok(()),
        _ => Err(format!(
            "`{text}` is no host with its port; write it as `192.0.2.10:5025`"
        )),
    }
}

fn program(path: &str) -> Result<(), String> {
    match path.starts_with('/') && !path.contains('\0') {
        true => Ok(()),
        false => Err(format!(
            "`{path}` is no whole path; write it from the root, such as `/usr/local/bin/lux-once`"
        )),
    }
}
