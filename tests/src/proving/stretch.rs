//! A stretch of a course, scanned by the setups around it alone: seconds where a lap takes minutes.

use super::course::Course;
use super::laz::{CloudWriter, WriteError};
use super::returns::Returns;
use super::scanner::scan_setup;
use super::setups::{ScanParams, Setup, place_setups};
use std::path::Path;

/// Setups up to this far outside a stretch scan it, metres.
const AROUND_M: f64 = 20.0;

/// Writes the returns from between two places along s, without clutter, and says which setups saw
/// them; `change` may take from and change what a setup saw.
///
/// # Errors
/// When the file cannot be written.
pub fn write_stretch(
    path: &Path,
    (course, params): (&Course, &ScanParams),
    [from_s_m, to_s_m]: [f64; 2],
    change: &mut dyn FnMut(&Setup, &mut Returns),
) -> Result<Vec<Setup>, WriteError> {
    let mut setups = place_setups(course, params);
    setups.retain(|setup| setup.s_m > from_s_m - AROUND_M && setup.s_m < to_s_m + AROUND_M);
    let inside = |[x, y]: [f64; 2]| {
        let place = course.place(x, y);
        place.is_some_and(|place| (from_s_m..to_s_m).contains(&place.foot.s_m))
    };
    let mut writer = CloudWriter::create(path)?;
    for setup in &setups {
        let mut returns = scan_setup(course, params, setup, &[]);
        returns.keep(|_, at| inside(at));
        change(setup, &mut returns);
        writer.write(setup, &returns)?;
    }
    writer.finish()?;
    Ok(setups)
}
