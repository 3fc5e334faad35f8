//! `contrast`: do strains differ, in what, and from which age?

use std::collections::HashMap;

use clap::{Args, ValueEnum};

use super::choices::{self, one_of};
use super::correct::EquationOptions;
use super::options::{Common, FitOptions, Input, LevelName, replicates};
use super::output::Output;
use crate::analysis::{Analysis, ComparisonOptions, Options};
use crate::contrast::{Adjust, Source};
use crate::error::Result;
use crate::fit::Variance;
use crate::fit::mixed::{Covariance, Estimator};
use crate::report::summary::Scope;
use crate::study::{FixedEffectOf, Records, Study};
use crate::trajectory::{self, PopulationRequest, RandomTerms};

/// Compare strains (or treatments, or pens) in terms, derived quantities and whole curves.
#[derive(Debug, Args)]
#[command(after_help = "Examples:
  pinfeather contrast data-demo --curve gompertz --adjust tukey
  pinfeather contrast weights.csv --bird ring --age days --value grams --group line \\
      --curve logistic --level strain --out results
  pinfeather contrast data-demo --by treatment --terms ti,age_at_50pct --level population")]
pub(crate) struct ContrastArgs {
    #[command(flatten)]
    input: Input,
    #[command(flatten)]
    options: ContrastOptions,
    #[command(flatten)]
    equations: EquationOptions,
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
    #[arg(long, value_parser = one_of(choices::GROUPINGS), default_value = "strain")]
    by: FixedEffectOf,
    /// Terms and derived quantities to compare [default: all]
    #[arg(long, value_name = "NAME[,NAME]", value_delimiter = ',')]
    terms: Vec<String>,
    /// Pooled fits of each group, or the model of all birds
    #[arg(long, value_parser = one_of(choices::SOURCES), default_value = "population")]
    level: Source,
    /// How p values are adjusted for the number of comparisons
    #[arg(long, value_parser = one_of(choices::ADJUSTMENTS), default_value = "max-t")]
    adjust: Adjust,
    /// How the spread of the residuals depends on the fitted value [default: chosen by likelihood,
    /// constant at strain level]
    #[arg(long, value_parser = one_of(choices::VARIANCES))]
    variance: Option<Variance>,
    /// Terms with a random effect by bird [default: chosen by likelihood]
    #[arg(long, value_name = "TERM[,TERM]", value_delimiter = ',')]
    random: Vec<String>,
    /// Covariance of the random effects [default: chosen by likelihood]
    #[arg(long, value_parser = one_of(choices::COVARIANCES))]
    covariance: Option<Covariance>,
    /// How the likelihood of the mixed fit is maximised
    #[arg(long, value_parser = one_of(choices::ESTIMATORS), default_value = "alternating")]
    estimator: Estimator,
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
    /// Trait that the others are compared at in the allometry [default: body_weight]; of a bare
    /// table the column that holds it
    #[arg(long, alias = "on", value_name = "TRAIT|COLUMN")]
    reference_trait: Option<String>,
    /// How the intervals of the differences are found
    #[arg(long, value_enum, default_value = "wald")]
    intervals: IntervalKind,
    /// Refits with birds drawn again, a curve, for --intervals bootstrap
    #[arg(long, value_name = "N", default_value = "1000", value_parser = replicates)]
    replicates: usize,
    /// Seed of everything drawn at random
    #[arg(long, value_name = "N", default_value_t = 1)]
    seed: u64,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum IntervalKind {
    /// Standard errors and Student's t
    Wald,
    /// Birds drawn with replacement within each group
    Bootstrap,
}

impl ContrastOptions {
    /// What is fitted: pooled strains, and the model of all birds where that is compared.
    fn growth(&self) -> Result<FitOptions> {
        Ok(FitOptions {
            curve: self.curve.clone(),
            cards: self.cards.clone(),
            level: vec![LevelName::Strain],
            variance: self.variance,
            seed: self.seed,
            confidence: self.confidence,
            hatch_weight: self.hatch_weight,
            at_age: self.at_age.clone(),
            at_weight: self.at_weight.clone(),
            ..FitOptions::default()
        })
    }

    fn by(&self) -> Vec<FixedEffectOf> {
        vec![self.by]
    }

    /// The model of all birds, with fixed effects of the groups compared.
    fn population(&self) -> PopulationRequest {
        PopulationRequest {
            random: match self.random.as_slice() {
                [] => RandomTerms::Chosen,
                names => RandomTerms::Named(names.to_vec()),
            },
            covariance: self.covariance,
            variance: self.variance,
            estimator: self.estimator,
            ..PopulationRequest::chosen(self.by())
        }
    }

    /// The analysis that compares the groups.
    fn analysis(&self, study: &Study, output: &Output) -> Result<Options> {
        let mut options = self.growth()?.analysis(study, output)?;
        let by_strain = self.by == FixedEffectOf::Strain;
        let source = self.level;
        options.growth.request.strains = by_strain;
        options.growth.cross_validate = by_strain;
        options.growth.profiles = false;
        if source == Source::Mixed {
            options.growth.request.population = Some(self.population());
        }
        trajectory::check(&options.growth.request)?;
        options.comparison = Some(ComparisonOptions {
            source,
            terms: self.terms.clone(),
            adjust: self.adjust,
            replicates: match self.intervals {
                IntervalKind::Wald => 0,
                IntervalKind::Bootstrap => self.replicates,
            },
            needs_groups: true,
            proportions: true,
            ..ComparisonOptions::of(self.by())
        });
        Ok(options)
    }
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
    let mut study = output.read(&args.input)?;
    output.enter_cards(args.options.cards.as_deref())?;
    if let Some(column) = &args.options.reference_trait
        && !args.input.path.is_dir()
    {
        add_trait(&mut study, args.input.read_column(column)?);
    }
    let mut options = args.options.analysis(&study, &output)?;
    let read = (&*args.input.path, &study);
    options.scans = args
        .equations
        .scans(read, options.confidence, &mut output)?;
    if let Some(comparison) = &mut options.comparison {
        comparison
            .allometry_on
            .clone_from(&args.options.reference_trait);
    }
    let analysis = Analysis::of_owned(study, &options)?;
    let findings = &mut output.findings;
    findings.masses_used(&analysis);
    if args.options.by == FixedEffectOf::Strain {
        findings.curve_choice(&analysis);
    }
    findings.differences(&analysis);
    findings.shifts(&analysis);
    findings.scanning(&analysis);
    findings.answers(&analysis);
    let method = match args.options.intervals {
        IntervalKind::Wald => "wald",
        IntervalKind::Bootstrap => "bootstrap",
    };
    let methods = &mut findings.methods;
    methods.insert("intervals".to_owned(), method.to_owned());
    output.seed = options.seed;
    output.summarise_own(
        Scope::Differences,
        (&analysis, &options),
        args.input.group_column(),
    );
    output.finish()
}
