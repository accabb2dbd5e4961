//! Wires the daemon: data directory, lock, record, benches, attendants, the
//! keeper, the socket; and takes it down again in the reverse order.
//!
//! ```text
//!  lock ─► record ─► clock ─► for each bench: seats, instruments, attendant
//!                                   └─► keeper ─► HTTP on <data>/socket/
//!  first signal: no more orders, benches made safe, seams written, exit 0
//!  second signal: exit at once, and say that nothing was made safe
//! ```
//!
//! Called by: main (`serve`), cli::demo. Not here: what any of them does.

use std::collections::BTreeMap;
use std::fs::{File, TryLockError};
use std::io::{Read, Seek, Write};
use std::os::unix::fs::{DirBuilderExt, PermissionsExt};
use std::path::Path;
use std::sync::Arc;

use drivers::clock::{Clock, Seat};
use drivers::simulated::bench::SimulatedBench;
use photometry::units::Wall;
use tokio::net::UnixListener;
use tokio::task::JoinHandle;
use tokio_util::sync::CancellationToken;

use crate::attendant::work::Attendant;
use crate::bench::names;
use crate::bench::open::{Bench, seat_names};
use crate::bench::profiles;
use crate::cli::arguments::LogForm;
use crate::cli::complaint::Complaint;
use crate::cli::data_dir::{DataDir, SOCKET_PATH_BYTES_AT_MOST};
use crate::plan::card::Card;
use crate::plan::lamp::Lamp;
use crate::plan::placement::Placement;
use crate::queue::keeper::{Keeper, StandIn};
use crate::rehearsal;
pub use crate::store::check::Checked;
use crate::store::open::Store;
use crate::supervised::Supervisor;
use crate::web::serve::{self, Desk};

/// Where Linux tells which start of the machine this is (random(4)).
const BOOT_ID: &str = "/proc/sys/kernel/random/boot_id";
/// Only the user may enter.
const PRIVATE: u32 = 0o700;

/// What is to be served.
pub struct Order {
    /// Where the data are.
    pub data: DataDir,
    /// The benches.
    pub cards: Vec<Card>,
    /// The seed, when every port is answered by a simulated device.
    pub rehearse: Option<u64>,
}

/// A daemon at work.
pub struct Daemon {
    data: DataDir,
    store: Store,
    keeper: Arc<Keeper>,
    leaving: CancellationToken,
    attendants: Vec<JoinHandle<()>>,
    web: JoinHandle<std::io::Result<()>>,
    /// Dropped last: a device that is unplugged while its port is in use
    /// would be a fault of the bench.
    _simulated: Vec<SimulatedBench>,
    _lock: File,
}

/// Starts a daemon.
///
/// # Errors
/// Data that cannot be used, another daemon on them, a bench that cannot be
/// opened, or a socket that cannot be bound.
pub async fn start(order: Order) -> Result<Daemon, Complaint> {
    let Order {
        data,
        cards,
        rehearse,
    } = order;
    let lock = take_lock(&data)?;
    let listener = bind(&data)?;
    let path = data.database();
    let store = Store::open(&path)
        .await
        .map_err(|source| Complaint::Record {
            path,
            source: Box::new(source),
        })?;
    let clock = match rehearse {
        Some(_) => rehearsal::clock(last_recorded(&store).await?),
        None => Clock::wall(),
    };
    let mut desks = Vec::new();
    let mut attendants = Vec::new();
    let mut simulated = Vec::new();
    let mut worlds = BTreeMap::new();
    for mut card in cards {
        let name = card.name.clone();
        look_over(&mut card, rehearse.is_some());
        let opened = open_bench(&store, &clock, &data, &card, rehearse).await?;
        if let Some(bench) = opened.simulated {
            let world = bench.world().clone();
            worlds.insert(name.clone(), (world, card.clone(), opened.lamp));
            simulated.push(bench);
        }
        let (attendant, handle) = Attendant::new(opened.seat, opened.bench);
        desks.push((card, handle));
        attendants.push((name, attendant));
    }
    let names: Vec<String> = attendants.iter().map(|(name, _)| name.clone()).collect();
    let stand_in = rehearse
        .map(|_| -> Box<dyn StandIn> { Box::new(rehearsal::Hands::new(clock.clone(), worlds)) });
    let keeper = Keeper::new(store.clone(), clock, boot_id(), rehearse, desks, stand_in);
    let attendants = attendants
        .into_iter()
        .map(|(name, attendant)| tokio::spawn(attend(name, attendant, Arc::clone(&keeper))))
        .collect();
    for name in names {
        tokio::spawn(Arc::clone(&keeper).keep(name));
    }
    tokio::spawn(rule_on_the_rest(Arc::clone(&keeper)));
    let leaving = CancellationToken::new();
    let desk = Desk {
        keeper: Arc::clone(&keeper),
        store: store.clone(),
        leaving: leaving.clone(),
    };
    let web = tokio::spawn(serve::serve(listener, desk));
    Ok(Daemon {
        data,
        store,
        keeper,
        leaving,
        attendants,
        web,
        _simulated: simulated,
        _lock: lock,
    })
}

