//! The `targets` table: strain, trait, age_d, target_g, lower_g, upper_g.

use std::collections::{HashMap, HashSet};
use std::path::Path;

use super::Target;
use super::columns::BODY_WEIGHT;
use super::decimal_mark::{self, NumberColumn};
use super::faults::{Faults, listed, nearest, quoted, rows_listed};
use super::format::{Decimal, Mark};
use super::header::{Header, Measure};
use super::judge;
use super::read::{ONE_STRAIN, Register};
use super::table::Rows;
use super::target_range;
use super::units::{AGE_LIMIT_D, AgeUnit, MASS_LIMIT_G, MassUnit, age_in_range};
use super::workbook::file_and_sheet;

/// Traits that a target may be for, beside those of the study.
const TRAITS: [&str; 4] = [BODY_WEIGHT, "fat", "lean", "bone"];

/// Enters the targets of the table.
///
/// A target of a strain that the study has no birds of is left out, with a
/// warning: target tables often hold more strains than a study.
///
/// Where no column names strains and the table is the sheet of a workbook that has a strain's
/// name, it is that strain's; of `several` tables each sheet has a strain's name.
pub(crate) fn read(
    header: &Header<'_>,
    several: bool,
    register: &mut Register,
    faults: &mut Faults,
) {
    let before = faults.count();
    let layout = Layout::find(header, faults);
    let Some(layout) = layout.filter(|_| faults.count() == before) else {
        judge::rows(header, faults);
        return;
    };
    let mark = decimal_mark::of(header.table, &layout.number_columns(), faults);
    let mut unknown: Vec<String> = Vec::new();
    let mut unknown_seen = HashSet::new();
    // Rows of targets already begun, by strain and trait.
    let mut places: HashMap<(Option<usize>, String), usize> = HashMap::new();
    let mut without_target = Vec::new();
    let mut ranges = 0;
    let (_, sheet) = file_and_sheet(Path::new(&header.table.file));
    let sheet = sheet.filter(|sheet| {
        layout.strain.is_none() && (several || register.known_strain(sheet).is_some())
    });
    let mut rows = header.table.rows();
    while rows.next(faults).is_some() {
        let strain = match rows.optional_word(layout.strain).or(sheet.as_deref()) {
            None => None,
            // A bare table's one strain takes whatever single target is given.
            Some(name) => match register.known_strain(name) {
                Some(strain) => Some(strain),
                // Where birds were lost to a fault, so were their strains.
                None if !register.closed => Some(register.strain(name)),
                None if register.study.strains == [ONE_STRAIN] => None,
                None => {
                    if unknown_seen.insert(name.to_owned()) {
                        unknown.push(name.to_owned());
                    }
                    continue;
                }
            },
        };
        let trait_name = rows.optional_word(layout.trait_name).unwrap_or(BODY_WEIGHT);
        let known = || {
            let own = register
                .study
                .traits
                .iter()
                .map(|records| records.name.as_str());
            TRAITS
                .into_iter()
                .chain(own.filter(|name| !TRAITS.contains(name)))
        };
        if !known().any(|name| name == trait_name) {
            if let Some(column) = layout.trait_name {
                let advice = match nearest(trait_name, known()) {
                    Some(near) => format!("perhaps {near} is meant"),
                    None => "correct the trait".to_owned(),
                };
                faults.add(
                    rows.place(column),
                    quoted(trait_name),
                    format!("one of {}", listed(known())),
                    advice,
                );
            }
            continue;
        }
        let writing = (mark, header.table.decimal());
        let Some(point) = layout.point(&rows, writing, faults) else {
            if rows.is_missing(layout.target.index) {
                without_target.push(rows.row);
            }
            continue;
        };
        ranges += usize::from(point.is_range);
        let targets = &mut register.study.targets;
        let at = *places
            .entry((strain, trait_name.to_owned()))
            .or_insert_with(|| {
                targets.push(Target {
                    strain,
                    trait_name: trait_name.to_owned(),
                    ages_d: Vec::new(),
                    target_g: Vec::new(),
                    lower_g: Vec::new(),
                    upper_g: Vec::new(),
                });
                targets.len() - 1
            });
        add(&mut targets[at], &point, &layout, &rows, faults);
    }
    let file = &header.table.file;
    if !without_target.is_empty() {
        register.study.notes.push(format!(
            "{file}: {} without a target left out",
            rows_listed(without_target.len(), &without_target)
        ));
    }
    if ranges > 0 {
        register.study.notes.push(format!(
            "{file}: {ranges} targets written as ranges; the target is the middle of the range, its ends are the band"
        ));
    }
    warn_of_unknown(&unknown, file, register);
}

/// Warns of targets that are not used, as no bird is of their strain.
fn warn_of_unknown(unknown: &[String], file: &str, register: &mut Register) {
    for name in unknown {
        let strains = register.study.strains.iter().map(String::as_str);
        let near = match nearest(name, strains) {
            Some(near) => format!("perhaps {near} is meant"),
            None => "correct its name if it is meant for one of them".to_owned(),
        };
        register.study.warnings.push(format!(
            "{file}: the target of strain {} is not used, as no bird is of that strain; {near}",
            quoted(name)
        ));
    }
}

/// One row.
struct Point {
    age_d: f64,
    target_g: f64,
    lower_g: f64,
    upper_g: f64,
    is_range: bool,
}

