//! How well does the scanner repeat itself, by whichever method the birds were held?
//!
//! Repeats are scans of the same bird (or group) at one age and region in one way
//! (restraint, birds in the scan, an egg in the body, feathers), repositioned between
//! them. Their precision is given for each way separately, since a mixture of ways has
//! the precision of none; where all repeats were made in one way, its name is `all`.
//! Start at [`of_study`] or, for a bare table, [`of_frame`].

use std::collections::BTreeMap;

use super::agreement::{AgreementRow, compare as agree};
use super::frame::Frame;
use super::quality::Kept;
use super::{Tissue, calibration};
use crate::error::{Error, Result};
use crate::stats::Failure;
use crate::stats::agreement::limits_of_agreement;
use crate::stats::precision::{ENOUGH_DEGREES_OF_FREEDOM, Precision, compare, precision};
use crate::stats::spread_by_mean::{SpreadByMean, SpreadKind};
use crate::study::{Scan, Study, WHOLE, Way};

/// Precision of one trait by one method (`repeatability`).
#[derive(Debug, Clone, PartialEq)]
pub struct RepeatabilityRow {
    /// Trait; `total` is fat + lean + bone.
    pub trait_name: String,
    /// Unit of its readings, and so of everything here that is given in g.
    pub unit: String,
    /// What sets this way apart from the others, as in `restraint=tube`; `all` where
    /// there is one way only.
    pub method: String,
    /// Everything that makes the way, each part as in `restraint=tube`.
    pub way: Vec<String>,
    /// Subjects (birds or groups at one age) scanned at least twice.
    pub subjects: usize,
    /// Their scans.
    pub scans: usize,
    /// Degrees of freedom.
    pub df: usize,
    /// Root-mean-square SD, g.
    pub rms_sd: f64,
    /// Root-mean-square CV, percent; none where a mean is not above 0.
    pub rms_cv_pct: Option<f64>,
    /// Lower end of the interval of the SD.
    pub lower: f64,
    /// Upper end.
    pub upper: f64,
    /// Least significant change between two single scans (95 percent), g.
    pub lsc: f64,
    /// How the SD depends on the mass.
    pub spread: SpreadByMean,
    /// Least mass that was repeated, g, and the least significant change at it.
    pub at_least: MassAndChange,
    /// Greatest mass that was repeated, and the least significant change at it.
    pub at_greatest: MassAndChange,
}

/// A mass and the least significant change between two single scans there.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MassAndChange {
    /// Mass, g.
    pub mass: f64,
    /// Least significant change (95 percent), g.
    pub lsc: f64,
}

impl RepeatabilityRow {
    /// The P value of an SD that is the same at any mass, where the chosen form is not the
    /// constant one and the test rejects it at 5 percent.
    #[must_use]
    pub fn grows(&self) -> Option<f64> {
        let p_value = self.spread.estimated?.p_value;
        (self.spread.kind != SpreadKind::Constant && p_value < 0.05).then_some(p_value)
    }
}

/// Two methods' precision set against each other.
#[derive(Debug, Clone, PartialEq)]
pub struct MethodRow {
    /// Trait.
    pub trait_name: String,
    /// First method.
    pub method_a: String,
    /// Second method.
    pub method_b: String,
    /// Variance of the first over that of the second.
    pub variance_ratio: f64,
    /// Lower end of its interval.
    pub lower: f64,
    /// Upper end.
    pub upper: f64,
    /// Two-sided p value of equal variances.
    pub p_value: f64,
}

/// What a scanning protocol is written from: one method and trait.
#[derive(Debug, Clone, PartialEq)]
pub struct ProtocolRow {
    /// Trait.
    pub trait_name: String,
    /// Method, as in `restraint=tube`.
    pub method: String,
    /// Precision, where the method has repeats and all of them were made in one way.
    pub precision: Option<RepeatabilityRow>,
    /// What the bias is against: `scale weight` for `total`, otherwise the method
    /// with the most scans.
    pub reference: String,
    /// Pairs behind the bias.
    pub pairs: usize,
    /// Mean of this method minus the reference, g.
    pub bias: Option<f64>,
    /// Lower end of its interval.
    pub bias_lower: Option<f64>,
    /// Upper end.
    pub bias_upper: Option<f64>,
    /// Scans of this method, kept or rejected.
    pub scans: usize,
    /// Those rejected.
    pub rejected: usize,
    /// The same, percent.
    pub rejected_pct: f64,
}

