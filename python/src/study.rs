//! The library's steps on a study folder or a bare table: what each command of the program does.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use pinfeather::analysis::{
    Analysis, ComparisonOptions, Forecasting, LayOptions, Options, ScanOptions, Scans,
};
use pinfeather::composition::calibration::{Calibration, Settings};
use pinfeather::composition::study_equations::{Request, calibrate_best, of_study};
use pinfeather::composition::study_masses::read_equations;
use pinfeather::composition::{Equation, Formula, Frame};
use pinfeather::fit::mixed::Estimator;
use pinfeather::growth::{self, Curve};
use pinfeather::report::tables::calibration::Moved;
use pinfeather::report::tables::flock::Weigh;
use pinfeather::report::{Findings, whole_pictures};
use pinfeather::study::{Columns, FixedEffectOf, Format, Study, Values};
use pinfeather::trajectory::{self, BirdPopulation, PopulationRequest, RandomTerms};
use pyo3::prelude::*;
use pyo3::types::PyDict;
use pyo3_arrow::PyTable;

use crate::options::{
    CORRELATIONS, COVARIANCES, CRITERIA, ESTIMATORS, GROUPINGS, SCALES, VARIANCES, WEIGHTINGS,
    named,
};
use crate::{Fault, Result, on_threads, tables};

/// What a task is given beside its study; each has the meaning of the program's option.
#[derive(FromPyObject)]
#[pyo3(from_item_all)]
pub(crate) struct Asked {
    columns: Option<AskedColumns>,
    curves: Vec<String>,
    cards: Option<PathBuf>,
    confidence: f64,
    seed: u64,
    at_age: Vec<f64>,
    at_weight: Vec<f64>,
    by: Vec<String>,
    random: Option<Vec<String>>,
    random_scale: Option<String>,
    covariance: Option<String>,
    correlation: Option<String>,
    variance: Option<String>,
    estimator: Option<String>,
    criterion: Option<String>,
    as_of: Option<f64>,
    back_by: Option<f64>,
    uniformity_range: f64,
    forecast: bool,
    forecast_ages: Vec<f64>,
    population: Option<PathBuf>,
    equations: Vec<PathBuf>,
    response: Option<String>,
    terms: Vec<String>,
    bird: Option<String>,
    weighting: Option<String>,
    reconcile: bool,
    figures: bool,
    threads: Option<usize>,
}

/// Columns of a bare table.
#[derive(FromPyObject)]
#[pyo3(from_item_all)]
pub(crate) struct AskedColumns {
    bird: Option<String>,
    age: Option<String>,
    date: Option<String>,
    hatch_date: Option<String>,
    hatched_on: Option<String>,
    value: Option<String>,
    group: Option<String>,
    pen: Option<String>,
    house: Option<String>,
    trait_name: Option<String>,
    targets: Option<PathBuf>,
    onset: Option<PathBuf>,
    any_number: bool,
}

impl AskedColumns {
    fn ready(self) -> Columns {
        Columns {
            bird: self.bird,
            age: self.age,
            date: self.date,
            hatch_date: self.hatch_date,
            hatched_on: self.hatched_on,
            value: self.value,
            group: self.group,
            pen: self.pen,
            house: self.house,
            trait_name: self.trait_name,
            targets: self.targets,
            onset: self.onset,
            values: if self.any_number {
                Values::AnyNumber
            } else {
                Values::BirdMasses
            },
            ..Columns::default()
        }
    }
}

/// What a task found.
#[derive(Default)]
struct Found {
    findings: Findings,
    /// Name and SVG.
    figures: Vec<(String, String)>,
    /// Name and text of each saved equation.
    equations: Vec<(String, String)>,
}

