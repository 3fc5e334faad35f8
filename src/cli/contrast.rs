//! `contrast`: do strains differ, in what, and from which age?

use clap::{Args, ValueEnum};
use std::collections::HashMap;

use super::options::{Common, FitOptions, Input, LevelName, VarianceName};
use super::output::Output;
use crate::contrast::allometry::Allometry;
use crate::contrast::fat_share::FatShare;
use crate::contrast::{self, Adjust, Comparison, Groups, Request, Source, allometry, fat_share};
use crate::error::{Error, Result};
use crate::fit::mixed::{Correlation, Covariance, Estimator, Nodes};
use crate::report::growth_tables::{self, Wanted};
use crate::report::{Table, contrast_tables, contrast_words};
use crate::study::{BODY_WEIGHT, FixedEffectOf, Records, Study};
use crate::trajectory::interval::{Intervals, Method};
use crate::trajectory::{self, PopulationRequest, RandomTerms, TraitModel, Trajectories};

/// Compare strains (or treatments, or pens) in terms, derived quantities and whole curves.
#[derive(Debug, Args)]
#[command(after_help = "Examples:
  pinfeather contrast data-demo --curve gompertz --adjust tukey
  pinfeather contrast weights.csv --bird Chick --age Time --value weight --group Diet \\
      --curve logistic --level strain --out results
  pinfeather contrast data-demo --by treatment --terms ti,age_at_50pct --level population")]
pub(crate) struct ContrastArgs {
    #[command(flatten)]
    input: Input,
    #[command(flatten)]
    options: ContrastOptions,
}

/// What is compared, and how.
#[derive(Debug, Args)]
#[command(next_help_heading = "Contrast")]
struct ContrastOptions {
    /// Curves to compare the groups by [default: the study's, or gompertz, logistic, richards]
    #[arg(long, value_name = "NAME[,NAME]", value_delimiter = ',')]
    curve: Vec<String>,
    /// Folder of curve cards to add to the built-in curves
    #[arg(long, value_name = "DIR")]
    cards: Option<std::path::PathBuf>,
    /// What sets the birds apart
    #[arg(long, value_enum, default_value = "strain")]
    by: ByName,
    /// Terms and derived quantities to compare [default: all]
    #[arg(long, value_name = "NAME[,NAME]", value_delimiter = ',')]
    terms: Vec<String>,
    /// Pooled fits of each group, or the model of all birds
    #[arg(long, value_enum, default_value = "population")]
    level: ContrastLevel,
    /// How p values are adjusted for the number of comparisons
    #[arg(long, value_enum, default_value = "max-t")]
    adjust: AdjustName,
    /// How the spread of the residuals depends on the fitted value [default: chosen by likelihood,
    /// constant at strain level]
    #[arg(long, value_enum)]
    variance: Option<VarianceName>,
    /// Terms with a random effect by bird [default: chosen by likelihood]
    #[arg(long, value_name = "TERM[,TERM]", value_delimiter = ',')]
    random: Vec<String>,
    /// Covariance of the random effects [default: chosen by likelihood]
    #[arg(long, value_enum)]
    covariance: Option<CovarianceName>,
    /// How the likelihood of the mixed fit is maximised
    #[arg(long, value_enum, default_value = "alternating")]
    estimator: EstimatorName,
    /// Confidence of intervals and bands
    #[arg(long, value_name = "SHARE", default_value = "0.95")]
    confidence: f64,
    /// Weight at hatch in g for the anchored curves [default: each bird's weighing at age 0]
    #[arg(long, value_name = "GRAMS")]
    hatch_weight: Option<f64>,
    /// Ages at which value, rate and relative rate are compared
    #[arg(long, value_name = "DAYS[,DAYS]", value_delimiter = ',')]
    at_age: Vec<f64>,
    /// Masses whose age is compared
    #[arg(long, value_name = "GRAMS[,GRAMS]", value_delimiter = ',')]
    at_weight: Vec<f64>,
    /// Trait that the others are told by in the allometry [default: body_weight]; of a bare
    /// table the column that holds it
    #[arg(long, value_name = "TRAIT|COLUMN")]
    on: Option<String>,
    /// How the intervals of the differences are found
    #[arg(long, value_enum, default_value = "wald")]
    intervals: IntervalKind,
    /// Refits with birds drawn again, a curve, for --intervals bootstrap
    #[arg(long, value_name = "N", default_value_t = 1000)]
    replicates: usize,
    /// Seed of everything drawn at random
    #[arg(long, value_name = "N", default_value_t = 1)]
    seed: u64,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum ByName {
    Strain,
    Treatment,
    Pen,
}

#[derive(Debug, Clone, Copy, ValueEnum)]
enum ContrastLevel {
    Strain,
    Population,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum IntervalKind {
    /// Standard errors and Student's t
    Wald,
    /// Birds drawn with replacement within each group
    Bootstrap,
}

#[derive(Debug, Clone, Copy, ValueEnum)]
enum AdjustName {
    /// By the greatest t of all terms of a trait and all pairs
    MaxT,
    /// Holm's method, within a term
    Holm,
    /// Tukey's method, within a term
    Tukey,
    /// Not at all
    None,
}

#[derive(Debug, Clone, Copy, ValueEnum)]
enum CovarianceName {
    Diagonal,
    Full,
}

#[derive(Debug, Clone, Copy, ValueEnum)]
enum EstimatorName {
    Alternating,
    Laplace,
    Quadrature,
}

/// Fewest replicates that percentiles of an interval are read from.
const FEWEST_REPLICATES: usize = 100;

impl ContrastOptions {
    /// The same wishes as `fit` has them, at strain level.
    #[allow(
        clippy::needless_update,
        reason = "what `fit` is asked beyond this keeps its default"
    )]
    fn fit_options(&self) -> FitOptions {
        FitOptions {
            curve: self.curve.clone(),
            cards: self.cards.clone(),
            level: vec![LevelName::Strain],
            variance: self.variance,
            confidence: self.confidence,
            hatch_weight: self.hatch_weight,
            at_age: self.at_age.clone(),
            at_weight: self.at_weight.clone(),
            ..FitOptions::default()
        }
    }

