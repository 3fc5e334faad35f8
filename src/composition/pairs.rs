//! From a study to rows that an equation is fitted to: each scan of an analysed
//! bird on its last day, beside what the laboratory found.
//!
//! Columns: `bird`, `scan`, `strain`, `feathers`, `restraint`, `way` (words), `laboratory` where the
//! scans name it; `age` (d),
//! `fat_scan`, `lean_scan`, `bone_scan`, `body_weight` (scale weight at the scan),
//! `fat_leg_scan` and so on for regions, further readings likewise, and from the laboratory `fat_chem`,
//! `lean_chem`, `bone_chem`, `water_chem`, `protein_chem`, `mass_chem` of the part
//! requested and `feather_mass` (all g), and the references of densities (`bone_density_chem`).

use std::collections::BTreeMap;

use super::chemistry::{BirdMasses, age_at_analysis, masses};
use super::frame::{Frame, Value};
use super::quality::Kept;
use super::{Tissue, quality};
use crate::error::{Error, Result};
use crate::study::{Feathers, Part, Position, Scan, Study, WHOLE, Way, in_region, position};

/// Which rows are selected.
#[derive(Debug, Clone)]
pub struct RowSelection {
    /// Scans with feathers, without, or all where left out.
    pub feathers: Option<Feathers>,
    /// The part whose masses the readings are to predict.
    pub part: Part,
    /// Strains that may have scans and no chemistry.
    pub allowed_strains: Vec<String>,
}

impl Default for RowSelection {
    /// Intact birds, and what their bodies without feathers hold: feathers are a
    /// separate part in the balance.
    fn default() -> Self {
        Self {
            feathers: Some(Feathers::Intact),
            part: Part::Body,
            allowed_strains: Vec::new(),
        }
    }
}

/// The rows of a study that an equation can be fitted to.
///
/// # Errors
/// [`ErrorKind::Input`](crate::ErrorKind::Input) for a study without scans or
/// chemistry, a strain with scans and without chemistry that is not allowed by
/// name, and no analysed bird with a scan of the kind selected.
pub fn frame(study: &Study, kept: &Kept, wanted: &RowSelection) -> Result<Frame> {
    let analysed = masses(study);
    check_tables(study, &analysed)?;
    check_strains(study, kept, &analysed, wanted)?;
    let regions = regions(study, kept);
    let mut rows: Vec<(&Scan, BirdMasses)> = Vec::new();
    for scan in kept.scans.iter().map(|index| &study.scans.rows[*index]) {
        let (WHOLE, [bird]) = (scan.region.as_str(), scan.birds.as_slice()) else {
            continue;
        };
        let Some(masses) = analysed.iter().find(|masses| masses.bird == *bird) else {
            continue;
        };
        let last =
            age_at_analysis(study, *bird).is_some_and(|age| age.total_cmp(&scan.age_d).is_eq());
        let right = wanted
            .feathers
            .is_none_or(|feathers| feathers == scan.feathers);
        if last && right && masses.part(wanted.part).is_some() {
            rows.push((scan, *masses));
        }
    }
    if rows.is_empty() {
        return Err(Error::input(format!(
            "{}: found no {}scan of a bird whose {} was analysed, on its last day, expected at least one; check the columns bird, feathers and part",
            study.scans.file,
            wanted
                .feathers
                .map_or(String::new(), |feathers| format!("{} ", feathers.word())),
            wanted.part.word()
        )));
    }
    check_laboratories(study, &rows)?;
    Ok(columns(study, &rows, wanted.part, &regions))
}

