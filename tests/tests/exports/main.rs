//! A build in the formats of others, as readers that are not ours find it.

mod built;
mod cuts;
mod faults;
mod grids;
mod meshes;
mod roads;
mod sections;
mod tables;
