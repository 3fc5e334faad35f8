//! A reading that no chemistry calibrates, as the scanner gives it.

use std::collections::BTreeMap;

use nalgebra::DMatrix;

use super::correction::{AllowedStrains, Corrections, correct};
use super::equation::Equation;
use super::formula::Formula;
use super::frame::Frame;
use super::provenance::Provenance;
use super::quality::Kept;
use crate::error::{Error, Result};
use crate::study::{Feathers, FurtherReading, Study, WHOLE, Way};

/// The readings of intact birds as they are: those of the most frequent way of scanning
/// unchanged, those of other ways put on it as far as repeated scans compare the ways. Their
/// error is left to the model of the readings; that of the offsets is shared.
///
/// # Errors
/// [`ErrorKind::Input`](crate::ErrorKind::Input) where no scan of an intact bird without an egg
/// has the reading.
pub fn as_read(study: &Study, kept: &Kept, reading: &FurtherReading) -> Result<Corrections> {
    let mut ways: BTreeMap<Way, usize> = BTreeMap::new();
    for scan in kept.scans.iter().map(|index| &study.scans.rows[*index]) {
        let read = study.scans.reading(scan, &reading.name).is_finite();
        if read && scan.region == WHOLE && scan.feathers != Feathers::Plucked {
            *ways.entry(Way::of(scan)).or_default() += 1;
        }
    }
    let without_egg = ways.into_iter().filter(|(way, _)| !way.egg);
    let Some((usual, rows)) = without_egg.max_by_key(|(_, scans)| *scans) else {
        return Err(Error::input(format!(
            "{}: found no {} of an intact bird without an egg, expected some; check the column",
            study.scans.file, reading.name
        )));
    };
    let name = format!("{}_scan", reading.name);
    let mut frame = Frame::default();
    frame.add_numbers(&name, Vec::new());
    let coding = format!("0,{name}").parse::<Formula>()?.coding(&frame)?;
    let equation = Equation {
        provenance: Provenance {
            response: reading.name.clone(),
            unit: reading.unit.clone(),
            feathers: Feathers::Intact.word().to_owned(),
            method: "as read".to_owned(),
            rows,
            ways: vec![usual.label()],
            residual_variance: Some(0.0),
            ..Provenance::default()
        },
        columns: coding.columns,
        coefficients: vec![1.0],
        covariance: Some(DMatrix::zeros(1, 1)),
        companions: Vec::new(),
        file: String::new(),
    };
    correct(study, kept, &equation, &AllowedStrains::default())
}
