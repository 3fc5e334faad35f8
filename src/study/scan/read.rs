//! From the rows of the table to scans, each fault with its cell.

use std::collections::{BTreeMap, HashMap};

use super::export::{Field, region_name};
use super::layout::{Layout, SCALE_WEIGHT};
use super::{Feathers, GroupMasses, Scan, ScanSettings, Scans, Tissue, WHOLE};
use crate::study::decimal_mark;
use crate::study::faults::{Faults, quoted};
use crate::study::format::Mark;
use crate::study::header::Header;
use crate::study::judge;
use crate::study::read::{Dates, Register};
use crate::study::table::Rows;
use crate::study::units::{AGE_LIMIT_D, age_in_range};
use crate::study::weighings::age_between;

/// Reads the table; what could be read where there are faults.
pub(in crate::study) fn read(
    header: &Header<'_>,
    requirements: &ScanSettings,
    dates: &Dates,
    register: &mut Register,
    faults: &mut Faults,
) -> Scans {
    let mut scans = Scans {
        file: header.table.file.clone(),
        ..Scans::default()
    };
    let before = faults.count();
    let layout = Layout::find(header, requirements, faults);
    let Some(layout) = layout.filter(|_| faults.count() == before) else {
        judge::rows(header, faults);
        return scans;
    };
    scans.mapped = layout.mapped(header, requirements);
    let further = layout.further.iter();
    scans.further = further.map(|(reading, _)| reading.clone()).collect();
    let mark = decimal_mark::of(header.table, &layout.number_columns(), faults);
    let mut reader = Reader {
        layout,
        mark,
        requirements,
        dates,
        register,
        seen: HashMap::new(),
        regions: BTreeMap::new(),
    };
    let mut rows = header.table.rows();
    while rows.next(faults).is_some() {
        let at = faults.count();
        let scan = reader.scan(&rows, faults);
        if let (Some(scan), true) = (scan, faults.count() == at) {
            let regions = reader.regions_of(&scan, &rows, faults);
            if faults.count() == at {
                // A row may hold regions alone.
                let has_whole = reader.layout.regions.is_empty() || scan.has_readings();
                scans.rows.extend(has_whole.then_some(scan));
                scans.rows.extend(regions);
            }
        }
    }
    scans.mapped.regions = reader.regions;
    scans
}

/// Bird names, age, region, restraint, feathers, repeat and laboratory: what identifies a scan.
type Identity = (Vec<usize>, u64, String, String, Feathers, u32, String);

pub(super) struct Reader<'a> {
    pub(super) layout: Layout,
    pub(super) mark: Mark,
    requirements: &'a ScanSettings,
    dates: &'a Dates,
    register: &'a mut Register,
    seen: HashMap<Identity, u32>,
    /// Regions as written, and their names.
    regions: BTreeMap<String, String>,
}

/// Text from a cell or the name of a scan, with the column that it stands in.
#[derive(Clone, Copy)]
struct Entry<'r> {
    column: usize,
    text: &'r str,
}

