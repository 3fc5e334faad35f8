//! Where the columns of the table stand.

use super::export::{Field, Mapped, RegionColumn};
use super::further::{FurtherReading, ReadingUnit};
use super::{ScanSettings, Tissue};
use crate::study::column_names::{Holds, columns_of, contract_name};
use crate::study::decimal_mark::NumberColumn;
use crate::study::faults::Faults;
use crate::study::header::{Header, Measure};
use crate::study::settings::TableName;
use crate::study::units::{AgeUnit, MassUnit};

/// Place of the scale weight among the masses of a row.
pub(super) const SCALE_WEIGHT: usize = 3;

/// Where the columns stand.
pub(super) struct Layout {
    pub(super) scan: Option<usize>,
    /// None where the names of scans give the bird.
    pub(super) bird: Option<usize>,
    pub(super) age: Option<Measure<AgeUnit>>,
    pub(super) date: Option<usize>,
    pub(super) repeat: Option<usize>,
    pub(super) region: Option<usize>,
    pub(super) restraint: Option<usize>,
    pub(super) birds_in_scan: Option<usize>,
    pub(super) feathers: Option<usize>,
    /// Fat, lean, bone and the scale weight.
    pub(super) masses: [Option<Measure<MassUnit>>; 4],
    /// Further readings that the table has, in the order of their declaration.
    pub(super) further: Vec<(FurtherReading, Further)>,
    /// Columns of one region and reading.
    pub(super) regions: Vec<OfRegion>,
    pub(super) quality: Option<usize>,
    pub(super) strain: Option<usize>,
    /// The column `laboratory`, or else `scanner`.
    pub(super) laboratory: Option<usize>,
}

/// The column of a further reading.
#[derive(Debug, Clone, Copy)]
pub(super) enum Further {
    /// Of masses.
    Mass(Measure<MassUnit>),
    /// Of densities or shares.
    Density(usize),
}

/// The column of a reading of one region.
pub(super) struct OfRegion {
    pub(super) region: String,
    /// 0 to 2 of fat, lean and bone, from 3 on of the further readings.
    pub(super) reading: usize,
    pub(super) column: Further,
}

impl Further {
    pub(super) fn index(self) -> usize {
        match self {
            Self::Mass(measure) => measure.index,
            Self::Density(index) => index,
        }
    }
}

impl Layout {
    pub(super) fn find(
        header: &Header<'_>,
        requirements: &ScanSettings,
        faults: &mut Faults,
    ) -> Option<Self> {
        let before = faults.count();
        let named = |field| {
            requirements
                .names
                .as_ref()
                .is_some_and(|names| names.has(field))
        };
        let scan = match requirements.names {
            Some(_) => header.required("scan", faults),
            None => header.optional("scan", faults),
        };
        let bird = match named(Field::Bird) {
            true => header.optional("bird", faults),
            false => header.required("bird", faults),
        };
        let age = header.ages("age", faults);
        let date = header.optional("date", faults);
        if age.is_none() && date.is_none() && !named(Field::AgeD) && faults.count() == before {
            header.missing(&["age", "date"], faults);
        }
        let at = faults.count();
        let masses =
            ["fat", "lean", "bone", "scale_weight"].map(|stem| header.masses(stem, faults));
        let mut further = Vec::new();
        for (name, unit) in &requirements.readings {
            let column = match unit {
                ReadingUnit::Mass(unit) => header.mass_of(name, *unit, faults).map(Further::Mass),
                ReadingUnit::Density(unit) => {
                    header.value_of(name, unit, faults).map(Further::Density)
                }
            };
            let reading = FurtherReading {
                name: name.clone(),
                unit: unit.kept(),
            };
            let in_regions = requirements.region_columns.values();
            let in_regions = in_regions.filter(|column| column.reading == *name).count();
            match column {
                Some(column) => further.push((reading, column)),
                None if in_regions == 0 && faults.count() == at => header.missing(&[name], faults),
                None => {}
            }
        }
        let regions = of_regions(header, requirements, &further, faults);
        let none = masses[..3].iter().all(Option::is_none) && regions.is_empty();
        if none && faults.count() == at {
            header.missing(&["fat", "lean", "bone"], faults);
        }
        (faults.count() == before).then_some(Self {
            scan,
            bird,
            age,
            date,
            repeat: header.optional("repeat", faults),
            region: header.optional("region", faults),
            restraint: header.optional("restraint", faults),
            birds_in_scan: header.optional("birds_in_scan", faults),
            feathers: header.optional("feathers", faults),
            masses,
            further,
            regions,
            quality: header.optional("quality", faults),
            strain: header.optional("strain", faults),
            laboratory: header
                .optional("laboratory", faults)
                .or_else(|| header.optional("scanner", faults)),
        })
    }

