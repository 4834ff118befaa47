//! Reproducible draws (SplitMix64: Steele, Lea and Flood, OOPSLA 2014).

pub struct Random(u64);

impl Random {
    pub fn new(seed: u64) -> Self {
        Self(seed)
    }

    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let z = (self.0 ^ (self.0 >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        let z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    /// Uniform in 0…1.
    pub fn uniform(&mut self) -> f64 {
        (self.next() >> 11) as f64 / (1u64 << 53) as f64
    }

    /// Uniform in −1…1.
    pub fn symmetric(&mut self) -> f64 {
        2.0 * self.uniform() - 1.0
    }

    /// Uniform in 0…below.
    pub fn below(&mut self, below: usize) -> usize {
        ((self.uniform() * below as f64) as usize).min(below.saturating_sub(1))
    }

    /// Evenly in octaves from 1 to `most`.
    pub fn length(&mut self, most: f64) -> usize {
        most.powf(self.uniform()).round() as usize
    }
}
