//! What goes over the links of a bench, where its file says that it is kept:
//! recorded by taps while instruments work, and cut into pieces of text.
//!
//! Called by: open, attendant (cuts), cli (reads the text). Not here: where pieces
//! are kept (store), when they are cut (attendant).

use std::collections::BTreeMap;

use drivers::link::session::{self, SessionError};
use drivers::link::tap::{Tap, Way};
use photometry::units::Mono;

use super::by_hand::{self, Said};
use crate::plan::card::Card;
use crate::run::traffic::Piece;

/// Bytes of one link that may wait to be cut.
const ROOM_BYTES: usize = 1 << 20;

/// The links whose traffic is kept; none on most benches.
#[derive(Debug, Default)]
pub struct Kept {
    links: BTreeMap<String, KeptLink>,
    /// The run's beginning on this sitting's clock.
    zero: Mono,
    sitting: u32,
}

#[derive(Debug)]
struct KeptLink {
    tap: Tap,
    /// Bytes that went over it in this sitting until the last cut.
    gone: u64,
}

impl Kept {
    /// Of a card.
    pub(super) fn of(card: &Card) -> Kept {
        let kept = |port: &str| {
            let port = card.ports.iter().find(|known| known.name == port);
            port.is_some_and(|port| port.traffic_kept)
        };
        let devices = by_hand::devices(card).into_iter();
        let devices = devices.filter(|device| kept(&device.port));
        let link = || KeptLink {
            tap: Tap::with_room(ROOM_BYTES),
            gone: 0,
        };
        Kept {
            links: devices.map(|device| (device.name, link())).collect(),
            ..Kept::default()
        }
    }

    /// The taps of the links.
    pub(super) fn taps(&self) -> BTreeMap<String, Tap> {
        let taps = self.links.iter();
        taps.map(|(name, link)| (name.clone(), link.tap.clone()))
            .collect()
    }

    /// Nothing is to be kept.
    pub fn is_none(&self) -> bool {
        self.links.is_empty()
    }

    /// A sitting of a run begins; what went before is no part of it. `zero` is
    /// the run's beginning on this sitting's clock.
    pub fn begin(&mut self, sitting: u32, zero: Mono) {
        (self.sitting, self.zero) = (sitting, zero);
        for link in self.links.values_mut() {
            link.tap.take();
            link.gone = 0;
        }
    }

    /// Bytes that wait on the fullest link.
    pub fn waiting_bytes(&self) -> usize {
        let links = self.links.values();
        links
            .map(|link| link.tap.waiting_bytes())
            .max()
            .unwrap_or(0)
    }

    /// What went over each link since the last cut; none of a link where nothing did.
    pub fn cut(&mut self) -> Vec<Piece> {
        let (zero, sitting) = (self.zero, self.sitting);
        let links = self.links.iter_mut();
        let pieces = links.filter_map(|(device, link)| {
            let traffic = link.tap.take();
            let (first, last) = (traffic.chunks.first()?, traffic.chunks.last()?);
            let (from, to) = (first.at.mono.since(zero), last.at.mono.since(zero));
            let mut text = String::new();
            for chunk in &traffic.chunks {
                session::write(
                    &mut text,
                    chunk.at.mono.since(zero),
                    chunk.way,
                    &chunk.bytes,
                );
            }
            let (begins_at, bytes) = (link.gone, traffic.kept_bytes() as u64);
            link.gone += bytes + traffic.not_kept_bytes;
            Some(Piece {
                device: device.clone(),
                sitting,
                from,
                to,
                begins_at,
                bytes,
                not_kept: traffic.not_kept_bytes,
                text,
            })
        });
        pieces.collect()
    }
}

/// The first line of a session's text.
pub const FIRST_LINE: &str = session::FIRST_LINE;

/// Reads the text of a piece.
///
/// # Errors
/// The first line that is none of a session.
pub fn read(text: &str) -> Result<Vec<Said>, SessionError> {
    let lines = session::read(&format!("{FIRST_LINE}\n{text}"))?;
    let said = |said: session::Said| Said {
        after: said.after,
        to_device: said.way == Way::To,
        bytes: said.bytes,
    };
    Ok(lines.into_iter().map(said).collect())
}
