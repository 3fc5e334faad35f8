//! The tables that only models of traits have: choice, random effects, second phases.

use super::Columns;
use super::column::{Column, about, columns, unit_or_one};
use super::fits::status;
use crate::fit::mixed::{
    Correlation, Covariance, Criterion, Estimator, Nodes, RandomEffect, RandomScale, TermScale,
};
use crate::growth::Curve;
use crate::report::Table;
use crate::study::Study;
use crate::trajectory::{
    BirdSecondPhase, PopulationFit, SecondPhase, TraitModel, Trajectories, Tried,
    bird_second_phases,
};

/// The tables that only models have; none where there are none.
#[must_use]
pub fn model_tables(study: &Study, trajectories: &Trajectories) -> Vec<Table> {
    if trajectories.models.is_empty() {
        return Vec::new();
    }
    let mut tables = vec![
        model_choice(study, trajectories),
        random_effects(study, trajectories),
    ];
    let of_birds = second_phase_birds(study, trajectories);
    tables.extend(Some(of_birds).filter(|table| table.rows() > 0));
    tables
}

pub(super) fn covariance(covariance: Covariance) -> &'static str {
    match covariance {
        Covariance::Diagonal => "diagonal",
        Covariance::Full => "full",
    }
}

pub(super) fn criterion(criterion: Criterion) -> &'static str {
    match criterion {
        Criterion::Likelihood => "ml",
        Criterion::RestrictedLikelihood => "reml",
    }
}

pub(super) fn estimator(estimator: Estimator) -> String {
    match estimator {
        Estimator::Alternating => "alternating".to_owned(),
        Estimator::Laplace => "laplace".to_owned(),
        Estimator::Quadrature {
            nodes: Nodes::Fixed(nodes),
        } => format!("quadrature with {nodes} nodes"),
        Estimator::Quadrature {
            nodes: Nodes::Converged,
        } => "quadrature".to_owned(),
    }
}

/// A model that was tried for a trait.
struct ChoiceRow<'a> {
    trait_index: usize,
    curve: String,
    step: &'static str,
    residual_spread: &'static str,
    random_terms: String,
    covariance: &'static str,
    correlation: &'static str,
    birds: usize,
    n: usize,
    parameters: Option<usize>,
    log_lik: Option<f64>,
    aicc: Option<f64>,
    /// AICc of the model chosen.
    least: Option<f64>,
    status: &'static str,
    reason: &'a str,
    chosen: bool,
}

/// `model_choice.csv`: every model that was tried for all birds of a trait, in the order in
/// which it was, by maximum likelihood on the birds that the choice was made on.
#[must_use]
pub fn model_choice(study: &Study, trajectories: &Trajectories) -> Table {
    let columns = columns!("model_choice", |row: ChoiceRow<'_>| {
        trait => &study.traits[row.trait_index].name,
        curve => &*row.curve,
        step("", "the question that this model was tried for") => row.step,
        residual_spread("", "how the residual spread follows the fitted value: constant, proportional, power, lognormal") => row.residual_spread,
        random_terms("", "terms that differ between birds, those that differ by a factor as log(term)") => &*row.random_terms,
        covariance("", "covariance of the random terms: diagonal or full") => row.covariance,
        correlation("", "correlation of a bird's residuals: none, or ar1 (decreasing with the days between them)") => row.correlation,
        birds("1", "birds that the choice was made on: all, or 500 of them") => row.birds,
        n("1", "observations") => row.n,
        parameters("1", "parameters estimated, variances included") => row.parameters,
        log_lik => row.log_lik,
        aicc("1", "AIC corrected for the number of birds") => row.aicc,
        delta_aicc("1", "AICc minus that of the model chosen") => row.aicc.zip(row.least).map(|(aicc, least)| aicc - least),
        fit_status => row.status,
        fit_reason => row.reason,
        chosen("", "yes for the model of the trait, which is then fitted to all birds") => row.chosen,
    });
    columns.filled(0, |add| {
        for model in &trajectories.models {
            forms_of_allometry(model, add);
            let finite = |aicc: f64| Some(aicc).filter(|aicc| aicc.is_finite());
            let aicc = |tried: &Tried| tried.likelihood.and_then(|fit| finite(fit.aicc));
            let least = model.tried.iter().find(|tried| tried.chosen).and_then(aicc);
            for tried in &model.tried {
                add(ChoiceRow {
                    trait_index: model.trait_index,
                    curve: tried.curve.name().to_owned(),
                    step: tried.step.name(),
                    residual_spread: tried.options.variance.name(),
                    random_terms: random_terms(tried),
                    covariance: covariance(tried.options.covariance),
                    correlation: match tried.options.correlation {
                        Correlation::None => "none",
                        Correlation::Ar1 => "ar1",
                    },
                    birds: tried.counts.0,
                    n: tried.counts.1,
                    parameters: tried.likelihood.map(|fit| fit.parameters),
                    log_lik: tried.likelihood.map(|fit| fit.log_lik),
                    aicc: aicc(tried),
                    least,
                    status: tried.status,
                    reason: &tried.reason,
                    chosen: tried.chosen,
                });
            }
        }
    })
}

