//! The order of positions: settings outside, positions inside, out and back in
//! turn. Changing the brightness warms or cools the lamp for minutes, moving
//! takes seconds, so positions never lie outside. On a full grid out-and-back
//! is as short as any order can be: each leg sweeps the span once.

use photometry::units::{Length, Span};

use super::card::Rail;
use super::motion;

/// Positions of one leg, starting at the end nearer to where the carriage is.
pub fn sweep(ascending: &[Length], from: Length) -> Vec<Length> {
    let mut positions = ascending.to_vec();
    if let (Some(near), Some(far)) = (ascending.first(), ascending.last())
        && (*far - from).abs() < (*near - from).abs()
    {
        positions.reverse();
    }
    positions
}

/// No order can travel less in a leg: from `from` through all positions and
/// back to `from`, arriving from either side, without the visits between.
///
/// Two bounds, the greater of which holds. (1) A round trip crosses every
/// stretch twice and stops at each of its n places; a move of d takes d/v and
/// at least as much more as one over the smallest gap does. (2) A round trip
/// is a path through all places but one end and two moves to that end, and no
/// path is shorter than the sum of the gaps.
pub fn travel_at_least(ascending: &[Length], from: Length, rail: &Rail) -> Span {
    let mut stops: Vec<Length> = ascending.to_vec();
    stops.push(from);
    stops.sort_unstable();
    stops.dedup();
    let gaps: Vec<Length> = stops.windows(2).map(|pair| pair[1] - pair[0]).collect();
    let (Some(first), Some(last), Some(smallest)) =
        (gaps.first(), gaps.last(), gaps.iter().min().copied())
    else {
        return Span::ZERO;
    };
    let time = |gap: Length| motion::travel_time(gap, rail);
    if gaps.len() == 1 {
        return time(smallest).times(2);
    }
    let cruise = |d: Length| Span::from_secs_f64(d.metres() / rail.speed.metres_per_s());
    let way: Length = gaps.iter().copied().sum();
    let stop = time(smallest) - cruise(smallest);
    let round = cruise(way).times(2) + stop.times(stops.len() as i64);
    let path: Span = gaps.iter().map(|gap| time(*gap)).sum();
    let low = time(*first + gaps[1]);
    let high = time(*last + gaps[gaps.len() - 2]);
    round.max(path + low.max(high))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plan::samples;

    /// The shortest round trip by trying every order.
    fn shortest(stops: &[Length], from: Length, rail: &Rail) -> Span {
        fn go(at: Length, left: &[Length], home: Length, rail: &Rail) -> Span {
            let step = |to: Length| motion::travel_time(to - at, rail);
            left.iter()
                .enumerate()
                .map(|(k, to)| {
                    let mut rest = left.to_vec();
                    rest.remove(k);
                    step(*to) + go(*to, &rest, home, rail)
                })
                .min()
                .unwrap_or_else(|| step(home))
        }
        go(from, stops, from, rail)
    }

    fn mm(all: &[i64]) -> Vec<Length> {
        all.iter().map(|mm| Length::from_mm(*mm)).collect()
    }

    /// On an even grid of 6 in the bound is reached: 12 stations, reference at
    /// the fourth, 150 mm/s, 400 mm/s2: 2 x 1.6764 m / 0.15 m/s + 12 x 0.375 s.
    #[test]
    fn on_a_grid_the_bound_is_what_out_and_back_takes() {
        let rail = samples::rail();
        let grid: Vec<Length> = (1..=12).map(|k| Length::from_um(k * 152_400)).collect();
        let bound = travel_at_least(&grid, grid[3], &rail);
        assert!((bound.secs() - 26.852).abs() < 1e-6, "{bound}");
        let mut path = vec![grid[3]];
        path.extend(&grid[4..]);
        path.extend(grid[..3].iter().rev());
        path.push(grid[3]);
        let laid: Span = path
            .windows(2)
            .map(|pair| motion::travel_time(pair[1] - pair[0], &rail))
            .sum();
        // The jump from the far end to the near stations saves no stop.
        assert_eq!(laid, bound);
    }

    #[test]
    fn no_order_beats_the_bound() {
        let rail = samples::rail();
        let cases = [
            vec![200],
            vec![200, 900],
            vec![210, 230, 260, 300],
            vec![200, 201, 1500, 1501],
            vec![150, 500, 900, 901, 1900],
        ];
        for case in cases {
            let stops = mm(&case);
            for from in [205, 900, 1800] {
                let from = Length::from_mm(from);
                let bound = travel_at_least(&stops, from, &rail);
                let best = shortest(&stops, from, &rail);
                assert!(bound <= best, "{case:?} from {from}: {bound} > {best}");
                assert!(
                    bound.secs() > 0.6 * best.secs(),
                    "{case:?}: {bound}, {best}"
                );
            }
        }
    }
}
