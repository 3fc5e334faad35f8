//! From scans to masses: how well the scanner repeats itself, the equations, the corrected
//! masses as traits of the study.

use std::collections::{BTreeMap, BTreeSet};

use super::options::{Options, ScanOptions};
use crate::composition::Equation;
use crate::composition::correction::{AllowedStrains, Corrections};
use crate::composition::egg::EggOffset;
use crate::composition::phantom::{self, Phantom};
use crate::composition::quality::{self, Kept, RegionRow};
use crate::composition::repeatability::{self, Repeatability};
use crate::composition::series::records;
use crate::composition::study_equations::{self, StudyEquations};
use crate::composition::study_masses::{self, StudyMasses};
use crate::error::{Error, Result};
use crate::study::{Study, Way};
use crate::trajectory::derived_quantities;
use crate::trajectory::redraw::{RedrawRequest, ShareRow, shares};
use crate::trajectory::{TraitModel, Trajectories};

/// What the scans of a study gave, as far as it has them.
#[derive(Debug, Clone, Default)]
pub struct Scans {
    /// Scans that count, and those that the study's rules reject.
    pub kept: Kept,
    /// How well the scanner repeats itself, or why that is not known; `None` without repeats.
    pub precision: Option<std::result::Result<Repeatability, String>>,
    /// Sums of the body's regions against the whole.
    pub regions: Vec<RegionRow>,
    /// The equations that the study's own chemistry gave.
    pub equations: Option<StudyEquations>,
    /// The corrected masses; `None` where there are no equations.
    pub masses: Option<StudyMasses>,
    /// The control charts of the scanner's phantom; `None` without a log of it.
    pub phantom: Option<Phantom>,
}

impl Scans {
    /// All results of the scans of a study; empty where it has none.
    ///
    /// Equations that are named go before those that the study's chemistry gives.
    ///
    /// # Errors
    /// Equations named for a study without scans; strains, restraints or ways of scanning that
    /// the equations do not know; chemistry from which no equation follows.
    pub fn of(study: &Study, options: &Options) -> Result<Self> {
        let wanted = &options.scans;
        if study.scans.rows.is_empty() {
            if wanted.equations.is_empty() {
                return Ok(Self {
                    phantom: phantom::of_study(study),
                    ..Self::default()
                });
            }
            return Err(Error::call(
                "--equation: found for a study without scans, expected a table of readings; write scans = \"FILE\" under [tables]",
            ));
        }
        let mut scans = Self {
            precision: study
                .scans
                .has_repeats()
                .then(|| precision(study, options.confidence).map_err(|error| error.to_string())),
            ..Self::rules(study)
        };
        let allowed = wanted.allowed(study);
        let own: Vec<Equation>;
        let equations = if !wanted.equations.is_empty() {
            &wanted.equations
        } else if study.chemistry.rows.is_empty() {
            &wanted.saved_with_study
        } else {
            let request = wanted.equations_by(study, options.confidence)?;
            let found = study_equations::of_study(study, &scans.kept, &request)?;
            let chosen = found.calibrations();
            own = chosen.iter().map(|one| one.equation.clone()).collect();
            scans.equations = Some(found);
            &own
        };
        if !equations.is_empty() {
            let masses = study_masses::of_study(study, &scans.kept, equations, &allowed)?;
            scans.masses = Some(masses);
        }
        Ok(scans)
    }

    /// The masses of a study's scans by these equations alone, with the study as its
    /// allowances change it.
    ///
    /// # Errors
    /// As [`Scans::of`].
    pub fn corrected(mut study: Study, wanted: &ScanOptions) -> Result<(Study, Self)> {
        wanted.allow_ways(&mut study)?;
        let mut scans = Self::rules(&study);
        let (kept, allowed) = (&scans.kept, wanted.allowed(&study));
        let masses = study_masses::of_study(&study, kept, &wanted.equations, &allowed)?;
        scans.masses = Some(masses);
        Ok((study, scans))
    }

    /// Which scans count, by the study's rules, and whether the regions add up.
    #[must_use]
    pub fn rules(study: &Study) -> Self {
        Self {
            kept: quality::keep(study),
            regions: quality::regions(study),
            phantom: phantom::of_study(study),
            ..Self::default()
        }
    }

    /// Enters the corrected masses in grams as traits beside body weight; a percentage is
    /// derived from them.
    pub(super) fn enter(&self, study: &mut Study) {
        for corrections in self.in_grams() {
            let values: Vec<f64> = corrections.rows.iter().map(|row| row.corrected).collect();
            study.traits.push(records(study, corrections, &values));
        }
    }

