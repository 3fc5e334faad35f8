//! The tables of the fits of all birds at once.
//!
//! Their rows stand in the tables of the other levels too (level `population`): the
//! strain is named for the typical bird of a strain (strain / treatment or pen where
//! these have fixed effects), the bird for a bird's own curve, and neither for what
//! holds for all.

use crate::fit::choice;
use crate::fit::estimable::NotEstimable;
use crate::fit::interval::{self, Estimate};
use crate::fit::mixed::{
    Correlation, Covariance, Criterion, Estimator, MixedFit, MixedOutcome, Nodes, RandomScale,
    TermScale,
};
use crate::growth::Curve;
use crate::report::Table;
use crate::report::growth_tables::{
    Bands, NewBird, Wanted, Whose, choice_table, curves_table, estimate_cells, fits_table,
    no_evidence_cells, residuals_table, status, terms_table, write_curve,
};
use crate::study::Study;
use crate::trajectory::allometric::AllometricFit;
use crate::trajectory::interval::Method;
use crate::trajectory::{
    PopulationFit, SecondPhase, SpurtFrom, TraitModel, Trajectories, Tried, days_between, spurts,
};

const LEVEL: &str = "population";

/// How the rows of one trait's population are added.
type Add = fn(&mut Table, &Study, &TraitModel, &Wanted);

/// Rows for the tables of all levels, in their order: terms, fits, choice, curves,
/// residuals.
pub(crate) fn population_tables(
    study: &Study,
    trajectories: &Trajectories,
    wanted: &Wanted<'_>,
) -> [Table; 5] {
    let tables: [(Table, Add); 5] = [
        (terms_table(), curve_terms),
        (fits_table(), curve_fits),
        (choice_table(), curve_choice),
        (curves_table(), curves),
        (residuals_table(wanted), residuals),
    ];
    tables.map(|(mut table, add)| {
        for model in &trajectories.models {
            add(&mut table, study, model, wanted);
        }
        table.finished()
    })
}

/// The tables that only fits of all birds at once have; none where there are none.
#[must_use]
pub fn mixed_tables(study: &Study, trajectories: &Trajectories) -> Vec<Table> {
    if trajectories.models.is_empty() {
        return Vec::new();
    }
    let mut tables = vec![
        model_choice(study, trajectories),
        mixed_fits(study, trajectories),
        random_effects(study, trajectories),
    ];
    tables.extend(Some(spurts_table(study, trajectories)).filter(|table| table.rows() > 0));
    tables
}

/// The first cells of a model's rows.
fn whose<'a>(study: &'a Study, model: &TraitModel) -> Whose<'a> {
    Whose {
        level: LEVEL,
        strain: "",
        bird: "",
        trait_name: &study.traits[model.trait_index].name,
    }
}

/// The first cells of a bird's rows.
fn whose_bird<'a>(study: &'a Study, model: &TraitModel, subject: usize) -> Whose<'a> {
    let bird = &study.birds[model.cohort().birds[subject]];
    Whose {
        strain: &study.strains[bird.strain],
        bird: &bird.name,
        ..whose(study, model)
    }
}

/// The growth model, where it has numbers.
fn fitted(model: &TraitModel) -> Option<(&PopulationFit, &dyn Curve, &MixedFit)> {
    let fit = model.growth()?;
    Some((fit, &*fit.curve, fit.outcome.fit()?))
}

