//! From a table to pairs of observed and predicted, and what may not be compared.

use std::collections::{BTreeMap, BTreeSet};

use super::{PairRow, Tested, ValidationOptions};
use crate::composition::applies::{fault_lines, laboratory_under};
use crate::composition::equation::Equation;
use crate::composition::formula::Gap;
use crate::composition::frame::{Column, Frame, Value};
use crate::composition::provenance::LABORATORY;
use crate::error::{Error, Result};
use crate::stats::distribution::{normal_quantile, t_two_sided_quantile};
use crate::stats::mean;

/// The pairs, and what should be known.
pub(super) struct Read {
    pub(super) pairs: Vec<PairRow>,
    pub(super) warnings: Vec<String>,
}

/// A mass this many times too small or great is in another unit: between g and kg lies 1000,
/// and no bird differs from another of its age by the root of that.
const ANOTHER_UNIT: f64 = 30.0;

/// Chemistry and prediction within this factor of each other are of one bird: in another unit it
/// is 1000 times that.
const SAME_MASS: f64 = 2.0;

pub(super) fn read(
    frame: &Frame,
    equation: &Equation,
    options: &ValidationOptions,
) -> Result<Read> {
    let response = response_column(frame, equation);
    check_columns(frame, equation, &response)?;
    let observed = frame.numbers(&response)?;
    let mut faults: BTreeSet<(u32, String)> = BTreeSet::new();
    let mut left_out: BTreeMap<String, Vec<u32>> = BTreeMap::new();
    let mut pairs = Vec::new();
    for (row, &observed) in observed.iter().enumerate() {
        let number = frame.rows[row];
        let one = One {
            frame,
            equation,
            options,
            row,
        };
        match one.pair((&response, observed)) {
            Ok(pair) => pairs.push(pair),
            Err(Stop::Fault(text)) => {
                faults.insert((number, text));
            }
            Err(Stop::LeaveOut(reason)) => left_out.entry(reason).or_default().push(number),
        }
    }
    if !faults.is_empty() {
        return Err(Error::faults(fault_lines(&frame.file, &faults)));
    }
    let mut warnings: Vec<String> = frame.warning.iter().cloned().collect();
    for (reason, rows) in left_out {
        let more = match rows.len() {
            1 => String::new(),
            n => format!(" (and {} more rows)", n - 1),
        };
        warnings.push(format!(
            "{}, row {}{more}: left out of the validation of {}: {reason}",
            frame.file,
            rows[0],
            equation.label()
        ));
    }
    warnings.extend(ages_in_weeks(frame, equation));
    Ok(Read { pairs, warnings })
}

/// The column of chemistry: `fat_chem` for an equation of fat, or the plain name.
pub(super) fn response_column(frame: &Frame, equation: &Equation) -> String {
    let response = &equation.provenance.response;
    let chemistry = format!("{response}_chem");
    if !frame.columns.contains_key(&chemistry) && frame.columns.contains_key(response) {
        response.clone()
    } else {
        chemistry
    }
}

enum Stop {
    Fault(String),
    LeaveOut(String),
}

/// The columns that there must be.
fn check_columns(frame: &Frame, equation: &Equation, response: &str) -> Result<()> {
    let lacks = |name: &&str| !frame.columns.contains_key(*name);
    let mut needed = equation.names();
    // Pairs that do not name a laboratory are of another one.
    needed.retain(|name| *name != LABORATORY);
    let missing: Vec<&str> = needed.iter().copied().filter(lacks).collect();
    let has: Vec<&str> = frame.columns.keys().map(String::as_str).collect();
    if !missing.is_empty() {
        // Readings under other names are the likely cause.
        let unknown: Vec<&str> = has
            .iter()
            .copied()
            .filter(|name| name.ends_with("_scan") && !needed.contains(name))
            .collect();
        let advice = if unknown.is_empty() {
            String::new()
        } else {
            format!(
                " (the equation does not know the readings {})",
                unknown.join(", ")
            )
        };
        return Err(Error::input(format!(
            "{}, row 1, columns {}: found no column {}, expected what {} reads: {}{advice}; name the columns so, or take an equation of the readings that there are",
            frame.file,
            has.join(", "),
            missing.join(" and no column "),
            equation.label(),
            needed.join(", "),
        )));
    }
    if !frame.columns.contains_key(response) {
        return Err(Error::input(format!(
            "{}, row 1, columns {}: found no column {response}, expected what the laboratory found of {}, {}; name the column so",
            frame.file,
            has.join(", "),
            equation.provenance.response,
            if equation.provenance.unit == "pct" {
                "in percent"
            } else {
                "in grams of the fresh part"
            }
        )));
    }
    for name in needed {
        let words = equation
            .provenance
            .factors
            .iter()
            .any(|one| one.name == name);
        if !words {
            frame.numbers(name)?;
        }
    }
    Ok(())
}