/// All answers about repeatability.
#[derive(Debug, Clone, Default)]
pub struct Repeatability {
    /// Precision by trait and way.
    pub rows: Vec<RepeatabilityRow>,
    /// Ways against each other.
    pub methods: Vec<MethodRow>,
    /// Single birds against scans of several, birds of a group averaged.
    pub groups: Vec<AgreementRow>,
    /// The table that a protocol is written from.
    pub protocol: Vec<ProtocolRow>,
    /// What should be known: one line each.
    pub warnings: Vec<String>,
}

/// A trait of the whole body and its reading in a scan.
type BodyTrait = (&'static str, fn(&Scan) -> f64);

/// The traits that methods are compared by.
const BODY_TRAITS: [BodyTrait; 4] = [
    ("fat", |scan| scan.fat_g),
    ("lean", |scan| scan.lean_g),
    ("bone", |scan| scan.bone_g),
    ("total", Scan::total_g),
];

/// Values of one trait by subject, with the way of each.
struct Readings {
    trait_name: String,
    unit: String,
    /// Subject, way, value.
    rows: Vec<(String, Labels, f64)>,
}

/// What a way is made of, each part as in `restraint=tube`.
type Labels = Vec<String>;

/// Repeatability from a study's kept scans.
///
/// # Errors
/// [`ErrorKind::Input`](crate::ErrorKind::Input) where no bird was scanned twice
/// at one age.
pub fn of_study(study: &Study, kept: &Kept, confidence: f64) -> Result<Repeatability> {
    let scans: Vec<&Scan> = kept
        .scans
        .iter()
        .map(|index| &study.scans.rows[*index])
        .collect();
    let traits = readings(study, &scans);
    let mut answer = Repeatability::default();
    for readings in &traits {
        answer.add(readings, &study.scans.file, confidence)?;
    }
    if answer.rows.is_empty() {
        return Err(no_repeats(&study.scans.file));
    }
    answer.groups = groups(&scans, &study.scans.file, confidence)?;
    answer.protocol = protocol(study, &scans, &answer.rows, confidence);
    Ok(answer)
}

/// Repeatability from a bare table: column of birds, of values, and of methods.
///
/// Rows of one bird and method that are alike in every column of `alike` (its age,
/// the region, ...) are its repeats.
///
/// # Errors
/// [`ErrorKind::Call`](crate::ErrorKind::Call) for a name that is no column;
/// [`ErrorKind::Input`](crate::ErrorKind::Input) where no bird has two values.
pub fn of_frame(
    frame: &Frame,
    bird: &str,
    values: &[&str],
    method: Option<&str>,
    alike: &[&str],
    confidence: f64,
) -> Result<Repeatability> {
    for name in [bird]
        .into_iter()
        .chain(method)
        .chain(alike.iter().copied())
    {
        frame.column(name)?;
    }
    let mut answer = Repeatability::default();
    for name in values {
        let numbers = frame.numbers(name)?;
        let rows = (0..frame.n())
            .filter(|row| numbers[*row].is_finite())
            .map(|row| {
                let method = method.map(|column| format!("{column}={}", frame.label(column, row)));
                let mut subject = format!(
                    "{}\t{}",
                    frame.label(bird, row),
                    method.as_deref().unwrap_or_default()
                );
                for name in alike {
                    subject += "\t";
                    subject += &frame.label(name, row);
                }
                (subject, method.into_iter().collect(), numbers[row])
            });
        let readings = Readings {
            trait_name: (*name).to_owned(),
            unit: "g".to_owned(),
            rows: rows.collect(),
        };
        answer.add(&readings, &frame.file, confidence)?;
    }
    if answer.rows.is_empty() {
        return Err(no_repeats(&frame.file));
    }
    Ok(answer)
}

fn no_repeats(file: &str) -> Error {
    Error::input(format!(
        "{file}: found no bird with two scans at one age by one method, expected repeated scans; number them in the column repeat"
    ))
}

/// Each trait's readings, with the ways that they were made in.
fn readings(study: &Study, scans: &[&Scan]) -> Vec<Readings> {
    let mut traits: BTreeMap<(usize, String), Readings> = BTreeMap::new();
    for scan in scans {
        let whole = scan.region == WHOLE;
        let of_scan = study.scans.readings(scan).into_iter();
        let (tissues, further): (Vec<_>, Vec<_>) = of_scan
            .enumerate()
            .partition(|(at, _)| *at < Tissue::ALL.len());
        let total = whole.then(|| ("total".to_owned(), scan.total_g(), "g"));
        // Regions after the whole body, further readings after the sum.
        let named = tissues
            .into_iter()
            .chain(total.map(|total| (3, total)))
            .chain(further.into_iter().map(|(at, reading)| (at + 1, reading)));
        let way = parts_of_way(scan);
        let subject = format!(
            "{:?} {} {} {}",
            scan.birds,
            scan.age_d,
            scan.region,
            way.join(" ")
        );
        for (place, (trait_name, value, unit)) in named {
            if value.is_finite() {
                let order = place
                    + if whole {
                        0
                    } else {
                        4 + study.scans.further.len()
                    };
                let readings = traits
                    .entry((order, trait_name.clone()))
                    .or_insert_with(|| Readings {
                        trait_name,
                        unit: unit.to_owned(),
                        rows: Vec::new(),
                    });
                readings.rows.push((subject.clone(), way.clone(), value));
            }
        }
    }
    traits.into_values().collect()
}

/// Everything that sets the way of a scan apart from another.
fn parts_of_way(scan: &Scan) -> Labels {
    let way = Way::of(scan);
    let egg = if way.egg { "yes" } else { "no" };
    let restraint = match way.restraint.as_str() {
        "" => "not stated",
        stated => stated,
    };
    vec![
        format!("restraint={restraint}"),
        format!("birds_in_scan={}", way.birds),
        format!("egg={egg}"),
        format!("feathers={}", scan.feathers.word()),
    ]
}

/// The labels under which a scan counts in the protocol.
fn methods(scan: &Scan) -> Vec<String> {
    let mut labels = Vec::new();
    if !scan.restraint.is_empty() {
        labels.push(format!("restraint={}", scan.restraint));
    }
    labels.push(format!("birds_in_scan={}", scan.birds_in_scan()));
    labels.push(format!("feathers={}", scan.feathers.word()));
    labels
}

impl Repeatability {
    /// Adds a trait: the precision of each way, and ways against each other.
    fn add(&mut self, readings: &Readings, file: &str, confidence: f64) -> Result<()> {
        let wrong = |failure: Failure| calibration::failed(file, &readings.trait_name, &failure);
        let mut known: Vec<(String, Precision)> = Vec::new();
        for (method, way, repeats) in by_way(readings) {
            let found = precision(&repeats, confidence).map_err(wrong)?;
            let name = (readings.trait_name.as_str(), readings.unit.as_str());
            let names = (name, method.as_str(), way);
            self.rows.push(row(names, &found).map_err(wrong)?);
            if found.is_poorly_known() {
                self.warnings.push(format!(
                    "{}, {method}: {} degrees of freedom, under {ENOUGH_DEGREES_OF_FREEDOM}: the precision is itself poorly known, as its interval shows",
                    readings.trait_name, found.df
                ));
            }
            known.push((method, found));
        }
        for (place, (a, first)) in known.iter().enumerate() {
            for (b, second) in &known[place + 1..] {
                // A way whose repeats never differ has no ratio; its row shows the 0.
                if let Ok(ratio) = compare(first, second, confidence) {
                    self.methods.push(MethodRow {
                        trait_name: readings.trait_name.clone(),
                        method_a: a.clone(),
                        method_b: b.clone(),
                        variance_ratio: ratio.ratio,
                        lower: ratio.interval.lower,
                        upper: ratio.interval.upper,
                        p_value: ratio.p_value,
                    });
                }
            }
        }
        Ok(())
    }
}

/// The repeats of each way, under the name that sets it apart from the others; ways
/// without a repeated subject are left out.
fn by_way(readings: &Readings) -> Vec<(String, &Labels, Vec<Vec<f64>>)> {
    let mut ways: BTreeMap<&Labels, BTreeMap<&str, Vec<f64>>> = BTreeMap::new();
    for (subject, way, value) in &readings.rows {
        let subjects = ways.entry(way).or_default();
        subjects.entry(subject).or_default().push(*value);
    }
    ways.retain(|_, subjects| subjects.values().any(|values| values.len() > 1));
    let parts = ways.keys().next().map_or(0, |way| way.len());
    let differs = |part: &usize| {
        let mut found: Vec<&String> = ways.keys().map(|way| &way[*part]).collect();
        found.sort_unstable();
        found.dedup();
        found.len() > 1
    };
    let apart: Vec<usize> = (0..parts).filter(differs).collect();
    let named = |way: &Labels| match apart.as_slice() {
        [] => "all".to_owned(),
        apart => {
            let words: Vec<&str> = apart.iter().map(|part| way[*part].as_str()).collect();
            words.join(", ")
        }
    };
    let ways = ways.iter();
    ways.map(|(way, subjects)| (named(way), *way, subjects.values().cloned().collect()))
        .collect()
}

fn row(
    ((trait_name, unit), method, way): ((&str, &str), &str, &Labels),
    found: &Precision,
) -> std::result::Result<RepeatabilityRow, Failure> {
    let at = |mass: f64| {
        Ok(MassAndChange {
            mass,
            lsc: found.least_significant_change_at(mass, 0.95)?,
        })
    };
    Ok(RepeatabilityRow {
        trait_name: trait_name.to_owned(),
        unit: unit.to_owned(),
        method: method.to_owned(),
        way: way.clone(),
        subjects: found.subjects,
        scans: found.measurements,
        df: found.df,
        rms_sd: found.rms_sd,
        rms_cv_pct: found.rms_cv.map(|cv| 100.0 * cv),
        lower: found.rms_sd_interval.lower,
        upper: found.rms_sd_interval.upper,
        lsc: found.least_significant_change(0.95)?,
        spread: found.spread,
        at_least: at(found.least)?,
        at_greatest: at(found.greatest)?,
    })
}

/// Whole-body means of scans by subject (its birds and age) for one label.
type Means = BTreeMap<(Vec<usize>, u64), f64>;

fn means<'a>(scans: impl Iterator<Item = &'a Scan>, value: impl Fn(&Scan) -> f64) -> Means {
    let mut sums: BTreeMap<(Vec<usize>, u64), (f64, f64)> = BTreeMap::new();
    for scan in scans.filter(|scan| scan.region == WHOLE) {
        let reading = value(scan);
        if reading.is_finite() {
            let sum = sums
                .entry((scan.birds.clone(), scan.age_d.to_bits()))
                .or_default();
            sum.0 += reading;
            sum.1 += 1.0;
        }
    }
    sums.into_iter()
        .map(|(key, (sum, n))| (key, sum / n))
        .collect()
}