fn curve_terms(table: &mut Table, study: &Study, model: &TraitModel, wanted: &Wanted<'_>) {
    let level = wanted.confidence;
    let derived: Vec<_> = wanted
        .derived()
        .into_iter()
        .map(|what| (what, what.name()))
        .collect();
    let curve = &*model.curve();
    let all = whose(study, model);
    for (at, group) in model.groups().iter().enumerate() {
        let Some(estimates) = model.typical(at) else {
            continue;
        };
        let whose = Whose {
            strain: &group.name,
            ..all
        };
        let mut write = |place: usize, name: &str, estimate: Result<Estimate, NotEstimable>| {
            if estimate == Err(NotEstimable::Absent) {
                return;
            }
            let with_interval = |estimate: Estimate| Estimate {
                interval: match wanted.method {
                    Method::Wald => estimate.interval,
                    Method::Profile | Method::Bootstrap { .. } => {
                        wanted.intervals.of_group((model.trait_index, at), place)
                    }
                },
                ..estimate
            };
            let mut row = whose.begin(table, curve);
            row.text(name);
            estimate_cells(&mut row, &estimate.map(with_interval));
        };
        let terms = curve.terms();
        for (index, term) in terms.iter().enumerate() {
            let estimate = interval::term(curve, &estimates, index, level);
            write(index, &term.name, estimate);
        }
        for (place, (what, name)) in derived.iter().enumerate() {
            let estimate = interval::derived(curve, &estimates, *what, level);
            write(terms.len() + place, name, estimate);
        }
    }
    if let Some((_, curve, mixed)) = fitted(model) {
        let of_pens = mixed.cluster_spread(curve, level).into_iter();
        let of_pens = of_pens.map(|(term, spread)| (format!("sd_pen({term})"), spread));
        for (name, estimate) in mixed.spread_terms(curve, level).into_iter().chain(of_pens) {
            let mut row = all.begin(table, curve);
            row.text(&name);
            estimate_cells(&mut row, &estimate);
        }
    }
    for subject in 0..model.cohort().birds.len() {
        let Some(estimates) = model.bird(subject) else {
            continue;
        };
        let whose = whose_bird(study, model, subject);
        for (index, term) in curve.terms().iter().enumerate() {
            let mut row = whose.begin(table, curve);
            row.text(&term.name);
            let estimate = if model.birds_differ_in(&term.name) {
                interval::term(curve, &estimates, index, level)
            } else {
                Err(NotEstimable::Undetermined(format!(
                    "birds were not found to differ in {}: that of their group stands for all",
                    term.name
                )))
            };
            estimate_cells(&mut row, &estimate);
        }
    }
}

fn curve_fits(table: &mut Table, study: &Study, model: &TraitModel, _wanted: &Wanted<'_>) {
    if let Some(fit) = model.allometry() {
        whose(study, model)
            .begin(table, &*model.curve())
            .whole(fit.n)
            .text(model.status())
            .text("")
            .number(None)
            .number(fit.residual_sd.value)
            .number(fit.log_lik)
            .number(None)
            .number(None)
            .number(None)
            .whole(None)
            .number(None);
    }
    let Some(fit) = model.growth() else {
        return;
    };
    let mixed = fit.outcome.fit();
    // In the residuals' own units, each over its spread at a fitted value of 1.
    let rss = mixed.map(|mixed| {
        let squares = fit
            .residuals()
            .into_iter()
            .map(|one| one.standardised.powi(2));
        squares.sum::<f64>() * mixed.sigma * mixed.sigma
    });
    whose(study, model)
        .begin(table, &*fit.curve)
        .whole(fit.n())
        .text(fit.outcome.status())
        .text(&reason(&fit.outcome))
        .number(rss)
        .number(mixed.map(|mixed| mixed.sigma))
        .number(mixed.map(|mixed| mixed.log_lik))
        .number(mixed.map(MixedFit::aic))
        .number(mixed.map(MixedFit::aicc))
        .number(mixed.map(MixedFit::bic))
        .whole(mixed.map(|mixed| mixed.certificate.iterations))
        .number(mixed.map(MixedFit::variance_power));
}

/// Why the fit is weak or failed, in words.
fn reason(outcome: &MixedOutcome) -> String {
    outcome.reasons().join("; ")
}

