//! Where the columns of the table stand.

use crate::study::decimal_mark::NumberColumn;
use crate::study::faults::Faults;
use crate::study::header::{Header, Measure};
use crate::study::units::{AgeUnit, MassUnit};

/// Where the columns stand.
pub(super) struct Layout {
    pub(super) scan: Option<usize>,
    pub(super) bird: usize,
    pub(super) age: Option<Measure<AgeUnit>>,
    pub(super) date: Option<usize>,
    pub(super) repeat: Option<usize>,
    pub(super) region: Option<usize>,
    pub(super) restraint: Option<usize>,
    pub(super) birds_in_scan: Option<usize>,
    pub(super) feathers: Option<usize>,
    pub(super) masses: [Option<Measure<MassUnit>>; 4],
    pub(super) quality: Option<usize>,
    pub(super) strain: Option<usize>,
}

impl Layout {
    pub(super) fn find(header: &Header<'_>, faults: &mut Faults) -> Option<Self> {
        let bird = header.required("bird", faults);
        let before = faults.count();
        let age = header.ages("age", faults);
        let date = header.optional("date", faults);
        if age.is_none() && date.is_none() && faults.count() == before {
            header.missing(&["age", "date"], faults);
        }
        let before = faults.count();
        let masses =
            ["fat", "lean", "bone", "scale_weight"].map(|stem| header.masses(stem, faults));
        if masses[..3].iter().all(Option::is_none) && faults.count() == before {
            header.missing(&["fat", "lean", "bone"], faults);
        }
        Some(Self {
            scan: header.optional("scan", faults),
            bird: bird?,
            age,
            date,
            repeat: header.optional("repeat", faults),
            region: header.optional("region", faults),
            restraint: header.optional("restraint", faults),
            birds_in_scan: header.optional("birds_in_scan", faults),
            feathers: header.optional("feathers", faults),
            masses,
            quality: header.optional("quality", faults),
            strain: header.optional("strain", faults),
        })
    }

    pub(super) fn number_columns(&self) -> Vec<NumberColumn> {
        let masses = self.masses.iter().flatten().copied();
        masses
            .map(NumberColumn::from)
            .chain(self.age.map(NumberColumn::from))
            .collect()
    }
}
