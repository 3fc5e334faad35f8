//! Which correction equations does a study give: the candidates of each response,
//! the best of them, and what the feathers do.
//!
//! [`calibrate_best`] serves any frame; [`of_study`] requires everything that a
//! study folder with scans and chemistry can estimate.

use super::calibration::{Calibration, Settings, Weighting, calibrate};
use super::chemistry::{ClosureRow, closure, masses};
use super::choice::{Choice, choose};
use super::cross_equation::introduce;
use super::feather_ages::{FeatherAgeRow, by_age};
use super::feathers::{Paired, RouteRow, effects, feather_mass, paired, routes};
use super::formula::Formula;
use super::frame::{Column, Frame};
use super::laboratories::{self, LABORATORY, Laboratories};
use super::pairs::{RowSelection, frame};
use super::quality::{Kept, RejectedScan};
use super::{Tissue, digest};
use crate::error::{Error, Result};
use crate::study::{Feathers, Part, RowWeighting, Study};

/// Basis of the masses that a study's chemistry is converted to.
const FRESH: &str = "as-is";

/// An equation, and the candidates that it was chosen among.
#[derive(Debug, Clone)]
pub struct Chosen {
    /// All candidates, best first.
    pub choice: Choice,
    /// The best one, fitted.
    pub calibration: Calibration,
}

/// Everything that is estimated from a study's analysed birds.
#[derive(Debug, Clone)]
pub struct StudyEquations {
    /// One a response, as `fat_chem`.
    pub chosen: Vec<Chosen>,
    /// Whether the laboratory's parts add up.
    pub closure: Vec<ClosureRow>,
    /// How laboratories differ, by response; none where all scans are of one.
    pub laboratories: Vec<Laboratories>,
    /// Feathers by strain and age.
    pub feather_ages: Vec<FeatherAgeRow>,
    /// Estimates from plucked pairs; none where no carcass was plucked.
    pub plucked: Option<Plucked>,
    /// Plucked scans without a pair, since their intact scan was rejected.
    pub unpaired: Vec<RejectedScan>,
    /// Which part of a carcass the chemistry is of.
    pub part: Part,
    /// What should be known: one line each.
    pub warnings: Vec<String>,
}

/// Estimates from carcasses scanned intact and then plucked.
#[derive(Debug, Clone)]
pub struct Plucked {
    /// Carcasses.
    pub pairs: usize,
    /// Feather mass from body weight, age and strain.
    pub feather_mass: Calibration,
    /// Effect of feathers on each reading.
    pub effects: Vec<(Tissue, Calibration)>,
    /// An explicit feather step against one regression, by response.
    pub routes: Vec<RouteRow>,
}

/// The request to a study; from its settings by [`Request::of`].
#[derive(Debug, Clone)]
pub struct Request {
    /// Responses with their candidates; the usual ones where empty.
    pub responses: Vec<(String, Vec<Formula>)>,
    /// Which rows, of which part.
    pub wanted: RowSelection,
    /// How an equation is fitted and judged.
    pub settings: Settings,
}

impl From<RowWeighting> for Weighting {
    fn from(weighting: RowWeighting) -> Self {
        match weighting {
            RowWeighting::Ordinary => Self::Ordinary,
            RowWeighting::Power => Self::PowerOfMean,
            RowWeighting::Huber => Self::Robust,
        }
    }
}

impl Request {
    /// What `[calibration]` in the study's settings requires.
    ///
    /// # Errors
    /// [`ErrorKind::Call`](crate::ErrorKind::Call) for terms that are no formula.
    pub fn of(study: &Study) -> Result<Self> {
        let settings = &study.settings.calibration;
        let mut responses = Vec::new();
        for (response, candidates) in &settings.terms {
            let formulas = candidates
                .iter()
                .map(|terms| terms.parse())
                .collect::<Result<Vec<Formula>>>();
            let formulas = formulas.map_err(|error| {
                Error::input(format!("study.toml, calibration.terms.{response}, {error}"))
            })?;
            responses.push((response.clone(), formulas));
        }
        let body = masses(study).iter().any(|bird| bird.body.is_some());
        let part = settings
            .part
            .unwrap_or(if body { Part::Body } else { Part::Whole });
        Ok(Self {
            responses,
            wanted: RowSelection {
                feathers: Some(Feathers::Intact),
                part,
                allowed_strains: settings.allowed_strains.keys().cloned().collect(),
            },
            settings: Settings {
                weighting: settings.weighting.into(),
                bird: Some("bird".to_owned()),
                scanner: settings.scanner.clone(),
                publication: settings.publication.clone(),
                ..Settings::default()
            },
        })
    }
}

/// Chooses among the candidates by the error of birds left out whole, and fits the best.
///
/// # Errors
/// As [`choose`] and [`calibrate`].
pub fn calibrate_best(
    frame: &Frame,
    response: &str,
    candidates: &[Formula],
    settings: &Settings,
) -> Result<Chosen> {
    if let [only] = candidates {
        // A single equation that cannot be fitted is reported as such, not as a candidate.
        calibrate(frame, response, only, settings)?;
    }
    let choice = choose(frame, response, candidates, settings)?;
    let mut calibration = calibrate(frame, response, &choice.best, settings)?;
    calibration.warnings.extend(choice.remark.clone());
    Ok(Chosen {
        choice,
        calibration,
    })
}

