//! From what was typed (and the config file) to checked parameters, ready to run.

use std::path::PathBuf;

use anyhow::{Context, Result, bail};
use surface_core::build::{
    self, ExportFormat, FitParams, Gate, HoldParams, RescanParams, RoughnessParams,
};
use surface_core::cloud::io::Unit;
use surface_core::report::GivenFile;
use surface_core::rescan::DetectParams;

use crate::args::{
    DeviationArgs, DeviationPoints, FitArgs, Format, ProgressForm, RescanArgs, RoadArgs,
    RoughnessArgs, RunArgs, UnitName,
};
use crate::config::{Config, ConfigError, NoiseTable, word};
use crate::given::{
    GivenUnit, read_areas, read_checkpoints, read_line, read_rough_line, read_setups,
};

/// How a run speaks to its user.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Voice {
    /// How the answer is printed.
    pub format: Format,
    /// How progress is told.
    pub progress: ProgressForm,
}

impl Voice {
    fn of(args: &RunArgs, config: &Config) -> Result<Self> {
        let format = word(args.format, config.format.as_ref(), "format")?;
        let progress = word(args.progress, config.progress.as_ref(), "progress")?;
        Ok(Self {
            format: format.unwrap_or_default(),
            progress: progress.unwrap_or_default(),
        })
    }
}

/// A checked request.
pub struct Plan {
    /// Scan files.
    pub scans: Vec<PathBuf>,
    /// Other formats that the build is written in.
    pub also: Vec<ExportFormat>,
    /// What steers the build.
    pub params: FitParams,
    /// How it speaks.
    pub voice: Voice,
}

/// A checked request to fit one section.
pub struct SectionPlan {
    /// Folder for scratch files, as it was given for the plan.
    pub scratch: Option<PathBuf>,
    /// Memory that the work may take.
    pub memory_bytes: u64,
    /// How it speaks.
    pub voice: Voice,
}

/// The plan of `surface fit --section`.
pub fn of_section(args: &FitArgs) -> Result<SectionPlan> {
    let run = &args.road.run;
    let config = Config::read(run.config.as_deref())?;
    set_threads(run.threads.or(config.threads))?;
    Ok(SectionPlan {
        memory_bytes: memory_bytes(run.memory.or(config.memory))?,
        scratch: run.scratch.clone().or_else(|| config.scratch.clone()),
        voice: Voice::of(run, &config)?,
    })
}

/// The plan of `surface ribbon`.
pub fn of_ribbon(args: &RoadArgs) -> Result<Plan> {
    plan(args, &Config::read(args.run.config.as_deref())?)
}

/// The plan of `surface fit`.
pub fn of_fit(args: &FitArgs) -> Result<Plan> {
    let config = Config::read(args.road.run.config.as_deref())?;
    let mut plan = plan(&args.road, &config)?;
    let params = &mut plan.params;
    if let Some(spacing_m) = args.spacing.or(config.spacing) {
        params.spacing_m = spacing_m;
    }
    if let Some(tolerance_mm) = args.tolerance.or(config.tolerance) {
        params.tolerance_m = 1e-3 * tolerance_mm;
    }
    if let Some(bridge_m) = args.bridge.or(config.bridge) {
        params.bridge_m = bridge_m;
    }
    if let Some(path) = args.checkpoints.as_ref().or(config.checkpoints.as_ref()) {
        let unit = GivenUnit::of(&args.road.scans.files, params.units);
        params.checkpoints = read_checkpoints(path, unit)?;
    }
    if let Some(sd_mm) = args.checkpoint_sd.or(config.checkpoint_sd) {
        params.checkpoint_sd_m = 1e-3 * sd_mm;
    }
    params.noise = config.noise.map(NoiseTable::model);
    params.deviation_points = which_points(args.deviation_points, &config)?;
    params.check()?;
    params.given = given(args, &config)?;
    let which = plan.params.deviation_points;
    plan.also = also(&args.also, config.also.as_deref())?;
    if plan.also.contains(&ExportFormat::Laz) && which != build::DeviationPoints::All {
        bail!("--also laz hands over all points of the road: add --deviation-points all");
    }
    Ok(plan)
}