/// What is to be said of a bench before it is opened; in a rehearsal it is made
/// fit for simulated devices.
fn look_over(card: &mut Card, rehearsed: bool) {
    let name = card.name.clone();
    if !rehearsed {
        for said in names::passing(card) {
            tracing::warn!(bench = %name, "{said}");
        }
        return;
    }
    for device in profiles::for_rehearsal(card) {
        tracing::warn!(bench = %name, %device, "simulated: its own profile is not used");
    }
}

/// A bench that is open: its instruments, the attendant's seat, and the
/// simulated devices behind its ports, if they are.
struct Opened {
    seat: Seat,
    bench: Bench,
    simulated: Option<SimulatedBench>,
    /// The lamp that stands there, where devices are simulated.
    lamp: Option<Lamp>,
}

async fn open_bench(
    store: &Store,
    clock: &Clock,
    data: &DataDir,
    card: &Card,
    rehearse: Option<u64>,
) -> Result<Opened, Complaint> {
    let cannot = |source: Box<dyn std::error::Error + Send + Sync>| Complaint::Bench {
        bench: card.name.clone(),
        source,
    };
    let mut lamp = None;
    let (seats, elsewhere, simulated) = match rehearse {
        Some(seed) => {
            let placed = placed_on(store, card).await?;
            lamp = placed.as_ref().map(|(lamp, _)| lamp.clone());
            let placed = placed.as_ref().map(|(lamp, placement)| (lamp, placement));
            let rehearsed = rehearsal::start(clock, &data.rehearsal(), card, placed, seed)
                .map_err(|error| cannot(Box::new(error)))?;
            (rehearsed.seats, rehearsed.elsewhere, Some(rehearsed.bench))
        }
        None => {
            let names = seat_names(card);
            let names: Vec<&str> = names.iter().map(String::as_str).collect();
            (clock.seats(&names), BTreeMap::new(), None)
        }
    };
    let (seat, bench) =
        Bench::open(card, seats, &elsewhere).map_err(|error| cannot(Box::new(error)))?;
    Ok(Opened {
        seat,
        bench,
        simulated,
        lamp,
    })
}

impl Daemon {
    /// Serves until a signal; a second one ends it at once.
    ///
    /// # Errors
    /// The system gives no signals, the socket fails, or a second signal came
    /// before all benches were safe.
    pub async fn serve_until_told(mut self) -> Result<(), Complaint> {
        let mut signals = Signals::new()?;
        let supervisor = Supervisor::of_process().map(Arc::new);
        if let Some(supervisor) = &supervisor {
            supervisor.tell("READY=1");
            tokio::spawn(Arc::clone(supervisor).watch(Arc::clone(&self.keeper)));
        }
        tokio::select! {
            () = signals.next() => {}
            ended = &mut self.web => {
                let source = match ended {
                    Ok(Err(source)) => source,
                    Ok(Ok(())) => std::io::Error::other("the listener ended"),
                    Err(error) => std::io::Error::other(error),
                };
                tracing::error!(%source, "the socket failed; the daemon leaves");
                self.leave_unless_forced(&mut signals).await?;
                return Err(Complaint::System { doing: "listen at its socket", source });
            }
        }
        if let Some(supervisor) = &supervisor {
            supervisor.tell("STOPPING=1");
        }
        tracing::info!(
            "leaving: each bench finishes or abandons its action and is made safe; a second signal ends at once"
        );
        self.leave_unless_forced(&mut signals).await
    }