/// The forms of an allometry that were compared.
fn forms_of_allometry<'a>(model: &'a TraitModel, add: &mut dyn FnMut(ChoiceRow<'a>)) {
    let Some(fit) = model.allometry() else {
        return;
    };
    let chosen = fit.choice.iter().find(|form| form.chosen);
    for form in &fit.choice {
        add(ChoiceRow {
            trait_index: model.trait_index,
            curve: format!("allometry: {}", form.name),
            step: "allometry",
            residual_spread: "lognormal",
            random_terms: String::new(),
            covariance: "diagonal",
            correlation: "none",
            birds: fit.birds_scanned,
            n: fit.n,
            parameters: form.parameters.into(),
            log_lik: form.log_lik,
            aicc: form.aicc,
            least: chosen.and_then(|chosen| chosen.aicc),
            status: form.log_lik.map_or("failed", |_| "converged"),
            reason: &form.why,
            chosen: form.chosen,
        });
    }
}

/// Random terms, those on the logarithm so written: `log(A1), ti1`.
fn random_terms(tried: &Tried) -> String {
    let random = tried.options.random.iter();
    let named = random.map(|random| match random.scale {
        RandomScale::Natural => random.term.clone(),
        RandomScale::Log => format!("log({})", random.term),
    });
    named.collect::<Vec<_>>().join(", ")
}

/// `random_effects.csv`: how much each term differs between birds (and between pens, where
/// these have effects), and how far their terms are shrunk to the mean.
#[must_use]
pub fn random_effects(study: &Study, trajectories: &Trajectories) -> Table {
    type Effect<'a> = (usize, &'a dyn Curve, &'a RandomEffect, &'static str);
    let columns = columns!("random_effects", |(trait_index, curve, effect, level): Effect<'_>| {
        trait => &study.traits[*trait_index].name,
        curve => curve.name(),
        term("", "term of the curve that differs") => &*curve.terms()[effect.term].name,
        sd("see unit", "standard deviation, on the scale named") => effect.spread().ok().map(|spread| spread.value),
        std_error("see unit", "standard error of that standard deviation") => effect.spread().ok().and_then(|spread| spread.standard_error),
        shrinkage("1", "1 minus SD of the birds' own effects over sd: near 0 where each bird's data determine its term, near 1 where all are shrunk to the mean") => effect.spread().ok().map(|_| effect.shrinkage),
        scale("", "scale on which the effect is normal: natural, log, or log of the excess over another term") => match effect.scale {
            TermScale::Natural => "natural".to_owned(),
            TermScale::Log => "log".to_owned(),
            TermScale::Above(other) => format!("log of the excess over {}", curve.terms()[other].name),
        },
        status => status(&effect.spread()),
        reason => effect.spread().err().map(|reason| reason.to_string()),
        level("", "between what the term differs: bird or pen") => *level,
        unit("", "unit of sd: that of the term on the natural scale, else none") => match effect.scale {
            TermScale::Natural => unit_or_one(&curve.terms()[effect.term].unit),
            TermScale::Log | TermScale::Above(_) => "1",
        },
    });
    columns.filled(0, |add| {
        for model in &trajectories.models {
            let Some((fit, mixed)) = model
                .growth()
                .and_then(|fit| Some((fit, fit.outcome.fit()?)))
            else {
                continue;
            };
            for (effects, level) in [(&mixed.random, "bird"), (&mixed.cluster, "pen")] {
                for effect in effects {
                    add((model.trait_index, &*fit.curve, effect, level));
                }
            }
        }
    })
}

