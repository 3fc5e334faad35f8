//! Which scans, birds and carcasses reach a required precision for the least money?
//!
//! A design is a way of scanning (with g birds in a scan), r scans of a bird or group on each
//! occasion, n birds of each of S strains at each of k ages, and N birds more that are
//! analysed for the equation. With relative variances B between birds, of which b stays with
//! a bird at all ages, w of a scan that repeats do not average, e of each repeat, o of the
//! way's offset and q of the equation as N0 birds of the pilot gave it,
//!
//! ```text
//! strain mean:   B / n + (w + e / r) g / n + o + q N0 / (N0 + N)
//! bird's curve:  p + (c - p) / n + o + q N0 / (N0 + N), with c = B - b + w + e / r and
//!                1 / p = 1 / b + sum over ages of 1 / c
//! equation:      q N0 / (N0 + N)
//! cost:          S n k (handling) + S (n / g) k r (scan) + S n (bird) + N (analysis, bird, scan)
//! ```
//!
//! N birds are taken to be spread over strains and ages as the pilot's were. Half widths take
//! Student's t, its degrees of freedom by Satterthwaite (1946, Biometrics Bulletin 2:110).
//!
//! # Source
//! Two-stage sampling and its optimum under a linear cost, `r = sqrt(c1 / c2 * e / (B + w))`:
//! Cochran WG (1977) Sampling Techniques, 3rd ed., 10.6 (from memory). Checked against that
//! optimum and against simulated studies (`tests/reference/budget/`).

mod file;
mod search;

pub use file::BudgetFile;
pub use search::{Offer, Offers, birds_needed, least_half_widths, offers};

use super::as_number;
use super::power::factor;

/// What scans, birds and work cost, what may be spent, and what is required.
#[derive(Debug, Clone, PartialEq)]
pub struct Budget {
    /// Word for the money, such as EUR.
    pub currency: String,
    /// Price of a bird, reared.
    pub per_bird: f64,
    /// Price of the analysis of a carcass.
    pub per_analysis: f64,
    /// Price of an hour of work.
    pub per_hour: f64,
    /// Work on a carcass, minutes, its scan not counted.
    pub analysis_minutes: f64,
    /// Ways of scanning that are weighed.
    pub scans: Vec<ScanCost>,
    /// What may be spent.
    pub limits: Limits,
    /// What is required, by trait.
    pub requirements: Vec<RequiredPrecision>,
    /// Level of the intervals.
    pub level: f64,
}

/// What one way of scanning costs.
#[derive(Debug, Clone, PartialEq)]
pub struct ScanCost {
    /// How the birds are held, as the pilot names it.
    pub restraint: String,
    /// Birds in a scan.
    pub birds: usize,
    /// Work on one scan, minutes.
    pub minutes: f64,
    /// Price of one scan.
    pub price: f64,
    /// Work on one bird on one occasion, minutes: caught, held, brought back.
    pub handling_minutes: f64,
    /// Most scans of a bird or group on one occasion.
    pub most_repeats: usize,
}

impl ScanCost {
    /// Its name: `tube`, `crate of 3 birds`.
    #[must_use]
    pub fn way(&self) -> String {
        match self.birds {
            1 => self.restraint.clone(),
            birds => format!("{} of {birds} birds", self.restraint),
        }
    }
}

/// What may be spent; none where there is no limit.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Limits {
    /// Money.
    pub money: Option<f64>,
    /// Work, h.
    pub hours: Option<f64>,
    /// Birds scanned or analysed.
    pub birds: Option<usize>,
    /// Birds killed for analysis.
    pub killed: Option<usize>,
}

/// How precisely a trait is required: half widths in percent of the strain's mean mass.
#[derive(Debug, Clone, PartialEq)]
pub struct RequiredPrecision {
    /// The trait.
    pub trait_name: String,
    /// Of the mean of each strain at each age.
    pub mean_pct: Option<f64>,
    /// Of the curve of a single bird at each age.
    pub bird_pct: Option<f64>,
    /// Of what the equation adds to all scans alike, at each age.
    pub calibration_pct: Option<f64>,
}

/// What a requirement is about.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Aim {
    /// The mean of a strain at an age.
    StrainMean,
    /// The curve of a bird.
    BirdCurve,
    /// The equation.
    Calibration,
}

impl Aim {
    /// All of them.
    pub const ALL: [Self; 3] = [Self::StrainMean, Self::BirdCurve, Self::Calibration];

    /// The word in the tables.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::StrainMean => "strain mean",
            Self::BirdCurve => "bird's curve",
            Self::Calibration => "calibration",
        }
    }
}