/// Of each curve the best model that was tried, by maximum likelihood on the birds that the
/// choice was made on.
fn curve_choice(table: &mut Table, study: &Study, model: &TraitModel, _wanted: &Wanted<'_>) {
    let curves = model.curves();
    let candidates: Vec<choice::Candidate> = curves
        .iter()
        .map(|tried| choice::Candidate {
            n: tried.counts.1,
            aicc: tried
                .likelihood
                .map(|fit| fit.aicc)
                .filter(|aicc| aicc.is_finite()),
            weak: tried.status == "weak",
        })
        .collect();
    let places = choice::places_among(&candidates);
    for (tried, place) in curves.into_iter().zip(places) {
        let likelihood = tried.likelihood;
        let aic = likelihood.map(|fit| 2.0 * count(fit.parameters) - 2.0 * fit.log_lik);
        let bic = likelihood
            .map(|fit| count(fit.parameters) * count(tried.counts.1).ln() - 2.0 * fit.log_lik);
        let mut row = table.row();
        row.text(LEVEL)
            .text("")
            .text("")
            .text(&study.traits[model.trait_index].name)
            .whole(place.map(|place| place.rank))
            .text(tried.curve.name())
            .text(tried.status)
            .whole(tried.counts.1)
            .whole(likelihood.map(|fit| fit.parameters))
            .number(likelihood.map(|fit| fit.log_lik))
            .number(aic)
            .number(likelihood.map(|fit| fit.aicc))
            .number(bic)
            .number(place.map(|place| place.delta))
            .number(place.map(|place| place.weight))
            .text(&tried.reason);
        no_evidence_cells(&mut row);
    }
}

#[expect(clippy::cast_precision_loss, reason = "counts are far below 2^52")]
fn count(whole: usize) -> f64 {
    whole as f64
}

/// `model_choice.csv`: every model that was tried for all birds of a trait, in the order in
/// which it was, by maximum likelihood on the birds that the choice was made on.
fn model_choice(study: &Study, trajectories: &Trajectories) -> Table {
    let mut table = Table::new(
        "model_choice",
        &[
            "trait",
            "curve",
            "step",
            "residual_spread",
            "random_terms",
            "covariance",
            "correlation",
            "birds",
            "n",
            "parameters",
            "log_lik",
            "aicc",
            "delta_aicc",
            "status",
            "reason",
            "chosen",
        ],
    );
    for model in &trajectories.models {
        if let Some(fit) = model.allometry() {
            allometric_choice(&mut table, study, model, fit);
        }
        let chosen = model.tried.iter().find(|tried| tried.chosen);
        let least = chosen.and_then(|tried| tried.likelihood);
        for tried in &model.tried {
            let likelihood = tried.likelihood;
            table
                .row()
                .text(&study.traits[model.trait_index].name)
                .text(tried.curve.name())
                .text(tried.step.name())
                .text(tried.options.variance.name())
                .text(&random_terms(tried))
                .text(covariance_name(tried.options.covariance))
                .text(match tried.options.correlation {
                    Correlation::None => "none",
                    Correlation::Ar1 => "ar1",
                })
                .whole(tried.counts.0)
                .whole(tried.counts.1)
                .whole(likelihood.map(|fit| fit.parameters))
                .number(likelihood.map(|fit| fit.log_lik))
                .number(
                    likelihood
                        .map(|fit| fit.aicc)
                        .filter(|aicc| aicc.is_finite()),
                )
                .number(
                    likelihood
                        .zip(least)
                        .map(|(fit, least)| fit.aicc - least.aicc)
                        .filter(|delta| delta.is_finite()),
                )
                .text(tried.status)
                .text(&tried.reason)
                .text(if tried.chosen { "yes" } else { "no" });
        }
    }
    table
}

