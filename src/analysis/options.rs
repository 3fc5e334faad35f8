//! The options of an analysis: which steps, by which methods.

use std::fmt;
use std::sync::Arc;

use crate::composition::Equation;
use crate::composition::correction::AllowedStrains;
use crate::composition::study_equations;
use crate::contrast::{self, Adjust, Groups, Source};
use crate::error::Result;
use crate::fit::Settings;
use crate::fit::mixed::Correlation;
use crate::growth::{self, Curve};
use crate::maturity::CueError;
use crate::study::{AgeMatching, FixedEffectOf, Study};
use crate::trajectory::interval::Method;
use crate::trajectory::{self, BirdPopulation, PopulationRequest};

/// Which steps an analysis takes, and how: [`Options::of`] gives those of the whole study, the
/// fields change them.
#[derive(Debug, Clone)]
#[non_exhaustive]
pub struct Options {
    /// Age as of which everything is answered, from what was known then, d; `None`: from all
    /// that is known. Equations are a property of the scanner, and use all the chemistry.
    pub as_of_d: Option<f64>,
    /// Confidence of the intervals, between 0 and 1.
    pub confidence: f64,
    /// Seed of everything drawn at random.
    pub seed: u64,
    /// Ages at which masses and gains are answered, d, ascending.
    pub ages_d: Vec<f64>,
    /// Masses whose ages are answered, g.
    pub masses_g: Vec<f64>,
    /// How scans become masses.
    pub scans: ScanOptions,
    /// What is fitted.
    pub growth: GrowthOptions,
    /// How groups are compared; `None`: they are not.
    pub comparison: Option<ComparisonOptions>,
    /// How the flock is compared with its target; `None`: it is not.
    pub flock: Option<FlockOptions>,
    /// How the onset of lay is analysed; `None`: it is not.
    pub lay: Option<LayOptions>,
    /// Who follows how far the long steps have come.
    pub progress: Arc<dyn Progress>,
}

