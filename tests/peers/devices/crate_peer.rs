//! A meter and a relay board served by the crates `scpi` and `scpi-contrib`
//! 1.0.1: their parser of messages, status registers, error queue of ten
//! entries and ways to write numbers. Ours are the command tree's leaves and
//! the loop that reads lines.

use std::io::{BufRead, BufReader, Write};
use std::net::{TcpListener, TcpStream};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use scpi::error::{ArrayErrorQueue, Result};
use scpi::parser::expression::channel_list::{ChannelList, Token as Channel};
use scpi::parser::format::{Arbitrary, Character};
use scpi::tree::prelude::*;
use scpi::{Branch, Leaf, Root, cmd_both, cmd_nquery, cmd_qonly};
use scpi_contrib::ieee488::prelude::*;
use scpi_contrib::scpi1999::prelude::*;
use scpi_contrib::{
    ieee488_cls, ieee488_ese, ieee488_esr, ieee488_idn, ieee488_opc, ieee488_rst, ieee488_sre,
    ieee488_stb, ieee488_tst, ieee488_wai, scpi_status, scpi_system,
};

use super::light::Light;
use super::peer::{RANGES, RATE_AT_MOST_S, ROUNDED_TO_S};

/// What the crates want to know of an instrument, and what the leaves need.
struct Instrument {
    esr: u8,
    ese: u8,
    sre: u8,
    operation: EventRegister,
    questionable: EventRegister,
    errors: ArrayErrorQueue<10>,
    light: Light,
    aperture_s: f64,
    averages: u16,
    range: f64,
    shutter: bool,
    /// Readings are blocks of single precision and no text.
    real: bool,
    /// The least significant byte first.
    swapped: bool,
}

impl Instrument {
    fn before(light: &Light) -> Instrument {
        Instrument {
            esr: 0,
            ese: 0,
            sre: 0,
            operation: EventRegister::default(),
            questionable: EventRegister::default(),
            errors: ArrayErrorQueue::new(),
            light: light.clone(),
            aperture_s: 0.1,
            averages: 1,
            range: RANGES[0],
            shutter: false,
            real: false,
            swapped: false,
        }
    }
}

impl Device for Instrument {
    fn handle_error(&mut self, error: Error) {
        self.push_error(error);
    }
}

impl ScpiDevice for Instrument {}

impl IEEE4882 for Instrument {
    fn stb(&self) -> u8 {
        self.scpi_stb()
    }
    fn sre(&self) -> u8 {
        self.sre
    }
    fn set_sre(&mut self, value: u8) {
        self.sre = value;
    }
    fn esr(&self) -> u8 {
        self.esr
    }
    fn set_esr(&mut self, value: u8) {
        self.esr = value;
    }
    fn ese(&self) -> u8 {
        self.ese
    }
    fn set_ese(&mut self, value: u8) {
        self.ese = value;
    }
    fn tst(&mut self) -> Result<()> {
        Ok(())
    }
    fn rst(&mut self) -> Result<()> {
        Ok(())
    }
    fn cls(&mut self) -> Result<()> {
        // The crate's own leaves the queue as it is (IEEE 488.2, 10.3 does not).
        self.errors.clear_errors();
        self.scpi_cls()
    }
    fn opc(&mut self) -> Result<()> {
        self.scpi_opc()
    }
}

impl GetEventRegister<Operation> for Instrument {
    fn register(&self) -> &EventRegister {
        &self.operation
    }
    fn register_mut(&mut self) -> &mut EventRegister {
        &mut self.operation
    }
}

impl GetEventRegister<Questionable> for Instrument {
    fn register(&self) -> &EventRegister {
        &self.questionable
    }
    fn register_mut(&mut self) -> &mut EventRegister {
        &mut self.questionable
    }
}

