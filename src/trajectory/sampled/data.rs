//! What was weighed without names, as the model takes it: cells and what is known of each.

/// The birds of one unit (a pen, a house or a whole flock) at one age.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Cell {
    /// The unit; cells of one unit follow one another.
    pub unit: usize,
    /// The day of weighing, counted within the unit's group: what all units of the group that
    /// were weighed then have in common.
    pub day: usize,
    /// Age, d.
    pub age_d: f64,
}

/// What was weighed in a cell, or of one ringed bird in several.
#[derive(Debug, Clone, PartialEq)]
pub enum Part {
    /// Unnamed birds, each weighed.
    Sample {
        /// Index of the cell.
        cell: usize,
        /// Birds.
        n: f64,
        /// Mean of the logarithms of their weights in grams.
        mean_log: f64,
        /// Sum of squares of the logarithms about that mean.
        squares: f64,
    },
    /// Birds weighed together.
    Bulk {
        /// Index of the cell.
        cell: usize,
        /// Birds.
        n: f64,
        /// Logarithm of their mean weight in grams.
        log_mean: f64,
        /// Coefficient of variation between them, a fraction, where it is known.
        cv: Option<f64>,
    },
    /// One ringed bird.
    Bird {
        /// Its cells, ascending in age, all of one unit.
        cells: Vec<usize>,
        /// Logarithms of its weights in grams, one a cell.
        logs: Vec<f64>,
    },
}

/// All that the model is fitted to.
#[derive(Debug, Clone, Default)]
pub struct SampledData {
    /// Group of each unit; groups have a curve each.
    pub units: Vec<usize>,
    /// The cells, by unit and age.
    pub cells: Vec<Cell>,
    /// What was weighed.
    pub parts: Vec<Part>,
}

impl SampledData {
    /// Number of groups.
    #[must_use]
    pub fn groups(&self) -> usize {
        self.units.iter().map(|group| group + 1).max().unwrap_or(0)
    }

    /// Cells of a unit, as a range of indices.
    pub(super) fn cells_of(&self, unit: usize) -> std::ops::Range<usize> {
        let start = self.cells.partition_point(|cell| cell.unit < unit);
        let end = self.cells.partition_point(|cell| cell.unit <= unit);
        start..end
    }

    /// Group of a cell.
    #[must_use]
    pub fn group_of(&self, cell: &Cell) -> usize {
        self.units[cell.unit]
    }

    /// Whether the spread between birds can be estimated: some birds were weighed one by one, a
    /// spread was written down, or two means of groups of birds stand in one cell.
    pub(super) fn has_spread(&self) -> bool {
        let mut bulks = vec![0_usize; self.cells.len()];
        self.parts.iter().any(|part| match part {
            Part::Sample { n, .. } => *n > 1.0,
            Part::Bulk { cell, cv, .. } => {
                bulks[*cell] += 1;
                cv.is_some() || bulks[*cell] > 1
            }
            Part::Bird { .. } => true,
        })
    }

    /// Whether a ringed bird was weighed twice, by which the correlation of a bird's weighings
    /// can be estimated.
    pub(super) fn has_repeats(&self) -> bool {
        let twice = |part: &Part| matches!(part, Part::Bird { cells, .. } if cells.len() > 1);
        self.parts.iter().any(twice)
    }

    /// Whether a group has two units with two cells each, so that units can differ.
    pub(super) fn has_units(&self) -> bool {
        let mut known = vec![0_usize; self.groups()];
        for (unit, group) in self.units.iter().enumerate() {
            known[*group] += usize::from(!self.cells_of(unit).is_empty());
        }
        known.into_iter().any(|units| units > 1)
    }

    /// Whether units of a group were weighed on one day, so that a day can be separated from a
    /// unit's own occasion.
    pub(super) fn has_days(&self) -> bool {
        let mut days: Vec<(usize, usize)> = Vec::new();
        days.extend(
            self.cells
                .iter()
                .map(|cell| (self.group_of(cell), cell.day)),
        );
        days.sort_unstable();
        let shared = days.windows(2).filter(|pair| pair[0] == pair[1]).count();
        shared > 1
    }

    /// Birds weighed, ringed ones once.
    #[must_use]
    pub fn birds(&self) -> f64 {
        let of = |part: &Part| match part {
            Part::Sample { n, .. } | Part::Bulk { n, .. } => *n,
            Part::Bird { .. } => 1.0,
        };
        self.parts.iter().map(of).sum()
    }
}
