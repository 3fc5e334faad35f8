//! Which rows are whose: each bird's weighings, ascending in age.

use arrow_array::{Array, Float64Array, RecordBatch};
use pinfeather::fit::Series;
use pinfeather::study::{AGE_LIMIT_D, MASS_LIMIT_G, NUMBER_LIMIT};

use crate::columns::{identities, numbers};
use crate::{Fault, Result};

/// Rows of one bird that stand together in one chunk.
#[derive(Debug, Clone, Copy)]
struct Run {
    chunk: usize,
    start: usize,
    end: usize,
}

/// The weighings of a table, bird by bird.
#[derive(Debug)]
pub(crate) struct Birds {
    ages_d: Vec<Float64Array>,
    values: Vec<Float64Array>,
    runs: Vec<Run>,
    /// Where each bird's runs begin, and the end.
    starts: Vec<usize>,
    /// Whether a bird may have several values at one age.
    replicates: bool,
}

/// The columns of a table of weighings.
#[derive(Debug, Clone)]
pub(crate) struct Names {
    /// Columns that name a bird, its own name last.
    pub(crate) bird: Vec<String>,
    pub(crate) age: String,
    pub(crate) value: String,
}

/// Room for the weighings of a bird whose rows do not stand together.
#[derive(Debug, Default)]
pub(crate) struct Gathered {
    rows: Vec<(f64, f64)>,
    ages_d: Vec<f64>,
    values: Vec<f64>,
}

impl Birds {
    /// The birds of a table, in order of first appearance.
    ///
    /// # Errors
    /// Columns that are not there or of a wrong type, rows without a name or an age, and unless
    /// `any_number` ages and masses that no bird has.
    pub(crate) fn of(batches: &[RecordBatch], names: &Names, any_number: bool) -> Result<Self> {
        let ages_d = numbers(batches, &names.age, "the age in days")?;
        let values = numbers(batches, &names.value, "the mass in g")?;
        let (codes, count) = identities(batches, &names.bird)?;
        check_ages(&names.age, &ages_d, any_number)?;
        check_values(&names.value, &values, any_number)?;
        let mut runs: Vec<(u32, Run)> = Vec::new();
        for (chunk, codes) in codes.iter().enumerate() {
            let mut start = 0;
            for same in codes.chunk_by(|one, next| one == next) {
                let end = start + same.len();
                runs.push((same[0], Run { chunk, start, end }));
                start = end;
            }
        }
        drop(codes);
        let (starts, runs) = by_bird(&runs, count);
        Ok(Self {
            ages_d,
            values,
            runs,
            starts,
            replicates: any_number,
        })
    }

    /// How many there are.
    pub(crate) fn len(&self) -> usize {
        self.starts.len() - 1
    }

    fn runs_of(&self, bird: usize) -> &[Run] {
        &self.runs[self.starts[bird]..self.starts[bird + 1]]
    }

    /// Chunk and row of a bird's first record.
    pub(crate) fn first(&self, bird: usize) -> (usize, usize) {
        let run = self.runs_of(bird)[0];
        (run.chunk, run.start)
    }

    /// A bird's weighings: the table's memory itself where they stand together, ascend in age
    /// and none is missing.
    ///
    /// # Errors
    /// The age at which a bird has two values, where it may not.
    pub(crate) fn series<'a>(
        &'a self,
        bird: usize,
        room: &'a mut Gathered,
    ) -> std::result::Result<Series<'a>, f64> {
        let runs = self.runs_of(bird);
        if let [Run { chunk, start, end }] = *runs
            && self.values[chunk].null_count() == 0
        {
            let ages_d = &self.ages_d[chunk].values()[start..end];
            let values = &self.values[chunk].values()[start..end];
            let in_order = |pair: &[f64]| match self.replicates {
                true => pair[0] <= pair[1],
                false => pair[0] < pair[1],
            };
            if ages_d.windows(2).all(in_order) && values.iter().all(|value| !value.is_nan()) {
                return Ok(Series { ages_d, values });
            }
        }
        room.rows.clear();
        for run in runs {
            let (ages_d, values) = (&self.ages_d[run.chunk], &self.values[run.chunk]);
            let rows = (run.start..run.end).filter(|row| values.is_valid(*row));
            room.rows.extend(
                rows.map(|row| (ages_d.value(row), values.value(row)))
                    .filter(|(_, value)| !value.is_nan()),
            );
        }
        room.rows.sort_by(|one, other| one.0.total_cmp(&other.0));
        let twice = room.rows.windows(2).find(|pair| pair[0].0 >= pair[1].0);
        if let (Some(pair), false) = (twice, self.replicates) {
            return Err(pair[0].0);
        }
        room.ages_d.clear();
        room.values.clear();
        room.ages_d.extend(room.rows.iter().map(|row| row.0));
        room.values.extend(room.rows.iter().map(|row| row.1));
        Ok(Series {
            ages_d: &room.ages_d,
            values: &room.values,
        })
    }
}