    fn request(&self, study: &Study, fit: &FitOptions) -> Result<Request> {
        if self.intervals == IntervalKind::Bootstrap && self.replicates < FEWEST_REPLICATES {
            return Err(Error::call(format!(
                "--replicates {}: expected at least {FEWEST_REPLICATES}, since an interval is read from their percentiles",
                self.replicates
            )));
        }
        Ok(Request {
            curves: fit.curves(study)?,
            by: match self.by {
                ByName::Strain => vec![FixedEffectOf::Strain],
                ByName::Treatment => vec![FixedEffectOf::Treatment],
                ByName::Pen => vec![FixedEffectOf::Pen],
            },
            source: match self.level {
                ContrastLevel::Strain => Source::Pooled,
                ContrastLevel::Population => Source::Mixed,
            },
            terms: self.terms.clone(),
            adjust: match self.adjust {
                AdjustName::MaxT => Adjust::MaxT,
                AdjustName::Holm => Adjust::Holm,
                AdjustName::Tukey => Adjust::Tukey,
                AdjustName::None => Adjust::None,
            },
            replicates: match self.intervals {
                IntervalKind::Wald => 0,
                IntervalKind::Bootstrap => self.replicates,
            },
            seed: self.seed,
            ..usual_request(study, fit)?
        })
    }

