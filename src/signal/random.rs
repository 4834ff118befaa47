//! Random numbers that are the same on every machine and in every version: the seed in a stimulus file must give the
//! same noise for ever, so the generator is part of the file format and no library may change it.
//!
//! SplitMix64 (G. L. Steele, D. Lea and C. H. Flood, "Fast splittable pseudorandom number generators", OOPSLA 2014).
//! Each (seed, index) has a stream of its own, so that noise starts at any frame without what came before.

/// The odd integer nearest to 2⁶⁴/φ.
const GOLDEN: u64 = 0x9E37_79B9_7F4A_7C15;

/// A stream of random numbers.
#[derive(Debug, Clone)]
pub(crate) struct Random {
    state: u64,
}

impl Random {
    /// The stream number `index` of `seed`.
    pub(crate) fn stream(seed: u64, index: u64) -> Self {
        Self {
            state: mix(mix(seed.wrapping_add(GOLDEN)) ^ index),
        }
    }

    fn next(&mut self) -> u64 {
        self.state = self.state.wrapping_add(GOLDEN);
        mix(self.state)
    }

    /// Uniform in −1…1, in steps of 2⁻⁵².
    pub(crate) fn symmetric(&mut self) -> f64 {
        #[allow(clippy::cast_precision_loss, reason = "53 bits fit")]
        let integer = (self.next() >> 11) as f64;
        (integer + 0.5) * (-52f64).exp2() - 1.0
    }

    /// Two independent numbers of the standard normal distribution (polar method of G. Marsaglia and T. A. Bray, SIAM
    /// Review 6, 1964), both within ±`limit`; pairs beyond are drawn again.
    pub(crate) fn normal_pair(&mut self, limit: f64) -> (f64, f64) {
        loop {
            let (u, v) = (self.symmetric(), self.symmetric());
            let s = u * u + v * v;
            if s >= 1.0 || s <= f64::MIN_POSITIVE {
                continue;
            }
            let stretch = (-2.0 * s.ln() / s).sqrt();
            let (x, y) = (u * stretch, v * stretch);
            if x.abs() <= limit && y.abs() <= limit {
                return (x, y);
            }
        }
    }
}

/// The output function of SplitMix64 (variant 13 of D. Stafford's mixers).
fn mix(state: u64) -> u64 {
    let z = (state ^ (state >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    let z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    z ^ (z >> 31)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_generator_is_splitmix64() {
        // First outputs for state 1234567: the test vector that the programming-task collection Rosetta Code gives
        // for SplitMix64.
        let mut r = Random { state: 1_234_567 };
        let first: Vec<u64> = (0..5).map(|_| r.next()).collect();
        assert_eq!(
            first,
            [
                6_457_827_717_110_365_317,
                3_203_168_211_198_807_973,
                9_817_491_932_198_370_423,
                4_593_380_528_125_082_431,
                16_408_922_859_458_223_821
            ]
        );
    }

    #[test]
    fn normal_numbers_have_normal_moments() {
        let mut r = Random::stream(1, 0);
        let n = 200_000u32;
        let (mut m1, mut m2, mut m4) = (0.0, 0.0, 0.0);
        for _ in 0..n / 2 {
            let (x, y) = r.normal_pair(5.0);
            for v in [x, y] {
                m1 += v;
                m2 += v * v;
                m4 += v.powi(4);
            }
        }
        let n = f64::from(n);
        // Standard errors of the moments of N samples: 1/√N, √(2/N), √(96/N); five of each.
        assert!((m1 / n).abs() < 5.0 / n.sqrt());
        assert!((m2 / n - 1.0).abs() < 5.0 * (2.0 / n).sqrt());
        assert!((m4 / n - 3.0).abs() < 5.0 * (96.0 / n).sqrt());
    }
}
