//! One conversation with a device: a seat to wait with, a link to speak over,
//! and what must be remembered between two questions.
//!
//! Cuts the bytes into lines or hands them over counted, stamps each piece at
//! its first byte, and gives up when the time is over or the caller has
//! withdrawn the request. Called by `line`, `block`, `ack` and `modbus`. Not here: what
//! a line or a frame means.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use photometry::measured::Moment;
use photometry::units::{Mono, Span};

use super::abort::Act;
use super::manner::Manner;
use super::scpi::Complaint;
use crate::clock::{Seat, Woken};
use crate::error::DriverError;
use crate::link::Link;

/// A longer line is thrown away, up to its end: no device of a bench sends one.
pub const LINE_AT_MOST_BYTES: usize = 4096;

/// Longest time for a line to leave: 4 kB take 4.3 s at 9600 baud.
const WRITE_WITHIN: Span = Span::from_secs(5);

/// Bytes taken from the link at once.
const READ_AT_MOST_BYTES: usize = 4096;
/// Reads until a link counts as empty: a wire holds 4 kB, a kernel queue 64 kB, and
/// a talker is not waited for. So many are made as well when a time is over: what
/// was there by then is an answer, and who talks faster than it is read is none.
const READS_AT_MOST: u32 = 16;

/// What a link must remember between questions. One per open link; a link that
/// is opened anew begins with a new one.
#[derive(Debug, Default)]
pub struct LinkState {
    /// A question was not answered in time: its answer may still come.
    pub(super) dirty: bool,
    /// Resyncs so far; also what the next token is made of.
    pub(super) resyncs: u64,
    /// How the device wants to be spoken to.
    pub(super) manner: Manner,
    /// What it is told before its thread is found again.
    pub(super) aborts: Arc<[Act]>,
    /// Nothing is sent before: the device rests.
    pub(super) rests_until: Mono,
    /// What Modbus must remember besides.
    pub(super) modbus: super::modbus::single::Memory,
    /// The answer that may still come is a block, none of whose bytes were taken.
    pub(super) late_block: bool,
    /// Bytes of a line or frame that has not ended.
    held: Vec<u8>,
    held_since: Moment,
    /// The line under way is too long and is being thrown away.
    overlong: bool,
    /// A time that is over, and how often was read since.
    overtime: (Mono, u32),
    counts: Counts,
    complaints: Vec<Complaint>,
}

/// Complaints of its device that a link remembers: the first ones.
const COMPLAINTS_AT_MOST: usize = 30;

/// Bytes that were no answer to anything; for the record.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Counts {
    /// Came before a question was asked, or during a resync.
    pub late_bytes: u64,
    /// Lines that were too long, or that no question wanted.
    pub dropped_bytes: u64,
}

impl Counts {
    /// All that was thrown away.
    pub const fn thrown(self) -> u64 {
        self.late_bytes + self.dropped_bytes
    }
}

impl LinkState {
    /// A fresh link.
    pub fn new() -> LinkState {
        LinkState::default()
    }

    /// True when the link must be resynchronised before the next question.
    pub fn is_dirty(&self) -> bool {
        self.dirty
    }

    /// How often the link was resynchronised.
    pub fn resyncs(&self) -> u64 {
        self.resyncs
    }

    /// Bytes that were thrown away so far.
    pub fn counts(&self) -> Counts {
        self.counts
    }

    /// What the device complained of since the link was opened, at most 30.
    pub fn complaints(&self) -> &[Complaint] {
        &self.complaints
    }

    /// Remembers a complaint.
    pub(super) fn complained(&mut self, complaint: &Complaint) {
        if self.complaints.len() < COMPLAINTS_AT_MOST {
            self.complaints.push(complaint.clone());
        }
    }
}

/// One line as it came.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Line {
    /// Every byte, end of line included.
    pub raw: Vec<u8>,
    /// When its first byte was there.
    pub taken: Moment,
}

impl Line {
    /// As text, without its end of line. What is no UTF-8 is taken as Latin-1,
    /// which cheap meters print: 0xB5 is `µ`.
    pub fn text(&self) -> String {
        text(&self.raw)
    }
}

/// The bytes of a line as text, without its end.
pub(crate) fn text(raw: &[u8]) -> String {
    let end = raw.iter().rposition(|b| !matches!(b, b'\n' | b'\r'));
    let line = &raw[..end.map_or(0, |at| at + 1)];
    match std::str::from_utf8(line) {
        Ok(text) => text.to_owned(),
        Err(_) => line.iter().copied().map(char::from).collect(),
    }
}