/// All equations of a study.
///
/// # Errors
/// As [`frame`], [`calibrate_best`] and [`paired`]: a study without scans or
/// chemistry, a strain that was scanned and not analysed, too few birds, collinear
/// terms, a plucked scan without its intact one.
pub fn of_study(study: &Study, kept: &Kept, request: &Request) -> Result<StudyEquations> {
    let settings = &request.settings;
    let rows = frame(study, kept, &request.wanted)?;
    let responses = if request.responses.is_empty() {
        usual(&rows, study)?
    } else {
        request.responses.clone()
    };
    if responses.is_empty() {
        return Err(Error::input(format!(
            "{}: found no reading that the chemistry has a mass for, expected fat, lean or bone in both; check the columns",
            study.scans.file
        )));
    }
    let mut chosen = Vec::new();
    let names = laboratories::names(&rows, LABORATORY);
    let mut of_laboratories = Vec::new();
    for (response, candidates) in &responses {
        if names.len() > 1 && rows.units.contains_key(response) {
            return Err(Error::input(format!(
                "study.toml, calibration.terms.{response}: found a density that several laboratories read, expected scans of one; leave it out, and its readings are followed as they are"
            )));
        }
        let mut one = if names.len() > 1 {
            let (one, found) = calibrate_by_laboratory(&rows, (response, candidates), settings)?;
            of_laboratories.extend(found);
            one
        } else {
            let mut one = calibrate_best(&rows, response, candidates, settings)?;
            let of = &mut one.calibration.equation.provenance;
            of.laboratories.clone_from(&names);
            one
        };
        let of = &mut one.calibration.equation.provenance;
        request.wanted.part.word().clone_into(&mut of.part);
        FRESH.clone_into(&mut of.basis);
        chosen.push(one);
    }
    let mut together: Vec<&mut Calibration> = chosen
        .iter_mut()
        .map(|chosen| &mut chosen.calibration)
        .collect();
    introduce(&mut together);
    let closure = closure(study);
    let mut warnings = Vec::new();
    let open = closure.iter().filter(|row| !row.within).count();
    if open > 0 {
        warnings.push(format!(
            "{}: {open} of {} analyses do not add up to 100 percent within {}: see closure.csv",
            study.chemistry.file,
            closure.len(),
            study.settings.chemistry.closure_tolerance_pct
        ));
    }
    let any_plucked = kept
        .scans
        .iter()
        .any(|index| study.scans.rows[*index].feathers == Feathers::Plucked);
    let pairs = any_plucked.then(|| paired(study, kept)).transpose()?;
    let plucked = match &pairs {
        Some(pairs) => match compare_plucked(pairs, request, &chosen) {
            Ok(plucked) => Some(plucked),
            // Too few carcasses for the feathers do not stop the equations.
            Err(error) => {
                warnings.push(format!("feathers: no equations, since {error}"));
                None
            }
        },
        None => None,
    };
    let unpaired = pairs
        .as_ref()
        .map_or_else(Vec::new, |pairs| pairs.unpaired.clone());
    warnings.extend(unpaired.iter().map(|scan| {
        format!(
            "{}, row {}: the plucked scan of bird {} at {} d has no pair and carries no information on feathers: {}",
            study.scans.file, scan.row, scan.bird, scan.age_d, scan.reason
        )
    }));
    Ok(StudyEquations {
        feather_ages: by_age(study, pairs.as_ref())?,
        chosen,
        laboratories: of_laboratories,
        closure,
        plucked,
        unpaired,
        part: request.wanted.part,
        warnings,
    })
}

/// Chooses among the candidates with a line for each laboratory, and fits the best: from three
/// laboratories on their levels and slopes are random.
fn calibrate_by_laboratory(
    frame: &Frame,
    (response, candidates): (&str, &[Formula]),
    settings: &Settings,
) -> Result<(Chosen, Option<Laboratories>)> {
    let rows = laboratories::study_rows(frame, (response, candidates), settings)?;
    if let [only] = rows.names.as_slice() {
        let mut chosen = calibrate_best(&rows.frame, response, candidates, settings)?;
        let calibration = &mut chosen.calibration;
        calibration.equation.provenance.laboratories = vec![only.clone()];
        calibration.warnings.extend(rows.warnings);
        return Ok((chosen, None));
    }
    let by_laboratory = |formula| laboratories::by_laboratory(response, formula, settings);
    let with_lines: Vec<Formula> = candidates
        .iter()
        .map(by_laboratory)
        .collect::<Result<_>>()?;
    let mut chosen = calibrate_best(&rows.frame, response, &with_lines, settings)?;
    let place = with_lines.iter().position(|one| *one == chosen.choice.best);
    let formula = &candidates[place.unwrap_or(0)];
    let (mut found, equation) = laboratories::of_study(&rows, (response, formula), settings)?;
    let calibration = &mut chosen.calibration;
    match equation {
        Some(mut of_these) => {
            let left_out = calibration.cross_validation.rmse;
            of_these.equation.provenance.cross_validated_rmse = left_out;
            calibration.equation = of_these.equation;
            calibration.terms = of_these.terms;
        }
        None => {
            calibration
                .equation
                .provenance
                .laboratories
                .clone_from(&rows.names);
            found.warnings.push(format!(
                "{}: scans of two laboratories are each corrected by that laboratory's line, those of another one are not; pairs of at least {} laboratories are needed for these",
                found.trait_name,
                laboratories::FEWEST_LABORATORIES
            ));
        }
    }
    Ok((chosen, Some(found)))
}

