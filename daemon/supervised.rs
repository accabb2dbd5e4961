//! Tells whoever supervises the daemon that it is ready, alive, and leaving.
//!
//! The protocol is that of sd_notify(3) and sd_watchdog_enabled(3): datagrams to
//! the socket named by the environment. Alive means that every bench's
//! attendant has just answered out of its own loop: a thread that only ticks
//! would go on beside a loop that hangs. A write that hangs counts as not
//! alive, so the limit must be longer than a slow disk takes.
//!
//! Called by: service. Not here: what an attendant answers (attendant).

use std::os::linux::net::SocketAddrExt;
use std::os::unix::net::{SocketAddr, UnixDatagram};
use std::sync::Arc;
use std::time::Duration;

use drivers::clock::Clock;
use photometry::units::Span;

use crate::queue::keeper::Keeper;

/// Where to tell it.
const SOCKET: &str = "NOTIFY_SOCKET";
/// Within how many microseconds it must be told again.
const WITHIN: &str = "WATCHDOG_USEC";
/// Of which process that is asked.
const OF: &str = "WATCHDOG_PID";
/// Questions within the limit, so that one late answer is forgiven.
const QUESTIONS_WITHIN: i64 = 4;

/// Whoever supervises this process.
pub struct Supervisor {
    socket: UnixDatagram,
    within: Option<Span>,
}

impl Supervisor {
    /// As the environment says; none where nobody supervises.
    pub fn of_process() -> Option<Supervisor> {
        let set = |name| std::env::var(name).ok().filter(|text| !text.is_empty());
        let name = set(SOCKET)?;
        let socket = match connected(&name) {
            Ok(socket) => socket,
            Err(error) => {
                tracing::warn!(%error, "{SOCKET} names {name}, which cannot be reached");
                return None;
            }
        };
        let mine = set(OF).is_none_or(|pid| pid == std::process::id().to_string());
        let within = set(WITHIN).filter(|_| mine).and_then(|us| us.parse().ok());
        Some(Supervisor {
            socket,
            within: within
                .map(|us: i64| Span::from_ns(us.saturating_mul(1000)))
                .filter(|within| within.ns() > 0),
        })
    }

    /// Tells a state, such as `READY=1`. A supervisor that is gone is no fault
    /// of the night's work.
    pub fn tell(&self, state: &str) {
        if let Err(error) = self.socket.send(state.as_bytes()) {
            tracing::debug!(%error, "the supervisor does not hear `{state}`");
        }
    }

    /// Tells again and again that the daemon is alive, as long as it is; ends
    /// at once where nobody asks for it.
    pub async fn watch(self: Arc<Supervisor>, keeper: Arc<Keeper>) {
        let Some(within) = self.within else { return };
        let pause = Span::from_ns(within.ns() / QUESTIONS_WITHIN);
        let clock = Clock::wall();
        let mut seat = clock.seat("watchdog");
        let mut told = Vec::new();
        loop {
            let silent = keeper.silent();
            if silent.is_empty() {
                self.tell("WATCHDOG=1");
            } else if silent != told {
                tracing::error!(benches = silent.join(", "), "an attendant does not answer");
            }
            told = silent;
            let until = clock.now().mono + pause;
            // Nobody rings this bell, so the wait is whole.
            seat.wait_async(Some(until)).await;
        }
    }
}

/// A path, or a name in the abstract space behind an `@` (unix(7)).
fn connected(name: &str) -> std::io::Result<UnixDatagram> {
    let address = match name.strip_prefix('@') {
        Some(name) => SocketAddr::from_abstract_name(name)?,
        None => SocketAddr::from_pathname(name)?,
    };
    let socket = UnixDatagram::unbound()?;
    socket.connect_addr(&address)?;
    // A supervisor that does not read must not hold the daemon.
    socket.set_write_timeout(Some(Duration::from_millis(100)))?;
    Ok(socket)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn both_kinds_of_socket_hear_what_is_told() {
        let folder = tempfile::tempdir().expect("a folder");
        let path = folder.path().join("told");
        let name = format!("wakerail-test-{}", std::process::id());
        let abstract_address = SocketAddr::from_abstract_name(&name).expect("a name");
        let ears = [
            (
                path.to_string_lossy().into_owned(),
                UnixDatagram::bind(&path).expect("bound"),
            ),
            (
                format!("@{name}"),
                UnixDatagram::bind_addr(&abstract_address).expect("bound"),
            ),
        ];
        for (name, ear) in ears {
            let supervisor = Supervisor {
                socket: connected(&name).expect("connected"),
                within: None,
            };
            supervisor.tell("READY=1");
            let mut heard = [0; 32];
            let bytes = ear.recv(&mut heard).expect("heard");
            assert_eq!(&heard[..bytes], b"READY=1");
        }
        assert!(connected("/nowhere/at/all").is_err());
    }
}
