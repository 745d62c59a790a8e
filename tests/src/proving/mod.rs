//! Roads with known truth, and their scans. Plain arrays out; no dependency on the project's crates.