impl ErrorQueue for Instrument {
    fn push_back_error(&mut self, error: Error) {
        self.errors.push_back_error(error);
    }
    fn pop_front_error(&mut self) -> Option<Error> {
        self.errors.pop_front_error()
    }
    fn num_errors(&self) -> usize {
        self.errors.num_errors()
    }
    fn clear_errors(&mut self) {
        self.errors.clear_errors();
    }
}

/// `SENS:APER <s>`: rounded to steps, refused beyond the longest.
struct Aperture;

impl Command<Instrument> for Aperture {
    cmd_both!();

    fn event(
        &self,
        it: &mut Instrument,
        _: &mut Context<'_>,
        mut with: Parameters<'_, '_>,
    ) -> Result<()> {
        let seconds: f64 = with.next_data()?;
        if !(0.0..=RATE_AT_MOST_S).contains(&seconds) {
            return Err(ErrorCode::DataOutOfRange.into());
        }
        let steps = (seconds / ROUNDED_TO_S).round().max(1.0);
        it.aperture_s = steps * ROUNDED_TO_S;
        Ok(())
    }

    fn query(
        &self,
        it: &mut Instrument,
        _: &mut Context<'_>,
        _: Parameters<'_, '_>,
        mut response: ResponseUnit<'_>,
    ) -> Result<()> {
        response.data(it.aperture_s).finish()
    }
}

/// `SENS:AVER:COUN <n>`
struct Averages;

impl Command<Instrument> for Averages {
    cmd_both!();

    fn event(
        &self,
        it: &mut Instrument,
        _: &mut Context<'_>,
        mut with: Parameters<'_, '_>,
    ) -> Result<()> {
        it.averages = with.next_data()?;
        Ok(())
    }

    fn query(
        &self,
        it: &mut Instrument,
        _: &mut Context<'_>,
        _: Parameters<'_, '_>,
        mut response: ResponseUnit<'_>,
    ) -> Result<()> {
        response.data(it.averages).finish()
    }
}

/// `SENS:RANG?`: that of the reading before.
struct Range;

impl Command<Instrument> for Range {
    cmd_qonly!();

    fn query(
        &self,
        it: &mut Instrument,
        _: &mut Context<'_>,
        _: Parameters<'_, '_>,
        mut response: ResponseUnit<'_>,
    ) -> Result<()> {
        response.data(it.range).finish()
    }
}

/// `READ?`: integrates, then answers.
struct Read;

impl Command<Instrument> for Read {
    cmd_qonly!();

    fn query(
        &self,
        it: &mut Instrument,
        _: &mut Context<'_>,
        _: Parameters<'_, '_>,
        mut response: ResponseUnit<'_>,
    ) -> Result<()> {
        let given = it.light.reading();
        let integrates = Duration::from_secs_f64(it.aperture_s * f64::from(it.averages));
        std::thread::sleep(integrates + given.late);
        it.range = super::peer::range_of(given.lux);
        if !it.real {
            return response.data(given.lux).finish();
        }
        let single = given.lux as f32;
        let bytes = match it.swapped {
            false => single.to_be_bytes(),
            true => single.to_le_bytes(),
        };
        response.data(Arbitrary(&bytes)).finish()
    }
}

/// `FORM:DATA ASC|REAL,32` (SCPI-99, vol. 2, FORMat, from memory)
struct DataFormat;

impl Command<Instrument> for DataFormat {
    cmd_both!();

    fn event(
        &self,
        it: &mut Instrument,
        _: &mut Context<'_>,
        mut with: Parameters<'_, '_>,
    ) -> Result<()> {
        let Character(word) = with.next_data()?;
        let bits: Option<u8> = with.next_optional_data()?;
        it.real = match (word.to_ascii_uppercase().as_slice(), bits) {
            (b"REAL", Some(32)) => true,
            (b"ASC" | b"ASCII", None) => false,
            _ => return Err(ErrorCode::IllegalParameterValue.into()),
        };
        Ok(())
    }