fn columns(
    study: &Study,
    rows: &[(&Scan, BirdMasses)],
    part: Part,
    regions: &BTreeMap<Position, Vec<&Scan>>,
) -> Frame {
    let mut frame = Frame {
        file: study.scans.file.clone(),
        rows: rows.iter().map(|(scan, _)| scan.row).collect(),
        ..Frame::default()
    };
    let mut words = |name: &str, of: &dyn Fn(&Scan) -> String| {
        frame.add_words(name, rows.iter().map(|(scan, _)| of(scan)).collect());
    };
    words("scan", &|scan| scan.name.clone());
    words("bird", &|scan| quality::bird_names(study, scan));
    words("strain", &|scan| {
        strain_of(study, scan).unwrap_or_default().to_owned()
    });
    words("feathers", &|scan| scan.feathers.word().to_owned());
    words("restraint", &|scan| scan.restraint.clone());
    words("way", &|scan| Way::of(scan).label());
    if rows.iter().any(|(scan, _)| !scan.laboratory.is_empty()) {
        words("laboratory", &|scan| scan.laboratory.clone());
    }
    let mut numbers = |name: &str, of: &dyn Fn(&Scan, &BirdMasses) -> f64| {
        frame.add_numbers(
            name,
            rows.iter().map(|(scan, masses)| of(scan, masses)).collect(),
        );
    };
    numbers("age", &|scan, _| scan.age_d);
    numbers("body_weight", &|scan, _| scan.scale_weight_g);
    for tissue in Tissue::ALL {
        numbers(&format!("{}_scan", tissue.name()), &|scan, _| {
            tissue.reading(scan)
        });
        numbers(&format!("{}_chem", tissue.name()), &|_, masses| {
            masses
                .part(part)
                .map_or(f64::NAN, |part| part.tissue_g(tissue))
        });
    }
    let of_part = |of: fn(super::chemistry::PartMasses) -> f64| {
        move |_: &Scan, masses: &BirdMasses| masses.part(part).map_or(f64::NAN, of)
    };
    for reading in &study.scans.further {
        numbers(&format!("{}_scan", reading.name), &|scan, _| {
            study.scans.reading(scan, &reading.name)
        });
    }
    for (name, of_birds) in &study.chemistry.densities {
        numbers(&format!("{name}_chem"), &|_, masses| {
            of_birds.get(&masses.bird).copied().unwrap_or(f64::NAN)
        });
    }
    numbers("water_chem", &of_part(|part| part.water_g));
    numbers("protein_chem", &of_part(|part| part.protein_g));
    numbers("mass_chem", &of_part(|part| part.mass_g));
    numbers("feather_mass", &|_, masses| {
        masses.feathers.map_or(f64::NAN, |part| part.mass_g)
    });
    for reading in &study.scans.further {
        if study.chemistry.densities.contains_key(&reading.name) {
            let response = format!("{}_chem", reading.name);
            frame.units.insert(response, reading.unit.clone());
        }
    }
    let mut numbers = |name: &str, of: &dyn Fn(&Scan, &BirdMasses) -> f64| {
        frame.add_numbers(
            name,
            rows.iter().map(|(scan, masses)| of(scan, masses)).collect(),
        );
    };
    let mut names: Vec<&str> = regions
        .values()
        .flatten()
        .map(|scan| scan.region.as_str())
        .collect();
    names.sort_unstable();
    names.dedup();
    for region in names {
        for reading in study.scans.names() {
            let name = in_region(reading, region);
            numbers(&format!("{name}_scan"), &|scan, _| {
                let parts = regions.get(&position(scan)).into_iter().flatten();
                parts
                    .filter(|part| part.region == region)
                    .map(|part| study.scans.reading(part, &name))
                    .next()
                    .unwrap_or(f64::NAN)
            });
        }
    }
    frame
}

/// The value of a scan for a name of an equation; regions are looked up among
/// `regions` of the same positioning.
pub(super) fn lookup<'a>(
    study: &'a Study,
    scan: &'a Scan,
    regions: &[&Scan],
    name: &str,
) -> Option<Value<'a>> {
    let number = |value: f64| {
        Some(value)
            .filter(|value| value.is_finite())
            .map(Value::Number)
    };
    let word = |word: &'a str| Some(word).filter(|word| !word.is_empty()).map(Value::Word);
    match name {
        "age" => number(scan.age_d),
        "body_weight" => number(scan.scale_weight_g),
        "strain" => word(strain_of(study, scan)?),
        "feathers" => word(scan.feathers.word()),
        "restraint" => word(&scan.restraint),
        "laboratory" => word(&scan.laboratory),
        _ => {
            let name = name.strip_suffix("_scan")?;
            let of = |scan: &Scan| number(study.scans.reading(scan, name));
            of(scan).or_else(|| regions.iter().find_map(|region| of(region)))
        }
    }
}

