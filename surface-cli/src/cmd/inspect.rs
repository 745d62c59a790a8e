//! `surface inspect`: what the files hold, and what is wrong with them.

use std::io::{BufWriter, Write};
use std::path::Path;

use surface_core::build;
use surface_core::cloud::inspect::{Inspection, SetupReport, inspect};
use surface_core::cloud::io::Scans;
use surface_core::progress::StopFlag;

use crate::args::{Format, Inspect};
use crate::exit::Exit;
use crate::progress::Bar;
use crate::term::{Table, count};

/// Setups listed by name; more are only counted.
const LISTED_SETUPS: usize = 20;

/// Run the command.
pub fn run(args: &Inspect, stop: &StopFlag) -> anyhow::Result<Exit> {
    if let [folder] = args.scans.files.as_slice()
        && folder.join("manifest.json").is_file()
    {
        return states(folder, args.format);
    }
    let mut scans = Scans::open(&args.scans.files, &args.scans.options())?;
    let found = inspect(&mut scans, &mut Bar::new(args.progress, stop))?;
    let mut out = BufWriter::new(std::io::stdout().lock());
    match args.format {
        Format::Json => {
            serde_json::to_writer_pretty(&mut out, &found).map_err(std::io::Error::from)?
        }
        Format::Text => text(&found, &mut out)?,
    }
    writeln!(out)?;
    out.flush()?;
    Ok(Exit::Done)
}

/// The states that a finished build went through, oldest first, and what its surface resolves.
fn states(folder: &Path, format: Format) -> anyhow::Result<Exit> {
    let found = build::versions(folder)?;
    let field = build::field_counts(folder)?;
    let mut out = BufWriter::new(std::io::stdout().lock());
    if format == Format::Json {
        let all = serde_json::json!({ "states": found, "field": field });
        serde_json::to_writer_pretty(&mut out, &all).map_err(std::io::Error::from)?;
        writeln!(out)?;
        out.flush()?;
        return Ok(Exit::Done);
    }
    writeln!(out, "states ({})", found.len())?;
    let mut table = Table::default();
    for (number, state) in (1..).zip(&found) {
        let inputs: Vec<&str> = state.inputs.iter().map(|i| i.name.as_str()).collect();
        let what = match state.changes {
            None => "built".to_owned(),
            Some(1) => "rescanned, 1 change".to_owned(),
            Some(n) => format!("rescanned, {n} changes"),
        };
        let short = state.manifest.get(..12).unwrap_or(&state.manifest);
        table.row([
            number.to_string(),
            short.to_owned(),
            what,
            inputs.join(", "),
        ]);
    }
    table.write(&mut out)?;
    writeln!(out, "{}", field.resolved_line())?;
    out.flush()?;
    Ok(Exit::Done)
}

fn text(found: &Inspection, out: &mut dyn Write) -> std::io::Result<()> {
    files(found, out)?;
    facts(found, out)?;
    setups(&found.setups, out)?;
    classes(found, out)?;
    doubts(found, out)
}

fn files(found: &Inspection, out: &mut dyn Write) -> std::io::Result<()> {
    writeln!(out, "files")?;
    let mut table = Table::default();
    for file in &found.files {
        let (info, points) = (&file.info, count(file.points));
        let units = match (info.units.horizontal, info.units.vertical) {
            (xy, z) if xy == z => xy.name().to_owned(),
            (xy, z) => format!("{}, z in {}", xy.name(), z.name()),
        };
        table.row([
            info.path.display().to_string(),
            info.format.clone(),
            format!("{points} points"),
            format!("{units} ({})", info.units.how),
            info.crs.clone().unwrap_or_default(),
        ]);
    }
    table.write(out)
}

fn facts(found: &Inspection, out: &mut dyn Write) -> std::io::Result<()> {
    let mut table = Table::default();
    let mut row = |name: &str, value: String| table.row([name.to_owned(), value]);
    row("points", count(found.points));
    for (axis, name) in ["x", "y", "z"].into_iter().enumerate() {
        let of = |b: &[[f64; 3]; 2]| format!("{:.3} to {:.3} m", b[0][axis], b[1][axis]);
        let central = of(&found.central_box_m);
        row(name, format!("{} (99.9 %: {central})", of(&found.box_m)));
    }
    let [x, y, z] = found.origin_m;
    row("origin", format!("{x:.0} {y:.0} {z:.0}"));
    let d = &found.density;
    row(
        "density",
        format!(
            "{:.0} points/m² (5 % to 95 %: {:.0} to {:.0}) over {:.0} m²",
            d.median_per_m2, d.low_per_m2, d.high_per_m2, d.area_m2
        ),
    );
    row(
        "intensity",
        match found.intensity {
            Some([from, to]) => format!("{from} to {to}"),
            None => "none".to_owned(),
        },
    );
    row(
        "time",
        match found.time_s {
            Some([from, to]) => format!("{from:.3} to {to:.3} s ({:.1} s)", to - from),
            None => "none".to_owned(),
        },
    );
    writeln!(out, "cloud")?;
    table.write(out)
}

fn setups(setups: &[SetupReport], out: &mut dyn Write) -> std::io::Result<()> {
    writeln!(out, "setups ({})", setups.len())?;
    let mut table = Table::default();
    for setup in setups.iter().take(LISTED_SETUPS) {
        let position = match setup.position_m {
            Some([x, y, z]) => format!("at {x:.3} {y:.3} {z:.3}"),
            None => "position unknown".to_owned(),
        };
        table.row([
            setup.name.clone(),
            format!("{} points", count(setup.points)),
            position,
        ]);
    }
    table.write(out)?;
    match setups.len().saturating_sub(LISTED_SETUPS) {
        0 => Ok(()),
        more => writeln!(out, "  and {more} more"),
    }
}

fn classes(found: &Inspection, out: &mut dyn Write) -> std::io::Result<()> {
    if found.classes.is_empty() {
        return Ok(());
    }
    writeln!(out, "classes")?;
    let mut table = Table::default();
    for class in &found.classes {
        let points = format!("{} points", count(class.points));
        table.row([class.class.to_string(), class.name.to_owned(), points]);
    }
    table.write(out)
}

fn doubts(found: &Inspection, out: &mut dyn Write) -> std::io::Result<()> {
    writeln!(out, "doubts ({})", found.doubts.len())?;
    found
        .doubts
        .iter()
        .try_for_each(|doubt| writeln!(out, "  {doubt}"))
}
