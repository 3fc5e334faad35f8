//! What does a study show: its steps in order, their typed results, and one list of answers
//! that every reader of them renders.
//!
//! [`Analysis::of`] takes a study and what is request of it ([`Options`]): scans become masses,
//! masses and weights get one model each, and the models are request whether groups differ,
//! whether the flock is on target, where it goes, and when it lays. A step that is not request
//! for, or has no data, leaves no result. [`Analysis::answers`] is the list; tables, page and
//! JSON document are made from the same results, so that one question has one number.
//!
//! ```
//! use pinfeather::analysis::{Analysis, Options};
//! use pinfeather::study::Study;
//!
//! # let folder = std::env::temp_dir().join(format!("pinfeather-doc-{}", std::process::id()));
//! # std::fs::create_dir_all(&folder)?;
//! # let mut table = String::from("bird,strain,age_d,weight_g\n");
//! # for bird in 0..6 {
//! #     for week in 0..12 {
//! #         let age = 7.0 * f64::from(week);
//! #         let size = 1500.0 * (1.0 + 0.02 * f64::from(bird));
//! #         let noise = 1.0 + 0.01 * f64::from((bird * 5 + week * 3) % 7 - 3);
//! #         let grams = size * (-(-0.03 * (age - 50.0)).exp()).exp() * noise;
//! #         table += &format!("b{bird},{},{age},{grams:.1}\n", ["Alder", "Birch"][bird as usize % 2]);
//! #     }
//! # }
//! # std::fs::write(folder.join("weighings.csv"), table)?;
//! # std::fs::write(folder.join("study.toml"),
//! #     "name = \"six birds\"\n[tables]\nweighings = \"weighings.csv\"\n[fit]\ncurves = [\"gompertz\"]\n")?;
//! let study = Study::read_folder(&folder)?;
//! let analysis = Analysis::of(&study, &Options::of(&study)?)?;
//! for answer in analysis.answers() {
//!     if answer.quantity == "typical_mass" {
//!         println!("{} {:?} d: {:?} g", answer.strain, answer.age_d, answer.estimate);
//!     }
//! }
//! # assert!(analysis.answers().iter().any(|answer| answer.quantity == "typical_mass"));
//! # std::fs::remove_dir_all(folder)?;
//! # Ok::<(), Box<dyn std::error::Error>>(())
//! ```

mod answer;
mod comparison;
mod densities;
mod flock;
mod flock_answers;
mod growth;
mod growth_answers;
mod growth_to_lay;
mod lay;
mod lay_answers;
mod options;
mod pen_eggs;
mod pilot_scans;
mod platform_answers;
mod scan_answers;
mod scanning;
mod scans;
mod shift_answers;
mod validation_answers;

pub use answer::{Answer, Status};
pub use comparison::Differences;
pub use densities::{Densities, Density, NOT_CALIBRATED};
pub use flock::{Ahead, Verdict};
pub use growth::Growth;
pub use growth_to_lay::population_to_save;
pub use lay::{EarlyEgg, Lay, LayRequest, Laying, Waiting};
pub use options::{
    ComparisonOptions, FlockOptions, Forecasting, GrowthOptions, LayOptions, Options, Progress,
    ScanOptions, Unfollowed, named_ages_d, usual_curves,
};
pub use pilot_scans::{PilotScans, ScanBudget};
pub use scanning::Scanning;
pub use scans::{Scans, precision};
pub use validation_answers::validation_answers;

use crate::contrast::treatment_start::{Shifts, TreatmentStart, treatment_shifts};
use crate::error::Result;
use crate::flock::platform::{Platform, PlatformOptions};
use crate::study::Study;

/// Half width of the range that counts as uniform, percent, by default (see
/// [`flock::UniformityOptions`](crate::flock::UniformityOptions)).
const USUAL_RANGE_PCT: f64 = 10.0;

