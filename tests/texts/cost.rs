//! What reading one text costs, and how many texts a reader gets.

use std::alloc::{GlobalAlloc, Layout, System};
use std::cell::{Cell, RefCell};
use std::fmt::Debug;
use std::time::{Duration, Instant};

use proptest::prelude::*;
use proptest::test_runner::{Config, RngSeed, TestCaseError, TestRunner};

use crate::tally;

/// Texts for each reader when all are asked for.
const LONG_CASES: u32 = 100_000;
/// A text that takes longer is counted apart.
const SLOW: Duration = Duration::from_millis(100);

/// Counts what each thread holds, so that tests beside each other do not mix.
struct Counting;

thread_local! {
    static HELD: Cell<isize> = const { Cell::new(0) };
    static MOST: Cell<isize> = const { Cell::new(0) };
}

fn count(bytes: isize) {
    // A thread that ends frees what its own counters no longer see.
    let _ = HELD.try_with(|held| {
        held.set(held.get() + bytes);
        let _ = MOST.try_with(|most| most.set(most.get().max(held.get())));
    });
}

fn signed(bytes: usize) -> isize {
    isize::try_from(bytes).unwrap_or(isize::MAX)
}

// The one place where the language asks for the word: an allocator cannot be
// written without it. Every call is handed on as it came.
#[allow(unsafe_code)]
unsafe impl GlobalAlloc for Counting {
    unsafe fn alloc(&self, layout: Layout) -> *mut u8 {
        count(signed(layout.size()));
        unsafe { System.alloc(layout) }
    }
    unsafe fn dealloc(&self, at: *mut u8, layout: Layout) {
        count(-signed(layout.size()));
        unsafe { System.dealloc(at, layout) }
    }
}

#[global_allocator]
static COUNTING: Counting = Counting;

/// What all texts of one reader cost.
#[derive(Default)]
struct Cost {
    texts: u64,
    refused: u64,
    slow: u64,
    longest: Duration,
    most_bytes: isize,
}

/// One reader under hostile texts.
pub struct Reader {
    /// As it is called in the report.
    pub name: &'static str,
    /// How many texts it gets by default.
    pub cases: u32,
    /// Memory that it may hold at once, in MiB, beyond the text.
    pub memory_mib: isize,
}

impl Reader {
    /// Gives it the texts; `read` says whether one was refused, and what else
    /// must hold.
    ///
    /// # Panics
    /// When something does not hold, with the smallest text that shows it.
    pub fn endures<T: Debug>(
        &self,
        texts: impl Strategy<Value = T>,
        read: impl Fn(&T) -> Result<bool, TestCaseError>,
    ) {
        let cases = match std::env::var_os("PROPTEST_CASES") {
            Some(_) => Config::default().cases,
            None if tally::long() => LONG_CASES.max(self.cases),
            None => self.cases,
        };
        let mut config = Config {
            cases,
            failure_persistence: None,
            ..Config::default()
        };
        // The long run is there to find what the texts of every day do not.
        if tally::long() {
            config.rng_seed = RngSeed::Random;
        }
        let cost = RefCell::new(Cost::default());
        let ended = TestRunner::new(config).run(&texts, |text| {
            let before = HELD.get();
            MOST.set(before);
            let begun = Instant::now();
            let refused = read(&text)?;
            let (took, bytes) = (begun.elapsed(), MOST.get() - before);
            let mut cost = cost.borrow_mut();
            cost.texts += 1;
            cost.refused += u64::from(refused);
            cost.slow += u64::from(took > SLOW);
            cost.longest = cost.longest.max(took);
            cost.most_bytes = cost.most_bytes.max(bytes);
            prop_assert!(
                bytes <= self.memory_mib << 20,
                "{bytes} bytes were held at once, {} MiB may be",
                self.memory_mib
            );
            Ok(())
        });
        let cost = cost.into_inner();
        let (longest, most) = (cost.longest.as_secs_f64() * 1e3, cost.most_bytes >> 10);
        tally::line(
            &format!("hostile texts for {}", self.name),
            &[
                ("texts", &cost.texts),
                ("refused", &cost.refused),
                ("panics", &u8::from(ended.is_err())),
                ("over 100 ms", &cost.slow),
                ("longest ms", &format!("{longest:.2}")),
                ("most memory KiB", &most),
            ],
        );
        if let Err(failed) = ended {
            panic!("{}: {failed}", self.name);
        }
    }
}