impl RequiredPrecision {
    /// Half width required, percent.
    #[must_use]
    pub fn of(&self, aim: Aim) -> Option<f64> {
        match aim {
            Aim::StrainMean => self.mean_pct,
            Aim::BirdCurve => self.bird_pct,
            Aim::Calibration => self.calibration_pct,
        }
    }
}

/// The pilot's estimates of one trait; variances are relative, over the square of the mean.
#[derive(Debug, Clone, PartialEq)]
pub struct PilotTrait {
    /// The trait.
    pub name: String,
    /// Variance between the birds of a strain at one age.
    pub between: f64,
    /// The part of it that a bird keeps at all ages; none where the pilot does not determine it.
    pub bird: Option<f64>,
    /// Degrees of freedom of the variance between birds.
    pub birds_df: usize,
    /// Birds of the pilot's equation.
    pub equation_birds: usize,
    /// Residual degrees of freedom of it.
    pub equation_df: usize,
    /// Strains at ages, strain by strain.
    pub places: Vec<PilotPlace>,
    /// Of each way of [`Budget::scans`] its errors by age, or why they are not known.
    pub ways: Vec<Result<Vec<ScanError>, String>>,
}

/// A strain at an age.
#[derive(Debug, Clone, PartialEq)]
pub struct PilotPlace {
    /// Strain.
    pub strain: String,
    /// Age, d.
    pub age_d: f64,
    /// Mean mass, g.
    pub mass_g: f64,
    /// Variance of the mean by the pilot's equation.
    pub equation: f64,
}

/// Errors of a scan in some way at some age; of several birds those of their mean.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ScanError {
    /// Variance that repeats do not average.
    pub steady: f64,
    /// Variance between repeats; none where the pilot did not repeat scans, and
    /// then `steady` holds it too.
    pub repeat: Option<f64>,
    /// Variance that all scans of the way share.
    pub offset: f64,
}

/// A design.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ScanDesign {
    /// Place of the way in [`Budget::scans`].
    pub way: usize,
    /// Scans of a bird or group on an occasion.
    pub repeats: usize,
    /// Birds a strain, a multiple of the birds in a scan.
    pub birds: usize,
    /// Birds analysed beside those of the pilot.
    pub carcasses: usize,
}

/// What a design takes.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Cost {
    /// Birds of all strains, scanned or analysed.
    pub birds: usize,
    /// Scans, those of the carcasses with them.
    pub scans: usize,
    /// Work, h.
    pub hours: f64,
    /// Money, work with it.
    pub money: f64,
}

/// What makes up the variance of an estimate, relative.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Variance {
    /// Birds differ.
    pub birds: f64,
    /// Independent errors of scans.
    pub scans: f64,
    /// The offset of the way errs.
    pub offset: f64,
    /// The equation errs.
    pub equation: f64,
}

impl Variance {
    /// All of it.
    #[must_use]
    pub fn total(&self) -> f64 {
        self.birds + self.scans + self.offset + self.equation
    }
}

/// Strains and ages that a study is planned for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Extent {
    /// Strains.
    pub strains: usize,
    /// Ages at which each bird is scanned.
    pub ages: usize,
}

impl Budget {
    /// What a design takes. A carcass is scanned once, in the first way of single birds.
    #[must_use]
    pub fn cost(&self, design: ScanDesign, extent: Extent) -> Cost {
        let scan = &self.scans[design.way];
        let followed = design.birds * extent.strains;
        let handled = followed * extent.ages;
        let scans = handled / scan.birds * design.repeats;
        let single = self.scans.iter().find(|scan| scan.birds == 1);
        let of_carcass = single.map_or((0.0, 0.0), |scan| {
            (scan.minutes + scan.handling_minutes, scan.price)
        });
        let carcasses = as_number(design.carcasses);
        let minutes = as_number(scans) * scan.minutes
            + as_number(handled) * scan.handling_minutes
            + carcasses * (self.analysis_minutes + of_carcass.0);
        let birds = followed + design.carcasses;
        let hours = minutes / 60.0;
        Cost {
            birds,
            scans: scans + single.map_or(0, |_| design.carcasses),
            hours,
            money: as_number(birds) * self.per_bird
                + as_number(scans) * scan.price
                + carcasses * (self.per_analysis + of_carcass.1)
                + hours * self.per_hour,
        }
    }

