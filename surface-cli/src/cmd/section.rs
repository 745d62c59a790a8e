//! `surface section`: a cut through the road as a picture.

use std::io::Write;
use std::path::PathBuf;

use surface_core::build::{self, CutAt, CutParams};
use surface_core::progress::StopFlag;

use crate::args::{Format, SectionArgs};
use crate::exit::Exit;
use crate::progress::Bar;

/// Draw the cut, say what it shows.
pub fn run(args: &SectionArgs, stop: &StopFlag) -> anyhow::Result<Exit> {
    let at = match (args.place.s, args.place.spot) {
        (Some(s), _) => CutAt::Station(s),
        (None, Some(id)) => CutAt::Spot(id),
        (None, None) => anyhow::bail!("give a station with --s or a spot with --spot"),
    };
    let params = CutParams {
        at,
        along: args.along,
        t_m: args.t,
        length_m: args.length,
        reach_m: args.reach,
    };
    let out = args
        .out
        .clone()
        .unwrap_or_else(|| PathBuf::from("section.svg"));
    let mut bar = Bar::new(args.progress, stop);
    let report = build::section(&args.dir, &out, &params, &mut bar)?;
    drop(bar);
    let text = match args.format {
        Format::Json => serde_json::to_string_pretty(&report)? + "\n",
        Format::Text => report.to_text(),
    };
    std::io::stdout().lock().write_all(text.as_bytes())?;
    Ok(Exit::Done)
}
