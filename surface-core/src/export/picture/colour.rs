//! Colours for signed numbers, even to the eye.
//!
//! The scale is a straight line in OKLab (B. Ottosson, A perceptual color space for image
//! processing, 2020) from a light grey to blue for negative and to vermillion for positive values.
//! A straight line makes equal steps of the number equal steps to the eye, and both ends have the
//! same lightness and chroma, so neither sign looks more severe. Blue against vermillion stays
//! apart for the common colour blindnesses.

use crate::numeric::{to_index, to_u8};

/// Red, green, blue in sRGB.
pub type Rgb = [u8; 3];

/// Lightness of zero: a little darker than paper, so that good road is seen against the page.
const ZERO_LIGHTNESS: f64 = 0.93;
/// Lightness and chroma of both ends; the most chroma that sRGB holds on both lines.
const END_LIGHTNESS: f64 = 0.52;
const END_CHROMA: f64 = 0.145;
/// Hues of the ends, degrees.
const BLUE_HUE_DEG: f64 = 257.0;
const VERMILLION_HUE_DEG: f64 = 42.0;
/// Lightness and chroma beyond the scale: darker than any colour on it.
const BEYOND_LIGHTNESS: f64 = 0.34;
const BEYOND_CHROMA: f64 = 0.11;
/// Colours on the scale; an even number of steps on each side of the middle one.
const STEPS: usize = 241;

/// A point of OKLab: lightness 0..=1, then green–red and blue–yellow.
type OkLab = [f64; 3];

/// Colours from −1 (blue) over 0 (light grey) to +1 (vermillion), with a darker one beyond.
#[derive(Debug, Clone)]
pub struct Diverging {
    steps: Vec<Rgb>,
    below: Rgb,
    above: Rgb,
}

impl Default for Diverging {
    fn default() -> Self {
        let ok = |x: usize| lab_to_rgb(lab_at(2.0 * to_f64(x) / to_f64(STEPS - 1) - 1.0));
        let beyond = |hue| lab_to_rgb(polar(BEYOND_LIGHTNESS, BEYOND_CHROMA, hue));
        Self {
            steps: (0..STEPS).map(ok).collect(),
            below: beyond(BLUE_HUE_DEG),
            above: beyond(VERMILLION_HUE_DEG),
        }
    }
}

impl Diverging {
    /// Colour of `x`; the ends cover exactly −1 and 1, beyond them come the darker colours.
    #[must_use]
    pub fn at(&self, x: f64) -> Rgb {
        if x < -1.0 {
            self.below
        } else if x > 1.0 {
            self.above
        } else {
            self.steps[to_index(0.5 * (x + 1.0) * to_f64(STEPS - 1) + 0.5).min(STEPS - 1)]
        }
    }
}

#[expect(clippy::cast_precision_loss, reason = "241 steps")]
fn to_f64(n: usize) -> f64 {
    n as f64
}

fn polar(lightness: f64, chroma: f64, hue_deg: f64) -> OkLab {
    let (sin, cos) = hue_deg.to_radians().sin_cos();
    [lightness, chroma * cos, chroma * sin]
}

/// The scale before rounding to sRGB, −1 ≤ x ≤ 1.
fn lab_at(x: f64) -> OkLab {
    let hue = if x < 0.0 {
        BLUE_HUE_DEG
    } else {
        VERMILLION_HUE_DEG
    };
    let [l, a, b] = polar(END_LIGHTNESS, END_CHROMA, hue);
    let k = x.abs();
    [ZERO_LIGHTNESS + k * (l - ZERO_LIGHTNESS), k * a, k * b]
}

/// OKLab → linear sRGB (matrices of Ottosson 2020).
fn lab_to_linear([l, a, b]: OkLab) -> [f64; 3] {
    let cube = |v: f64| v * v * v;
    let p = cube(l + 0.396_337_777_4 * a + 0.215_803_757_3 * b);
    let q = cube(l - 0.105_561_345_8 * a - 0.063_854_172_8 * b);
    let r = cube(l - 0.089_484_177_5 * a - 1.291_485_548_0 * b);
    [
        4.076_741_662_1 * p - 3.307_711_591_3 * q + 0.230_969_929_2 * r,
        -1.268_438_004_6 * p + 2.609_757_401_1 * q - 0.341_319_396_5 * r,
        -0.004_196_086_3 * p - 0.703_418_614_7 * q + 1.707_614_701_0 * r,
    ]
}

fn lab_to_rgb(lab: OkLab) -> Rgb {
    lab_to_linear(lab).map(|v| to_u8(255.0 * encode(v.clamp(0.0, 1.0))))
}