    /// Limits that a design passes, in words.
    #[must_use]
    pub fn passed(&self, design: ScanDesign, cost: &Cost) -> Vec<&'static str> {
        let limits = &self.limits;
        let over = |found: f64, limit: Option<f64>| limit.is_some_and(|limit| found > limit);
        let count = |limit: Option<usize>| limit.map(as_number);
        let checks = [
            ("money", over(cost.money, limits.money)),
            ("hours", over(cost.hours, limits.hours)),
            ("birds", over(as_number(cost.birds), count(limits.birds))),
            (
                "killed",
                over(as_number(design.carcasses), count(limits.killed)),
            ),
        ];
        let passed = checks.into_iter().filter(|(_, passed)| *passed);
        passed.map(|(name, _)| name).collect()
    }
}

impl PilotTrait {
    /// The error of a scan in a way at a place, or why it is not known.
    fn scan(&self, design: ScanDesign, place: usize, ages: usize) -> Option<(f64, f64)> {
        let error = self.ways[design.way].as_ref().ok()?.get(place % ages)?;
        let own = match (error.repeat, design.repeats) {
            (Some(repeat), repeats) => error.steady + repeat / as_number(repeats),
            (None, 1) => error.steady,
            (None, _) => return None,
        };
        Some((own, error.offset))
    }

    /// Variance of the equation at a place with the carcasses of a design.
    fn equation(&self, design: ScanDesign, place: usize) -> f64 {
        let pilot = as_number(self.equation_birds);
        self.places[place].equation * pilot / (pilot + as_number(design.carcasses))
    }

    /// Variance of an estimate at a place; none where the pilot does not determine it.
    #[must_use]
    pub fn variance(
        &self,
        aim: Aim,
        (design, birds_in_scan): (ScanDesign, usize),
        (place, extent): (usize, Extent),
    ) -> Option<Variance> {
        let equation = self.equation(design, place);
        if aim == Aim::Calibration {
            return Some(Variance {
                equation,
                ..Variance::default()
            });
        }
        let (scan, offset) = self.scan(design, place, extent.ages)?;
        let n = as_number(design.birds);
        let mean = Variance {
            birds: self.between / n,
            scans: scan * as_number(birds_in_scan) / n,
            offset,
            equation,
        };
        if aim == Aim::StrainMean {
            return Some(mean);
        }
        // What a bird keeps is predicted from its departures from the strain's means at all
        // ages, with the prediction error variance p of Henderson; the mean at this age and
        // those departures share errors, which leaves (c - p) / n of the means.
        let bird = self.bird.filter(|bird| *bird > 0.0 && birds_in_scan == 1)?;
        let departure = (self.between - bird).max(0.0);
        let first = place - place % extent.ages;
        let mut information = 1.0 / bird;
        for other in first..first + extent.ages {
            let (own, _) = self.scan(design, other, extent.ages)?;
            information += 1.0 / (departure + own).max(f64::MIN_POSITIVE);
        }
        let error = 1.0 / information;
        Some(Variance {
            birds: departure / n,
            scans: error * (1.0 - 1.0 / n) + scan / n,
            offset,
            equation,
        })
    }

    /// Half width of the interval of an estimate at a place, percent of the mean mass.
    #[must_use]
    pub fn half_width_pct(
        &self,
        aim: Aim,
        (design, birds_in_scan): (ScanDesign, usize),
        (place, extent, level): (usize, Extent, f64),
    ) -> Option<f64> {
        let variance = self.variance(aim, (design, birds_in_scan), (place, extent))?;
        let units = design.birds / birds_in_scan;
        let own_df = as_number((extent.strains * units.saturating_sub(1)).max(1));
        let equation_df = as_number(self.equation_df + design.carcasses);
        let own = variance.birds + variance.scans;
        let shared = variance.offset + variance.equation;
        let df = variance.total().powi(2) / (own * own / own_df + shared * shared / equation_df);
        let half_width = factor(level, df) * variance.total().sqrt();
        half_width.is_finite().then_some(100.0 * half_width)
    }

    /// The greatest half width of an aim over all places, percent.
    #[must_use]
    pub fn widest_pct(
        &self,
        aim: Aim,
        (design, birds_in_scan): (ScanDesign, usize),
        (extent, level): (Extent, f64),
    ) -> Option<f64> {
        let at = |place| {
            let place = (place, extent, level);
            self.half_width_pct(aim, (design, birds_in_scan), place)
        };
        (0..self.places.len()).try_fold(0.0, |most: f64, place| Some(most.max(at(place)?)))
    }

    /// The same with the variance between birds at the upper 80 % limit of what the pilot's
    /// few birds leave possible (Browne RH 1995, Statistics in Medicine 14:1933-1940).
    #[must_use]
    pub fn careful(&self) -> Self {
        let df = as_number(self.birds_df.max(1));
        let more = df / crate::stats::distribution::chi_squared_quantile(0.2, df);
        Self {
            between: self.between * more,
            bird: self.bird.map(|bird| bird * more),
            ..self.clone()
        }
    }
}