struct Layout {
    strain: Option<usize>,
    trait_name: Option<usize>,
    age: Measure<AgeUnit>,
    target: Measure<MassUnit>,
    lower: Option<Measure<MassUnit>>,
    upper: Option<Measure<MassUnit>>,
}

impl Layout {
    fn find(header: &Header<'_>, faults: &mut Faults) -> Option<Self> {
        let strain = header.optional("strain", faults);
        let trait_name = header.optional("trait", faults);
        let before = faults.count();
        let age = header.ages("age", faults);
        if age.is_none() && faults.count() == before {
            header.missing(&["age"], faults);
        }
        // Breeders print a range of weights where others write one target.
        let target = match header.masses("weight_range", faults) {
            Some(range) if header.masses("target", &mut Faults::default()).is_none() => Some(range),
            _ => header.required_masses("target", faults),
        };
        let lower = header.masses("lower", faults);
        let upper = header.masses("upper", faults);
        Some(Self {
            strain,
            trait_name,
            age: age?,
            target: target?,
            lower,
            upper,
        })
    }

    fn number_columns(&self) -> Vec<NumberColumn> {
        let bands = [self.lower, self.upper].into_iter().flatten();
        [self.age.into(), self.target.into()]
            .into_iter()
            .chain(bands.map(NumberColumn::from))
            .collect()
    }

    /// The row's numbers; `None` where it has no target or a fault.
    fn point(
        &self,
        rows: &Rows<'_>,
        writing: (Mark, Decimal),
        faults: &mut Faults,
    ) -> Option<Point> {
        let (mark, _) = writing;
        let before = faults.count();
        let unit = self.age.unit;
        let expected = format!("an age in {unit} such as 5");
        let age = rows.number(self.age.index, mark, &expected, faults);
        if age.is_none() && faults.count() == before && rows.is_missing(self.age.index) {
            rows.word(self.age.index, &expected, faults);
        }
        let age_d = age.and_then(|age| age_in_range(age * unit.days()));
        if let (None, Some(age)) = (age_d, age) {
            faults.add(
                rows.place(self.age.index),
                format!("{} d", age * unit.days()),
                format!("an age from 0 to {AGE_LIMIT_D} d"),
                "correct the cell or the unit",
            );
        }
        let range = target_range::of_cell(rows, self.target, writing, faults);
        let mut mass = |column: Measure<MassUnit>| {
            let unit = column.unit;
            let expected = format!("a mass in {unit} such as {}", unit.example());
            let value = rows.number(column.index, mark, &expected, faults)? * unit.grams();
            if value > 0.0 && value <= MASS_LIMIT_G {
                return Some(value);
            }
            faults.add(
                rows.place(column.index),
                quoted(rows.cell(column.index)),
                format!(
                    "a mass in {unit} above 0 and up to {}",
                    MASS_LIMIT_G / unit.grams()
                ),
                "correct the cell or the unit",
            );
            None
        };
        let target_g = match range {
            None => mass(self.target),
            Some(range) => range.map(|range| f64::midpoint(range.lower_g, range.upper_g)),
        };
        let mut lower_g = self.lower.and_then(&mut mass).unwrap_or(f64::NAN);
        let mut upper_g = self.upper.and_then(&mut mass).unwrap_or(f64::NAN);
        if let Some(Some(range)) = range {
            if lower_g.is_finite() || upper_g.is_finite() {
                faults.add(
                    rows.place(self.target.index),
                    format!(
                        "{} beside an edge of the band in a separate column",
                        quoted(rows.cell(self.target.index))
                    ),
                    "either a range or a target with lower and upper edges",
                    "write one number in the cell, or leave the edges empty",
                );
            }
            (lower_g, upper_g) = (range.lower_g, range.upper_g);
        }
        if faults.count() > before {
            return None;
        }
        let (age_d, target_g) = (age_d?, target_g?);
        // Not a number where an edge is not given: then the comparison is false.
        for (column, edge, outside, side) in [
            (self.lower, lower_g, lower_g > target_g, "below"),
            (self.upper, upper_g, upper_g < target_g, "above"),
        ] {
            if let Some(column) = column.filter(|_| outside) {
                faults.add(
                    rows.place(column.index),
                    format!("{edge} g at a target of {target_g} g"),
                    format!("an edge of the band {side} its target"),
                    "correct one of the two cells",
                );
                return None;
            }
        }
        Some(Point {
            age_d,
            target_g,
            lower_g,
            upper_g,
            is_range: range.is_some(),
        })
    }
}

/// Adds a point to a target whose ages must ascend.
fn add(target: &mut Target, point: &Point, layout: &Layout, rows: &Rows<'_>, faults: &mut Faults) {
    if let Some(last) = target.ages_d.last().filter(|last| **last >= point.age_d) {
        let (found, advice) = if *last > point.age_d {
            (
                format!("{} d after {last} d", point.age_d),
                "sort the table by age, or correct the age",
            )
        } else {
            (
                format!("{last} d again"),
                "remove one of the two rows, or correct the strain or age",
            )
        };
        faults.add(
            rows.place(layout.age.index),
            found,
            "ages that ascend within a strain and trait",
            advice,
        );
        return;
    }
    target.ages_d.push(point.age_d);
    target.target_g.push(point.target_g);
    target.lower_g.push(point.lower_g);
    target.upper_g.push(point.upper_g);
}