    /// The models of the traits, with fixed effects of the groups compared.
    fn models(
        &self,
        study: &Study,
        request: &Request,
        done: &(dyn Fn(usize) + Sync),
    ) -> Result<Vec<TraitModel>> {
        if request.source == Source::Pooled {
            return Ok(Vec::new());
        }
        let wanted = PopulationRequest {
            random: match self.random.as_slice() {
                [] => RandomTerms::Chosen,
                names => RandomTerms::Named(names.to_vec()),
            },
            covariance: self.covariance.map(|covariance| match covariance {
                CovarianceName::Diagonal => Covariance::Diagonal,
                CovarianceName::Full => Covariance::Full,
            }),
            variance: self.variance.map(Into::into),
            estimator: match self.estimator {
                EstimatorName::Alternating => Estimator::Alternating,
                EstimatorName::Laplace => Estimator::Laplace,
                EstimatorName::Quadrature => Estimator::Quadrature {
                    nodes: Nodes::Converged,
                },
            },
            ..PopulationRequest::chosen(request.by.clone())
        };
        let fits = trajectory::Request {
            curves: request.curves.clone(),
            birds: false,
            strains: false,
            population: Some(wanted),
            settings: request.settings.clone(),
            correlation: Correlation::None,
            hatch_weight_g: request.hatch_weight_g,
        };
        trajectory::check(&fits)?;
        Ok(Trajectories::fit(study, &fits, done).models)
    }

    /// The trait that allometry is told by; `None` where the study has one trait.
    fn on(&self, study: &Study) -> Result<Option<usize>> {
        let find = |name: &str| study.traits.iter().position(|records| records.name == name);
        match &self.on {
            Some(name) => match find(name) {
                Some(index) => Ok(Some(index)),
                None => {
                    let known: Vec<&str> = study
                        .traits
                        .iter()
                        .map(|records| records.name.as_str())
                        .collect();
                    Err(Error::call(format!(
                        "--on {name}: no such trait, expected one of {}; correct the name",
                        known.join(", ")
                    )))
                }
            },
            None => Ok((study.traits.len() > 1).then(|| find(BODY_WEIGHT).unwrap_or(0))),
        }
    }
}

/// Compares the groups of the traits' models where the whole study is run, with the usual
/// adjustment; nothing where there is one group.
pub(crate) fn add_usual(
    study: &Study,
    trajectories: &Trajectories,
    fit: &FitOptions,
    output: &mut Output,
) -> Result<Option<Comparison>> {
    let by = fit.population.groups(study)?;
    if Groups::of(study, &by).names.len() < 2 {
        return Ok(None);
    }
    let request = Request {
        by,
        ..usual_request(study, fit)?
    };
    let comparison = if trajectories.models.is_empty() {
        // Without models of all birds, each trait by the strains' best curve.
        let pooled = Request {
            curves: trajectories.curves.clone(),
            source: Source::Pooled,
            ..request
        };
        let mut comparison = contrast::compare(study, &[], &pooled, &|_| {})?;
        comparison.compared.retain(|one| {
            let best = trajectories.best_of_strains(one.trait_index);
            best.is_some_and(|best| best.name() == one.curve)
        });
        comparison
    } else {
        contrast::compare(study, &trajectories.models, &request, &|_| {})?
    };
    tell(study, &comparison, (&[], &[]), output);
    Ok(Some(comparison))
}

/// Says how the groups differ, with the tables that show it.
fn tell(
    study: &Study,
    comparison: &Comparison,
    (allometries, shares): (&[Allometry], &[FatShare]),
    output: &mut Output,
) {
    output.words.push("Do they differ?".to_owned());
    output
        .words
        .extend(contrast_words::differences(study, comparison));
    output.words.extend(contrast_words::allometries(
        study,
        &comparison.groups,
        allometries,
    ));
    output.warnings.extend(contrast_words::warnings(
        study,
        comparison,
        allometries,
        shares,
    ));
    output.tables.extend([
        contrast_tables::contrasts(study, comparison),
        contrast_tables::curve_tests(study, comparison, allometries),
        contrast_tables::difference_by_age(study, comparison),
    ]);
}

/// What `contrast` is asked where only the fits are chosen.
fn usual_request(study: &Study, fit: &FitOptions) -> Result<Request> {
    let fits = fit.request(study)?;
    Ok(Request {
        curves: Vec::new(),
        by: vec![FixedEffectOf::Strain],
        source: Source::Mixed,
        terms: Vec::new(),
        adjust: Adjust::default(),
        confidence: fit.confidence,
        ages_d: fit.ages_d(study),
        masses_g: fit.weights_g(study),
        settings: fits.settings,
        hatch_weight_g: fits.hatch_weight_g,
        replicates: 0,
        seed: fit.seed,
    })
}

