//! Random numbers that depend on what is drawn, never on who draws first.
//!
//! The generator is splitmix64 (Steele, Lea and Flood, "Fast splittable pseudorandom number
//! generators", 2014): a counter through a mixing function. A stream is named by a few whole
//! numbers (seed, setup, azimuth), so any thread can open any stream at any time.

const GOLDEN: u64 = 0x9e37_79b9_7f4a_7c15;

/// The mixing function of splitmix64.
#[must_use]
#[inline]
pub fn mix(mut z: u64) -> u64 {
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    z ^ (z >> 31)
}

/// A stream of random numbers.
#[derive(Debug, Clone)]
pub struct Rng {
    state: u64,
    spare: Option<f64>,
}

impl Rng {
    /// The stream with this name; the same name is the same stream.
    #[must_use]
    pub fn stream(name: &[u64]) -> Self {
        let fold = |h: u64, &v: &u64| mix(h.wrapping_add(GOLDEN) ^ mix(v.wrapping_add(GOLDEN)));
        Self {
            state: name.iter().fold(0, fold),
            spare: None,
        }
    }

    /// 64 random bits.
    #[inline]
    pub fn bits(&mut self) -> u64 {
        self.state = self.state.wrapping_add(GOLDEN);
        mix(self.state)
    }

    /// Uniform in [0, 1).
    #[inline]
    pub fn unit(&mut self) -> f64 {
        const TWO_POW_MINUS_53: f64 = 1.0 / 9_007_199_254_740_992.0;
        (self.bits() >> 11) as f64 * TWO_POW_MINUS_53
    }

    /// Uniform in [low, high).
    #[inline]
    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.unit()
    }

    /// Standard normal (Box and Muller 1958; both values of a pair are used).
    #[inline]
    pub fn normal(&mut self) -> f64 {
        if let Some(v) = self.spare.take() {
            return v;
        }
        let radius = (-2.0 * (1.0 - self.unit()).ln()).sqrt();
        let (sin, cos) = (std::f64::consts::TAU * self.unit()).sin_cos();
        self.spare = Some(radius * sin);
        radius * cos
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_first_value_of_splitmix64_from_state_zero_is_the_published_one() {
        // Reference output of the public-domain splitmix64.c for seed 0.
        assert_eq!(mix(GOLDEN), 0xe220_a839_7b1d_cdaf);
    }

    #[test]
    fn a_normal_stream_has_mean_zero_and_variance_one() {
        let mut rng = Rng::stream(&[1, 2]);
        let n = 200_000;
        let (mut sum, mut squares) = (0.0, 0.0);
        for _ in 0..n {
            let v = rng.normal();
            sum += v;
            squares += v * v;
        }
        // Standard errors 0.0022 and 0.0032; four of them.
        assert!((sum / f64::from(n)).abs() < 0.009);
        assert!((squares / f64::from(n) - 1.0).abs() < 0.013);
    }

    #[test]
    fn streams_of_different_names_differ_and_of_the_same_name_agree() {
        let first = |name: &[u64]| Rng::stream(name).bits();
        assert_eq!(first(&[7, 1]), first(&[7, 1]));
        assert_ne!(first(&[7, 1]), first(&[1, 7]));
        assert_ne!(first(&[7]), first(&[7, 0]));
    }
}
