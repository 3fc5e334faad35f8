//! From the rows of the table to scans, each fault with its cell.

use std::collections::HashMap;

use super::layout::Layout;
use super::{Feathers, GroupMasses, Scan, ScanSettings, Scans, WHOLE};
use crate::study::decimal_mark;
use crate::study::faults::{Faults, quoted};
use crate::study::format::Mark;
use crate::study::header::{Header, Measure};
use crate::study::judge;
use crate::study::read::{Dates, Register};
use crate::study::table::Rows;
use crate::study::units::{AGE_LIMIT_D, MASS_LIMIT_G, age_in_range};
use crate::study::weighings::age_between;

/// A whole body below this mass is taken for kilograms: a hatchling weighs some
/// 40 g (common practice, no source).
const LEAST_BODY_G: f64 = 10.0;

/// Place of the scale weight among the masses of a row.
const SCALE_WEIGHT: usize = 3;

/// Reads the table; what could be read where there are faults.
pub(in crate::study) fn read(
    header: &Header<'_>,
    wishes: &ScanSettings,
    dates: &Dates,
    register: &mut Register,
    faults: &mut Faults,
) -> Scans {
    let mut scans = Scans {
        file: header.table.file.clone(),
        rows: Vec::new(),
    };
    let before = faults.count();
    let layout = Layout::find(header, faults);
    let Some(layout) = layout.filter(|_| faults.count() == before) else {
        judge::rows(header, faults);
        return scans;
    };
    let mark = decimal_mark::of(header.table, &layout.number_columns(), faults);
    let mut reader = Reader {
        layout,
        mark,
        wishes,
        dates,
        register,
        seen: HashMap::new(),
    };
    let mut rows = header.table.rows();
    while rows.next(faults).is_some() {
        let at = faults.count();
        let scan = reader.scan(&rows, faults);
        if let (Some(scan), true) = (scan, faults.count() == at) {
            scans.rows.push(scan);
        }
    }
    scans
}

/// Bird names, age, region, restraint, feathers and repeat: what makes a scan one of its own.
type Identity = (Vec<usize>, u64, String, String, Feathers, u32);

struct Reader<'a> {
    layout: Layout,
    mark: Mark,
    wishes: &'a ScanSettings,
    dates: &'a Dates,
    register: &'a mut Register,
    seen: HashMap<Identity, u32>,
}

impl Reader<'_> {
    fn scan(&mut self, rows: &Rows<'_>, faults: &mut Faults) -> Option<Scan> {
        let birds = self.birds(rows, faults)?;
        let age_d = self.age(rows, &birds, faults)?;
        let text = |column| {
            rows.optional_word(column)
                .unwrap_or_default()
                .to_lowercase()
        };
        let region = match text(self.layout.region) {
            region if ["", "whole body", "total"].contains(&region.as_str()) => WHOLE.to_owned(),
            region => region,
        };
        let feathers = self.feathers(rows, faults)?;
        let repeat = self.whole(
            rows,
            self.layout.repeat,
            1,
            "the number of the repeat such as 2",
            faults,
        )?;
        let restraint = rows
            .optional_word(self.layout.restraint)
            .unwrap_or_default()
            .to_owned();
        let name = rows
            .optional_word(self.layout.scan)
            .map_or_else(|| rows.row.to_string(), str::to_owned);
        if region != WHOLE && birds.len() > 1 {
            faults.add(
                self.layout
                    .region
                    .map_or(rows.whole_place(), |at| rows.place(at)),
                format!(
                    "region {} of a scan of {} birds",
                    quoted(&region),
                    birds.len()
                ),
                "regions of scans of single birds only",
                "remove the row, or scan the birds one by one",
            );
        }
        let identity = (
            birds.clone(),
            age_d.to_bits(),
            region.clone(),
            restraint.clone(),
            feathers,
            repeat,
        );
        if let Some(first) = self.seen.insert(identity, rows.row) {
            faults.add(
                rows.place(self.layout.bird),
                format!("the same scan as in row {first}"),
                "one row for a bird, age, region, restraint, feathers and repeat",
                "number repeated scans in the column repeat, or remove one of the two rows",
            );
        }
        let per_bird = match self.wishes.group_masses {
            GroupMasses::Total => birds.len() as f64,
            GroupMasses::Mean => 1.0,
        };
        let mut mass = |place: usize| self.mass(rows, place, faults) / per_bird;
        let scan = Scan {
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

    /// The birds that a cell names: one, or several joined by `+`.
    fn birds(&mut self, rows: &Rows<'_>, faults: &mut Faults) -> Option<Vec<usize>> {
        let column = self.layout.bird;
        let cell = rows.word(column, "a bird's name", faults)?;
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
        let stated = self.whole(
            rows,
            self.layout.birds_in_scan,
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

    fn age(&self, rows: &Rows<'_>, birds: &[usize], faults: &mut Faults) -> Option<f64> {
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

    /// A whole number from 1, `absent` where the cell is empty.
    fn whole(
        &self,
        rows: &Rows<'_>,
        column: Option<usize>,
        absent: u32,
        expected: &str,
        faults: &mut Faults,
    ) -> Option<u32> {
        let Some(cell) = rows.optional_word(column) else {
            return Some(absent);
        };
        let number = cell.parse::<u32>().ok().filter(|number| *number >= 1);
        if let (None, Some(column)) = (number, column) {
            faults.add(
                rows.place(column),
                quoted(cell),
                expected,
                "correct the cell",
            );
        }
        number
    }

    /// A mass in g, NaN where there is none.
    fn mass(&self, rows: &Rows<'_>, place: usize, faults: &mut Faults) -> f64 {
        let Some(Measure { index, unit }) = self.layout.masses[place] else {
            return f64::NAN;
        };
        let expected = format!("a mass in {unit} such as {}", unit.example());
        let Some(written) = rows.number(index, self.mark, &expected, faults) else {
            return f64::NAN;
        };
        let mass_g = written * unit.grams();
        if place == SCALE_WEIGHT && mass_g <= 0.0 {
            faults.add(
                rows.place(index),
                quoted(rows.cell(index)),
                format!("a weight in {unit} above 0"),
                "correct the cell or mark it missing (NA)",
            );
            return f64::NAN;
        }
        // A group's total may be that of some dozens of birds.
        if !(0.0..=MASS_LIMIT_G * 10.0).contains(&mass_g) {
            faults.add(
                rows.place(index),
                quoted(rows.cell(index)),
                format!("a reading in {unit} of 0 or more"),
                "a scanner reads no negative mass: correct the cell or mark it missing (NA)",
            );
        }
        mass_g
    }

    /// Kilograms under a header of grams show by a body a thousand times too light.
    fn check_unit(&self, scan: &Scan, rows: &Rows<'_>, faults: &mut Faults) {
        let (Some(fat), total_g) = (self.layout.masses[0], scan.total_g()) else {
            return;
        };
        let light = total_g > 0.0 && total_g < LEAST_BODY_G;
        let thousandth = (0.5..2.0).contains(&(1000.0 * total_g / scan.scale_weight_g));
        if scan.region == WHOLE && (light || thousandth) {
            faults.add(
                rows.place(fat.index),
                format!("a whole body of fat, lean and bone of {total_g:.3} g"),
                format!("readings in {}", fat.unit),
                "if they are kilograms, name the columns fat_kg, lean_kg, bone_kg or set mass under [units] in study.toml",
            );
        }
    }
}