    /// Leaves; one more signal meanwhile ends it at once.
    ///
    /// # Errors
    /// That signal, or a bench that was out of service.
    pub async fn leave_unless_forced(self, signals: &mut Signals) -> Result<(), Complaint> {
        tokio::select! {
            left = self.leave() => left,
            () = signals.forced() => Err(Complaint::Forced),
        }
    }

    /// Makes every bench safe, writes the seams, and ends.
    ///
    /// # Errors
    /// A bench that went out of service: its run did not end as it should.
    pub async fn leave(self) -> Result<(), Complaint> {
        self.keeper.shut_down();
        for attendant in self.attendants {
            // A panic was told by `attend`; leaving goes on.
            let _ = attendant.await;
        }
        self.leaving.cancel();
        if !self.web.is_finished()
            && let Ok(Err(error)) = self.web.await
        {
            tracing::warn!(%error, "the socket failed while leaving");
        }
        self.keeper.settled().await;
        self.store.close().await;
        if let Err(error) = std::fs::remove_file(self.data.socket()) {
            tracing::debug!(%error, "the socket was not removed");
        }
        tracing::info!("left: runs that are not over go on at the next start");
        let out = self.keeper.benches().into_iter().find_map(|bench| {
            let bench_name = format!("bench `{}`", bench.card.name);
            bench.out_of_service.map(|why| (bench_name, why))
        });
        match out {
            Some((bench, why)) => Err(Complaint::BenchOut { bench, why }),
            None => Ok(()),
        }
    }

    /// Where it keeps its data.
    pub fn data(&self) -> &DataDir {
        &self.data
    }
}

/// SIGTERM, SIGINT, and SIGHUP: a terminal that goes away at night (a closed
/// lid, a lost connection) must not leave a bench that was not made safe.
pub struct Signals {
    terminate: tokio::signal::unix::Signal,
    interrupt: tokio::signal::unix::Signal,
    /// None where whoever started it wants it ignored (`nohup`).
    hangup: Option<tokio::signal::unix::Signal>,
}

/// Where Linux tells which signals were ignored from the start (proc(5)).
const STATUS: &str = "/proc/self/status";

/// Whether `SigIgn`, a mask in hexadecimal, has SIGHUP's bit, the lowest.
fn hangup_is_ignored(status: &str) -> bool {
    let mask = status
        .lines()
        .find_map(|line| line.strip_prefix("SigIgn:"))
        .and_then(|mask| u64::from_str_radix(mask.trim(), 16).ok());
    mask.is_some_and(|mask| mask & 1 == 1)
}

impl Signals {
    /// Listens from now on.
    ///
    /// # Errors
    /// When the system gives no signals.
    pub fn new() -> Result<Signals, Complaint> {
        use tokio::signal::unix::{SignalKind, signal};
        let none = |source| Complaint::System {
            doing: "listen for signals",
            source,
        };
        let status = std::fs::read_to_string(STATUS).unwrap_or_default();
        let hangup = match hangup_is_ignored(&status) {
            true => None,
            false => Some(signal(SignalKind::hangup()).map_err(none)?),
        };
        Ok(Signals {
            hangup,
            terminate: signal(SignalKind::terminate()).map_err(none)?,
            interrupt: signal(SignalKind::interrupt()).map_err(none)?,
        })
    }