/// Follows how far the long steps have come.
pub trait Progress: fmt::Debug + Send + Sync {
    /// A step of this many parts begins.
    fn begin(&self, what: &'static str, parts: usize);
    /// More parts are done, as many as given; called from any thread.
    fn advance(&self, parts: usize);
    /// The step has ended.
    fn end(&self);
}

/// Follows nothing.
#[derive(Debug, Clone, Copy)]
pub struct Unfollowed;

impl Progress for Unfollowed {
    fn begin(&self, _: &'static str, _: usize) {}
    fn advance(&self, _: usize) {}
    fn end(&self) {}
}

/// How scans become masses.
#[derive(Debug, Clone, Default)]
#[non_exhaustive]
pub struct ScanOptions {
    /// Equations to correct by; where there are none, those that the study's own chemistry
    /// gives.
    pub equations: Vec<Equation>,
    /// Equations for a study without chemistry and without others named.
    pub saved_with_study: Vec<Equation>,
    /// Strains that the equations do not know, and which of theirs each is taken for, beside
    /// those that the study allows.
    pub allowed_strains: AllowedStrains,
    /// Ways of scanning to be corrected though the equations do not cover them, beside those
    /// that the study allows.
    pub allowed_ways: Vec<String>,
    /// How equations are chosen; `None`: by the study's settings.
    pub equations_by: Option<study_equations::Request>,
}

/// Which models are fitted, and what is estimated from them; made by [`GrowthOptions::of`].
#[derive(Debug, Clone)]
#[non_exhaustive]
pub struct GrowthOptions {
    /// Curves and levels; the models of all birds are those of its population.
    pub request: trajectory::Request,
    /// How the intervals of terms and derived quantities are found.
    pub intervals: Method,
    /// Whether birds and last weeks are hidden and predicted by each strain's curves.
    pub cross_validate: bool,
    /// Whether the profiles of the strains' terms are requested, for a figure.
    pub profiles: bool,
    /// How often the equations' coefficients are redrawn and everything is refitted, to
    /// see how much of the curves' uncertainty is theirs.
    pub redraws: u64,
    /// Studies simulated without a second phase to test it against; `None`: no test.
    pub second_phase_studies: Option<usize>,
}

/// How groups are compared; made by [`ComparisonOptions::of`].
#[derive(Debug, Clone)]
#[non_exhaustive]
pub struct ComparisonOptions {
    /// What sets the groups apart.
    pub by: Vec<FixedEffectOf>,
    /// Fits that are compared.
    pub source: Source,
    /// Terms and derived quantities compared; all where empty.
    pub terms: Vec<String>,
    /// How P values are adjusted for the number of pairs.
    pub adjust: Adjust,
    /// Refits with birds drawn again; 0 for none.
    pub replicates: usize,
    /// Trait that the others are set against in static allometry; `None`: body weight, or
    /// else the first.
    pub allometry_on: Option<String>,
    /// Whether a study with one group is an error, not one without a comparison.
    pub needs_groups: bool,
    /// Whether static allometry and fat as a share of body weight, by pooled curves, are
    /// requested.
    pub proportions: bool,
}

/// How the flock is compared with its target, and forecast; made by `default`.
#[derive(Debug, Clone)]
#[non_exhaustive]
pub struct FlockOptions {
    /// Age by which the birds are to be back on target, d.
    pub back_by_d: Option<f64>,
    /// How weighings of about one age are put together.
    pub matching: AgeMatching,
    /// Half width of the range that counts as uniform, percent of the mean.
    pub within_pct: f64,
    /// Ages to be forecast, d, ascending; none for the usual.
    pub ages_d: Vec<f64>,
    /// Ages that the study names and that are forecast besides the target's, d.
    pub named_ages_d: Vec<f64>,
    /// Which traits are forecast.
    pub forecast: Forecasting,
    /// Population of an earlier flock to judge the birds by; `None`: this flock's own.
    pub population: Option<BirdPopulation>,
    /// Populations of earlier flocks, among which this one is placed.
    pub earlier: Vec<BirdPopulation>,
    /// Probability that a bird that keeps to its course is reported as a departure.
    pub false_alarms: f64,
}

impl Default for FlockOptions {
    /// Forecasts of all traits at the usual ages by this flock's own models; birds within 10 %
    /// of the mean count as uniform; one false alarm in a hundred birds.
    fn default() -> Self {
        Self {
            back_by_d: None,
            matching: AgeMatching::default(),
            within_pct: 10.0,
            ages_d: Vec::new(),
            named_ages_d: Vec::new(),
            forecast: Forecasting::All,
            population: None,
            earlier: Vec::new(),
            false_alarms: 0.01,
        }
    }
}

/// Which traits are forecast.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Forecasting {
    /// None.
    Nothing,
    /// All that the study has.
    All,
}

/// How the onset of lay is analysed.
#[derive(Debug, Clone, Default)]
#[non_exhaustive]
pub struct LayOptions {
    /// Landmark age, d; `None`: light stimulation, or the day before
    /// the first egg.
    pub landmark_d: Option<f64>,
    /// Cues that the models take; all where empty.
    pub cues: Vec<String>,
    /// How the cues' own errors are taken.
    pub cue_error: CueError,
    /// Population of an earlier flock, by whose growth and first eggs those of this one are
    /// forecast; `None`: by this flock's own.
    pub population: Option<BirdPopulation>,
}

/// Curves where a study names none: the three that most published comparisons of poultry
/// growth begin with. Unnamed birds also get the curve with a pre-lay growth spurt: the model of
/// their samples has random effects of days, which would take up what a curve without it misses.
#[must_use]
pub fn usual_curves(study: &Study) -> Vec<&'static str> {
    let mut curves = vec!["gompertz", "logistic", "richards"];
    if !study.samples.is_empty() {
        curves.push("two-phase-gompertz");
    }
    curves
}

