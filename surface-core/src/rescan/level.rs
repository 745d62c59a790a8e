//! The published level of detection, to hold ours against.

/// Factor of an interval of 95 % for a normal value.
pub(super) const NORMAL_95: f64 = 1.96;

/// How points scatter in one epoch's cell: their standard deviation and their number.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Scatter {
    /// Standard deviation of the points about their mean, metres.
    pub sd_m: f64,
    /// How many points there are.
    pub n: f64,
}

impl Scatter {
    fn variance_of_mean_m2(self) -> f64 {
        self.sd_m * self.sd_m / self.n
    }
}

/// The level of detection of Lague, Brodu & Leroux 2013 (ISPRS J. 82, eq. 1):
/// LoD95 = 1.96 (√(s₁²/n₁ + s₂²/n₂) + reg), for n above 30 (usable above 4).
///
/// It takes the points of a cell for independent and the registration error for a constant. On a road
/// whose setups were levelled it is too wide where `reg` is that of targets. Without `reg`, and with
/// the σ of both fits for √(s²/n), it still is: less than 1 % of unchanged road lies beyond it, where
/// 5 % should, since σ counts the waves that a fit leaves out, which two fits of one road share. Ours
/// is learnt from the cells that did not change ([`super::detect`]).
///
/// ```
/// use surface_core::rescan::{PublishedLevel, Scatter};
/// let s = Scatter { sd_m: 1.41e-3, n: 100.0 };
/// let level = PublishedLevel { reg_m: 2.34e-3 }.lod95_m(s, s);
/// assert!((level - 4.9772e-3).abs() < 1e-7);
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct PublishedLevel {
    /// Error of the registration, metres.
    pub reg_m: f64,
}

impl PublishedLevel {
    /// Differences beyond this are significant at 95 %, metres.
    #[must_use]
    pub fn lod95_m(&self, old: Scatter, new: Scatter) -> f64 {
        let variance = old.variance_of_mean_m2() + new.variance_of_mean_m2();
        NORMAL_95 * (variance.sqrt() + self.reg_m)
    }
}
