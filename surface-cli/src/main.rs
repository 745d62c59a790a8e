//! The command line `surface`.

fn main() {}