impl Options {
    /// All steps, as the study's settings ask for them.
    ///
    /// # Errors
    /// A curve that does not exist, or fixed effects of what the tables do not have.
    pub fn of(study: &Study) -> Result<Self> {
        let settings = &study.settings;
        let named = &settings.fit.curves;
        let mut curves: Vec<Arc<dyn Curve>> = Vec::new();
        let usual = || usual_curves(study).into_iter().map(str::to_owned).collect();
        let names: Vec<String> = if named.is_empty() {
            usual()
        } else {
            named.clone()
        };
        for name in &names {
            curves.push(growth::find(name, &[])?);
        }
        let by = settings.fit.fixed_effects_by.clone();
        let by = by.unwrap_or_else(|| vec![FixedEffectOf::Strain]);
        let mut ages_d: Vec<f64> = settings.ages.values().copied().collect();
        ages_d.sort_by(f64::total_cmp);
        let back_by_d = settings.target.back_on_target_by_d;
        Ok(Self {
            as_of_d: None,
            confidence: 0.95,
            seed: 1,
            ages_d,
            masses_g: settings.cues.thresholds_g.clone(),
            scans: ScanOptions::default(),
            growth: GrowthOptions::of(trajectory::Request {
                curves,
                birds: true,
                strains: true,
                population: Some(PopulationRequest::chosen(by.clone())),
                settings: Settings::default(),
                correlation: Correlation::None,
                hatch_weight_g: None,
            }),
            comparison: Some(ComparisonOptions::of(by)),
            flock: Some(FlockOptions {
                back_by_d,
                named_ages_d: named_ages_d(study, back_by_d),
                ..FlockOptions::default()
            }),
            lay: Some(LayOptions::default()),
            progress: Arc::new(Unfollowed),
        })
    }

    /// The comparison as its room takes it.
    pub(super) fn contrast(&self, wanted: &ComparisonOptions) -> contrast::Request {
        let fits = &self.growth.request;
        contrast::Request {
            curves: fits.curves.clone(),
            by: wanted.by.clone(),
            source: wanted.source,
            terms: wanted.terms.clone(),
            adjust: wanted.adjust,
            confidence: self.confidence,
            ages_d: self.ages_d.clone(),
            masses_g: self.masses_g.clone(),
            settings: fits.settings.clone(),
            hatch_weight_g: fits.hatch_weight_g,
            replicates: wanted.replicates,
            seed: self.seed,
        }
    }
}

impl GrowthOptions {
    /// These fits, Wald intervals, and nothing further.
    #[must_use]
    pub fn of(request: trajectory::Request) -> Self {
        Self {
            request,
            intervals: Method::Wald,
            cross_validate: false,
            profiles: true,
            redraws: 0,
            second_phase_studies: None,
        }
    }
}

impl ComparisonOptions {
    /// The usual comparison of these groups by the models of the traits.
    #[must_use]
    pub fn of(by: Vec<FixedEffectOf>) -> Self {
        Self {
            by,
            source: Source::Mixed,
            terms: Vec::new(),
            adjust: Adjust::default(),
            replicates: 0,
            allometry_on: None,
            needs_groups: false,
            proportions: false,
        }
    }

    /// Whether the study has two groups to compare.
    pub(super) fn has_groups(&self, study: &Study) -> bool {
        Groups::of(study, &self.by).names.len() > 1
    }
}

/// Ages that the study names: its named ages, light stimulation among its events, and the age
/// to be back on target by, d, ascending.
#[must_use]
pub fn named_ages_d(study: &Study, back_by_d: Option<f64>) -> Vec<f64> {
    let events = study.events.iter();
    let light = events.filter(|event| event.event.to_lowercase().contains("light"));
    let named = study.settings.ages.values().copied();
    let mut ages_d: Vec<f64> = named
        .chain(light.map(|event| event.age_d))
        .chain(back_by_d)
        .collect();
    ages_d.sort_by(f64::total_cmp);
    ages_d.dedup();
    ages_d
}
