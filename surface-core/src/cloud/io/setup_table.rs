//! Which setup measured a point: one numbering over all files.

use std::path::Path;

use super::error::ReadError;
use super::scans::SetupInfo;
use super::source::{ListedSetup, SetupRule};
use super::units::FileUnits;
use crate::cloud::Columns;

/// No setup yet.
const NONE: u16 = u16::MAX;
/// Setups that a number can name.
const LIMIT: usize = NONE as usize;

/// How a file's own numbers become setup numbers.
#[derive(Debug, Clone, serde::Serialize, serde::Deserialize)]
enum Rule {
    /// LAS point source ids; the number of the file itself, once it is needed.
    SourceIds { file_setup: u16, ids: Ids },
    /// The file's own numbers count from here.
    From(u16),
}

/// Which point source ids a file has shown.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
enum Ids {
    Nothing,
    One(u16),
    Several,
}

impl Ids {
    fn with(self, id: u16) -> Self {
        match self {
            Self::Nothing => Self::One(id),
            Self::One(own) if own == id => self,
            _ => Self::Several,
        }
    }
}

/// All setups met so far.
#[derive(Debug, Clone, Default, serde::Serialize, serde::Deserialize)]
pub(super) struct SetupTable {
    list: Vec<SetupInfo>,
    rules: Vec<Rule>,
    /// Setup of each LAS point source id.
    by_source_id: Vec<u16>,
}

impl SetupTable {
    pub fn list(&self) -> &[SetupInfo] {
        &self.list
    }

    /// A new file: its listed setups get their numbers at once, source ids when they are met.
    pub fn add_file(
        &mut self,
        path: &Path,
        file: usize,
        rule: &SetupRule,
        units: &FileUnits,
    ) -> Result<(), ReadError> {
        let rule = match rule {
            SetupRule::SourceIds => {
                self.by_source_id.resize(1 << 16, NONE);
                Rule::SourceIds {
                    file_setup: NONE,
                    ids: Ids::Nothing,
                }
            }
            SetupRule::File => Rule::From(self.push(path, file_setup(path, file))?),
            SetupRule::Listed(setups) => {
                let first = self.list.len();
                for (k, setup) in setups.iter().enumerate() {
                    self.push(path, listed_setup(path, file, k, setup, units))?;
                }
                Rule::From(u16::try_from(first).unwrap_or(NONE))
            }
        };
        self.rules.push(rule);
        Ok(())
    }

    fn push(&mut self, path: &Path, setup: SetupInfo) -> Result<u16, ReadError> {
        let number = u16::try_from(self.list.len()).unwrap_or(NONE);
        if number == NONE {
            return Err(ReadError::TooManySetups {
                path: path.to_owned(),
                limit: LIMIT,
            });
        }
        self.list.push(setup);
        Ok(number)
    }

    /// Replace the file's own numbers in `columns.setup` by setup numbers.
    pub fn assign(
        &mut self,
        columns: &mut Columns,
        file: usize,
        path: &Path,
    ) -> Result<(), ReadError> {
        if let Rule::From(first) = self.rules[file] {
            columns
                .setup
                .iter_mut()
                .for_each(|s| *s = s.saturating_add(first));
            return Ok(());
        }
        let mut last = None;
        let mut last_setup = NONE;
        for id in &mut columns.setup {
            if last != Some(*id) {
                last = Some(*id);
                last_setup = self.setup_of(*id, file, path)?;
            }
            *id = last_setup;
        }
        Ok(())
    }

    /// A non-zero source id that is the only one in each of several files, and in how many.
    pub fn id_shared_by_files(&self) -> Option<(u16, usize)> {
        let only = |rule: &Rule| match rule {
            Rule::SourceIds {
                ids: Ids::One(id), ..
            } if *id > 0 => Some(*id),
            _ => None,
        };
        let mut ids: Vec<u16> = self.rules.iter().filter_map(only).collect();
        ids.sort_unstable();
        let runs = ids.chunk_by(|a, b| a == b).map(|run| (run[0], run.len()));
        runs.filter(|run| run.1 > 1)
            .max_by_key(|run| (run.1, u16::MAX - run.0))
    }