/// One row of the table.
struct One<'a> {
    frame: &'a Frame,
    equation: &'a Equation,
    options: &'a ValidationOptions,
    row: usize,
}

impl One<'_> {
    fn pair(&self, (response, observed): (&str, f64)) -> std::result::Result<PairRow, Stop> {
        let (frame, row) = (self.frame, self.row);
        self.same_thing()?;
        if !observed.is_finite() {
            return Err(Stop::LeaveOut(format!("no value of {response}")));
        }
        let mut flags = Vec::new();
        let strain = self.strain(&mut flags)?;
        self.way(&mut flags)?;
        self.units((response, observed))?;
        let laboratory = frame.label(LABORATORY, row);
        let laboratory = laboratory_under(self.equation, &laboratory, &mut flags);
        let laboratory = laboratory.map_err(Stop::LeaveOut)?;
        let design = self
            .equation
            .row(|name| match name {
                "strain" => Some(Value::Word(&strain)),
                LABORATORY => laboratory.map(Value::Word),
                _ => frame.value(name, row),
            })
            .map_err(|gap| match gap {
                Gap::Missing(name) => Stop::LeaveOut(format!("no value of {name}")),
                Gap::NotPositive(name) => Stop::LeaveOut(format!(
                    "{name} is not above 0, and the equation takes its logarithm"
                )),
            })?;
        let predicted = self.equation.value(&design);
        if !predicted.is_finite() {
            return Err(Stop::LeaveOut(
                "the equation gives no finite number for it".to_owned(),
            ));
        }
        self.scale((response, observed), predicted)?;
        for range in &self.equation.provenance.ranges {
            let Some(Value::Number(value)) = frame.value(&range.name, row) else {
                continue;
            };
            if value < range.least || value > range.greatest {
                flags.push(format!(
                    "{} {value:.4} is outside the calibrated range {:.4} to {:.4}",
                    range.name, range.least, range.greatest
                ));
            }
        }
        let of_equation = self.equation.shared_covariance(&design, &design);
        let own = self.equation.own_variance(predicted);
        let std_error = own.map(|own| (own + of_equation.unwrap_or(0.0)).max(0.0).sqrt());
        let confidence = self.options.confidence;
        let quantile = match self.equation.provenance.residual_df {
            Some(df) if df > 0 => t_two_sided_quantile(confidence, df as f64),
            _ => normal_quantile(0.5 + confidence / 2.0),
        };
        let number = |name: &str| match frame.value(name, row) {
            Some(Value::Number(number)) => Some(number),
            _ => None,
        };
        let bird = frame.label("bird", row);
        Ok(PairRow {
            row: frame.rows[row],
            bird: if bird.is_empty() {
                format!("row {}", frame.rows[row])
            } else {
                bird
            },
            strain: frame.label("strain", row),
            laboratory: frame.label("laboratory", row),
            age_d: number("age"),
            body_weight_g: number("body_weight"),
            observed,
            predicted,
            std_error,
            lower: std_error.map(|error| predicted - quantile * error),
            upper: std_error.map(|error| predicted + quantile * error),
            flags,
            design,
        })
    }

    /// Chemistry of the same part on the fresh basis, and feathers as the equation needs them.
    fn same_thing(&self) -> std::result::Result<(), Stop> {
        let (frame, row, of) = (self.frame, self.row, &self.equation.provenance);
        let basis = frame.label("basis", row).to_lowercase();
        if !["", "as-is", "as is", "fresh", "wet"].contains(&basis.as_str()) {
            return Err(Stop::Fault(format!(
                "column basis: found \"{basis}\", expected as-is: {} predicts masses of the fresh part; convert the chemistry to it",
                self.equation.label()
            )));
        }
        let part = frame.label("part", row).to_lowercase();
        let wanted = if of.part.is_empty() { "body" } else { &of.part };
        if !part.is_empty() && part != wanted {
            return Err(Stop::Fault(format!(
                "column part: found \"{part}\", expected {wanted}: {} was calibrated on chemistry of it; take analyses of that part",
                self.equation.label()
            )));
        }
        let feathers = frame.label("feathers", row).to_lowercase();
        match (of.feathers.as_str(), feathers.as_str()) {
            ("plucked", "intact" | "unknown") => Err(Stop::Fault(format!(
                "column feathers: found \"{feathers}\", expected plucked birds as {} needs; use an equation for intact birds",
                self.equation.label()
            ))),
            ("intact", "plucked") => Err(Stop::Fault(format!(
                "column feathers: found \"plucked\", expected intact birds as {} needs; leave out scans of plucked birds",
                self.equation.label()
            ))),
            _ => Ok(()),
        }
    }

    /// The strain of the equation that the bird is taken for.
    fn strain(&self, flags: &mut Vec<String>) -> std::result::Result<String, Stop> {
        let strain = self.frame.label("strain", self.row);
        let of = &self.equation.provenance;
        let term = of.factors.iter().find(|levels| levels.name == "strain");
        let known = |name: &str| match term {
            Some(levels) => levels.levels.iter().any(|level| level == name),
            None => of.strains.is_empty() || of.strains.iter().any(|level| level == name),
        };
        if known(&strain) || (strain.is_empty() && term.is_none()) {
            return Ok(strain);
        }
        let Some(levels) = term else {
            flags.push(format!(
                "strain {strain} is not among those of the equation"
            ));
            return Ok(strain);
        };
        match self.options.strains.get(&strain) {
            Some(taken_for) if known(taken_for) => {
                flags.push(format!("strain {strain} was taken for {taken_for}"));
                Ok(taken_for.clone())
            }
            _ => Err(Stop::Fault(format!(
                "column strain: found \"{strain}\", expected one of {}, for which {} has terms; name the one that it is to be taken for, as in --map-strain {}={}",
                levels.levels.join(", "),
                self.equation.label(),
                if strain.is_empty() { "STRAIN" } else { &strain },
                levels.levels[0]
            ))),
        }
    }

    /// Another way of scanning than the calibration's is judged only where it is requested.
    fn way(&self, flags: &mut Vec<String>) -> std::result::Result<(), Stop> {
        let ways = &self.equation.provenance.ways;
        let column = ["way", "restraint"]
            .into_iter()
            .find(|name| matches!(self.frame.columns.get(*name), Some(Column::Words(_))));
        let way = column.map_or(String::new(), |name| self.frame.label(name, self.row));
        if way.is_empty() || ways.is_empty() || ways.contains(&way) {
            return Ok(());
        }
        if self.options.ways.contains(&way) {
            flags.push(format!("{way} is not a way of scanning of the equation"));
            return Ok(());
        }
        Err(Stop::Fault(format!(
            "column {}: found \"{way}\", expected a way of scanning that {} was calibrated with ({}); to test it for this way too, name it: --allow-way \"{way}\"",
            column.unwrap_or("way"),
            self.equation.label(),
            ways.join("; ")
        )))
    }

    /// Masses that the calibrated range shows to be in kilograms, or in milligrams.
    fn units(&self, (response, _): (&str, f64)) -> std::result::Result<(), Stop> {
        for range in &self.equation.provenance.ranges {
            let mass = range.name == "body_weight" || range.name.ends_with("_scan");
            let Some(Value::Number(value)) = self.frame.value(&range.name, self.row) else {
                continue;
            };
            if !mass || value <= 0.0 || range.least <= 0.0 || range.name == response {
                continue;
            }
            let off = if value < range.least / ANOTHER_UNIT {
                1000.0
            } else if value > range.greatest * ANOTHER_UNIT {
                1e-3
            } else {
                continue;
            };
            let turned = value * off;
            if turned > range.least / ANOTHER_UNIT && turned < range.greatest * ANOTHER_UNIT {
                return Err(Stop::Fault(format!(
                    "column {}: found {value}, expected grams ({} was calibrated on {:.4} to {:.4}); convert all masses to grams",
                    range.name,
                    self.equation.label(),
                    range.least,
                    range.greatest
                )));
            }
        }
        Ok(())
    }

    /// Chemistry in another unit than the prediction.
    fn scale(
        &self,
        (response, observed): (&str, f64),
        predicted: f64,
    ) -> std::result::Result<(), Stop> {
        let spread = self.equation.own_variance(predicted).map_or(0.0, f64::sqrt);
        // A prediction near 0 has no ratio.
        if predicted <= 4.0 * spread || observed <= 0.0 {
            return Ok(());
        }
        let ratio = observed / predicted;
        let off = |factor: f64| (ratio * factor).ln().abs() < SAME_MASS.ln();
        if off(1000.0) || off(1e-3) {
            return Err(Stop::Fault(format!(
                "column {response}: found {observed} where {} predicts {predicted:.4} g, expected grams; convert all masses to grams",
                self.equation.label()
            )));
        }
        Ok(())
    }
}

