//! Spots as a table that any spreadsheet opens.

use std::io::{self, Write};

use crate::cloud::Frame;
use crate::deviation::Spot;

/// Columns of the spot table.
const HEADER: &str =
    "id,s_m,t_m,x_m,y_m,area_m2,length_m,width_m,worst_mm,mean_mm,cells,points,why";

/// Write one row a spot, worst first as given. x and y are world coordinates; s and t stay empty
/// for spots of the plane (`along_course` false).
///
/// # Errors
/// What `out` says.
pub fn write_spots_csv<W: Write>(
    mut out: W,
    spots: &[Spot],
    frame: &Frame,
    along_course: bool,
) -> io::Result<()> {
    writeln!(out, "{HEADER}")?;
    for spot in spots {
        let [s, t] = spot.at_m;
        let st = if along_course {
            format!("{s:.3},{t:.3}")
        } else {
            ",".to_owned()
        };
        writeln!(
            out,
            "{},{st},{:.3},{:.3},{:.4},{:.3},{:.3},{:.2},{:.2},{},{},{}",
            spot.id,
            frame.origin_m[0] + spot.xy_m[0],
            frame.origin_m[1] + spot.xy_m[1],
            spot.area_m2,
            spot.length_m,
            spot.width_m,
            1e3 * spot.worst_m,
            1e3 * spot.mean_m,
            spot.cells,
            spot.points,
            spot.why.word(),
        )?;
    }
    out.flush()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::deviation::Why;

    #[test]
    fn the_table_has_world_coordinates_to_the_millimetre_and_deviations_in_mm() {
        let spot = Spot {
            id: 1,
            at_m: [412.375, -1.125],
            xy_m: [10.062_6, -20.5],
            middle_m: [412.5, -1.0],
            area_m2: 1.187_5,
            length_m: 1.25,
            width_m: 1.0,
            worst_m: -0.031_234,
            mean_m: -0.021,
            cells: 19,
            points: 4821,
            why: Why::Hole,
        };
        let frame = Frame {
            origin_m: [500_000.0, 5_000_000.0, 100.0],
        };
        let table = |along| {
            let mut out = Vec::new();
            write_spots_csv(&mut out, std::slice::from_ref(&spot), &frame, along).unwrap();
            String::from_utf8(out).unwrap()
        };
        assert_eq!(
            table(true),
            "id,s_m,t_m,x_m,y_m,area_m2,length_m,width_m,worst_mm,mean_mm,cells,points,why\n\
             1,412.375,-1.125,500010.063,4999979.500,1.1875,1.250,1.000,-31.23,-21.00,19,4821,hole\n"
        );
        assert!(table(false).ends_with(
            "\n1,,,500010.063,4999979.500,1.1875,1.250,1.000,-31.23,-21.00,19,4821,hole\n"
        ));
    }
}