/// The files besides the scans that steer a fit, by the options that name them.
fn given(args: &FitArgs, config: &Config) -> Result<Vec<GivenFile>> {
    let road = &args.road;
    let named = [
        ("line", road.line.as_ref().or(config.line.as_ref())),
        ("setups", road.setups.as_ref().or(config.setups.as_ref())),
        (
            "checkpoints",
            args.checkpoints.as_ref().or(config.checkpoints.as_ref()),
        ),
        ("config", road.run.config.as_ref()),
    ];
    // What came through a pipe cannot be read again.
    let files = named
        .into_iter()
        .filter_map(|(option, path)| Some((option, path.filter(|p| p.is_file())?)));
    files
        .map(|(option, path)| Ok(build::given_file(option, path)?))
        .collect()
}

/// Formats as typed, else those of the config file, each once.
fn also(typed: &[ExportFormat], file: Option<&[String]>) -> Result<Vec<ExportFormat>> {
    let named =
        |name: &String| ExportFormat::of_name(name).ok_or_else(|| ConfigError::value("also", name));
    let mut out = match (typed, file) {
        ([], Some(names)) => names.iter().map(named).collect::<Result<Vec<_>, _>>()?,
        (typed, _) => typed.to_vec(),
    };
    out.sort_unstable();
    out.dedup();
    Ok(out)
}

fn which_points(typed: Option<DeviationPoints>, config: &Config) -> Result<build::DeviationPoints> {
    let file = config.deviation_points.as_ref();
    Ok(match word(typed, file, "deviation-points")? {
        Some(DeviationPoints::All) => build::DeviationPoints::All,
        Some(DeviationPoints::None) => build::DeviationPoints::None,
        Some(DeviationPoints::Beyond) | None => build::DeviationPoints::Beyond,
    })
}

/// A checked request of `surface deviation`.
pub struct HoldPlan {
    /// What steers the comparison.
    pub params: HoldParams,
    /// How it speaks.
    pub voice: Voice,
}

/// The plan of `surface deviation`.
pub fn of_deviation(args: &DeviationArgs) -> Result<HoldPlan> {
    let config = Config::read(args.run.config.as_deref())?;
    set_threads(args.run.threads.or(config.threads))?;
    let mut params = HoldParams {
        origin_m: origin(args.origin.as_ref().or(config.origin.as_ref()))?,
        units: word(args.scans.units, config.units.as_ref(), "units")?.map(UnitName::unit),
        mesh_unit: word(args.mesh_units, config.mesh_units.as_ref(), "mesh-units")?
            .map_or(Unit::Metre, UnitName::unit),
        memory_bytes: memory_bytes(args.run.memory.or(config.memory))?,
        deviation_points: which_points(args.deviation_points, &config)?,
        scratch: args.run.scratch.clone().or_else(|| config.scratch.clone()),
        ..HoldParams::default()
    };
    if let Some(tolerance_mm) = args.tolerance.or(config.tolerance) {
        params.tolerance_m = 1e-3 * tolerance_mm;
    }
    if let Some(search_m) = args.search.or(config.search) {
        params.search_m = search_m;
    }
    params.check()?;
    let voice = Voice::of(&args.run, &config)?;
    Ok(HoldPlan { params, voice })
}

/// A checked request of `surface roughness`.
pub struct RoughnessPlan {
    /// What steers the run.
    pub params: RoughnessParams,
    /// How it speaks.
    pub voice: Voice,
}

/// The plan of `surface roughness`.
pub fn of_roughness(args: &RoughnessArgs) -> Result<RoughnessPlan> {
    let config = Config::read(args.run.config.as_deref())?;
    set_threads(args.run.threads.or(config.threads))?;
    let known = RoughnessParams::default();
    let mut params = RoughnessParams {
        step_m: args.step.or(config.step).unwrap_or(known.step_m),
        track_m: args.track.or(config.track).unwrap_or(known.track_m),
        offset_m: args.offset.or(config.offset).unwrap_or(known.offset_m),
        speed_km_h: args.speed.or(config.speed).unwrap_or(known.speed_km_h),
        noise: config.noise.map(NoiseTable::model),
        require: limits(&args.require, config.require.as_deref())?,
        units: word(args.units, config.units.as_ref(), "units")?.map(UnitName::unit),
        memory_bytes: memory_bytes(args.run.memory.or(config.memory))?,
        scratch: args.run.scratch.clone().or_else(|| config.scratch.clone()),
        ..known
    };
    if let Some(path) = args.path.as_ref().or(config.path.as_ref()) {
        let line = read_rough_line(path)?;
        params.line = Some((line.points, line.closed));
    }
    if let Some(path) = args.setups.as_ref().or(config.setups.as_ref()) {
        let unit = GivenUnit::of(&args.scans, params.units);
        params.setups = read_setups(path, unit)?;
    }
    params.check(!args.scans.is_empty())?;
    let voice = Voice::of(&args.run, &config)?;
    Ok(RoughnessPlan { params, voice })
}

