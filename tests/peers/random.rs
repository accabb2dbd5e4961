//! Random numbers that are the same everywhere (SplitMix64).

pub struct Random(u64);

impl Random {
    pub fn new(seed: u64) -> Random {
        Random(seed)
    }

    fn bits(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mixed = (self.0 ^ (self.0 >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        let mixed = (mixed ^ (mixed >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        mixed ^ (mixed >> 31)
    }

    /// From 0 up to 1.
    pub fn share(&mut self) -> f64 {
        (self.bits() >> 11) as f64 / (1_u64 << 53) as f64
    }

    pub fn between(&mut self, from: f64, to: f64) -> f64 {
        from + (to - from) * self.share()
    }

    /// Evenly in the logarithm.
    pub fn by_ratio(&mut self, from: f64, to: f64) -> f64 {
        self.between(from.ln(), to.ln()).exp()
    }

    /// A whole number, both ends possible.
    pub fn whole(&mut self, from: usize, to: usize) -> usize {
        from + (self.bits() % (to - from + 1) as u64) as usize
    }

    pub fn one_of<T: Copy>(&mut self, of: &[T]) -> T {
        of[self.whole(0, of.len() - 1)]
    }

    /// Of a normal distribution, mean 0, standard deviation 1 (Box-Muller).
    pub fn normal(&mut self) -> f64 {
        let radius = (-2.0 * (1.0 - self.share()).ln()).sqrt();
        radius * (std::f64::consts::TAU * self.share()).cos()
    }
}
