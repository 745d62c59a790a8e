//! `surface export`: a finished build in the formats of others.

use std::io::Write;

use surface_core::build::{self, ExportParams, TextureParams};
use surface_core::progress::StopFlag;

use crate::args::{ExportArgs, Format, LayerName};
use crate::exit::Exit;
use crate::plan;
use crate::progress::Bar;

/// Write the file, say what it holds and what the format could not.
pub fn run(args: &ExportArgs, stop: &StopFlag) -> anyhow::Result<Exit> {
    plan::set_threads(args.threads)?;
    let mut bar = Bar::new(args.progress, stop);
    let params = ExportParams {
        spacing_m: args.spacing,
        layer: args.layer.map(LayerName::layer),
        texture: args.texture.as_ref().map(|rough| TextureParams {
            rough: rough.clone(),
            seed: args.seed,
        }),
    };
    let report = build::export(&args.dir, args.to, &args.out, &params, &mut bar)?;
    drop(bar);
    let text = match args.format {
        Format::Json => serde_json::to_string_pretty(&report)? + "\n",
        Format::Text => report.to_text(),
    };
    std::io::stdout().lock().write_all(text.as_bytes())?;
    Ok(Exit::Done)
}