/// Runs a task on a study and returns its tables, figures, words and warnings.
#[pyfunction]
pub(crate) fn study_task<'py>(
    py: Python<'py>,
    task: &str,
    path: PathBuf,
    mut asked: Asked,
) -> PyResult<Bound<'py, PyDict>> {
    let found = py.detach(|| {
        let threads = asked.threads;
        on_threads(threads, || run(task, &path, &mut asked))
    })?;
    let all = PyDict::new(py);
    for table in &found.findings.tables {
        let batch = tables::batch(table)?;
        let schema = batch.schema();
        let made = PyTable::try_new(vec![batch], schema)?.into_pyarrow(py)?;
        all.set_item(table.name(), made)?;
    }
    let result = PyDict::new(py);
    result.set_item("tables", all)?;
    result.set_item("figures", found.figures)?;
    result.set_item("equations", found.equations)?;
    result.set_item("words", &found.findings.words)?;
    result.set_item("warnings", &found.findings.warnings)?;
    Ok(result)
}

fn run(task: &str, path: &Path, asked: &mut Asked) -> Result<Found> {
    pinfeather::fit::interval::check_confidence(asked.confidence)?;
    let columns = asked.columns.take().map(AskedColumns::ready);
    if task == "calibrate" && asked.response.is_some() && !path.is_dir() {
        return calibrate_table(path, asked);
    }
    let study = match (&columns, path.is_dir()) {
        (_, true) => Study::read_folder(path)?,
        (Some(columns), _) if task == "correct" => Study::read_scans(path, columns)?,
        (Some(columns), _) => Study::read_table(path, columns)?,
        (None, _) => Study::read_table(path, &Columns::default())?,
    };
    let mut found = Found::default();
    let warnings = &mut found.findings.warnings;
    warnings.extend(study.warnings.iter().cloned());
    warnings.extend(study.doubts().warnings());
    match task {
        "calibrate" => calibrate(&study, asked, &mut found)?,
        "correct" => correct(study, path, asked, &mut found)?,
        _ => analyse(task, study, path, asked, &mut found)?,
    }
    Ok(found)
}

/// The options of an analysis, by the study's settings where the call is silent.
fn options(task: &str, study: &Study, path: &Path, asked: &Asked) -> Result<Options> {
    let mut options = Options::of(study)?;
    options.confidence = asked.confidence;
    options.seed = asked.seed;
    options.as_of_d = asked.as_of;
    if !asked.at_age.is_empty() {
        options.ages_d.clone_from(&asked.at_age);
    }
    if !asked.at_weight.is_empty() {
        options.masses_g.clone_from(&asked.at_weight);
    }
    let request = &mut options.growth.request;
    if !asked.curves.is_empty() {
        request.curves = curves(asked)?;
    }
    let variance = named("variance", asked.variance.as_deref(), VARIANCES)?;
    let correlation = named("correlation", asked.correlation.as_deref(), CORRELATIONS)?;
    request.settings.variance = variance.unwrap_or_default();
    request.correlation = correlation.unwrap_or_default();
    let groups = groups(study, asked)?;
    let estimator = named("estimator", asked.estimator.as_deref(), ESTIMATORS)?.unwrap_or_default();
    let population = PopulationRequest {
        random: match &asked.random {
            None => RandomTerms::Chosen,
            Some(terms) => RandomTerms::Named(terms.clone()),
        },
        scale: named("random_scale", asked.random_scale.as_deref(), SCALES)?,
        covariance: named("covariance", asked.covariance.as_deref(), COVARIANCES)?,
        variance,
        correlation,
        estimator,
        criterion: named("criterion", asked.criterion.as_deref(), CRITERIA)?,
        pens: estimator == Estimator::Alternating,
        ..PopulationRequest::chosen(groups.clone())
    };
    let chosen = matches!(task, "analyse" | "population" | "first_egg") || asked.forecast;
    request.population = chosen.then_some(population);
    request.birds = matches!(task, "analyse" | "first_egg");
    request.strains = request.birds;
    trajectory::check(request)?;
    options.growth.profiles = task == "analyse";
    options.scans = scan_options(study, path, asked)?;
    let saved = saved_population(asked)?;
    if let Some(flock) = &mut options.flock {
        flock.back_by_d = asked.back_by.or(flock.back_by_d);
        flock.named_ages_d = pinfeather::analysis::named_ages_d(study, flock.back_by_d);
        flock.within_pct = asked.uniformity_range;
        flock.ages_d.clone_from(&asked.forecast_ages);
        flock.population.clone_from(&saved);
        if !asked.forecast || (study.targets.is_empty() && asked.forecast_ages.is_empty()) {
            flock.forecast = Forecasting::Nothing;
        }
    }
    options.comparison = (task == "analyse").then(|| ComparisonOptions::of(groups));
    if !matches!(task, "analyse" | "deviation") {
        options.flock = None;
    }
    options.lay = matches!(task, "analyse" | "first_egg").then(|| {
        let mut lay = LayOptions::default();
        lay.population = saved;
        lay
    });
    Ok(options)
}