/// The mean of some birds at an age: scanned together, or averaged over scans of
/// each of them.
fn known(means: &Means, (birds, age): &(Vec<usize>, u64)) -> Option<f64> {
    let together = means.get(&(birds.clone(), *age)).copied();
    together.or_else(|| {
        let each = birds.iter().map(|bird| means.get(&(vec![*bird], *age)));
        let sum = each.map(|mean| mean.copied()).sum::<Option<f64>>()?;
        Some(sum / birds.len() as f64)
    })
}

/// Mean over its birds scanned one by one against the scan of the whole group.
fn groups(scans: &[&Scan], file: &str, confidence: f64) -> Result<Vec<AgreementRow>> {
    let mut rows = Vec::new();
    for (trait_name, value) in BODY_TRAITS {
        let single = means(
            scans.iter().copied().filter(|scan| scan.birds.len() == 1),
            value,
        );
        let group = means(
            scans.iter().copied().filter(|scan| scan.birds.len() > 1),
            value,
        );
        let mut pairs = Vec::new();
        for (key, reading) in &group {
            pairs.extend(known(&single, key).map(|own| (own, *reading)));
        }
        let (own, group): (Vec<f64>, Vec<f64>) = pairs.into_iter().unzip();
        if own.len() > 1 {
            let row = agree(
                trait_name,
                "group against single",
                &own,
                &group,
                1.0,
                confidence,
            );
            rows.push(row.map_err(|failure| calibration::failed(file, trait_name, &failure))?);
        }
    }
    Ok(rows)
}