/// A checked request of `surface rescan`.
pub struct RescanPlan {
    /// What steers the run.
    pub params: RescanParams,
    /// How answer and progress are told.
    pub voice: Voice,
}

/// The plan of `surface rescan`.
pub fn of_rescan(args: &RescanArgs) -> Result<RescanPlan> {
    let config = Config::read(args.run.config.as_deref())?;
    set_threads(args.run.threads.or(config.threads))?;
    let known = DetectParams::default();
    let least_mm = args.least.or(config.least);
    let mut params = RescanParams {
        dry_run: args.dry_run,
        refine: args.refine || config.refine == Some(true),
        detect: DetectParams {
            false_share: args
                .false_share
                .or(config.false_share)
                .unwrap_or(known.false_share),
            least_m: least_mm.map_or(known.least_m, |mm| 1e-3 * mm),
        },
        tolerance_m: args.tolerance.or(config.tolerance).map(|mm| 1e-3 * mm),
        noise: config.noise.map(NoiseTable::model),
        units: word(args.units, config.units.as_ref(), "units")?.map(UnitName::unit),
        memory_bytes: memory_bytes(args.run.memory.or(config.memory))?,
        scratch: args.run.scratch.clone().or_else(|| config.scratch.clone()),
        ..RescanParams::default()
    };
    let expect = args.expect.as_ref().or(config.expect.as_ref());
    if let Some(path) = expect.filter(|_| !args.compare) {
        let unit = GivenUnit::of(&args.scans, params.units);
        params.expect = Some(read_areas(path, unit)?);
    }
    let setups = args.setups.as_ref().or(config.setups.as_ref());
    if let Some(path) = setups.filter(|_| !args.compare) {
        let unit = GivenUnit::of(&args.scans, params.units);
        params.setups = read_setups(path, unit)?;
    }
    params.check()?;
    let voice = Voice::of(&args.run, &config)?;
    Ok(RescanPlan { params, voice })
}

/// Limits as typed, else those of the config file.
fn limits(typed: &[String], file: Option<&[String]>) -> Result<Vec<Gate>> {
    let given = if typed.is_empty() {
        file.unwrap_or_default()
    } else {
        typed
    };
    given
        .iter()
        .map(|text| text.parse::<Gate>().context("--require"))
        .collect()
}

/// Three numbers, or none.
fn origin(given: Option<&Vec<f64>>) -> Result<Option<[f64; 3]>> {
    let Some(given) = given else {
        return Ok(None);
    };
    match given.as_slice() {
        &[x, y, z] => Ok(Some([x, y, z])),
        other => bail!("--origin has {} numbers: give X,Y,Z in metres", other.len()),
    }
}

fn plan(args: &RoadArgs, config: &Config) -> Result<Plan> {
    set_threads(args.run.threads.or(config.threads))?;
    let mut params = FitParams {
        closed: match (args.closed, args.open) {
            (false, false) => config.closed,
            (closed, _) => Some(closed),
        },
        scratch: args.run.scratch.clone().or_else(|| config.scratch.clone()),
        memory_bytes: memory_bytes(args.run.memory.or(config.memory))?,
        units: word(args.scans.units, config.units.as_ref(), "units")?.map(UnitName::unit),
        ..FitParams::default()
    };
    if let Some(path) = args.line.as_ref().or(config.line.as_ref()) {
        let unit = GivenUnit::of(&args.scans.files, params.units);
        read_line(path, unit, &mut params)?;
    }
    if let Some(path) = args.setups.as_ref().or(config.setups.as_ref()) {
        let unit = GivenUnit::of(&args.scans.files, params.units);
        params.setups = read_setups(path, unit)?;
    }
    params.check()?;
    let voice = Voice::of(&args.run, config)?;
    Ok(Plan {
        scans: args.scans.files.clone(),
        also: Vec::new(),
        params,
        voice,
    })
}

/// Use this many worker threads.
pub fn set_threads(threads: Option<usize>) -> Result<()> {
    let Some(threads) = threads else {
        return Ok(());
    };
    if !(1..=1024).contains(&threads) {
        bail!("--threads is {threads}: give 1 to 1024");
    }
    let pool = rayon::ThreadPoolBuilder::new()
        .num_threads(threads)
        .build_global();
    pool.context("worker threads")
}

