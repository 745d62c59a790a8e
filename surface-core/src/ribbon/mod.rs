//! Which strip of the ground is road: the rough course in the cloud, the reference line along it,
//! the edges, and (s, t) to the world and back.

pub mod course;