    /// Waits for the next one.
    pub async fn next(&mut self) {
        let hangup = async {
            match &mut self.hangup {
                Some(hangup) => hangup.recv().await,
                None => std::future::pending().await,
            }
        };
        tokio::select! {
            _ = self.terminate.recv() => {}
            _ = self.interrupt.recv() => {}
            _ = hangup => {}
        }
    }

    /// Waits for one that ends at once. Never a hangup: one lost terminal may
    /// send two, from the kernel and from its shell.
    pub async fn forced(&mut self) {
        tokio::select! {
            _ = self.terminate.recv() => {}
            _ = self.interrupt.recv() => {}
        }
    }
}

async fn rule_on_the_rest(keeper: Arc<Keeper>) {
    if let Err(refusal) = keeper.rule_on_the_rest().await {
        tracing::error!(%refusal, "runs that are over could not be ruled on");
    }
}

/// Lets an attendant work in a task of its own, so that its panic is told and
/// puts its bench out of service.
async fn attend(bench: String, attendant: Attendant, keeper: Arc<Keeper>) {
    let why = match tokio::spawn(attendant.work()).await {
        Ok(Ok(())) => return,
        Ok(Err(error)) => format!("its record failed: {error}"),
        Err(error) => format!("a defect ended its attendant; LOOK AT THE BENCH: {error}"),
    };
    tracing::error!(%bench, "{why}");
    keeper.out_of_service(&bench, &why);
}

/// The lamp that stands on a bench, as recorded.
async fn placed_on(store: &Store, card: &Card) -> Result<Option<(Lamp, Placement)>, Complaint> {
    let unread = |source| Complaint::Record {
        path: store.file().to_owned(),
        source: Box::new(source),
    };
    for place in &card.places {
        let placement = store
            .placement_at(&card.name, &place.name)
            .await
            .map_err(unread)?;
        let Some((_, placement)) = placement else {
            continue;
        };
        let lamp = store.lamp(&placement.lamp).await.map_err(unread)?;
        if let Some((lamp, _)) = lamp {
            return Ok(Some((lamp, placement)));
        }
    }
    Ok(None)
}

/// The latest instant that the record knows.
async fn last_recorded(store: &Store) -> Result<Option<Wall>, Complaint> {
    let unread = |source| Complaint::Record {
        path: store.file().to_owned(),
        source: Box::new(source),
    };
    let mut last = None;
    for row in store.runs().await.map_err(unread)? {
        last = last.max(Some(row.booked)).max(row.begun).max(row.ended);
        if row.begun.is_some() && !row.state.is_over() {
            let events = store.events(row.id, 0, u32::MAX).await.map_err(unread)?;
            last = last.max(events.last().map(|event| event.at.wall));
        }
    }
    Ok(last)
}

/// Which start of the machine this is. Where the system does not tell, every
/// start of the daemon counts as another: runs are held rather than resumed.
fn boot_id() -> String {
    match std::fs::read_to_string(BOOT_ID) {
        Ok(id) => id.trim().to_owned(),
        Err(error) => {
            tracing::warn!(%error, "{BOOT_ID} cannot be read; begun runs will be held");
            format!("unknown, process {}", std::process::id())
        }
    }
}

/// Makes the data directory and takes its lock; the pid is written into it
/// for whoever comes second.
fn take_lock(data: &DataDir) -> Result<File, Complaint> {
    let unusable = |source| Complaint::DataDirectory {
        path: data.path().to_owned(),
        source,
    };
    private_folder(data.path()).map_err(unusable)?;
    let mut lock = File::options()
        .read(true)
        .write(true)
        .create(true)
        .truncate(false)
        .open(data.lock())
        .map_err(unusable)?;
    match lock.try_lock() {
        Ok(()) => {}
        Err(TryLockError::WouldBlock) => {
            let mut text = String::new();
            let pid = match lock.read_to_string(&mut text) {
                Ok(_) => text.trim().parse().ok(),
                Err(_) => None,
            };
            return Err(Complaint::AlreadyServed {
                path: data.path().to_owned(),
                pid,
            });
        }
        Err(TryLockError::Error(source)) => return Err(unusable(source)),
    }
    lock.set_len(0).map_err(unusable)?;
    lock.rewind().map_err(unusable)?;
    writeln!(lock, "{}", std::process::id()).map_err(unusable)?;
    Ok(lock)
}