/// The transfer curve of sRGB (IEC 61966-2-1).
fn encode(linear: f64) -> f64 {
    if linear <= 0.003_130_8 {
        12.92 * linear
    } else {
        1.055 * linear.powf(1.0 / 2.4) - 0.055
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn linear(rgb: Rgb) -> [f64; 3] {
        rgb.map(|v| {
            let c = f64::from(v) / 255.0;
            if c <= 0.040_45 {
                c / 12.92
            } else {
                ((c + 0.055) / 1.055).powf(2.4)
            }
        })
    }

    fn lab([r, g, b]: [f64; 3]) -> OkLab {
        let p = (0.412_221_470_8 * r + 0.536_332_536_3 * g + 0.051_445_992_9 * b).cbrt();
        let q = (0.211_903_498_2 * r + 0.680_699_545_1 * g + 0.107_396_956_6 * b).cbrt();
        let s = (0.088_302_461_9 * r + 0.281_718_837_6 * g + 0.629_978_700_5 * b).cbrt();
        [
            0.210_454_255_3 * p + 0.793_617_785_0 * q - 0.004_072_046_8 * s,
            1.977_998_495_1 * p - 2.428_592_205_0 * q + 0.450_593_709_9 * s,
            0.025_904_037_1 * p + 0.782_771_766_2 * q - 0.808_675_766_0 * s,
        ]
    }

    fn distance(a: OkLab, b: OkLab) -> f64 {
        (0..3).map(|k| (a[k] - b[k]).powi(2)).sum::<f64>().sqrt()
    }

    #[test]
    fn known_colours_have_the_published_oklab_coordinates() {
        // Ottosson 2020, white: (1, 0, 0); CSS Color 4 for #ff0000: oklab(0.628 0.225 0.126).
        assert!(distance(lab(linear([255; 3])), [1.0, 0.0, 0.0]) < 1e-6);
        assert!(distance(lab(linear([255, 0, 0])), [0.628, 0.225, 0.126]) < 1e-3);
        assert_eq!(lab_to_rgb([0.627_955, 0.224_863, 0.125_846]), [255, 0, 0]);
    }

    #[test]
    fn every_colour_of_the_scale_exists_in_srgb() {
        for k in -100..=100 {
            let rgb = lab_to_linear(lab_at(f64::from(k) / 100.0));
            assert!(
                rgb.iter().all(|v| (-1e-4..=1.0001).contains(v)),
                "{k}: {rgb:?}"
            );
        }
    }

    #[test]
    fn equal_steps_of_the_number_are_equal_steps_to_the_eye() {
        let scale = Diverging::default();
        let at = |k: i32| lab(linear(scale.at(f64::from(k) / 6.0)));
        let steps: Vec<f64> = (-6..6).map(|k| distance(at(k), at(k + 1))).collect();
        let mean = steps.iter().sum::<f64>() / 12.0;
        // Rounding to 8 bits moves a colour by up to 0.002, a step is 0.073; a scale drawn straight
        // in sRGB is uneven by 40 %.
        assert!(
            steps.iter().all(|s| (s / mean - 1.0).abs() < 0.05),
            "{steps:?}"
        );
    }

    #[test]
    fn both_sides_darken_steadily_and_alike() {
        let scale = Diverging::default();
        let lightness = |x: f64| lab(linear(scale.at(x)))[0];
        for k in 0..20 {
            let (x, next) = (f64::from(k) / 20.0, f64::from(k + 1) / 20.0);
            assert!(lightness(next) < lightness(x) && lightness(-next) < lightness(-x));
            assert!((lightness(x) - lightness(-x)).abs() < 0.004);
        }
        assert!(lightness(1.1) < lightness(1.0) - 0.1 && lightness(-1.1) < lightness(-1.0) - 0.1);
        assert_eq!((scale.at(1.1), scale.at(-9.0)), (scale.above, scale.below));
    }

    #[test]
    fn the_two_signs_stay_apart_for_the_colour_blind() {
        // Severity 1 of G. M. Machado, M. M. Oliveira, L. A. F. Fernandes, A physiologically-based
        // model for simulation of color vision deficiency, 2009: protanopia, deuteranopia.
        const BLIND: [[[f64; 3]; 3]; 2] = [
            [
                [0.152_286, 1.052_583, -0.204_868],
                [0.114_503, 0.786_281, 0.099_216],
                [-0.003_882, -0.048_116, 1.051_998],
            ],
            [
                [0.367_322, 0.860_646, -0.227_968],
                [0.280_085, 0.672_501, 0.047_413],
                [-0.011_820, 0.042_940, 0.968_881],
            ],
        ];
        let scale = Diverging::default();
        for m in BLIND {
            let seen = |x: f64| {
                let c = linear(scale.at(x));
                lab(m.map(|row| (0..3).map(|k| row[k] * c[k]).sum::<f64>().clamp(0.0, 1.0)))
            };
            // The whole scale has 0.44 on each side: half of one side must remain.
            assert!(
                distance(seen(-1.0), seen(1.0)) > 0.2,
                "{}",
                distance(seen(-1.0), seen(1.0))
            );
            assert!(distance(seen(-0.5), seen(0.5)) > 0.1);
        }
    }
}