fn curves(asked: &Asked) -> Result<Vec<Arc<dyn Curve>>> {
    let cards = cards(asked)?;
    let find = |name: &String| growth::find(name, &cards).map_err(Fault::from);
    asked.curves.iter().map(find).collect()
}

fn cards(asked: &Asked) -> Result<Vec<Arc<dyn Curve>>> {
    Ok(match &asked.cards {
        Some(folder) => growth::read_cards(folder)?,
        None => Vec::new(),
    })
}

/// What sets the groups of birds apart that share their fixed effects.
fn groups(study: &Study, asked: &Asked) -> Result<Vec<FixedEffectOf>> {
    if asked.by.is_empty() {
        let groups = study.settings.fit.fixed_effects_by.clone();
        return Ok(groups.unwrap_or_else(|| vec![FixedEffectOf::Strain]));
    }
    let one = |name: &String| named("fixed_by", Some(name), GROUPINGS);
    let groups: Result<Vec<Option<FixedEffectOf>>> = asked.by.iter().map(one).collect();
    let groups: Vec<FixedEffectOf> = groups?.into_iter().flatten().collect();
    for (by, known, name) in [
        (FixedEffectOf::Treatment, &study.treatments, "treatment"),
        (FixedEffectOf::Pen, &study.pens, "pen"),
    ] {
        if groups.contains(&by) && known.is_empty() {
            return Err(Fault(format!(
                "fixed_by: found {name} and no {name} in the tables, expected a column {name}"
            )));
        }
    }
    Ok(groups)
}

fn saved_population(asked: &Asked) -> Result<Option<BirdPopulation>> {
    let Some(path) = &asked.population else {
        return Ok(None);
    };
    Ok(Some(BirdPopulation::read(path, &cards(asked)?)?))
}

/// Folder of the equations that a study keeps.
const OWN_EQUATIONS: &str = "models/corrections";

/// How scans become masses: by the equations given, the study's chemistry, or else those saved
/// in its folder.
fn scan_options(study: &Study, path: &Path, asked: &Asked) -> Result<ScanOptions> {
    let mut options = ScanOptions::default();
    let own = path.join(OWN_EQUATIONS);
    if !asked.equations.is_empty() {
        options.equations = read_equations(&asked.equations)?;
    } else if study.chemistry.rows.is_empty() && !study.scans.rows.is_empty() && own.is_dir() {
        options.saved_with_study = read_equations(&[own])?;
    }
    Ok(options)
}

fn analyse(task: &str, study: Study, path: &Path, asked: &Asked, found: &mut Found) -> Result<()> {
    if task == "deviation" && study.targets.is_empty() && !asked.forecast {
        return Err(Fault(
            "targets: found none, expected a table of targets (strain, age_d, target_g), or forecast=True"
                .to_owned(),
        ));
    }
    let options = options(task, &study, path, asked)?;
    let weigh = Weigh {
        mean_within_pct: 2.0,
        share_within_points: 8.0,
        confidence: options.confidence,
        flock: study.settings.target.flock_size.map(|birds| birds as usize),
    };
    let population = match &asked.population {
        Some(path) => format!("the saved {}", path.display()),
        None => "this flock's own".to_owned(),
    };
    let analysis = Analysis::of_owned(study, &options)?;
    let findings = &mut found.findings;
    match task {
        "analyse" => findings.whole((&analysis, &options), (&weigh, &population))?,
        "population" => {
            findings.masses_used(&analysis);
            findings.growth(&analysis, &options);
        }
        "deviation" => {
            findings.masses_used(&analysis);
            findings.verdict(&analysis, &weigh, &population);
            findings.platform(&analysis);
        }
        _ => {
            findings.masses_used(&analysis);
            findings.fits(&analysis.growth);
            findings.lay(&analysis, options.lay.as_ref());
        }
    }
    if task != "analyse" {
        findings.answers(&analysis);
    }
    if asked.figures {
        let drawn = whole_pictures::of_page(&analysis);
        findings.warnings.extend(drawn.failed);
        let svg =
            |one: pinfeather::report::pictures::Named| (one.name, one.picture.svg().to_owned());
        found.figures = drawn.pictures.into_iter().map(svg).collect();
    }
    Ok(())
}

