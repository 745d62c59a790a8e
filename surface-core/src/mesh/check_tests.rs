//! The check finds each defect that is planted into a sound mesh.

use super::course::{Course, FLAT, STRAIGHT, check, lattice};
use super::{MeshCheck, Patch};

fn sound() -> Vec<Patch> {
    let course = Course {
        lattice: lattice(300, 20, false),
        curvature: STRAIGHT,
        edges: &|_| (-1.52, 1.57),
        z: FLAT,
    };
    course.patches().unwrap().0
}

/// The check after `spoil`, and the names of the defects found.
fn found(spoil: impl Fn(&mut Vec<Patch>)) -> (MeshCheck, Vec<&'static str>) {
    let mut patches = sound();
    spoil(&mut patches);
    let check = check(&patches, false).unwrap();
    let defects = check.defects();
    let names = defects
        .iter()
        .filter(|(_, count)| *count > 0)
        .map(|(name, _)| *name);
    (check.clone(), names.collect())
}

/// A face of the patch none of whose corners lies on a rail or in the first or last row.
fn inner_face(patch: &Patch) -> usize {
    let inside = |&v: &u32| {
        let v = v as usize;
        let rows = patch.first_row_vertices..patch.positions_m.len() - patch.last_row_vertices;
        rows.contains(&v) && !patch.on_rail[v]
    };
    patch
        .faces
        .iter()
        .position(|f| f.iter().all(inside))
        .unwrap()
}

/// A vertex of the first row, away from the rails.
const SHARED: usize = 15;

#[test]
fn a_sound_mesh_has_no_defect() {
    let (check, defects) = found(|_| {});
    assert!(check.is_valid());
    assert_eq!(defects, [""; 0]);
}

#[test]
fn a_flipped_face_is_found() {
    let (check, defects) = found(|p| {
        let k = inner_face(&p[1]);
        p[1].faces[k].swap(0, 1);
    });
    assert_eq!((check.flipped_faces, check.twisted_edges), (1, 3));
    assert!(defects.contains(&"flipped faces") && !check.is_valid());
}

#[test]
fn a_duplicate_face_is_found() {
    let (check, _) = found(|p| {
        let k = inner_face(&p[1]);
        let [a, b, c] = p[1].faces[k];
        p[1].faces.push([b, c, a]);
    });
    assert_eq!((check.duplicate_faces, check.crowded_edges), (1, 3));
}

#[test]
fn a_missing_face_is_a_hole_and_no_defect() {
    let (check, _) = found(|p| {
        let k = inner_face(&p[1]);
        p[1].faces.swap_remove(k);
    });
    assert!(check.is_valid());
    assert_eq!((check.holes(false), check.euler), (1, 0));
}

#[test]
fn a_degenerate_face_is_found() {
    let (check, _) = found(|p| {
        let k = inner_face(&p[0]);
        let [a, b, c] = p[0].faces[k].map(|v| v as usize);
        let (p0, p1) = (p[0].positions_m[a], p[0].positions_m[b]);
        p[0].positions_m[c] = std::array::from_fn(|k| 0.5 * (p0[k] + p1[k]));
    });
    assert!(check.degenerate_faces >= 1, "{check:#?}");
}

#[test]
fn a_sliver_away_from_rails_is_found() {
    let (check, defects) = found(|p| {
        let k = inner_face(&p[0]);
        let [a, b, c] = p[0].faces[k].map(|v| v as usize);
        let (p0, p1, p2) = (
            p[0].positions_m[a],
            p[0].positions_m[b],
            p[0].positions_m[c],
        );
        // 4/5 of the way to the middle of the opposite edge: nothing flips.
        p[0].positions_m[c] = std::array::from_fn(|k| 0.2 * p2[k] + 0.4 * (p0[k] + p1[k]));
    });
    assert_eq!(defects, ["slivers"]);
    assert!(check.least_angle_off_rails_deg < 15.0 && !check.is_valid());
}

#[test]
fn a_t_junction_between_patches_is_found() {
    // The earlier patch skips a vertex of the common row: its two triangles at the row become one
    // over a vertex of the later patch.
    let (check, _) = found(|p| {
        let (skipped, end) = (SHARED, p[0].positions_m.len() - p[0].last_row_vertices);
        let v = u32::try_from(end + skipped).unwrap();
        let fan: Vec<[u32; 3]> = p[0]
            .faces
            .iter()
            .copied()
            .filter(|f| f.contains(&v))
            .collect();
        p[0].faces.retain(|f| !f.contains(&v));
        // Refill the gap by a fan from the vertex before it in the row.
        for face in fan {
            if !face.contains(&(v - 1)) {
                p[0].faces
                    .push(face.map(|u| if u == v { v - 1 } else { u }));
            }
        }
    });
    assert!(check.hanging_vertices >= 1, "{check:#?}");
    assert!(!check.is_valid());
}

