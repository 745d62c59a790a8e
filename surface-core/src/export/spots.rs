//! Spots as a table that any spreadsheet opens.

use std::io::{self, Write};

use crate::deviation::Spot;

/// Columns of the spot table.
const HEADER: &str =
    "id,s_m,t_m,x_m,y_m,area_m2,length_m,width_m,worst_mm,mean_mm,cells,points,why";

/// Write the spots of a map along a course, one row each, as given (worst first).
///
/// x and y are as [`DeviationMap::spots`](crate::deviation::DeviationMap::spots) had them from its
/// `place`: world coordinates, when that gave world coordinates.
///
/// # Errors
/// What `out` says.
pub fn write_spots_csv<W: Write>(spots: &[Spot], out: W) -> io::Result<()> {
    write(spots, out, |spot| {
        format!("{:.3},{:.3}", spot.at_m[0], spot.at_m[1])
    })
}

/// The same for a map of the plane: s and t stay empty.
///
/// # Errors
/// What `out` says.
pub fn write_plane_spots_csv<W: Write>(spots: &[Spot], out: W) -> io::Result<()> {
    write(spots, out, |_| ",".to_owned())
}

fn write<W: Write>(spots: &[Spot], mut out: W, st: impl Fn(&Spot) -> String) -> io::Result<()> {
    writeln!(out, "{HEADER}")?;
    for spot in spots {
        writeln!(
            out,
            "{},{},{:.3},{:.3},{:.4},{:.3},{:.3},{:.2},{:.2},{},{},{}",
            spot.id,
            st(spot),
            spot.xy_m[0],
            spot.xy_m[1],
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
            xy_m: [500_010.062_6, 4_999_979.5],
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
        let spots = std::slice::from_ref(&spot);
        let (mut along, mut plane) = (Vec::new(), Vec::new());
        write_spots_csv(spots, &mut along).unwrap();
        write_plane_spots_csv(spots, &mut plane).unwrap();
        assert_eq!(
            String::from_utf8(along).unwrap(),
            "id,s_m,t_m,x_m,y_m,area_m2,length_m,width_m,worst_mm,mean_mm,cells,points,why\n\
             1,412.375,-1.125,500010.063,4999979.500,1.1875,1.250,1.000,-31.23,-21.00,19,4821,hole\n"
        );
        assert!(String::from_utf8(plane).unwrap().ends_with(
            "\n1,,,500010.063,4999979.500,1.1875,1.250,1.000,-31.23,-21.00,19,4821,hole\n"
        ));
    }
}