/// The strains' curves ranked, with their errors in what they have not seen.
fn curve_choice(
    study: &Study,
    options: &FitOptions,
    request: &Request,
    output: &mut Output,
) -> Result<Table> {
    let fits = options.request(study)?;
    let strains = study.strains.len() * study.traits.len();
    let bar = output.progress(strains, "cross-validating");
    let trajectories = Trajectories::fit(study, &fits, &|_| {});
    let validation = trajectories.validate(study, &fits, &|done| bar.inc(done as u64));
    bar.finish_and_clear();
    let wanted = Wanted {
        confidence: request.confidence,
        ages_d: request.ages_d.clone(),
        weights_g: request.masses_g.clone(),
        population: false,
        method: Method::Wald,
        intervals: Intervals::default(),
        validation,
        seed: request.seed,
    };
    Ok(growth_tables::curve_choice(
        study,
        &trajectories.subjects,
        &wanted,
    ))
}

/// Adds the first trait of another reading of the same table, bird by bird.
fn add_trait(study: &mut Study, other: Study) {
    let Some(from) = other.traits.into_iter().next() else {
        return;
    };
    if study.traits.iter().any(|records| records.name == from.name) {
        return;
    }
    let places: HashMap<&str, usize> = other
        .birds
        .iter()
        .enumerate()
        .map(|(place, bird)| (bird.name.as_str(), place))
        .collect();
    let mut records = Records {
        starts: vec![0],
        ages_d: Vec::new(),
        values: Vec::new(),
        rows: Vec::new(),
        ..from.clone()
    };
    for bird in &study.birds {
        if let Some(place) = places.get(bird.name.as_str()) {
            let range = from.starts[*place]..from.starts[place + 1];
            records
                .ages_d
                .extend_from_slice(&from.ages_d[range.clone()]);
            records
                .values
                .extend_from_slice(&from.values[range.clone()]);
            records.rows.extend_from_slice(&from.rows[range]);
        }
        records.starts.push(records.values.len());
    }
    study.traits.push(records);
}

pub(crate) fn run(args: &ContrastArgs, common: &Common) -> Result<u8> {
    let mut output = Output::new("contrast", common);
    output.seed = args.options.seed;
    let method = match args.options.intervals {
        IntervalKind::Wald => "wald",
        IntervalKind::Bootstrap => "bootstrap",
    };
    output
        .methods
        .insert("intervals".to_owned(), method.to_owned());
    let mut study = output.read(&args.input)?;
    output.enter_cards(args.options.cards.as_deref())?;
    if let Some(column) = &args.options.on
        && !args.input.path.is_dir()
    {
        add_trait(&mut study, args.input.read_column(column)?);
    }
    let options = args.options.fit_options();
    let request = args.options.request(&study, &options)?;
    let on = args.options.on(&study)?;
    let traits = study.traits.len();
    let curves = match request.source {
        Source::Mixed => 1,
        Source::Pooled => request.curves.len(),
    };
    let bar = output.progress(
        traits * (1 + curves * (1 + request.replicates)),
        "comparing",
    );
    let done = |done| bar.inc(done as u64);
    let models = args.options.models(&study, &request, &done)?;
    let comparison = contrast::compare(&study, &models, &request, &done)?;
    bar.finish_and_clear();
    let allometries = match on {
        Some(on) => allometry::allometries(&study, &comparison.groups, on, request.confidence)?,
        None => Vec::new(),
    };
    let shares = fat_share::fat_shares(&study, &comparison.groups, &request);
    if args.options.by == ByName::Strain {
        let choice = curve_choice(&study, &options, &request, &mut output)?;
        output.tables.push(choice);
    }
    tell(&study, &comparison, (&allometries, &shares), &mut output);
    if !allometries.is_empty() {
        output.tables.push(contrast_tables::allometry(
            &study,
            &comparison.groups,
            &allometries,
        ));
    }
    if !shares.is_empty() {
        output.tables.push(contrast_tables::fat_share(
            &study,
            &comparison.groups,
            &shares,
        ));
    }
    output.finish()
}