/// What was asked for, else a quarter of the machine's memory, at least 0.5 GiB.
fn memory_bytes(gib: Option<f64>) -> Result<u64> {
    let bytes = match gib {
        Some(gib) if gib.is_finite() && gib > 0.0 && gib < 1e6 => gib * f64::from(1u32 << 30),
        Some(gib) => bail!("--memory is {gib}: give GiB, for example 2"),
        None => return Ok((machine_bytes() / 4).max(512 << 20)),
    };
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "checked above"
    )]
    Ok(bytes as u64)
}

/// Memory that a process may have: the machine's, or less in a container that has a limit.
fn machine_bytes() -> u64 {
    let text = |path| std::fs::read_to_string(path).unwrap_or_default();
    let machine = total_bytes(&text("/proc/meminfo"));
    machine.min(limit_bytes(&text("/sys/fs/cgroup/memory.max")))
}

/// Memory of the machine as `/proc/meminfo` tells; 8 GiB where it does not.
fn total_bytes(text: &str) -> u64 {
    let line = text.lines().find_map(|l| l.strip_prefix("MemTotal:"));
    let kib = line.and_then(|l| l.trim().strip_suffix("kB")?.trim().parse::<u64>().ok());
    kib.map_or(8 << 30, |k| k << 10)
}

/// The limit of a control group (version 2): a number of bytes; none is told as `max`, or not at all.
fn limit_bytes(text: &str) -> u64 {
    text.trim().parse().unwrap_or(u64::MAX)
}

#[cfg(test)]
mod tests {
    use super::*;
    use clap::Parser;

    use crate::args::{Args, Command};

    #[test]
    fn the_memory_of_a_container_counts_and_not_the_machines() {
        let meminfo = "MemFree: 7 kB\nMemTotal:       16384256 kB\nSwap: 1 kB\n";
        assert_eq!(total_bytes(meminfo), 16_384_256 << 10);
        assert_eq!(total_bytes(""), 8 << 30);
        assert_eq!(limit_bytes("2147483648\n"), 2 << 30);
        assert_eq!([limit_bytes("max\n"), limit_bytes("")], [u64::MAX; 2]);
        assert!(machine_bytes() > 0);
    }

    #[test]
    fn what_is_given_in_the_feet_of_the_scans_becomes_metres() {
        let dir = tempfile::tempdir().unwrap();
        let write = |name: &str, text: &str| {
            let path = dir.path().join(name);
            std::fs::write(&path, text).unwrap();
            path.display().to_string()
        };
        let (scan, points) = (
            write("a.xyz", "0 0 0\n"),
            write("p.csv", "a,1000,2000,10\n"),
        );
        let line = write("line.csv", "0,0\n1000,0\n1000,500\n");
        let planned = |units: &str| {
            let typed = [
                "surface",
                "fit",
                &scan,
                "--out",
                "b",
                "--units",
                units,
                "--line",
                &line,
                "--setups",
                &points,
                "--checkpoints",
                &points,
            ];
            let Command::Fit(fit) = Args::parse_from(typed).command else {
                panic!("another command was taken")
            };
            of_fit(&fit).unwrap().params
        };
        for (units, foot_m) in [("m", 1.0), ("ft", 0.3048), ("us-ft", 1200.0 / 3937.0)] {
            let params = planned(units);
            let near = |found: f64, feet: f64| (found - feet * foot_m).abs() < 1e-9;
            assert!(near(params.line.unwrap()[2][1], 500.0), "{units}");
            assert!(near(params.setups[0].position_m[2], 10.0), "{units}");
            assert!(near(params.checkpoints[0].xyz_m[1], 2000.0), "{units}");
            assert_eq!(params.closed, Some(false), "{units}");
        }
    }

    #[test]
    fn open_closed_and_the_line_say_whether_a_course_is_closed() {
        let dir = tempfile::tempdir().unwrap();
        let line = dir.path().join("line.csv");
        std::fs::write(&line, "0,0\n100,0\n100,100\n0,100\n0,1\n").unwrap();
        let line = line.display().to_string();
        let closed = |more: &[&str]| {
            let typed = ["surface", "ribbon", "a.laz", "--out", "r"]
                .iter()
                .chain(more);
            let Command::Ribbon(ribbon) = Args::parse_from(typed).command else {
                panic!("another command was taken")
            };
            of_ribbon(&ribbon.road).unwrap().params.closed
        };
        assert_eq!(closed(&[]), None);
        assert_eq!(closed(&["--line", &line]), Some(true));
        assert_eq!(closed(&["--line", &line, "--open"]), Some(false));
        assert_eq!(closed(&["--closed"]), Some(true));
    }
}