/// The forms of an allometry that were looked at.
fn allometric_choice(table: &mut Table, study: &Study, model: &TraitModel, fit: &AllometricFit) {
    let least = fit.choice.iter().find(|row| row.chosen);
    for row in &fit.choice {
        table
            .row()
            .text(&study.traits[model.trait_index].name)
            .text(&format!("allometry: {}", row.name))
            .text("allometry")
            .text("lognormal")
            .text("")
            .text("diagonal")
            .text("none")
            .whole(fit.birds_scanned)
            .whole(fit.n)
            .whole(row.parameters)
            .number(row.log_lik)
            .number(row.aicc)
            .number(least.and_then(|least| Some(row.aicc? - least.aicc?)))
            .text(if row.log_lik.is_some() {
                "converged"
            } else {
                "failed"
            })
            .text(&row.why)
            .text(if row.chosen { "yes" } else { "no" });
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

fn covariance_name(covariance: Covariance) -> &'static str {
    match covariance {
        Covariance::Diagonal => "diagonal",
        Covariance::Full => "full",
    }
}

fn curves(table: &mut Table, study: &Study, model: &TraitModel, wanted: &Wanted<'_>) {
    let curve = &*model.curve();
    let bands = Bands {
        level: wanted.confidence,
        new_bird: NewBird::Untold,
    };
    let new_bird = model
        .growth()
        .and_then(|fit| fit.new_bird(wanted.confidence));
    for (at, group) in model.groups().iter().enumerate() {
        let (Some(estimates), Some((first_d, last_d))) = (model.typical(at), model.age_span(at))
        else {
            continue;
        };
        let whose = Whose {
            strain: &group.name,
            ..whose(study, model)
        };
        let ages_d = days_between(first_d, last_d);
        // A new bird differs by its random effects as well as by its residuals.
        let limits = new_bird.as_ref().map(|limits| limits(at, &ages_d));
        write_curve(
            table,
            &whose,
            (curve, &estimates),
            &ages_d,
            Bands {
                new_bird: limits.as_deref().map_or(NewBird::Untold, NewBird::Limits),
                ..bands
            },
        );
    }
    for subject in 0..model.cohort().birds.len() {
        let Some(estimates) = model.bird(subject) else {
            continue;
        };
        let whose = whose_bird(study, model, subject);
        let mut ages_d = model.cohort().ages_of(subject).to_vec();
        ages_d.dedup();
        write_curve(table, &whose, (curve, &estimates), &ages_d, bands);
    }
}

/// Beside a bird's own curve: `fitted`, `residual`, `standardised`; beside the typical
/// curve of its group: the columns that say `marginal`.
fn residuals(table: &mut Table, study: &Study, model: &TraitModel, _wanted: &Wanted<'_>) {
    if let Some((fit, curve, _)) = fitted(model) {
        for one in fit.residuals() {
            whose_bird(study, model, one.subject)
                .begin(table, curve)
                .number(one.age_d)
                .number(one.value)
                .number(one.fitted)
                .number(one.conditional())
                .number(one.standardised)
                .number(one.marginal_fitted)
                .number(one.marginal())
                .number(one.marginal_standardised)
                .number(one.normalised);
        }
    }
}

/// `mixed_fits.csv`: how each fit of all birds was made and how sure its maximum is.
///
/// `gradient` is the distance to the maximum in standard errors, `least_eigenvalue`
/// that of the information scaled to unit diagonal: positive at a true maximum.
fn mixed_fits(study: &Study, trajectories: &Trajectories) -> Table {
    let mut table = Table::new(
        "mixed_fits",
        &[
            "trait",
            "curve",
            "estimator",
            "criterion",
            "covariance",
            "birds",
            "groups",
            "n",
            "parameters",
            "log_lik",
            "gradient",
            "least_eigenvalue",
            "iterations",
            "status",
        ],
    );
    for model in &trajectories.models {
        let Some(fit) = model.growth() else {
            continue;
        };
        let mixed = fit.outcome.fit();
        table
            .row()
            .text(&study.traits[model.trait_index].name)
            .text(fit.curve.name())
            .text(
                &match mixed.map_or(fit.options.estimator, |mixed| mixed.estimator) {
                    Estimator::Alternating => "alternating".to_owned(),
                    Estimator::Laplace => "laplace".to_owned(),
                    Estimator::Quadrature {
                        nodes: Nodes::Fixed(nodes),
                    } => format!("quadrature with {nodes} nodes"),
                    Estimator::Quadrature {
                        nodes: Nodes::Converged,
                    } => "quadrature".to_owned(),
                },
            )
            .text(match fit.options.criterion {
                Criterion::Likelihood => "ml",
                Criterion::RestrictedLikelihood => "reml",
            })
            .text(covariance_name(fit.options.covariance))
            .whole(fit.cohort.birds.len())
            .whole(fit.cohort.groups.len())
            .whole(fit.n())
            .whole(mixed.map(|mixed| mixed.parameters))
            .number(mixed.map(|mixed| mixed.log_lik))
            .number(mixed.map(|mixed| mixed.certificate.gradient))
            .number(mixed.map(|mixed| mixed.certificate.least_eigenvalue))
            .whole(mixed.map(|mixed| mixed.certificate.iterations))
            .text(fit.outcome.status());
    }
    table
}

/// `random_effects.csv`: how much each term differs between birds (and between pens, where
/// these have effects: the last column), and how far their own terms are drawn to the mean.
fn random_effects(study: &Study, trajectories: &Trajectories) -> Table {
    let mut table = Table::new(
        "random_effects",
        &[
            "trait",
            "curve",
            "term",
            "sd",
            "std_error",
            "shrinkage",
            "scale",
            "status",
            "reason",
            "level",
        ],
    );
    for population in &trajectories.models {
        if let Some((_, curve, mixed)) = fitted(population) {
            let of_birds = mixed.random.iter().map(|effect| (effect, "bird"));
            let of_pens = mixed.cluster.iter().map(|effect| (effect, "pen"));
            for (effect, level) in of_birds.chain(of_pens) {
                let terms = curve.terms();
                let spread = effect.spread();
                let known = spread.as_ref().ok();
                table
                    .row()
                    .text(&study.traits[population.trait_index].name)
                    .text(curve.name())
                    .text(&terms[effect.term].name)
                    .number(known.map(|spread| spread.value))
                    .number(known.and_then(|spread| spread.standard_error))
                    .number(known.map(|_| effect.shrinkage))
                    .text(&match effect.scale {
                        TermScale::Natural => "natural".to_owned(),
                        TermScale::Log => "log".to_owned(),
                        TermScale::Above(other) => {
                            format!("log of the excess over {}", terms[other].name)
                        }
                    })
                    .text(status(&spread))
                    .text(
                        &spread
                            .as_ref()
                            .err()
                            .map_or_else(String::new, ToString::to_string),
                    )
                    .text(level);
            }
        }
    }
    table
}

/// `spurts.csv`: whose each bird's second phase is, its own or its strain's. The own
/// shares are those of the mass, the rate and the age of the second phase; empty where
/// the term is the same for all birds.
fn spurts_table(study: &Study, trajectories: &Trajectories) -> Table {
    let mut table = Table::new(
        "spurts",
        &[
            "trait",
            "curve",
            "strain",
            "bird",
            "n",
            "last_age_d",
            "own_share_mass",
            "own_share_rate",
            "own_share_age",
            "spurt",
            "rule",
        ],
    );
    for population in &trajectories.models {
        if let Some((fit, curve, _)) = fitted(population) {
            for spurt in spurts(fit) {
                let whose = whose_bird(study, population, spurt.subject);
                let ages_d = fit.cohort.ages_of(spurt.subject);
                let share = |name: &str| {
                    let terms = curve.terms();
                    let mut shares = spurt.shares.iter();
                    shares
                        .find(|(term, _)| terms[*term].name == name)
                        .map(|(_, share)| *share)
                };
                table
                    .row()
                    .text(whose.trait_name)
                    .text(curve.name())
                    .text(whose.strain)
                    .text(whose.bird)
                    .whole(ages_d.len())
                    .number(ages_d.last().copied())
                    .number(share("A2"))
                    .number(share("k2"))
                    .number(share("ti2"))
                    .text(spurt.from.name())
                    .text(SpurtFrom::RULE);
            }
        }
    }
    table
}

/// `second_phase.csv`: whether there is a second phase at all. `strain` is `all` for
/// the birds of all strains; `failed` simulations are left out of `simulations`.
#[must_use]
pub fn second_phase_table(study: &Study, tests: &[SecondPhase]) -> Table {
    let mut table = Table::new(
        "second_phase",
        &[
            "trait",
            "curve",
            "strain",
            "lr",
            "p_value",
            "simulations",
            "failed",
            "reason",
        ],
    );
    for one in tests {
        let test = one.test.as_ref();
        table
            .row()
            .text(&study.traits[one.trait_index].name)
            .text(one.curve.name())
            .text(one.strain.map_or("all", |strain| &study.strains[strain]))
            .number(test.ok().map(|test| test.likelihood_ratio))
            .number(test.ok().and_then(|test| test.p_value))
            .whole(test.ok().map(|test| test.simulations))
            .whole(test.ok().map(|test| test.failed))
            .text(one.test.as_ref().err().map_or("", String::as_str));
    }
    table
}
