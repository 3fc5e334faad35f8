//! The birds that onset models rest on: those with every cue, as the models take them.

use super::cue_error;
use super::lay::LayRecords;
use super::onset_model::{CueSet, OnsetFamily};
use crate::stats::time_to_event::EventTime;

/// Fewer events a term than this make a model weak.
///
/// Peduzzi P, Concato J, Feinstein AR, Holford TR 1995, Importance of events per
/// independent variable in proportional hazards regression analysis II, J Clin
/// Epidemiol 48:1503-1510 (from memory).
const EVENTS_A_TERM: usize = 10;

/// The birds that the models rest on, cues as the models take them.
#[derive(Debug, Clone)]
pub(super) struct Subjects {
    /// Place of each in [`LayRecords::birds`].
    pub(super) rows: Vec<usize>,
    pub(super) times: Vec<EventTime>,
    pub(super) strain_of: Vec<usize>,
    /// Strains with a separate term: all but the first that is here.
    pub(super) strain_terms: Vec<(usize, String)>,
    pub(super) cue_names: Vec<String>,
    /// One column a cue.
    pub(super) cues: Vec<Vec<f64>>,
}

impl Subjects {
    pub(super) fn of(records: &LayRecords, rows: Vec<usize>) -> Self {
        let strain_of: Vec<usize> = rows.iter().map(|row| records.birds[*row].strain).collect();
        let present = (0..records.strains.len()).filter(|strain| strain_of.contains(strain));
        let strain_terms = present
            .skip(1)
            .map(|strain| (strain, format!("strain {}", records.strains[strain])));
        let value = |cue: usize, row: &usize| {
            // Every row of these has every cue.
            records.cues[cue].readings[*row].map_or(0.0, |reading| reading.value)
        };
        Self {
            times: rows
                .iter()
                .map(|row| records.birds[*row].first_egg)
                .collect(),
            strain_terms: strain_terms.collect(),
            cue_names: records.cues.iter().map(|cue| cue.name.clone()).collect(),
            cues: (0..records.cues.len())
                .map(|cue| rows.iter().map(|row| value(cue, row)).collect())
                .collect(),
            strain_of,
            rows,
        }
    }

    pub(super) fn cue_places(&self, set: CueSet) -> Vec<usize> {
        match set {
            CueSet::All => (0..self.cues.len()).collect(),
            CueSet::One(cue) => vec![cue],
            CueSet::None => Vec::new(),
        }
    }

    /// The same birds with the best linear prediction of each of the set's cues.
    pub(super) fn calibrated(&self, records: &LayRecords, set: CueSet) -> Result<Self, String> {
        let places = self.cue_places(set);
        let columns = cue_error::calibrated(records, &self.rows, &places)?;
        let mut calibrated = self.clone();
        for (place, column) in places.into_iter().zip(columns) {
            calibrated.cues[place] = column;
        }
        Ok(calibrated)
    }

    pub(super) fn names_of(&self, set: CueSet) -> Vec<String> {
        let places = self.cue_places(set);
        places
            .iter()
            .map(|cue| self.cue_names[*cue].clone())
            .collect()
    }

    /// Columns beside the intercept.
    pub(super) fn columns(&self, set: CueSet) -> usize {
        self.strain_terms.len() + self.cue_places(set).len()
    }

    /// Why there are too few first eggs for a model's terms; empty where there are enough.
    pub(super) fn weakness(&self, set: CueSet) -> String {
        let events = self.times.iter().filter(|time| time.happened()).count();
        let terms = self.columns(set);
        if terms > 0 && events < EVENTS_A_TERM * terms {
            format!("{events} first eggs for {terms} terms, fewer than {EVENTS_A_TERM} a term")
        } else {
            String::new()
        }
    }

    pub(super) fn model_name(&self, law: OnsetFamily, set: CueSet) -> String {
        match set {
            CueSet::All => law.name().to_owned(),
            CueSet::One(cue) => format!("{}:{}", law.name(), self.cue_names[cue]),
            CueSet::None => format!("{}:none", law.name()),
        }
    }

    pub(super) fn design_columns(&self, set: CueSet, members: &[usize]) -> Vec<(String, Vec<f64>)> {
        let mut columns = Vec::new();
        for (strain, name) in &self.strain_terms {
            let is = |i: &usize| f64::from(u8::from(self.strain_of[*i] == *strain));
            columns.push((name.clone(), members.iter().map(is).collect()));
        }
        for cue in self.cue_places(set) {
            let values = members.iter().map(|i| self.cues[cue][*i]).collect();
            columns.push((self.cue_names[cue].clone(), values));
        }
        columns
    }

    /// The same row of a bird that need not be among these, from the records' own cues.
    pub(super) fn row_of(&self, records: &LayRecords, bird: usize, set: CueSet) -> Vec<f64> {
        let strain = records.birds[bird].strain;
        let strains = self.strain_terms.iter();
        let mut row: Vec<f64> = strains
            .map(|(term, _)| f64::from(u8::from(*term == strain)))
            .collect();
        row.extend(self.cue_places(set).iter().map(|cue| {
            let reading = records.cues[*cue].readings[bird];
            reading.map_or(0.0, |reading| reading.value)
        }));
        row
    }

    /// A bird's strain terms and cues, in the design's order without the intercept.
    pub(super) fn row(&self, set: CueSet, bird: usize) -> Vec<f64> {
        let columns = self.design_columns(set, &[bird]);
        columns.into_iter().map(|(_, values)| values[0]).collect()
    }
}