    fn setup_of(&mut self, id: u16, file: usize, path: &Path) -> Result<u16, ReadError> {
        if let Rule::SourceIds { ids, .. } = &mut self.rules[file] {
            *ids = ids.with(id);
        }
        if id == 0 {
            if matches!(
                self.rules[file],
                Rule::SourceIds {
                    file_setup: NONE,
                    ..
                }
            ) {
                let own = self.push(path, file_setup(path, file))?;
                if let Rule::SourceIds { file_setup, .. } = &mut self.rules[file] {
                    *file_setup = own;
                }
            }
            return Ok(match self.rules[file] {
                Rule::SourceIds { file_setup, .. } => file_setup,
                Rule::From(first) => first,
            });
        }
        let slot = usize::from(id);
        if self.by_source_id[slot] == NONE {
            let name = format!("point source {id}");
            let setup = SetupInfo {
                source_id: Some(id),
                ..named(name, file)
            };
            self.by_source_id[slot] = self.push(path, setup)?;
        }
        Ok(self.by_source_id[slot])
    }
}

fn named(name: String, file: usize) -> SetupInfo {
    SetupInfo {
        name,
        position_m: None,
        file,
        source_id: None,
    }
}

fn file_name(path: &Path) -> String {
    path.file_name()
        .map_or_else(String::new, |n| n.to_string_lossy().into_owned())
}

fn file_setup(path: &Path, file: usize) -> SetupInfo {
    named(file_name(path), file)
}

fn listed_setup(
    path: &Path,
    file: usize,
    k: usize,
    setup: &ListedSetup,
    units: &FileUnits,
) -> SetupInfo {
    let (xy, z) = (units.horizontal.factor_m(), units.vertical.factor_m());
    let fallback = || format!("{} scan {}", file_name(path), k + 1);
    SetupInfo {
        name: setup.name.clone().unwrap_or_else(fallback),
        position_m: setup.position.map(|p| [p[0] * xy, p[1] * xy, p[2] * z]),
        file,
        source_id: None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::cloud::io::Unit;

    fn table(rules: &[SetupRule]) -> SetupTable {
        let mut table = SetupTable::default();
        for (file, rule) in rules.iter().enumerate() {
            let path = format!("scan{file}.las");
            let units = FileUnits::all(Unit::InternationalFoot, "test");
            table
                .add_file(Path::new(&path), file, rule, &units)
                .unwrap();
        }
        table
    }

    fn assigned(table: &mut SetupTable, file: usize, own: &[u16]) -> Vec<u16> {
        let mut columns = Columns {
            setup: own.to_vec(),
            ..Columns::default()
        };
        table
            .assign(&mut columns, file, Path::new(&format!("scan{file}.las")))
            .unwrap();
        columns.setup
    }

    #[test]
    fn a_source_id_is_one_setup_in_all_files_and_zero_is_the_file() {
        let mut table = table(&[SetupRule::SourceIds, SetupRule::SourceIds]);
        assert_eq!(assigned(&mut table, 0, &[7, 7, 0, 9]), [0, 0, 1, 2]);
        assert_eq!(assigned(&mut table, 1, &[9, 0, 7]), [2, 3, 0]);
        let names: Vec<&str> = table.list().iter().map(|s| s.name.as_str()).collect();
        assert_eq!(
            names,
            ["point source 7", "scan0.las", "point source 9", "scan1.las"]
        );
    }

    #[test]
    fn one_and_the_same_source_id_in_several_files_is_told() {
        let mut table = table(&[const { SetupRule::SourceIds }; 4]);
        assert_eq!(assigned(&mut table, 0, &[0, 0]), [0, 0]);
        assigned(&mut table, 1, &[7, 7]);
        assigned(&mut table, 2, &[9, 7]);
        assert_eq!(table.id_shared_by_files(), None);
        assigned(&mut table, 3, &[7]);
        assert_eq!(table.id_shared_by_files(), Some((7, 2)));
        assigned(&mut table, 3, &[8]);
        assert_eq!(table.id_shared_by_files(), None);
    }

    #[test]
    fn listed_setups_keep_their_order_and_their_positions_become_metres() {
        let listed = ListedSetup {
            name: None,
            position: Some([10.0, 20.0, 30.0]),
        };
        let rules = [
            SetupRule::File,
            SetupRule::Listed(vec![listed.clone(), listed]),
        ];
        let mut table = table(&rules);
        assert_eq!(assigned(&mut table, 1, &[1, 0]), [2, 1]);
        let setup = &table.list()[2];
        assert_eq!(setup.name, "scan1.las scan 2");
        let position = setup.position_m.unwrap();
        assert!((position[2] - 9.144).abs() < 1e-12, "{position:?}");
    }
}
