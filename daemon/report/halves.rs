//! The same work on many things, half of them on a thread of its own.
//!
//! Called by: gather. Not here: what is done with each.

/// What becomes of each, in order. `worth` says whether there is so much to do
/// that a second thread pays for its beginning (some 0.1 ms).
pub fn each<T, R>(things: &[T], worth: bool, make: impl Fn(&T) -> R + Sync) -> Vec<R>
where
    T: Sync,
    R: Send,
{
    let all = |things: &[T]| things.iter().map(&make).collect::<Vec<R>>();
    if !worth || things.len() < 2 {
        return all(things);
    }
    let (first, second) = things.split_at(things.len() / 2);
    std::thread::scope(|scope| {
        let second = scope.spawn(|| all(second));
        let mut made = all(first);
        match second.join() {
            Ok(rest) => made.extend(rest),
            Err(panic) => std::panic::resume_unwind(panic),
        }
        made
    })
}

#[cfg(test)]
mod tests {
    use super::each;

    #[test]
    fn order_is_kept_on_one_thread_and_on_two() {
        for many in [0, 1, 2, 7] {
            let things: Vec<usize> = (0..many).collect();
            let wanted: Vec<usize> = things.iter().map(|thing| thing * thing).collect();
            for worth in [false, true] {
                assert_eq!(each(&things, worth, |thing| thing * thing), wanted);
            }
        }
    }
}
