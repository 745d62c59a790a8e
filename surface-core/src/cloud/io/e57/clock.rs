//! The times of E57 points.

use std::path::Path;

use ::e57::{PointCloud, RecordName, RecordValue};

use super::{Reader, reader};
use crate::cloud::io::ReadError;

/// Whether a scan's points have times.
pub(super) fn has_time(scan: &PointCloud) -> bool {
    scan.prototype
        .iter()
        .any(|r| r.name == RecordName::TimeStamp)
}

/// The times of a scan's points, which the decoder's points do not have: read beside them, raw.
pub(super) enum Clock {
    /// No scan of the file has any.
    None,
    /// Others have; this one not.
    Unset,
    /// Of every record, seconds after the scan began.
    Of(Box<Reader>),
}

/// The GPS time of every record of a scan, seconds; NaN where it is not known.
pub(super) type Times<'a> = Box<dyn Iterator<Item = Result<f64, ::e57::Error>> + 'a>;

impl Clock {
    pub fn open(path: &Path, scan: &PointCloud, timed: bool) -> Result<Self, ReadError> {
        match (timed, has_time(scan)) {
            (false, _) => Ok(Self::None),
            (true, false) => Ok(Self::Unset),
            (true, true) => Ok(Self::Of(Box::new(reader(path)?))),
        }
    }

    /// `None` where points have no time at all.
    pub fn times<'a>(
        &'a mut self,
        scan: &'a PointCloud,
    ) -> Result<Option<Times<'a>>, ::e57::Error> {
        let reader = match self {
            Self::None => return Ok(None),
            Self::Unset => return Ok(Some(Box::new(std::iter::repeat_with(|| Ok(f64::NAN))))),
            Self::Of(reader) => reader,
        };
        let begin_s = scan.acquisition_start.as_ref().map_or(0.0, |t| t.gps_time);
        let place = |name| scan.prototype.iter().position(|r| r.name == name);
        let (stamp, invalid) = (
            place(RecordName::TimeStamp),
            place(RecordName::IsTimeStampInvalid),
        );
        let number =
            |record: &[RecordValue], at: usize| record[at].to_f64(&scan.prototype[at].data_type);
        let time = move |record: &[RecordValue]| {
            let known = match invalid {
                Some(at) => number(record, at)? == 0.0,
                None => true,
            };
            let after_s = stamp.filter(|_| known).map(|at| number(record, at));
            Ok(begin_s + after_s.transpose()?.unwrap_or(f64::NAN))
        };
        let records = reader.pointcloud_raw(scan)?;
        Ok(Some(Box::new(records.map(move |r| time(&r?)))))
    }
}