    pub(super) fn number_columns(&self) -> Vec<NumberColumn> {
        let masses = self.masses.iter().flatten().copied();
        let further = self.further.iter().map(|(_, column)| *column);
        let regions = self.regions.iter().map(|own| own.column);
        let of_masses = further.chain(regions).filter_map(|column| match column {
            Further::Mass(measure) => Some(measure),
            Further::Density(_) => None,
        });
        masses
            .chain(of_masses)
            .map(NumberColumn::from)
            .chain(self.age.map(NumberColumn::from))
            .collect()
    }

    /// Which header was taken for what.
    pub(super) fn mapped(&self, header: &Header<'_>, requirements: &ScanSettings) -> Mapped {
        let headers = &header.table.headers;
        let name = |stem: &str| {
            let known = columns_of(TableName::Scans).iter();
            let holds = known.clone().find(|(own, _)| *own == stem);
            contract_name(stem, holds.map_or(Holds::Words, |(_, holds)| *holds))
        };
        let words = [
            ("scan", self.scan),
            ("bird", self.bird),
            ("age", self.age.map(|age| age.index)),
            ("date", self.date),
            ("repeat", self.repeat),
            ("region", self.region),
            ("restraint", self.restraint),
            ("birds_in_scan", self.birds_in_scan),
            ("feathers", self.feathers),
            ("fat", self.masses[0].map(|mass| mass.index)),
            ("lean", self.masses[1].map(|mass| mass.index)),
            ("bone", self.masses[2].map(|mass| mass.index)),
            ("scale_weight", self.masses[3].map(|mass| mass.index)),
            ("quality", self.quality),
            ("strain", self.strain),
            ("laboratory", self.laboratory),
        ];
        let mut found: Vec<(String, usize)> = words
            .into_iter()
            .filter_map(|(stem, index)| Some((name(stem), index?)))
            .collect();
        found.extend(self.further.iter().map(|(reading, column)| {
            (
                format!("{} ({})", reading.name, reading.unit),
                column.index(),
            )
        }));
        let reading = |at: usize| match Tissue::ALL.get(at) {
            Some(tissue) => tissue.name().to_owned(),
            None => self.further[at - Tissue::ALL.len()].0.name.clone(),
        };
        found.extend(self.regions.iter().map(|own| {
            let name = format!("{} {}", reading(own.reading), own.region);
            (name, own.column.index())
        }));
        let unread = headers.iter().enumerate().filter(|(index, header)| {
            !header.trim().is_empty() && found.iter().all(|(_, own)| own != index)
        });
        Mapped {
            unread: unread.map(|(_, header)| header.clone()).collect(),
            by_settings: !header.mapping.is_empty()
                || !requirements.readings.is_empty()
                || !requirements.regions.is_empty()
                || !requirements.region_columns.is_empty()
                || requirements.names.is_some(),
            columns: found
                .into_iter()
                .map(|(name, index)| (name, headers[index].clone()))
                .collect(),
            ..Mapped::default()
        }
    }
}

/// The columns of single regions that the settings name.
fn of_regions(
    header: &Header<'_>,
    requirements: &ScanSettings,
    further: &[(FurtherReading, Further)],
    faults: &mut Faults,
) -> Vec<OfRegion> {
    let mut found = Vec::new();
    for (written, RegionColumn { reading, region }) in &requirements.region_columns {
        let Some(index) = header.named_by("scans.region_columns", written, faults) else {
            continue;
        };
        let tissue = Tissue::ALL.iter().position(|own| own.name() == reading);
        let other = further.iter().position(|(own, _)| own.name == *reading);
        let place = tissue.or(other.map(|at| at + Tissue::ALL.len()));
        let density = other.is_some_and(|at| matches!(further[at].1, Further::Density(_)));
        let column = match density {
            true => Some(Further::Density(index)),
            false => header.mass_at(index, None, faults).map(Further::Mass),
        };
        match (place, column) {
            (Some(reading), Some(column)) => found.push(OfRegion {
                region: region.clone(),
                reading,
                column,
            }),
            (None, _) => header.no_reading(written, reading, faults),
            (Some(_), None) => {}
        }
    }
    found
}