#[test]
fn a_crack_of_doubled_vertices_is_found() {
    let (check, _) = found(|p| {
        let k = inner_face(&p[0]);
        let v = p[0].faces[k][0];
        let copy = p[0].first_row_vertices;
        // A vertex in the middle of the patch, split in two: the copy takes one of its faces.
        let twin = p[0].positions_m[v as usize];
        p[0].positions_m.insert(copy, twin);
        p[0].normals.insert(copy, [0.0, 0.0, 1.0]);
        p[0].sigma_m.insert(copy, 0.0);
        p[0].on_rail.insert(copy, false);
        let at = u32::try_from(copy).unwrap();
        p[0].faces
            .iter_mut()
            .flatten()
            .filter(|u| **u >= at)
            .for_each(|u| *u += 1);
        let moved = v + 1;
        p[0].faces[k] = p[0].faces[k].map(|u| if u == moved { at } else { u });
    });
    assert!(check.hanging_vertices >= 2, "{check:#?}");
}

#[test]
fn a_pinch_inside_a_patch_is_found() {
    let (check, _) = found(|p| {
        let k = inner_face(&p[1]);
        let v = p[1].faces[k][0];
        // Of the triangles around the vertex keep two that do not share an edge.
        let around: Vec<[u32; 3]> = p[1]
            .faces
            .iter()
            .copied()
            .filter(|f| f.contains(&v))
            .collect();
        let apart = |f: &[u32; 3]| f.iter().filter(|u| around[0].contains(u)).count() == 1;
        let keep = [around[0], *around.iter().find(|f| apart(f)).unwrap()];
        p[1].faces.retain(|f| !f.contains(&v) || keep.contains(f));
    });
    assert_eq!(check.pinches, 1, "{check:#?}");
}

#[test]
fn a_pinch_on_a_common_row_is_found() {
    // On either side of the row keep one triangle, at opposite sides of the vertex.
    let (check, _) = found(|p| {
        let mine = u32::try_from(p[0].positions_m.len() - p[0].last_row_vertices + SHARED).unwrap();
        let theirs = u32::try_from(SHARED).unwrap();
        p[0].faces
            .retain(|f| !f.contains(&mine) || f.contains(&(mine - 1)));
        p[1].faces
            .retain(|f| !f.contains(&theirs) || f.contains(&(theirs + 1)));
    });
    assert_eq!(check.pinches, 1, "{check:#?}");
}

#[test]
fn a_border_that_does_not_match_is_found() {
    let (check, _) = found(|p| p[1].positions_m[SHARED][2] += 1e-9);
    assert_eq!(check.unlike_border_vertices, 1);
    let (check, _) = found(|p| {
        // The later patch has lost a vertex of the row.
        p[1].first_row_vertices -= 1;
    });
    assert!(check.unlike_border_vertices > 0 && !check.is_valid());
}

#[test]
fn an_edge_that_only_one_patch_has_is_a_border_edge() {
    let (check, _) = found(|p| {
        let theirs = u32::try_from(SHARED).unwrap();
        p[1].faces
            .retain(|f| !(f.contains(&theirs) && f.contains(&(theirs + 1))));
    });
    assert_eq!(check.holes(false), 1);
    assert!(check.is_valid());
}

#[test]
fn two_parts_are_found() {
    let (check, _) = found(|p| {
        let row = p[1].first_row_vertices;
        // Without the second row of the middle patch the course falls in two.
        let second = row..2 * row;
        p[1].faces
            .retain(|f| !f.iter().any(|&v| second.contains(&(v as usize))));
    });
    assert_eq!(check.parts, 2);
    assert!(!check.is_valid() && check.loose_vertices > 0);
}

#[test]
fn a_vertex_that_is_no_number_or_has_a_bad_normal_is_found() {
    let (check, _) = found(|p| {
        p[2].positions_m[77][2] = f64::NAN;
        p[2].normals[78] = [0.0, 0.0, -1.0];
        p[2].normals[79] = [0.0, 0.5, 0.5];
    });
    assert_eq!(check.bad_vertices, 3);
}

#[test]
fn patches_out_of_order_are_refused() {
    let mut patches = sound();
    patches.swap(0, 1);
    assert!(check(&patches, false).is_err());
    patches.swap(0, 1);
    let mut checker = super::MeshChecker::new(3, false);
    checker.add(&patches[0]).unwrap();
    assert_eq!(
        checker.finish().unwrap_err().to_string(),
        "expected the patch of section 3, got section 1"
    );
}