/// `second_phase_birds.csv`: whether each bird's second phase of growth is estimated from its
/// own weighings or borrowed from its strain.
#[must_use]
pub fn second_phase_birds(study: &Study, trajectories: &Trajectories) -> Table {
    type Phase<'a> = (&'a PopulationFit, usize, BirdSecondPhase);
    let bird = |fit: &PopulationFit, phase: &BirdSecondPhase| {
        &study.birds[fit.cohort.birds[phase.subject]]
    };
    let columns = columns!("second_phase_birds", |(fit, trait_index, phase): Phase<'_>| {
        trait => &study.traits[*trait_index].name,
        curve => fit.curve.name(),
        strain => &study.strains[bird(fit, phase).strain],
        bird => &bird(fit, phase).name,
        n("1", "observations of the bird") => fit.cohort.ages_of(phase.subject).len(),
        last_age_d("d", "age at its last observation") => fit.cohort.ages_of(phase.subject).last().copied(),
        reliability_mass("1", "reliability of the mass of its second phase: 1 minus variance given the bird's weighings over variance between birds; empty where the term is the same for all birds") => reliability(fit, phase, "A2"),
        reliability_rate("1", "the same for the rate of the second phase") => reliability(fit, phase, "k2"),
        reliability_age("1", "the same for the age of the second phase") => reliability(fit, phase, "ti2"),
        source("", "data: reliability of at least 0.5 in every second-phase term that differs between birds; borrowed (from the strain): in none; partly: in some") => phase.from.name(),
    });
    columns.filled(0, |add| {
        for model in &trajectories.models {
            if let Some(fit) = model.growth() {
                for phase in bird_second_phases(fit) {
                    add((fit, model.trait_index, phase));
                }
            }
        }
    })
}

fn reliability(fit: &PopulationFit, phase: &BirdSecondPhase, name: &str) -> Option<f64> {
    let terms = fit.curve.terms();
    let mut shares = phase.shares.iter();
    let found = shares.find(|(term, _)| terms[*term].name == name);
    found.map(|(_, share)| *share)
}

/// `second_phase.csv`: whether there is a second phase at all.
#[must_use]
pub fn second_phase(study: &Study, tests: &[SecondPhase]) -> Table {
    columns!("second_phase", |one: &SecondPhase| {
        trait => &study.traits[one.trait_index].name,
        curve("", "name of the two-phase curve") => one.curve.name(),
        strain("", "name of the strain; all for the birds of all strains") => one.strain.map_or("all", |strain| &study.strains[strain]),
        lr_statistic("1", "twice the difference in log-likelihood, two phases minus one") => one.test.as_ref().ok().map(|test| test.likelihood_ratio),
        p_value("1", "P value of one phase, by simulation: (1 + simulated differences at or above it) / (1 + simulations)") => one.test.as_ref().ok().and_then(|test| test.p_value),
        simulations("1", "simulated studies that both curves could be fitted to") => one.test.as_ref().ok().map(|test| test.simulations),
        failed("1", "simulated studies that they could not be fitted to; not among the simulations") => one.test.as_ref().ok().map(|test| test.failed),
        reason("", "why there is no test") => one.test.as_ref().err(),
    })
    .table(tests)
}
