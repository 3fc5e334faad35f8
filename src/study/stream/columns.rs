//! Which columns of a table of platform records hold what.

use crate::study::faults::Faults;
use crate::study::header::{Header, Measure};
use crate::study::units::MassUnit;

/// Where the columns stand.
pub(crate) struct Layout {
    pub(super) time: usize,
    /// The date, where the column of times holds none.
    pub(super) date: Option<usize>,
    pub(super) scale: Option<usize>,
    pub(super) pen: Option<usize>,
    pub(super) weight: Measure<MassUnit>,
}

impl Layout {
    pub(super) fn find(header: &Header<'_>, faults: &mut Faults) -> Option<Self> {
        let before = faults.count();
        let time = header.required("time", faults);
        let date = header.optional("date", faults);
        let scale = header.optional("scale", faults);
        let pen = header.optional("pen", faults);
        let weight = header.required_masses("weight", faults);
        if faults.count() > before {
            return None;
        }
        Some(Self {
            time: time?,
            date,
            scale,
            pen,
            weight: weight?,
        })
    }
}