/// Never set: for what must not be abandoned.
static NEVER: AtomicBool = AtomicBool::new(false);

/// A seat, a link and its memory, for the time of one request.
pub struct Talk<'a> {
    pub(super) seat: &'a mut Seat,
    pub(super) link: &'a mut Link,
    abandon: &'a AtomicBool,
    pub(super) state: &'a mut LinkState,
}

impl<'a> Talk<'a> {
    /// `abandon` is set (and the seat's bell rung) by whoever withdraws the
    /// request.
    pub fn new(
        seat: &'a mut Seat,
        link: &'a mut Link,
        abandon: &'a AtomicBool,
        state: &'a mut LinkState,
    ) -> Talk<'a> {
        Talk {
            seat,
            link,
            abandon,
            state,
        }
    }

    /// The same conversation, deaf to being abandoned: for short acts that must
    /// not be cut in half, and for making safe.
    pub fn undisturbed(&mut self) -> Talk<'_> {
        Talk {
            seat: &mut *self.seat,
            link: &mut *self.link,
            abandon: &NEVER,
            state: &mut *self.state,
        }
    }

    /// From now on the device is spoken to like this. To be called after every
    /// opening of the link: a link's memory begins anew with it.
    pub fn follow(&mut self, manner: Manner) {
        self.state.manner = manner;
    }

    /// How the device is spoken to.
    pub fn manner(&self) -> &Manner {
        &self.state.manner
    }

    /// Waits until the device may be spoken to again.
    ///
    /// # Errors
    /// [`DriverError::Abandoned`].
    pub fn rest(&mut self) -> Result<(), DriverError> {
        self.pause(self.state.rests_until)
    }

    /// Now, on both clocks.
    pub fn now(&self) -> Moment {
        self.seat.now()
    }

    /// What the link remembers.
    pub fn state(&self) -> &LinkState {
        self.state
    }

    /// Sends bytes as they are; returns when they left.
    ///
    /// # Errors
    /// When the link fails or does not take them in 5 s.
    pub fn send(&mut self, bytes: &[u8]) -> Result<Moment, DriverError> {
        let asked = self.seat.now();
        self.link.write(self.seat, bytes, WRITE_WITHIN)?;
        Ok(asked)
    }

    /// Waits until `until`, listening to nothing.
    ///
    /// # Errors
    /// [`DriverError::Abandoned`].
    pub fn pause(&mut self, until: Mono) -> Result<(), DriverError> {
        loop {
            self.check_abandoned()?;
            if self.seat.wait(Some(until), None) == Woken::Due {
                return Ok(());
            }
        }
    }

    pub(super) fn check_abandoned(&self) -> Result<(), DriverError> {
        if self.abandon.load(Ordering::SeqCst) {
            return Err(DriverError::Abandoned);
        }
        Ok(())
    }

    /// The next exchange begins with a resync: something may still come, or the
    /// device may be in a state that nobody asked for.
    pub fn distrust(&mut self) {
        self.state.dirty = true;
    }

    /// Throws away what is there, a line under way included.
    ///
    /// # Errors
    /// When the link fails.
    pub fn drain(&mut self) -> Result<(), DriverError> {
        let mut thrown = std::mem::take(&mut self.state.held);
        for _ in 0..READS_AT_MOST {
            if self.link.read(&mut thrown, READ_AT_MOST_BYTES)? == 0 {
                break;
            }
        }
        self.state.overlong = false;
        self.state.counts.late_bytes += thrown.len() as u64;
        Ok(())
    }

    /// Takes the whole lines that came since the last answer; the rest is thrown
    /// away.
    ///
    /// # Errors
    /// When the link fails.
    pub(super) fn unasked_lines(&mut self) -> Result<Vec<Line>, DriverError> {
        for _ in 0..READS_AT_MOST {
            if self.link.read(&mut self.state.held, READ_AT_MOST_BYTES)? == 0 {
                break;
            }
        }
        let lines = std::iter::from_fn(|| self.whole_line()).collect();
        self.drain()?;
        Ok(lines)
    }

    /// The answer is there: a device that closes its connection now has done so,
    /// or will. What came with it stays.
    pub(super) fn answered(&mut self) {
        if self.state.manner.closes {
            self.link.close_until_written();
        }
    }

    /// Throws away what came since the last answer, and how many bytes that
    /// was: a device that speaks unasked has started anew, or gave an answer
    /// more than there were questions.
    ///
    /// # Errors
    /// When the link fails.
    pub fn unasked(&mut self) -> Result<u64, DriverError> {
        let before = self.state.counts.late_bytes;
        self.drain()?;
        Ok(self.state.counts.late_bytes - before)
    }

    /// Waits until at least `count` bytes are there that nobody took; false
    /// when `until` has come first. A device that sends more is read 4 kB at a
    /// time.
    ///
    /// # Errors
    /// When the link fails, or [`DriverError::Abandoned`].
    pub(super) fn has_bytes(&mut self, count: usize, until: Mono) -> Result<bool, DriverError> {
        loop {
            self.check_abandoned()?;
            if self.state.held.len() >= count {
                return Ok(true);
            }
            if !self.listen(until)? {
                return Ok(false);
            }
        }
    }

    /// Bytes that are there and that nobody took.
    pub(super) fn held(&self) -> &[u8] {
        &self.state.held
    }

    /// Takes the first `count` of the bytes that are there, or all, and when
    /// the first of them came.
    pub(super) fn take_held(&mut self, count: usize) -> (Vec<u8>, Moment) {
        let state = &mut *self.state;
        let count = count.min(state.held.len());
        let taken = state.held_since;
        // What is left came with the same read, or later.
        state.held_since = self.seat.now();
        (state.held.drain(..count).collect(), taken)
    }

    /// Counts bytes that came too late.
    pub(super) fn late_bytes(&mut self, count: usize) {
        self.state.counts.late_bytes += count as u64;
    }

    /// Counts bytes that nobody asked for.
    pub(super) fn dropped_bytes(&mut self, count: usize) {
        self.state.counts.dropped_bytes += count as u64;
    }

    /// Counts a line that nobody asked for.
    pub(crate) fn drop_line(&mut self, line: &Line) {
        self.state.counts.dropped_bytes += line.raw.len() as u64;
    }

    /// Counts a line that came too late.
    pub(super) fn late_line(&mut self, line: &Line) {
        self.state.counts.late_bytes += line.raw.len() as u64;
    }

    /// The next whole line, or `None` when `until` has come first.
    ///
    /// # Errors
    /// When the link fails, or [`DriverError::Abandoned`].
    pub fn next_line(&mut self, until: Mono) -> Result<Option<Line>, DriverError> {
        loop {
            self.check_abandoned()?;
            if let Some(line) = self.whole_line() {
                return Ok(Some(line));
            }
            if !self.listen(until)? {
                return Ok(None);
            }
        }
    }

    /// Waits for bytes and takes them; false when `until` has come first.
    fn listen(&mut self, until: Mono) -> Result<bool, DriverError> {
        let is_over = self.seat.now().mono >= until;
        let ear = self.link.ear();
        match self.seat.wait(Some(until), Some(&ear)) {
            Woken::Due => return Ok(false),
            Woken::Mail => {}
            // A wait finds bytes before it finds that its time is over.
            Woken::Bytes if is_over && self.reads_since(until) > READS_AT_MOST => {
                return Ok(false);
            }
            Woken::Bytes => self.take_bytes()?,
        }
        Ok(true)
    }

    /// Counts reads since a time was over.
    fn reads_since(&mut self, until: Mono) -> u32 {
        let (before, reads) = self.state.overtime;
        let reads = if before == until { reads + 1 } else { 1 };
        self.state.overtime = (until, reads);
        reads
    }

    fn take_bytes(&mut self) -> Result<(), DriverError> {
        if self.state.held.is_empty() {
            self.state.held_since = self.seat.now();
        }
        self.link.read(&mut self.state.held, READ_AT_MOST_BYTES)?;
        Ok(())
    }

    fn whole_line(&mut self) -> Option<Line> {
        let state = &mut *self.state;
        let last = state.manner.end.last_byte();
        loop {
            let Some(end) = state.held.iter().position(|b| *b == last) else {
                if state.held.len() > LINE_AT_MOST_BYTES {
                    state.counts.dropped_bytes += state.held.len() as u64;
                    state.held.clear();
                    state.overlong = true;
                }
                return None;
            };
            let raw: Vec<u8> = state.held.drain(..=end).collect();
            if raw.len() > LINE_AT_MOST_BYTES || std::mem::take(&mut state.overlong) {
                state.counts.dropped_bytes += raw.len() as u64;
                state.overlong = false;
                continue;
            }
            let taken = state.held_since;
            // What is left came with the same read, or later.
            state.held_since = self.seat.now();
            return Some(Line { raw, taken });
        }
    }
}