/// Where each bird's runs begin, and the runs bird by bird, each bird's in the table's order.
fn by_bird(runs: &[(u32, Run)], count: usize) -> (Vec<usize>, Vec<Run>) {
    let mut starts = vec![0; count + 1];
    for (bird, _) in runs {
        starts[*bird as usize + 1] += 1;
    }
    for bird in 0..count {
        starts[bird + 1] += starts[bird];
    }
    let mut next = starts.clone();
    let nowhere = Run {
        chunk: 0,
        start: 0,
        end: 0,
    };
    let mut sorted = vec![nowhere; runs.len()];
    for (bird, run) in runs {
        let place = &mut next[*bird as usize];
        sorted[*place] = *run;
        *place += 1;
    }
    (starts, sorted)
}

/// The first value that fails a test, with its row, and how many do.
fn failing(
    chunks: &[Float64Array],
    passes: impl Fn(Option<f64>) -> bool,
) -> Option<(usize, Option<f64>, usize)> {
    let (mut before, mut found, mut count) = (0, None, 0);
    for chunk in chunks {
        for (row, value) in chunk.iter().enumerate() {
            if !passes(value) {
                count += 1;
                found = found.or(Some((before + row, value)));
            }
        }
        before += chunk.len();
    }
    found.map(|(row, value)| (row, value, count))
}

fn fault(name: &str, (row, value, count): (usize, Option<f64>, usize), expected: &str) -> Fault {
    let value = match value {
        Some(value) if !value.is_nan() => value.to_string(),
        _ => "no number".to_owned(),
    };
    let more = match count {
        1 => String::new(),
        several => format!(" and {} more rows", several - 1),
    };
    Fault(format!(
        "column {name}: found {value} in row {row} (counted from 0){more}, expected {expected}"
    ))
}

fn check_ages(name: &str, ages_d: &[Float64Array], any_number: bool) -> Result<()> {
    let (least, most) = match any_number {
        true => (-NUMBER_LIMIT, NUMBER_LIMIT),
        false => (0.0, AGE_LIMIT_D),
    };
    let passes = |age_d: Option<f64>| age_d.is_some_and(|age_d| (least..=most).contains(&age_d));
    match failing(ages_d, passes) {
        None => Ok(()),
        Some(found) => Err(fault(
            name,
            found,
            &format!("an age in days from {least} to {most}; correct or leave out the row"),
        )),
    }
}

fn check_values(name: &str, values: &[Float64Array], any_number: bool) -> Result<()> {
    let passes = |value: Option<f64>| match value {
        // No weighing.
        None => true,
        Some(value) if value.is_nan() => true,
        Some(value) if any_number => value.abs() <= NUMBER_LIMIT,
        Some(value) => value > 0.0 && value <= MASS_LIMIT_G,
    };
    match failing(values, passes) {
        None => Ok(()),
        Some(found) => Err(fault(
            name,
            found,
            &format!(
                "a mass in g above 0 and up to {MASS_LIMIT_G}, or a missing value; correct or \
                 leave out the row, or give any_number=True for data that are not weights of birds"
            ),
        )),
    }
}