    fn query(
        &self,
        it: &mut Instrument,
        _: &mut Context<'_>,
        _: Parameters<'_, '_>,
        mut response: ResponseUnit<'_>,
    ) -> Result<()> {
        match it.real {
            true => response.data(Character(b"REAL")).data(32_u8).finish(),
            false => response.data(Character(b"ASC")).finish(),
        }
    }
}

/// `FORM:BORD NORM|SWAP`
struct ByteOrder;

impl Command<Instrument> for ByteOrder {
    cmd_both!();

    fn event(
        &self,
        it: &mut Instrument,
        _: &mut Context<'_>,
        mut with: Parameters<'_, '_>,
    ) -> Result<()> {
        let Character(word) = with.next_data()?;
        it.swapped = match word.to_ascii_uppercase().as_slice() {
            b"SWAP" | b"SWAPPED" => true,
            b"NORM" | b"NORMAL" => false,
            _ => return Err(ErrorCode::IllegalParameterValue.into()),
        };
        Ok(())
    }

    fn query(
        &self,
        it: &mut Instrument,
        _: &mut Context<'_>,
        _: Parameters<'_, '_>,
        mut response: ResponseUnit<'_>,
    ) -> Result<()> {
        let word: &[u8] = if it.swapped { b"SWAP" } else { b"NORM" };
        response.data(Character(word)).finish()
    }
}

/// `INP:SHUT OPEN|CLOS`
struct Shutter;

impl Command<Instrument> for Shutter {
    cmd_both!();

    fn event(
        &self,
        it: &mut Instrument,
        _: &mut Context<'_>,
        mut with: Parameters<'_, '_>,
    ) -> Result<()> {
        let Character(word) = with.next_data()?;
        it.shutter = match word.to_ascii_uppercase().as_slice() {
            b"CLOS" | b"CLOSED" => true,
            b"OPEN" => false,
            _ => return Err(ErrorCode::IllegalParameterValue.into()),
        };
        it.light.shutter(it.shutter);
        Ok(())
    }

    fn query(
        &self,
        it: &mut Instrument,
        _: &mut Context<'_>,
        _: Parameters<'_, '_>,
        mut response: ResponseUnit<'_>,
    ) -> Result<()> {
        let word: &[u8] = if it.shutter { b"CLOS" } else { b"OPEN" };
        response.data(Character(word)).finish()
    }
}

/// `ROUT:CLOS (@1,3:5)` or `ROUT:OPEN (@1)`, and `ROUT:CLOS? (@1)`.
struct Coils {
    closed: bool,
}

fn channels(list: ChannelList<'_>) -> Result<Vec<u16>> {
    let mut found = Vec::new();
    for item in list {
        match item? {
            Channel::ChannelSpec(one) => found.push(usize::try_from(one)? as u16),
            Channel::ChannelRange(first, last) => {
                let (first, last) = (usize::try_from(first)?, usize::try_from(last)?);
                found.extend((first..=last).map(|channel| channel as u16));
            }
            _ => return Err(ErrorCode::IllegalParameterValue.into()),
        }
    }
    Ok(found)
}

impl Command<Instrument> for Coils {
    cmd_both!();

    fn event(
        &self,
        it: &mut Instrument,
        _: &mut Context<'_>,
        mut with: Parameters<'_, '_>,
    ) -> Result<()> {
        for channel in channels(with.next_data()?)? {
            if !it.light.coil(channel, self.closed) {
                return Err(ErrorCode::IllegalParameterValue.into());
            }
        }
        Ok(())
    }

    fn query(
        &self,
        it: &mut Instrument,
        _: &mut Context<'_>,
        mut with: Parameters<'_, '_>,
        mut response: ResponseUnit<'_>,
    ) -> Result<()> {
        for channel in channels(with.next_data()?)? {
            match it.light.is_closed(channel) {
                Some(closed) => response.data(closed == self.closed),
                None => return Err(ErrorCode::IllegalParameterValue.into()),
            };
        }
        response.finish()
    }
}

