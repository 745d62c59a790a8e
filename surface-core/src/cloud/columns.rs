//! Points in columns: one `Vec` a quantity, never one struct a point.

/// A batch of points, metres, world axes.
///
/// All columns have the same length. `time_s` is `None` when the file has no time.
/// `setup` is an index into the setup table of the [`crate::cloud::io::Scans`] that filled it.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Columns {
    /// East, metres.
    pub x: Vec<f64>,
    /// North, metres.
    pub y: Vec<f64>,
    /// Up, metres.
    pub z: Vec<f64>,
    /// Returned intensity scaled to 0..=65535; 0 everywhere when the file has none.
    pub intensity: Vec<u16>,
    /// Index of the setup that measured the point.
    pub setup: Vec<u16>,
    /// GPS time as in the file, seconds.
    pub time_s: Option<Vec<f64>>,
}

impl Columns {
    /// Number of points.
    #[must_use]
    pub fn len(&self) -> usize {
        self.x.len()
    }

    /// Whether there is no point.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.x.is_empty()
    }

    /// Forget the points, keep the memory.
    pub fn clear(&mut self) {
        self.x.clear();
        self.y.clear();
        self.z.clear();
        self.intensity.clear();
        self.setup.clear();
        if let Some(time) = &mut self.time_s {
            time.clear();
        }
    }

    /// Keep the points whose flag is set, one flag a point.
    pub(crate) fn retain(&mut self, keep: &[bool]) {
        retain(&mut self.x, keep);
        retain(&mut self.y, keep);
        retain(&mut self.z, keep);
        retain(&mut self.intensity, keep);
        retain(&mut self.setup, keep);
        if let Some(time) = &mut self.time_s {
            retain(time, keep);
        }
    }

    /// Append a point without time.
    pub fn push(&mut self, xyz: [f64; 3], intensity: u16, setup: u16) {
        self.x.push(xyz[0]);
        self.y.push(xyz[1]);
        self.z.push(xyz[2]);
        self.intensity.push(intensity);
        self.setup.push(setup);
    }
}

fn retain<T>(column: &mut Vec<T>, keep: &[bool]) {
    let mut flags = keep.iter();
    column.retain(|_| flags.next().is_none_or(|&k| k));
}