/// Ages that are all too small, and would all fit in weeks.
fn ages_in_weeks(frame: &Frame, equation: &Equation) -> Option<String> {
    let mut ranges = equation.provenance.ranges.iter();
    let range = ranges.find(|range| range.name == "age")?;
    let ages: Vec<f64> = (0..frame.n())
        .filter_map(|row| match frame.value("age", row) {
            Some(Value::Number(age)) => Some(age),
            _ => None,
        })
        .collect();
    let weeks = !ages.is_empty()
        && ages.iter().all(|age| {
            *age < range.least && age * 7.0 >= range.least && age * 7.0 <= range.greatest
        });
    weeks.then(|| {
        format!(
            "{}, column age: all ages lie below the {:.4} to {:.4} d of {} and would fit as weeks; ages must be in days",
            frame.file,
            range.least,
            range.greatest,
            equation.label()
        )
    })
}

/// The birds, each by the mean of its scans, in the order of the table.
pub(super) fn by_bird(pairs: &[PairRow]) -> Vec<Tested> {
    let mut places: BTreeMap<(&str, &str), usize> = BTreeMap::new();
    let mut birds: Vec<Vec<&PairRow>> = Vec::new();
    for pair in pairs {
        let place = *places
            .entry((&pair.laboratory, &pair.bird))
            .or_insert_with(|| {
                birds.push(Vec::new());
                birds.len() - 1
            });
        birds[place].push(pair);
    }
    let all = |rows: &[&PairRow], of: &dyn Fn(&PairRow) -> Option<f64>| {
        let values: Option<Vec<f64>> = rows.iter().map(|row| of(row)).collect();
        values.map(|values| mean(&values))
    };
    let one = |rows: &Vec<&PairRow>| {
        let observed = all(rows, &|row| Some(row.observed)).unwrap_or_default();
        let limits = (all(rows, &|row| row.lower), all(rows, &|row| row.upper));
        Tested {
            bird: rows[0].bird.clone(),
            strain: rows[0].strain.clone(),
            laboratory: rows[0].laboratory.clone(),
            age_d: all(rows, &|row| row.age_d),
            body_weight_g: all(rows, &|row| row.body_weight_g),
            observed,
            predicted: all(rows, &|row| Some(row.predicted)).unwrap_or_default(),
            std_error: all(rows, &|row| row.std_error),
            outside: match limits {
                (Some(lower), Some(upper)) => Some(observed < lower || observed > upper),
                _ => None,
            },
            design: (0..rows[0].design.len())
                .map(|j| mean(&rows.iter().map(|row| row.design[j]).collect::<Vec<_>>()))
                .collect(),
        }
    };
    birds.iter().map(one).collect()
}
