//! The test's own lamp and what stands before it: the only truth that a foreign
//! meter is asked for, and all that a foreign relay board works.
//!
//! ```text
//!  board: a coil closes ──► button ──► level ─┐
//!                                             ├─► lux, kept ──► meter prints it
//!  rail: how far away ────────────────────────┘
//! ```
//!
//! A point source: E = I/d². Every reading is another number by its last digits,
//! so that none can stand for another in a record.

use std::collections::{BTreeSet, VecDeque};
use std::io::{BufRead, BufReader, Write};
use std::net::{TcpListener, TcpStream};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

/// What the buttons sit under: `power=round`, `brighter=left`, `dimmer=right` in
/// the channels of the bench file.
const POWER: u16 = 1;
const BRIGHTER: u16 = 2;
const DIMMER: u16 = 3;
/// Coils of the board.
const COILS: u16 = 8;
/// Levels of the lamp.
const LEVELS: u16 = 3;
/// Illuminance at 1 m, by level; 0 is off.
pub const AT_ONE_METRE: [f64; 4] = [0.0, 100.0, 447.0, 2000.0];
/// What comes in by the window, and what a closed shutter lets through.
const AMBIENT: f64 = 0.05;
const DARK: f64 = 0.002;

/// Later than any profile here waits for a reading: 2 s and its integration.
pub const LATE: Duration = Duration::from_millis(2500);

/// One reading that the meter was given.
#[derive(Clone, Copy, Debug)]
pub struct Given {
    /// What it was to print, lux; infinite for over range, no number for none.
    pub lux: f64,
    /// How much longer than its integration it was to take.
    pub late: Duration,
    /// The level that shone, 0 for none.
    pub level: u16,
    /// Whether its shutter was closed.
    pub dark: bool,
}

struct State {
    lit: bool,
    level: u16,
    closed: BTreeSet<u16>,
    /// A coil that stays as it is.
    stuck: Option<u16>,
    shutter: bool,
    /// Metres from the lamp.
    distance: Box<dyn Fn() -> f64 + Send>,
    /// What the next readings give instead.
    script: VecDeque<(f64, Duration)>,
    /// Which reading is late, counted from 0.
    late: Option<usize>,
    given: Vec<Given>,
    presses: u32,
}

/// A lamp, shared by the devices before it.
#[derive(Clone)]
pub struct Light(Arc<Mutex<State>>);

impl Light {
    /// A dark lamp at level 2, so many metres away.
    pub fn at(distance: impl Fn() -> f64 + Send + 'static) -> Light {
        Light(Arc::new(Mutex::new(State {
            lit: false,
            level: 2,
            closed: BTreeSet::new(),
            stuck: None,
            shutter: false,
            distance: Box::new(distance),
            script: VecDeque::new(),
            late: None,
            given: Vec::new(),
            presses: 0,
        })))
    }

    fn state(&self) -> MutexGuard<'_, State> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// The next reading gives this instead, so much later than it should.
    pub fn next(&self, lux: f64, late: Duration) {
        self.state().script.push_back((lux, late));
    }

    /// This reading, counted from 0, is right and comes too late.
    pub fn late(&self, reading: usize) {
        self.state().late = Some(reading);
    }

    /// From now on this coil stays as it is.
    pub fn stick(&self, coil: Option<u16>) {
        self.state().stuck = coil;
    }

    /// All that the meter was given so far.
    pub fn given(&self) -> Vec<Given> {
        self.state().given.clone()
    }

    /// Presses so far.
    pub fn presses(&self) -> u32 {
        self.state().presses
    }

    /// The coils that are closed.
    pub fn closed(&self) -> Vec<u16> {
        self.state().closed.iter().copied().collect()
    }

    /// The meter looks: one reading.
    pub fn reading(&self) -> Given {
        let mut state = self.state();
        let level = if state.lit { state.level } else { 0 };
        let no = state.given.len() as f64;
        let (lux, late) = match state.script.pop_front() {
            Some(scripted) => scripted,
            None if state.shutter => (DARK + no * 1e-9, Duration::ZERO),
            None => {
                let direct = AT_ONE_METRE[usize::from(level)] / (state.distance)().powi(2);
                (direct + AMBIENT + no * 1e-9, Duration::ZERO)
            }
        };
        let late = match state.late {
            Some(which) if which == state.given.len() => LATE,
            _ => late,
        };
        let dark = state.shutter;
        let given = Given {
            lux,
            late,
            level,
            dark,
        };
        state.given.push(given);
        given
    }

    /// The meter's shutter.
    pub fn shutter(&self, closed: bool) {
        self.state().shutter = closed;
    }

    /// A coil closes or opens; false when the board has none of that number.
    pub fn coil(&self, coil: u16, closed: bool) -> bool {
        if !(1..=COILS).contains(&coil) {
            return false;
        }
        let mut state = self.state();
        if state.stuck == Some(coil) {
            // It says nothing of it.
        } else if !closed {
            state.closed.remove(&coil);
        } else if state.closed.insert(coil) {
            state.presses += 1;
            match coil {
                POWER => state.lit = !state.lit,
                BRIGHTER if state.lit => state.level = LEVELS.min(state.level + 1),
                DIMMER if state.lit => state.level = 1.max(state.level - 1),
                _ => {}
            }
        }
        true
    }

    /// All coils open.
    pub fn open_all(&self) {
        let mut state = self.state();
        let stuck = state.stuck;
        state.closed.retain(|coil| Some(*coil) == stuck);
    }

    /// Whether a coil is closed; none when the board has none of that number.
    pub fn is_closed(&self, coil: u16) -> Option<bool> {
        (1..=COILS)
            .contains(&coil)
            .then(|| self.state().closed.contains(&coil))
    }

    /// Serves it to devices of another process, a word a line; the port.
    pub fn serve(&self) -> u16 {
        let listener = TcpListener::bind("127.0.0.1:0").expect("a port");
        let port = listener.local_addr().expect("an address").port();
        let light = self.clone();
        std::thread::spawn(move || {
            for stream in listener.incoming().flatten() {
                let light = light.clone();
                std::thread::spawn(move || light.answer(stream));
            }
        });
        port
    }

    fn answer(&self, stream: TcpStream) {
        let Ok(mut out) = stream.try_clone() else {
            return;
        };
        for line in BufReader::new(stream).lines() {
            let Ok(line) = line else { return };
            let words: Vec<&str> = line.split(' ').collect();
            let number = |at: usize| words.get(at).and_then(|word| word.parse::<u16>().ok());
            let answer = match (words[0], number(1), number(2)) {
                ("reading", ..) => {
                    let given = self.reading();
                    // Rust's shortest digits that read back the same.
                    format!("{} {}", given.lux, given.late.as_secs_f64())
                }
                ("shutter", Some(closed), _) => {
                    self.shutter(closed == 1);
                    "ok".to_owned()
                }
                ("coil", Some(coil), Some(closed)) => match self.coil(coil, closed == 1) {
                    true => "ok".to_owned(),
                    false => "none".to_owned(),
                },
                ("coil", Some(coil), None) => match self.is_closed(coil) {
                    Some(closed) => u8::from(closed).to_string(),
                    None => "none".to_owned(),
                },
                ("open-all", ..) => {
                    self.open_all();
                    "ok".to_owned()
                }
                _ => panic!("the foreign device asked `{line}`"),
            };
            if out.write_all(format!("{answer}\n").as_bytes()).is_err() {
                return;
            }
        }
    }
}