fn compare_plucked(pairs: &Paired, request: &Request, chosen: &[Chosen]) -> Result<Plucked> {
    let settings = &request.settings;
    let mut compared = Vec::new();
    for chosen in chosen {
        let response = format!("{}_chem", chosen.calibration.equation.provenance.response);
        // Plucked carcasses are of too few birds for a line of each laboratory.
        let several = chosen.choice.best.names().contains(&LABORATORY);
        if request.wanted.part == Part::Body
            && !several
            && pairs.intact.columns.contains_key(&response)
        {
            compared.extend(routes(pairs, &response, &chosen.choice.best, settings)?);
        }
    }
    Ok(Plucked {
        pairs: pairs.intact.n(),
        feather_mass: feather_mass(&pairs.intact, settings)?,
        effects: effects(pairs, settings)?,
        routes: compared,
    })
}

/// What lean is made of: its reading predicts them where there is no other.
const OF_LEAN: [&str; 2] = ["water", "protein"];

/// The usual candidates of each trait that the scanner reads and the chemistry has, or that
/// the study's settings name: a reading alone, and with any of the other readings, body
/// weight, age, strain, and a slope for each strain.
fn usual(frame: &Frame, study: &Study) -> Result<Vec<(String, Vec<Formula>)>> {
    let varies = |name: &str| match frame.columns.get(name) {
        Some(Column::Numbers(numbers)) => {
            let known = numbers.iter().filter(|number| number.is_finite());
            let (least, greatest) = known.fold((f64::INFINITY, f64::NEG_INFINITY), |ends, x| {
                (ends.0.min(*x), ends.1.max(*x))
            });
            greatest > least
        }
        Some(Column::Words(words)) => words.windows(2).any(|pair| pair[0] != pair[1]),
        None => false,
    };
    let known = |name: &str| (0..frame.n()).any(|row| frame.value(name, row).is_some());
    let named = &study.settings.calibration.traits;
    let readings: Vec<&str> = study.scans.names().collect();
    let traits: Vec<&str> = match named.as_slice() {
        [] => readings.clone(),
        named => named.iter().map(String::as_str).collect(),
    };
    let mut responses = Vec::new();
    for name in traits {
        let response = format!("{name}_chem");
        let of = [name]
            .into_iter()
            .chain(OF_LEAN.contains(&name).then_some("lean"))
            .find(|reading| known(&format!("{reading}_scan")))
            .filter(|_| known(&response));
        // Lines of laboratories are those of masses.
        if frame.units.contains_key(&response) && laboratories::names(frame, LABORATORY).len() > 1 {
            continue;
        }
        let Some(of) = of else {
            if named.is_empty() {
                continue;
            }
            return Err(Error::input(format!(
                "study.toml, calibration.traits: found {name}, expected a trait that the scanner reads ({}) or water or protein, with a mass from the laboratory; leave it out or name its equations under [calibration.terms]",
                readings.join(", ")
            )));
        };
        let own = format!("{of}_scan");
        let others = readings.iter().filter(|other| **other != of);
        let mut terms = vec![own.clone()];
        terms.extend(others.map(|other| format!("{other}_scan")));
        terms.extend(["body_weight", "age", "strain"].map(str::to_owned));
        terms.retain(|term| *term == own || varies(term));
        if terms.iter().any(|term| term == "strain") {
            terms.push(format!("{own}*strain"));
        }
        let whole: Formula = terms.join(",").parse()?;
        responses.push((response, whole.candidates(1)?));
    }
    Ok(responses)
}

impl StudyEquations {
    /// The scans without a pair as a table of unused scans takes them, each with
    /// what it was not used for.
    pub fn without_pair(&self) -> impl Iterator<Item = (RejectedScan, String)> + '_ {
        self.unpaired
            .iter()
            .map(|scan| (scan.clone(), "feather effects".to_owned()))
    }

    /// The equations as a correction takes them: the chosen ones, and that of the
    /// feather mass where the feathers are a part of the balance.
    #[must_use]
    pub fn calibrations(&self) -> Vec<&Calibration> {
        let chosen = self.chosen.iter().map(|chosen| &chosen.calibration);
        let feathers = self
            .plucked
            .iter()
            .filter(|_| self.part == Part::Body)
            .map(|plucked| &plucked.feather_mass);
        chosen.chain(feathers).collect()
    }
}

/// Digest of the files that a study's equations rest on, in their order.
#[must_use]
pub fn digest_of_inputs(files: &[Vec<u8>]) -> String {
    digest(&files.concat())
}
