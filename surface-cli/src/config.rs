//! What a config file says.

use std::path::{Path, PathBuf};

use anyhow::Result;
use serde::Deserialize;
use surface_core::setups::NoiseModel;

use crate::given::read_text;

/// Why a config file says nothing that can be used.
#[derive(Debug, thiserror::Error)]
pub enum ConfigError {
    /// Not TOML, a key that is none, or a value of the wrong kind.
    #[error("{}: {source}", path.display())]
    Toml {
        /// The file.
        path: PathBuf,
        /// What the parser said, with the line.
        source: toml::de::Error,
    },
    /// A word that a key does not know.
    #[error("config key {key}: {text:?} is none of its values")]
    Value {
        /// The key.
        key: &'static str,
        /// Its word.
        text: String,
    },
    /// A number of `[noise]` that is none of a scanner.
    #[error("{}: [noise] {key} is {value}", path.display())]
    Noise {
        /// The file.
        path: PathBuf,
        /// The key.
        key: &'static str,
        /// Its number.
        value: f64,
        /// What would be one.
        remedy: &'static str,
    },
}

impl ConfigError {
    /// The error about a word that `key` does not know.
    pub fn value(key: &'static str, text: &str) -> Self {
        let text = text.to_owned();
        Self::Value { key, text }
    }

    /// What the user can do about it, as one sentence.
    pub fn hint(&self) -> String {
        match self {
            Self::Toml { .. } => "correct that line of the config file: `key = value`, the keys are the long options without their dashes (`surface fit --help`), text stands in quotes".to_owned(),
            Self::Value { key, .. } => {
                format!("give the key one of the values of --{key}: `surface fit --help` lists them")
            }
            Self::Noise { remedy, .. } => (*remedy).to_owned(),
        }
    }
}

/// `course.toml`: every option has a key of the same name.
#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case", default)]
pub struct Config {
    pub units: Option<String>,
    pub line: Option<PathBuf>,
    pub closed: Option<bool>,
    pub setups: Option<PathBuf>,
    pub threads: Option<usize>,
    pub memory: Option<f64>,
    pub scratch: Option<PathBuf>,
    pub format: Option<String>,
    pub progress: Option<String>,
    pub spacing: Option<f64>,
    pub tolerance: Option<f64>,
    pub bridge: Option<f64>,
    pub deviation_points: Option<String>,
    pub checkpoints: Option<PathBuf>,
    pub checkpoint_sd: Option<f64>,
    pub also: Option<Vec<String>>,
    pub noise: Option<NoiseTable>,
    pub search: Option<f64>,
    pub origin: Option<Vec<f64>>,
    pub mesh_units: Option<String>,
    pub step: Option<f64>,
    pub track: Option<f64>,
    pub offset: Option<f64>,
    pub path: Option<PathBuf>,
    pub speed: Option<f64>,
    pub require: Option<Vec<String>>,
    pub expect: Option<PathBuf>,
    pub refine: Option<bool>,
    pub false_share: Option<f64>,
    pub least: Option<f64>,
}

/// `[noise]` of the config: what scatters a point's height, over what the scans tell.
#[derive(Debug, Clone, Copy, Default, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case", default)]
pub struct NoiseTable {
    range_mm: f64,
    grazing_mm: f64,
    angle_urad: f64,
    texture_mm: f64,
    fading: f64,
    intensity: f64,
}

impl NoiseTable {
    /// As the library takes it.
    pub fn model(self) -> NoiseModel {
        NoiseModel {
            range_m: 1e-3 * self.range_mm,
            grazing_m: 1e-3 * self.grazing_mm,
            angle_rad: 1e-6 * self.angle_urad,
            texture_m: 1e-3 * self.texture_mm,
            fading: self.fading,
            intensity: self.intensity,
        }
    }
}

impl Config {
    /// What `--config` names; nothing where it is absent.
    pub fn read(path: Option<&Path>) -> Result<Self> {
        let Some(path) = path else {
            return Ok(Self::default());
        };
        let text = read_text(path)?;
        let mut config: Self = toml::from_str(&text).map_err(|source| ConfigError::Toml {
            path: path.to_owned(),
            source,
        })?;
        // Files named in a config file stand beside it.
        let beside = path.parent().unwrap_or_else(|| Path::new(""));
        let files = [
            &mut config.line,
            &mut config.setups,
            &mut config.checkpoints,
            &mut config.scratch,
            &mut config.path,
            &mut config.expect,
        ];
        for file in files.into_iter().flatten() {
            *file = beside.join(&file);
        }
        let fault = config.noise.and_then(|noise| noise.model().fault());
        if let Some((key, value, remedy)) = fault {
            let path = path.to_owned();
            return Err(ConfigError::Noise {
                path,
                key,
                value,
                remedy,
            }
            .into());
        }
        Ok(config)
    }
}

/// What was typed, else what the config file says under `key`.
pub fn word<T: clap::ValueEnum>(
    typed: Option<T>,
    file: Option<&String>,
    key: &'static str,
) -> Result<Option<T>> {
    match (typed, file) {
        (Some(value), _) => Ok(Some(value)),
        (None, Some(text)) => match T::from_str(text, true) {
            Ok(value) => Ok(Some(value)),
            Err(_) => Err(ConfigError::value(key, text).into()),
        },
        (None, None) => Ok(None),
    }
}