/// `ROUT:OPEN:ALL`
struct OpenAll;

impl Command<Instrument> for OpenAll {
    cmd_nquery!();

    fn event(&self, it: &mut Instrument, _: &mut Context<'_>, _: Parameters<'_, '_>) -> Result<()> {
        it.light.open_all();
        Ok(())
    }
}

/// The commands that SCPI-99 (vol. 1, 4) asks of every instrument, and its own.
macro_rules! instrument {
    ($model:literal, $serial:literal, $($own:expr),+) => {
        Root![
            ieee488_cls!(), ieee488_ese!(), ieee488_esr!(),
            ieee488_idn!(b"Foreign Works", $model, $serial, b"1.0.1"),
            ieee488_opc!(), ieee488_rst!(), ieee488_sre!(), ieee488_stb!(), ieee488_tst!(),
            ieee488_wai!(), scpi_status!(), scpi_system!(),
            $($own),+
        ]
    };
}

const METER: Node<'static, Instrument> = instrument!(
    b"FM-1",
    b"77",
    Leaf!(b"READ" => &Read),
    Branch!(b"SENSe"; Leaf!(b"APERture" => &Aperture), Leaf!(b"RANGe" => &Range),
        Branch!(b"AVERage"; Leaf!(b"COUNt" => &Averages))),
    Branch!(b"FORMat"; Leaf!(b"DATA" => &DataFormat), Leaf!(b"BORDer" => &ByteOrder)),
    Branch!(b"INPut"; Leaf!(b"SHUTter" => &Shutter))
);

const BOARD: Node<'static, Instrument> = instrument!(
    b"FB-8",
    b"0",
    Branch!(b"ROUTe"; Leaf!(b"CLOSe" => &Coils { closed: true }),
        Branch!(b"OPEN" => &Coils { closed: false }; Leaf!(b"ALL" => &OpenAll)))
);

/// Has an instrument carry out a line; its answer, if it has one.
type Carry = fn(&[u8], &mut Instrument) -> Option<Vec<u8>>;

/// An error goes into the queue, and nothing onto the line. (A tree cannot be
/// shared between threads, a function that names one can.)
fn carried(tree: &Node<'_, Instrument>, line: &[u8], it: &mut Instrument) -> Option<Vec<u8>> {
    let mut answer = Vec::new();
    let done = tree.run(line, it, &mut Context::default(), &mut answer);
    done.is_ok().then_some(answer)
}

/// Serves a meter; its port.
pub fn meter(light: &Light) -> u16 {
    serve(|line, it| carried(&METER, line, it), light)
}

/// Serves a relay board; its port.
pub fn board(light: &Light) -> u16 {
    serve(|line, it| carried(&BOARD, line, it), light)
}

/// One instrument for all who connect, a line at a time.
fn serve(carry: Carry, light: &Light) -> u16 {
    let listener = TcpListener::bind("127.0.0.1:0").expect("a port");
    let port = listener.local_addr().expect("an address").port();
    let instrument = Arc::new(Mutex::new(Instrument::before(light)));
    std::thread::spawn(move || {
        for stream in listener.incoming().flatten() {
            let instrument = Arc::clone(&instrument);
            std::thread::spawn(move || converse(carry, &instrument, stream));
        }
    });
    port
}

fn converse(carry: Carry, it: &Mutex<Instrument>, stream: TcpStream) {
    let Ok(mut out) = stream.try_clone() else {
        return;
    };
    for line in BufReader::new(stream).split(b'\n') {
        let Ok(line) = line else { return };
        let answer = carry(
            &line,
            &mut it.lock().unwrap_or_else(PoisonError::into_inner),
        );
        if let Some(answer) = answer
            && out.write_all(&answer).is_err()
        {
            return;
        }
    }
}
