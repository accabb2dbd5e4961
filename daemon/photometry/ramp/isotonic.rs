//! Does the light ever fall? The nearest curve that never does, by pooling
//! adjacent violators (Ayer and others 1955).
//!
//! Used by: ramp.

/// The nearest (least squares) row of values that never falls.
pub fn rising(values: &[f64]) -> Vec<f64> {
    let mut pools: Vec<(f64, usize)> = Vec::new();
    for value in values {
        let mut pool = (*value, 1);
        while let Some((sum, count)) = pools.last().copied() {
            if sum / count as f64 <= pool.0 / pool.1 as f64 {
                break;
            }
            pools.pop();
            pool = (pool.0 + sum, pool.1 + count);
        }
        pools.push(pool);
    }
    let means = pools.into_iter();
    means
        .flat_map(|(sum, count)| std::iter::repeat_n(sum / count as f64, count))
        .collect()
}

/// The largest ratio by which the light falls between neighbours, when it falls
/// by more than the noise in lux; 1 when it never does.
pub fn worst_fall(values: &[f64], noise: f64) -> f64 {
    let falls = values
        .windows(2)
        .filter(|pair| pair[0] - pair[1] > noise && pair[1] > 0.0);
    falls.map(|pair| pair[0] / pair[1]).fold(1.0, f64::max)
}