impl Reader<'_> {
    fn scan(&mut self, rows: &Rows<'_>, faults: &mut Faults) -> Option<Scan> {
        let named = self.named(rows, faults)?;
        let entry = |column: Option<usize>, field: Field| -> Option<Entry<'_>> {
            let of_column = column.and_then(|column| {
                let text = rows.optional_word(Some(column))?;
                Some(Entry { column, text })
            });
            of_column.or_else(|| named.get(&field).copied())
        };
        let birds = self.birds(rows, named.get(&Field::Bird).copied(), faults)?;
        let age_d = self.age(rows, &birds, named.get(&Field::AgeD).copied(), faults)?;
        let region = entry(self.layout.region, Field::Region);
        let region = region.map_or_else(|| WHOLE.to_owned(), |entry| self.region(entry.text));
        let feathers = self.feathers(rows, faults)?;
        let repeat = Self::whole(
            rows,
            entry(self.layout.repeat, Field::Repeat),
            1,
            "the number of the repeat such as 2",
            faults,
        )?;
        let restraint = entry(self.layout.restraint, Field::Restraint);
        let restraint = restraint.map_or_else(String::new, |entry| entry.text.to_owned());
        let laboratory = match self.layout.laboratory {
            Some(column) => {
                rows.word(column, "the laboratory (or scanner) of each scan", faults)?
            }
            None => "",
        };
        let laboratory = laboratory.to_owned();
        let text = |column| {
            rows.optional_word(column)
                .unwrap_or_default()
                .to_lowercase()
        };
        let name = rows
            .optional_word(self.layout.scan)
            .map_or_else(|| rows.row.to_string(), str::to_owned);
        self.check_region(rows, (&region, birds.len()), faults);
        let identity = (
            birds.clone(),
            age_d.to_bits(),
            region.clone(),
            restraint.clone(),
            feathers,
            repeat,
            laboratory.clone(),
        );
        if let Some(first) = self.seen.insert(identity, rows.row) {
            faults.add(
                self.layout
                    .bird
                    .or(self.layout.scan)
                    .map_or(rows.whole_place(), |at| rows.place(at)),
                format!("the same scan as in row {first}"),
                "one row for a bird, age, region, restraint, feathers and repeat",
                "number repeated scans in the column repeat, or remove one of the two rows",
            );
        }
        let per_bird = match self.requirements.group_masses {
            GroupMasses::Total => birds.len() as f64,
            GroupMasses::Mean => 1.0,
        };
        let further: Vec<f64> = self
            .layout
            .further
            .iter()
            .map(|(_, column)| self.further(rows, *column, per_bird, faults))
            .collect();
        let mut mass = |place: usize| self.mass(rows, place, faults) / per_bird;
        let scan = Scan {
            further,
            fat_g: mass(0),
            lean_g: mass(1),
            bone_g: mass(2),
            scale_weight_g: mass(SCALE_WEIGHT),
            name,
            birds,
            age_d,
            repeat,
            region,
            restraint,
            laboratory,
            feathers,
            marks: text(self.layout.quality)
                .split([';', ',', '+', ' '])
                .filter(|mark| !mark.is_empty())
                .map(str::to_owned)
                .collect(),
            row: rows.row,
        };
        self.check_unit(&scan, rows, faults);
        Some(scan)
    }

    /// The region that a row names, in the study's words; the name is kept.
    fn region(&mut self, text: &str) -> String {
        let region = region_name(text, &self.requirements.regions);
        self.regions.insert(text.to_owned(), region.clone());
        region
    }

    /// A region of several birds at once.
    fn check_region(&self, rows: &Rows<'_>, (region, birds): (&str, usize), faults: &mut Faults) {
        if region != WHOLE && birds > 1 {
            faults.add(
                self.layout
                    .region
                    .map_or(rows.whole_place(), |at| rows.place(at)),
                format!("region {} of a scan of {} birds", quoted(region), birds),
                "regions of scans of single birds only",
                "remove the row, or scan the birds one by one",
            );
        }
    }

    /// Parts of the scan's name, where the settings define how such names are made.
    fn named<'r>(
        &self,
        rows: &'r Rows<'_>,
        faults: &mut Faults,
    ) -> Option<BTreeMap<Field, Entry<'r>>> {
        let (Some(names), Some(column)) = (&self.requirements.names, self.layout.scan) else {
            return Some(BTreeMap::new());
        };
        let cell = rows.word(column, "the name of a scan", faults)?;
        let Some(found) = names.read(cell) else {
            faults.add(
                rows.place(column),
                quoted(cell),
                format!("a name made as {names}"),
                "correct the cell, or scans.names in study.toml",
            );
            return None;
        };
        let entry = |(field, text)| (field, Entry { column, text });
        Some(found.into_iter().map(entry).collect())
    }

    /// The readings of single regions that stand in the row of a whole body.
    fn regions_of(&self, whole: &Scan, rows: &Rows<'_>, faults: &mut Faults) -> Vec<Scan> {
        let mut found: BTreeMap<&str, Scan> = BTreeMap::new();
        for own in &self.layout.regions {
            let value = self.further(rows, own.column, 1.0, faults);
            if value.is_nan() {
                continue;
            }
            if whole.birds.len() > 1 || whole.region != WHOLE {
                faults.add(
                    rows.place(own.column.index()),
                    format!("a reading of region {} in this row", quoted(&own.region)),
                    "regions of whole bodies of single birds only",
                    "empty the cell, or remove the column from scans.region_columns in study.toml",
                );
                continue;
            }
            let region = found.entry(&own.region).or_insert_with(|| Scan {
                region: own.region.clone(),
                fat_g: f64::NAN,
                lean_g: f64::NAN,
                bone_g: f64::NAN,
                further: vec![f64::NAN; whole.further.len()],
                scale_weight_g: f64::NAN,
                ..whole.clone()
            });
            let at = match own.reading {
                0 => &mut region.fat_g,
                1 => &mut region.lean_g,
                2 => &mut region.bone_g,
                further => &mut region.further[further - Tissue::ALL.len()],
            };
            *at = value;
        }
        found.into_values().collect()
    }

    /// The birds that a cell, or the name of the scan, names: one, or several joined by `+`.
    fn birds(
        &mut self,
        rows: &Rows<'_>,
        named: Option<Entry<'_>>,
        faults: &mut Faults,
    ) -> Option<Vec<usize>> {
        let own = self.layout.bird;
        let (column, cell) = match (own.and_then(|own| rows.optional_word(Some(own))), named) {
            (None, Some(entry)) => (entry.column, entry.text),
            _ => {
                let column = own?;
                (column, rows.word(column, "a bird's name", faults)?)
            }
        };
        let names: Vec<&str> = match self.register.bird(cell) {
            Some(_) => vec![cell],
            None => cell.split('+').map(str::trim).collect(),
        };
        let mut birds = Vec::with_capacity(names.len());
        for name in names {
            let bird = self.register.known_bird(name, rows, column, faults)?;
            if birds.contains(&bird) {
                faults.add(
                    rows.place(column),
                    format!("bird {} twice", quoted(name)),
                    "each bird of the scan once",
                    "correct the names",
                );
                return None;
            }
            birds.push(bird);
        }
        let stated = self.layout.birds_in_scan.and_then(|column| {
            let text = rows.optional_word(Some(column))?;
            Some(Entry { column, text })
        });
        let stated = Self::whole(
            rows,
            stated,
            u32::try_from(birds.len()).unwrap_or(u32::MAX),
            "a number of birds such as 1",
            faults,
        )?;
        if stated as usize != birds.len() {
            faults.add(
                self.layout
                    .birds_in_scan
                    .map_or(rows.place(column), |at| rows.place(at)),
                format!("{stated} birds in the scan, of which {} named", birds.len()),
                "the names of all birds in the scan, joined by +",
                "complete the column bird or correct birds_in_scan",
            );
            return None;
        }
        if !self.register.closed
            && let Some(strain) = self.layout.strain
        {
            for bird in &birds {
                self.strain(rows, strain, *bird, faults);
            }
        }
        Some(birds)
    }

    /// The strain of a bird that no other table names.
    fn strain(&mut self, rows: &Rows<'_>, column: usize, bird: usize, faults: &mut Faults) {
        let Some(cell) = rows.word(column, "a strain's name", faults) else {
            return;
        };
        match self.register.strain_of(bird) {
            Some(known) if known == cell => {}
            Some(known) => {
                let name = &self.register.study.birds[bird].name;
                faults.add(
                    rows.place(column),
                    format!(
                        "bird {name} in strain {} and before in {known}",
                        quoted(cell)
                    ),
                    "each bird in one strain",
                    "correct the strain, or give the two birds different names",
                );
            }
            None => {
                let strain = self.register.strain(cell);
                self.register.study.birds[bird].strain = strain;
            }
        }
    }

    fn age(
        &self,
        rows: &Rows<'_>,
        birds: &[usize],
        named: Option<Entry<'_>>,
        faults: &mut Faults,
    ) -> Option<f64> {
        if let (None, None, Some(entry)) = (self.layout.age, self.layout.date, named) {
            let known = entry.text.parse().ok().and_then(age_in_range);
            if known.is_none() {
                let expected = format!("an age in days from 0 (hatch) to {AGE_LIMIT_D:.0} in it");
                let advice = "correct the cell, or scans.names in study.toml";
                faults.add(
                    rows.place(entry.column),
                    quoted(rows.cell(entry.column)),
                    expected,
                    advice,
                );
            }
            return known;
        }
        if let Some(age) = self.layout.age {
            let expected = format!("an age in {} such as 5", age.unit);
            rows.word(age.index, &expected, faults)?;
            let age_d = rows.number(age.index, self.mark, &expected, faults)? * age.unit.days();
            let known = age_in_range(age_d);
            if known.is_none() {
                faults.add(
                    rows.place(age.index),
                    quoted(rows.cell(age.index)),
                    format!(
                        "an age in {} from 0 (hatch) to {:.0}",
                        age.unit,
                        AGE_LIMIT_D / age.unit.days()
                    ),
                    "correct the cell or the unit",
                );
            }
            return known;
        }
        let column = self.layout.date?;
        rows.word(column, "a date", faults)?;
        let date = self.dates.cell(rows, column, faults)?;
        let mut age_d = None;
        for &bird in birds {
            let bird = &self.register.study.birds[bird];
            let own = self
                .dates
                .hatch_of(bird.hatch_date)
                .and_then(|hatch| age_between(hatch, date));
            if own.is_none() || age_d.is_some_and(|age| Some(age) != own) {
                faults.add(
                    rows.place(column),
                    format!(
                        "{}, which gives bird {} no age or another than its mates'",
                        quoted(rows.cell(column)),
                        bird.name
                    ),
                    "a date after one day of hatch for all birds of the scan",
                    "fill in hatch_date in the birds table, or give the age in days (age_d)",
                );
                return None;
            }
            age_d = own;
        }
        age_d
    }

    fn feathers(&self, rows: &Rows<'_>, faults: &mut Faults) -> Option<Feathers> {
        let Some(cell) = rows.optional_word(self.layout.feathers) else {
            return Some(Feathers::Unknown);
        };
        let read = Feathers::read(cell);
        if let (None, Some(column)) = (read, self.layout.feathers) {
            faults.add(
                rows.place(column),
                quoted(cell),
                "intact, plucked or unknown",
                "correct the cell",
            );
        }
        read
    }

    /// A whole number from 1, `absent` by default.
    fn whole(
        rows: &Rows<'_>,
        entry: Option<Entry<'_>>,
        absent: u32,
        expected: &str,
        faults: &mut Faults,
    ) -> Option<u32> {
        let Some(entry) = entry else {
            return Some(absent);
        };
        let number = entry.text.parse::<u32>().ok().filter(|number| *number >= 1);
        if number.is_none() {
            faults.add(
                rows.place(entry.column),
                quoted(entry.text),
                expected,
                "correct the cell",
            );
        }
        number
    }
}