/// Binds the socket. Called only under the lock, so a socket that is there
/// already was left by a daemon that died.
fn bind(data: &DataDir) -> Result<UnixListener, Complaint> {
    if !data.socket_fits() {
        return Err(Complaint::SocketPath {
            path: data.socket(),
            at_most: SOCKET_PATH_BYTES_AT_MOST,
        });
    }
    let unusable = |source| Complaint::DataDirectory {
        path: data.socket_folder(),
        source,
    };
    private_folder(&data.socket_folder()).map_err(unusable)?;
    let private = std::fs::Permissions::from_mode(PRIVATE);
    std::fs::set_permissions(data.socket_folder(), private).map_err(unusable)?;
    match std::fs::remove_file(data.socket()) {
        Ok(()) => {}
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => {}
        Err(source) => return Err(unusable(source)),
    }
    UnixListener::bind(data.socket()).map_err(unusable)
}

/// Makes a folder that only the user may enter, if it is not there.
fn private_folder(path: &Path) -> std::io::Result<()> {
    std::fs::DirBuilder::new()
        .recursive(true)
        .mode(PRIVATE)
        .create(path)
}

/// Looks the record of a data directory through; changes nothing, and needs no
/// daemon.
///
/// # Errors
/// When there is no record, or it cannot be opened.
pub async fn check_record(data: &DataDir) -> Result<Checked, Complaint> {
    let path = data.database();
    let unusable = |source| Complaint::Record {
        path: path.clone(),
        source: Box::new(source),
    };
    let store = Store::open_read_only(&path).await.map_err(unusable)?;
    let checked = store.check().await.map_err(unusable);
    store.close().await;
    checked
}

/// Today's date where this machine stands, `2026-11-25`.
pub fn today() -> String {
    let clock = Clock::wall();
    clock.civil(clock.now().wall).day_text()
}

/// The version of the SQLite that is built in.
///
/// # Errors
/// When it does not answer.
pub async fn sqlite_version() -> Result<String, Complaint> {
    crate::store::open::sqlite_version()
        .await
        .map_err(|error| Complaint::System {
            doing: "ask SQLite for its version",
            source: std::io::Error::other(error),
        })
}

/// Sends the log to stderr. `WAKERAIL_LOG` chooses what is logged, in the
/// form of tracing's directives.
pub fn log_to_stderr(form: LogForm, bold: bool, otherwise: &str) {
    use tracing_subscriber::EnvFilter;
    let filter =
        EnvFilter::try_from_env("WAKERAIL_LOG").unwrap_or_else(|_| EnvFilter::new(otherwise));
    let log = tracing_subscriber::fmt()
        .with_env_filter(filter)
        .with_writer(std::io::stderr)
        // It would be told on stderr as well, and a task panics when that
        // cannot be written: a lost terminal must not end an attendant.
        .log_internal_errors(false);
    // A second logger in one process (a test) is not installed; the first one
    // stays.
    let _ = match form {
        LogForm::Human => log.with_ansi(bold).with_target(false).try_init(),
        LogForm::Json => log.json().with_ansi(false).flatten_event(true).try_init(),
    };
}

#[cfg(test)]
mod tests {
    use super::hangup_is_ignored;

    #[test]
    fn an_ignored_hangup_is_the_lowest_bit() {
        for (mask, ignored) in [
            ("0000000000000001", true),
            ("0000000000001001", true),
            ("0000000000001000", false),
            ("0000000000000000", false),
            ("?", false),
        ] {
            let status = format!("Name:\twakerail\nSigIgn:\t{mask}\nSigCgt:\t0\n");
            assert_eq!(hangup_is_ignored(&status), ignored, "{mask}");
        }
        assert!(!hangup_is_ignored(""));
    }
}