    /// Takes eggs in the body off the corrected masses where the model of the trait estimates what
    /// one adds.
    pub(super) fn take_off_eggs(&mut self, study: &Study, models: &[TraitModel]) {
        let Some(masses) = &mut self.masses else {
            return;
        };
        let fits = models.iter().filter_map(TraitModel::allometry);
        let offsets: BTreeMap<&str, std::result::Result<EggOffset, String>> = fits
            .map(|fit| {
                let weight_g = fit.egg_weight.map(|egg| egg.value_g);
                let offset = fit.egg_offset.clone().map(|egg| EggOffset {
                    value_g: egg.value_g,
                    variance_g2: egg.variance_g2,
                    shared: egg.shared,
                    between_birds_g2: egg.between_birds_g2,
                    df: egg.df,
                    scans: egg.scans,
                    weight_g,
                });
                (fit.trait_name.as_str(), offset)
            })
            .collect();
        if masses
            .corrections
            .iter()
            .any(|one| !one.with_egg.is_empty())
        {
            masses.take_off_eggs(study, &self.kept, &offsets);
        }
    }

    pub(super) fn in_grams(&self) -> impl Iterator<Item = &Corrections> {
        let all = self.masses.iter().flat_map(|masses| &masses.corrections);
        all.filter(|corrections| corrections.equation.provenance.unit == "g")
    }

    /// How much of the curves' uncertainty the equations' own is, by this number of redraws of their
    /// coefficients.
    pub(super) fn shares(
        &self,
        study: &Study,
        trajectories: &Trajectories,
        options: &Options,
    ) -> Result<Vec<ShareRow>> {
        let redraws = options.growth.redraws;
        if redraws == 0 {
            return Ok(Vec::new());
        }
        if self.masses.is_none() {
            return Err(Error::call(
                "--calibration-draws: found without corrected scans, expected a study with scans and equations; name them by --equation",
            ));
        }
        let traits: Vec<&Corrections> = self.in_grams().collect();
        let redrawn = |replicate: u64| {
            let of_trait = |(place, corrections): (usize, &&Corrections)| {
                // A separate stream for each trait, so that no two get the same draws.
                let stream = replicate * traits.len() as u64 + place as u64;
                let values = corrections.redraw(options.seed, stream)?;
                Ok(records(study, corrections, &values))
            };
            let all = traits.iter().enumerate().map(of_trait);
            all.collect::<Result<Vec<_>>>()
        };
        let wanted = RedrawRequest {
            redraws,
            derived: derived_quantities(&options.ages_d, &options.masses_g),
            confidence: options.confidence,
        };
        let progress = &options.progress;
        progress.begin("redrawing", usize::try_from(redraws).unwrap_or(usize::MAX));
        let request = &options.growth.request;
        let rows = shares(study, trajectories, request, &wanted, &redrawn, &|| {
            progress.advance(1);
        });
        progress.end();
        rows
    }
}

/// How well the scanner repeats itself.
///
/// # Errors
/// No bird was scanned twice at one age.
pub fn precision(study: &Study, confidence: f64) -> Result<Repeatability> {
    repeatability::of_study(study, &quality::keep(study), confidence)
}

impl ScanOptions {
    /// Allows the ways of scanning that are requested beside those of the study.
    ///
    /// # Errors
    /// [`ErrorKind::Call`](crate::ErrorKind::Call) for a way that no scan was made in.
    pub(super) fn allow_ways(&self, study: &mut Study) -> Result<()> {
        let allowed = &mut study.settings.calibration.allowed_ways;
        allowed.extend(self.allowed_ways.iter().cloned());
        let scans = study.scans.rows.iter();
        let ways: BTreeSet<String> = scans.map(|scan| Way::of(scan).label()).collect();
        let wrong = allowed.iter().find(|way| !ways.contains(*way));
        match wrong.filter(|_| !study.scans.rows.is_empty()) {
            Some(way) => Err(Error::call(format!(
                "--allow-way or calibration.allowed_ways: found \"{way}\", expected a way of the study's scans ({}); correct the name",
                ways.into_iter().collect::<Vec<_>>().join("; ")
            ))),
            None => Ok(()),
        }
    }

    /// Strains allowed by the study or beside it.
    pub(super) fn allowed(&self, study: &Study) -> AllowedStrains {
        let mut allowed = study.settings.calibration.allowed_strains.clone();
        let further = self.allowed_strains.iter();
        allowed.extend(further.map(|(strain, known)| (strain.clone(), known.clone())));
        allowed
    }

    /// How equations are chosen.
    fn equations_by(&self, study: &Study, confidence: f64) -> Result<study_equations::Request> {
        match &self.equations_by {
            Some(request) => Ok(request.clone()),
            None => {
                let mut request = study_equations::Request::of(study)?;
                request.settings.confidence = confidence;
                Ok(request)
            }
        }
    }
}