/// The results of all steps.
#[derive(Debug)]
pub struct Analysis {
    /// What was known, corrected masses among the traits.
    pub study: Study,
    /// What the scans gave.
    pub scans: Scans,
    /// The model of each trait, and the other fits.
    pub growth: Growth,
    /// The groups compared, where there are two or more.
    pub differences: Option<Differences>,
    /// Densities that the scanner reads, where it reads any.
    pub densities: Option<Densities>,
    /// What treatments that start at an age do from there on, trait by trait.
    pub shifts: Vec<Shifts>,
    /// Scanned against unscanned birds, where groups are compared.
    pub scanning: Option<Scanning>,
    /// The verdict on the flock, and where it goes.
    pub verdict: Option<Verdict>,
    /// Results of the platform scales.
    pub platform: Option<Platform>,
    /// Cues and first eggs.
    pub lay: Option<Lay>,
    /// Ages at which typical masses are answered, d, besides the last of each trait.
    pub ages_d: Vec<f64>,
    /// Confidence of the intervals.
    pub confidence: f64,
}

impl Analysis {
    /// The results of a study, step by step.
    ///
    /// # Errors
    /// What the study or the options ask for and cannot be had, in the words of its step; a
    /// fit that fails is a result.
    pub fn of(study: &Study, options: &Options) -> Result<Self> {
        Self::of_owned(study.clone(), options)
    }

    /// The same, without a copy of a large study.
    ///
    /// # Errors
    /// As [`Analysis::of`].
    pub fn of_owned(mut study: Study, options: &Options) -> Result<Self> {
        options.scans.allow_ways(&mut study)?;
        let mut scans = Scans::of(&study, options)?;
        scans.enter(&mut study);
        let mut densities = Densities::read(&study, &scans);
        if let (Some(age_d), Some(read)) = (options.as_of_d, &mut densities) {
            read.study = flock::as_of(&read.study, age_d)?;
        }
        // What came later serves as the truth of forecasts alone.
        let (known, later) = match options.as_of_d {
            Some(age_d) => (flock::as_of(&study, age_d)?, Some(study)),
            None => (study, None),
        };
        let growth = Growth::of(&known, &scans, options)?;
        scans.take_off_eggs(&known, &growth.trajectories.models);
        let differences = match &options.comparison {
            Some(wanted) if growth::has_ringed(&known) || wanted.needs_groups => {
                Differences::of(&known, &growth, (options, wanted))?
            }
            _ => None,
        };
        if let Some(densities) = &mut densities {
            densities.fit(&growth, options)?;
        }
        let shifts = shifts(&known, options);
        let scanning = options
            .comparison
            .as_ref()
            .and_then(|_| Scanning::of(&known, &growth.trajectories.models, options));
        let verdict = match &options.flock {
            Some(wanted) => Some(Verdict::of(&known, &growth, (options, wanted))?),
            None => None,
        };
        let platform = Platform::of(
            &known,
            &PlatformOptions {
                within_pct: options
                    .flock
                    .as_ref()
                    .map_or(USUAL_RANGE_PCT, |flock| flock.within_pct),
                confidence: options.confidence,
            },
        )?;
        let lay = match &options.lay {
            Some(wanted) => {
                let whole = later.as_ref().unwrap_or(&known);
                let studies = (whole, &known);
                Some(Lay::of(studies, &growth.trajectories, (options, wanted))?)
            }
            None => None,
        };
        Ok(Self {
            study: known,
            scans,
            growth,
            differences,
            densities,
            shifts,
            scanning,
            verdict,
            platform,
            lay,
            ages_d: options.ages_d.clone(),
            confidence: options.confidence,
        })
    }

    /// The answers to the questions of the study, in the order of its steps.
    #[must_use]
    pub fn answers(&self) -> Vec<Answer> {
        let mut answers = Vec::new();
        self.of_scans(&mut answers);
        self.of_growth(&mut answers);
        self.of_closure(&mut answers);
        self.of_comparison(&mut answers);
        self.of_densities(&mut answers);
        self.of_shifts(&mut answers);
        self.of_scanning(&mut answers);
        self.of_flock(&mut answers);
        self.of_platform(&mut answers);
        self.of_lay(&mut answers);
        self.at_first_egg(&mut answers);
        answers
    }
}

/// Effects of treatments from the age at which they start.
fn shifts(study: &Study, options: &Options) -> Vec<Shifts> {
    let (Some(_), Some(from_d)) = (&options.comparison, study.settings.design.treatments_from_d)
    else {
        return Vec::new();
    };
    let asked = TreatmentStart {
        from_d,
        allocated_at_d: study.settings.design.allocated_at_d,
        confidence: options.confidence,
    };
    (0..study.traits.len())
        .map(|trait_index| treatment_shifts(study, trait_index, &asked))
        .collect()
}