fn formulas(terms: &[String]) -> Result<Vec<Formula>> {
    let parse = |terms: &String| terms.parse::<Formula>().map_err(Fault::from);
    terms.iter().map(parse).collect()
}

/// The equations of a study's scans and chemistry.
fn calibrate(study: &Study, asked: &Asked, found: &mut Found) -> Result<()> {
    let mut request = Request::of(study)?;
    request.settings.confidence = asked.confidence;
    if let Some(weighting) = named("weighting", asked.weighting.as_deref(), WEIGHTINGS)? {
        request.settings.weighting = weighting;
    }
    if let Some(response) = &asked.response {
        request.responses = vec![(response.clone(), formulas(&asked.terms)?)];
    }
    let scans = Scans::rules(study);
    let equations = of_study(study, &scans.kept, &request)?;
    found.findings.study_equations(&equations, &scans);
    let calibrations = equations.calibrations();
    found.save(calibrations.iter().map(|one| &one.equation))
}

/// The equation of a bare table, a row a scan beside its chemistry.
fn calibrate_table(path: &Path, asked: &Asked) -> Result<Found> {
    let mut found = Found::default();
    let frame = Frame::read(path, &Format::default())?;
    found.findings.warnings.extend(frame.warning.clone());
    let usual = || {
        frame
            .columns
            .contains_key("bird")
            .then(|| "bird".to_owned())
    };
    let weighting = named("weighting", asked.weighting.as_deref(), WEIGHTINGS)?;
    let settings = Settings {
        weighting: weighting.unwrap_or(Settings::default().weighting),
        bird: asked.bird.clone().or_else(usual),
        confidence: asked.confidence,
        ..Settings::default()
    };
    let response = asked.response.as_deref().unwrap_or_default();
    let chosen = calibrate_best(&frame, response, &formulas(&asked.terms)?, &settings)?;
    let calibrations: Vec<&Calibration> = vec![&chosen.calibration];
    found
        .findings
        .equations(std::slice::from_ref(&chosen), &calibrations);
    found.save([&chosen.calibration.equation])?;
    Ok(found)
}

/// Every scan corrected by the equations given, or by those in the study's folder.
fn correct(study: Study, path: &Path, asked: &Asked, found: &mut Found) -> Result<()> {
    if study.scans.rows.is_empty() {
        return Err(Fault(
            "scans: found none, expected a table of readings (bird, date or age, fat_scan, ...)"
                .to_owned(),
        ));
    }
    let mut options = ScanOptions::default();
    let own = path.join(OWN_EQUATIONS);
    options.equations = match asked.equations.is_empty() {
        false => read_equations(&asked.equations)?,
        true if own.is_dir() => read_equations(&[own])?,
        true => {
            return Err(Fault(
                "equations: found none, expected those that calibrate() returned, or files of saved equations"
                    .to_owned(),
            ));
        }
    };
    let moved = match asked.reconcile {
        true => Moved::ToAddUp,
        false => Moved::No,
    };
    let (study, scans) = Scans::corrected(study, &options)?;
    if let Some(masses) = &scans.masses {
        let of = (&study, &scans);
        found
            .findings
            .corrected(of, masses, asked.confidence, moved)?;
    }
    Ok(())
}

impl Found {
    fn save<'a>(&mut self, equations: impl IntoIterator<Item = &'a Equation>) -> Result<()> {
        for equation in equations {
            let name = equation.provenance.response.clone();
            self.equations.push((name, equation.to_toml()?));
        }
        Ok(())
    }
}
