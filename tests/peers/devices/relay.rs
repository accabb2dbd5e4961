//! Stands between a driver and a foreign device, and spoils what the device
//! answers: what no library does by itself.

use std::io::{BufRead, BufReader, Write};
use std::net::{Shutdown, TcpListener, TcpStream};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

/// Between two bytes that come alone: longer than a driver takes for one.
const APART: Duration = Duration::from_millis(3);

/// What happens to the next answer.
#[derive(Clone, Copy, Debug)]
pub enum Lapse {
    /// It comes a byte at a time.
    ByteByByte,
    /// So many bytes of it come, then the connection is closed.
    CutAfter(usize),
}

/// A relay to one device.
pub struct Relay {
    /// Its port.
    pub port: u16,
    next: Arc<Mutex<Option<Lapse>>>,
    struck: Arc<Mutex<Vec<Vec<u8>>>>,
}

impl Relay {
    /// Passes on whatever goes to the device at `port`, and back.
    pub fn to(port: u16) -> Relay {
        let listener = TcpListener::bind("127.0.0.1:0").expect("a port");
        let relay = Relay {
            port: listener.local_addr().expect("an address").port(),
            next: Arc::default(),
            struck: Arc::default(),
        };
        let (next, struck) = (Arc::clone(&relay.next), Arc::clone(&relay.struck));
        std::thread::spawn(move || {
            for driver in listener.incoming().flatten() {
                driver.set_nodelay(true).expect("set");
                let device = TcpStream::connect(("127.0.0.1", port)).expect("the device");
                let (mut asks, mut told) = (
                    driver.try_clone().expect("cloned"),
                    device.try_clone().expect("cloned"),
                );
                std::thread::spawn(move || {
                    // Ends when either side has closed.
                    let _ = std::io::copy(&mut asks, &mut told);
                    let _ = told.shutdown(Shutdown::Both);
                });
                let (next, struck) = (Arc::clone(&next), Arc::clone(&struck));
                std::thread::spawn(move || answers(device, driver, &next, &struck));
            }
        });
        relay
    }

    /// Spoils the next answer.
    pub fn spoil(&self, lapse: Lapse) {
        *self.next.lock().unwrap_or_else(PoisonError::into_inner) = Some(lapse);
    }

    /// The answers that were spoilt, as the device gave them.
    pub fn spoilt(&self) -> Vec<String> {
        let struck = self.struck.lock().unwrap_or_else(PoisonError::into_inner);
        struck
            .iter()
            .map(|line| String::from_utf8_lossy(line).trim_end().to_owned())
            .collect()
    }
}

fn answers(
    device: TcpStream,
    mut driver: TcpStream,
    next: &Mutex<Option<Lapse>>,
    struck: &Mutex<Vec<Vec<u8>>>,
) {
    let mut device = BufReader::new(device);
    loop {
        let mut line = Vec::new();
        if device.read_until(b'\n', &mut line).unwrap_or(0) == 0 {
            break;
        }
        let lapse = next.lock().unwrap_or_else(PoisonError::into_inner).take();
        if lapse.is_some() {
            let mut struck = struck.lock().unwrap_or_else(PoisonError::into_inner);
            struck.push(line.clone());
        }
        let sent = match lapse {
            None => driver.write_all(&line),
            Some(Lapse::ByteByByte) => line.iter().try_for_each(|byte| {
                std::thread::sleep(APART);
                driver.write_all(&[*byte])
            }),
            Some(Lapse::CutAfter(bytes)) => {
                let _ = driver.write_all(&line[..bytes.min(line.len())]);
                break;
            }
        };
        if sent.is_err() {
            break;
        }
    }
    // The driver may have closed first.
    let _ = driver.shutdown(Shutdown::Both);
}
