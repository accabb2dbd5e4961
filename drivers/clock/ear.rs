//! What a waiting seat listens to: bytes.
//!
//! On the wall clock an ear is a file descriptor that the kernel watches; in a
//! simulation it is the ledger of a wire, so that readiness never depends on
//! how fast the kernel moves bytes. Links and device ends hand out ears;
//! seats wait on them. Not here: reading the bytes.

use std::os::fd::OwnedFd;
use std::sync::{Arc, Weak};

use crate::link::wire::Lane;

/// Says when bytes are there, or when the other side has hung up.
#[derive(Clone, Debug)]
pub struct Ear(pub(super) Source);

#[derive(Clone, Debug)]
pub(super) enum Source {
    /// A descriptor to poll. Weak, so that an ear never keeps a port open; a
    /// closed port counts as ready, since its read ends at once.
    Descriptor(Weak<OwnedFd>),
    /// The direction of a wire that this end reads.
    Lane(Arc<Lane>),
}

impl Ear {
    /// Listens to a descriptor (wall clock only; in a simulation such an ear
    /// never hears anything, as no link hands one out there).
    pub(crate) fn of_descriptor(descriptor: &Arc<OwnedFd>) -> Ear {
        Ear(Source::Descriptor(Arc::downgrade(descriptor)))
    }

    /// Listens to what is not there: ready at once, as a closed port is.
    pub(crate) fn of_nothing() -> Ear {
        Ear(Source::Descriptor(Weak::new()))
    }

    /// Listens to one direction of a wire.
    pub(crate) fn of_lane(lane: &Arc<Lane>) -> Ear {
        Ear(Source::Lane(Arc::clone(lane)))
    }

    /// The wire's direction, for the simulated clock.
    pub(super) fn lane(&self) -> Option<Arc<Lane>> {
        match &self.0 {
            Source::Lane(lane) => Some(Arc::clone(lane)),
            Source::Descriptor(_) => None,
        }
    }
}