/// Precision, bias, sample and share of scans rejected, by method.
fn protocol(
    study: &Study,
    kept: &[&Scan],
    rows: &[RepeatabilityRow],
    confidence: f64,
) -> Vec<ProtocolRow> {
    let mut counts: BTreeMap<String, usize> = BTreeMap::new();
    for scan in study.scans.rows.iter().filter(|scan| scan.region == WHOLE) {
        for label in methods(scan) {
            *counts.entry(label).or_default() += 1;
        }
    }
    let of = |label: &str| {
        let label = label.to_owned();
        kept.iter()
            .copied()
            .filter(move |scan| methods(scan).contains(&label))
    };
    let mut protocol = Vec::new();
    for (trait_name, value) in BODY_TRAITS {
        for (label, scans) in &counts {
            let used = of(label).filter(|scan| scan.region == WHOLE).count();
            let (reference, pairs) = if trait_name == "total" {
                let both = of(label)
                    .filter(|scan| scan.region == WHOLE)
                    .map(|scan| (scan.scale_weight_g, scan.total_g()));
                (
                    "scale weight".to_owned(),
                    both.filter(|(a, b)| a.is_finite() && b.is_finite())
                        .collect(),
                )
            } else {
                let reference = reference(&counts, label);
                let (first, second) = (means(of(&reference), value), means(of(label), value));
                let both = second
                    .iter()
                    .filter_map(|(key, value)| Some((known(&first, key)?, *value)));
                let pairs: Vec<(f64, f64)> = if reference == *label {
                    Vec::new()
                } else {
                    both.collect()
                };
                (reference, pairs)
            };
            let (first, second): (Vec<f64>, Vec<f64>) = pairs.into_iter().unzip();
            // One pair has a difference, but no interval: it is no evidence for a protocol.
            let bias = limits_of_agreement(&first, &second, confidence).ok();
            protocol.push(ProtocolRow {
                trait_name: trait_name.to_owned(),
                method: label.clone(),
                precision: of_one_way(rows, trait_name, label).cloned(),
                reference,
                pairs: first.len(),
                bias: bias.map(|limits| limits.bias),
                bias_lower: bias.map(|limits| limits.bias_interval.lower),
                bias_upper: bias.map(|limits| limits.bias_interval.upper),
                scans: *scans,
                rejected: scans - used,
                rejected_pct: 100.0 * (scans - used) as f64 / *scans as f64,
            });
        }
    }
    protocol
}

/// The precision of the one way with repeats among the scans of a label.
fn of_one_way<'a>(
    rows: &'a [RepeatabilityRow],
    trait_name: &str,
    label: &str,
) -> Option<&'a RepeatabilityRow> {
    let of_trait = rows.iter().filter(|row| row.trait_name == trait_name);
    let mut ways = of_trait.filter(|row| row.way.iter().any(|part| part == label));
    let first = ways.next();
    first.filter(|_| ways.next().is_none())
}

/// The method of the same kind with the most scans.
fn reference(counts: &BTreeMap<String, usize>, label: &str) -> String {
    let kind = label.split('=').next();
    let same = counts
        .iter()
        .filter(|(other, _)| other.split('=').next() == kind);
    // The first in the alphabet among equals.
    same.rev()
        .max_by_key(|(_, count)| **count)
        .map_or_else(|| label.to_owned(), |(other, _)| other.clone())
}
