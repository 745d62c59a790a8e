//! Bare decoding of a scan, the least that any reader must do, as a process of its own.

use std::error::Error;
use std::path::Path;
use std::process::Command;

use crate::data::Scan;

/// The first argument of a bench when it is to decode a file and nothing else.
const DECODE: &str = "decode";
/// Points decoded at once: what our reader takes.
const BATCH: u64 = 1_000_000;

/// Decode and say so if that is all this process was started for.
///
/// # Errors
/// When the file cannot be read.
pub fn decode_if_asked() -> Result<bool, Box<dyn Error>> {
    let arguments: Vec<String> = std::env::args().collect();
    if arguments.get(1).is_none_or(|a| a != DECODE) {
        return Ok(false);
    }
    decode(Path::new(arguments.get(2).ok_or("a file")?))?;
    Ok(true)
}

/// Decode every point of a file into records and drop them.
fn decode(path: &Path) -> Result<(), Box<dyn Error>> {
    let mut reader = las::Reader::from_path(path)?;
    let mut points = reader.read_points(BATCH)?;
    while reader.fill_points(BATCH, &mut points)? > 0 {}
    Ok(())
}

/// This program again, to decode a scan with so many threads; its main function begins with
/// [`decode_if_asked`].
///
/// # Errors
/// When the system does not tell where this program lies.
pub fn decoding(scan: &Scan, threads: usize) -> Result<Command, Box<dyn Error>> {
    let mut command = Command::new(std::env::current_exe()?);
    command.arg(DECODE).arg(&scan.cloud);
    command.env("RAYON_NUM_THREADS", threads.to_string());
    Ok(command)
}