/// The strain of a scan's birds; none where they are of several.
pub(super) fn strain_of<'a>(study: &'a Study, scan: &Scan) -> Option<&'a str> {
    let strain = study.birds[*scan.birds.first()?].strain;
    let same = scan
        .birds
        .iter()
        .all(|bird| study.birds[*bird].strain == strain);
    same.then(|| study.strains[strain].as_str())
}

/// Regional readings by positioning.
pub(super) fn regions<'a>(study: &'a Study, kept: &Kept) -> BTreeMap<Position, Vec<&'a Scan>> {
    let mut regions: BTreeMap<Position, Vec<&Scan>> = BTreeMap::new();
    for scan in kept.scans.iter().map(|index| &study.scans.rows[*index]) {
        if scan.region != WHOLE {
            regions.entry(position(scan)).or_default().push(scan);
        }
    }
    regions
}

fn check_tables(study: &Study, analysed: &[BirdMasses]) -> Result<()> {
    for (none, what, holds) in [
        (study.scans.rows.is_empty(), "scans", "readings"),
        (analysed.is_empty(), "chemistry", "analysed birds"),
    ] {
        if none {
            return Err(Error::input(format!(
                "study.toml, tables: found no {what}, expected a table of {holds}; write {what} = \"FILE\" under [tables]"
            )));
        }
    }
    Ok(())
}

/// A bird is analysed where it was scanned, as far as both tables say where.
fn check_laboratories(study: &Study, rows: &[(&Scan, BirdMasses)]) -> Result<()> {
    let chemistry = &study.chemistry;
    if chemistry.laboratories.is_empty() {
        return Ok(());
    }
    if study
        .scans
        .rows
        .iter()
        .all(|scan| scan.laboratory.is_empty())
    {
        return Err(Error::input(format!(
            "{}: found a column laboratory, expected one in {} as well, since a scan is corrected as one of the laboratory that made it; add the column there, or remove it here",
            chemistry.file, study.scans.file
        )));
    }
    let mut faults = Vec::new();
    for (scan, masses) in rows {
        let analyses = chemistry.rows.iter();
        let analyses = analyses.filter(|analysis| analysis.bird == masses.bird);
        for (row, name) in analyses.filter_map(|analysis| {
            Some((analysis.row, &chemistry.laboratories[analysis.laboratory?]))
        }) {
            if *name != scan.laboratory {
                faults.push(format!(
                    "{}, row {}, column laboratory: found \"{}\", expected \"{name}\", where bird {} was analysed ({}, row {row}); correct the name, or remove the column from the table of chemistry where one laboratory analyses the birds of all",
                    study.scans.file,
                    scan.row,
                    scan.laboratory,
                    study.birds[masses.bird].name,
                    chemistry.file,
                ));
            }
        }
    }
    match faults.is_empty() {
        true => Ok(()),
        false => Err(Error::faults(faults)),
    }
}

/// A strain that is scanned and not analysed would get another strain's equation.
fn check_strains(
    study: &Study,
    kept: &Kept,
    analysed: &[BirdMasses],
    wanted: &RowSelection,
) -> Result<()> {
    let mut known: Vec<usize> = analysed
        .iter()
        .map(|masses| study.birds[masses.bird].strain)
        .collect();
    let mut faults = Vec::new();
    for scan in kept.scans.iter().map(|index| &study.scans.rows[*index]) {
        for strain in scan.birds.iter().map(|bird| study.birds[*bird].strain) {
            if known.contains(&strain) {
                continue;
            }
            known.push(strain);
            let name = &study.strains[strain];
            if !wanted.allowed_strains.contains(name) {
                faults.push(format!(
                    "{}, row {}, column bird: found a scan of strain {name}, which has no chemistry, expected analysed birds of every strain; analyse some, or allow the strain by name",
                    study.scans.file, scan.row
                ));
            }
        }
    }
    if faults.is_empty() {
        Ok(())
    } else {
        Err(Error::faults(faults))
    }
}
