//! Numbers that tests draw.

/// A fixed sequence (Knuth's MMIX generator): the same numbers on every machine.
#[derive(Debug, Clone)]
pub(crate) struct Draw(pub u64);

impl Draw {
    /// Uniform in 0..1.
    pub fn unit(&mut self) -> f64 {
        self.0 = self
            .0
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 11) as f64 / (1_u64 << 53) as f64
    }

    /// Nearly normal: the sum of twelve.
    pub fn normal(&mut self) -> f64 {
        (0..12).map(|_| self.unit()).sum::<f64>() - 6.0
    }
}
