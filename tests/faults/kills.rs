//! The real process, killed at random instants over pseudo-terminals, before a
//! bench that keeps its world.

use std::time::{Duration, Instant};

use super::night::{Heard, Life, Start, Wrong, book, place, state, wrong};
use super::tally;
use super::wall::{self, WallBench};

/// The longest life of a daemon: about half a night.
const LIFE_AT_MOST: Duration = Duration::from_millis(4000);
/// Between two looks at a run's state.
const LOOK: Duration = Duration::from_millis(10);

/// A number below one, from a seed (splitmix64, Steele, Lea and Flood 2014).
pub fn share(seed: &mut u64) -> f64 {
    *seed = seed.wrapping_add(0x9e37_79b9_7f4a_7c15);
    let mut mixed = *seed;
    mixed = (mixed ^ (mixed >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    mixed = (mixed ^ (mixed >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    ((mixed ^ (mixed >> 31)) >> 11) as f64 / (1_u64 << 53) as f64
}

/// The value below which `share` per cent of some times lie, in milliseconds.
fn percentile(times: &mut [Duration], share: usize) -> String {
    times.sort_unstable();
    let at = times.len().saturating_sub(1) * share / 100;
    let ms = times
        .get(at)
        .map_or(f64::NAN, |time| time.as_secs_f64() * 1e3);
    format!("{ms:.0} ms")
}

#[test]
fn killed_at_random_instants_nothing_is_lost_doubled_or_moved_before_homing() {
    let wanted = if tally::long() { 1000 } else { 50 };
    let folder = tempfile::tempdir().expect("a folder");
    let wall = WallBench::start(&folder.path().join("bench"), wall::spec(1));
    let data = folder.path().join("data");
    let mut seed = 20_261_126;
    let (mut kills, mut runs) = (0, 0);
    let mut resumed = Vec::new();
    let mut found = Wrong::default();
    let plain = Start::before(&wall);
    let life = Life::ready(&data, &plain);
    place(&life, &wall.file("lamp.yaml"));
    life.kill();
    while kills < wanted {
        runs += 1;
        let heard = Heard::default();
        let life = Life::ready(&data, &plain);
        book(&life, &wall.file("plan.yaml"));
        life.kill();
        kills += 1;
        loop {
            let mut life = Life::ready(&data, &plain);
            let before = heard.seq();
            heard.listen(&data, runs);
            let lives = LIFE_AT_MOST.mul_f64(share(&mut seed));
            let begun = Instant::now();
            let mut over = "measuring".to_owned();
            let mut at_work = false;
            while begun.elapsed() < lives || kills >= wanted {
                if !at_work && heard.seq() > before {
                    at_work = true;
                    resumed.push(life.begun.elapsed());
                }
                over = state(&data, runs);
                if over != "measuring" && over != "waiting" {
                    break;
                }
                assert!(life.runs(), "{}", life.log());
                std::thread::sleep(LOOK);
            }
            if over != "measuring" && over != "waiting" {
                assert_eq!(over, "complete", "{}", life.log());
                life.kill();
                break;
            }
            life.kill();
            kills += 1;
        }
        found.add(wrong(&data, runs, heard.seq()));
    }
    tally::line(
        "SIGKILL at random instants, over PTYs",
        &[
            ("kills", &kills),
            ("runs", &runs),
            ("lost", &found.lost),
            ("doubled", &found.doubled),
            ("moves before homing", &found.moves_before_homing),
            ("told and missing", &found.told_and_missing),
            ("damaged", &found.damaged),
            ("resumed p50", &percentile(&mut resumed, 50)),
            ("p99", &percentile(&mut resumed, 99)),
        ],
    );
    assert_eq!(found, Wrong::default());
}
