//! The table of the choice of curve.

use super::Columns;
use super::column::{Column, about, columns};
use super::fits::{Whose, with_models};
use crate::fit::Estimates;
use crate::fit::choice::{self, Place};
use crate::report::Table;
use crate::study::Study;
use crate::trajectory::evidence::{Evidence, evidence};
use crate::trajectory::interval::{Validated, Validation};
use crate::trajectory::{CurveFit, Likelihood, TraitModel, Trajectories};

/// A curve among those of its subject.
struct ChoiceRow<'a> {
    whose: Whose<'a>,
    place: Option<Place>,
    curve: String,
    status: &'static str,
    n: usize,
    parameters: Option<usize>,
    log_lik: Option<f64>,
    /// AIC, AICc, BIC.
    criteria: [Option<f64>; 3],
    note: String,
    evidence: Option<(Evidence, Validated)>,
}

/// `curve_choice.csv`: the curves of each subject, ranked by AICc among those of the same
/// observations; of a model the best that was tried of each curve, by maximum likelihood.
///
/// A weak fit is ranked and marked; a failed one has no rank. A curve held at the hatch
/// weight rests on one weighing less than the others and is not ranked with them.
#[must_use]
pub fn curve_choice(study: &Study, trajectories: &Trajectories, validation: &Validation) -> Table {
    let columns = columns!("curve_choice", |row: ChoiceRow<'_>| {
        level => row.whose.level,
        strain => row.whose.strain,
        bird => row.whose.bird,
        trait => row.whose.trait_name,
        rank("1", "1 is the curve with the lowest AICc on the same observations") => row.place.map(|place| place.rank),
        curve => &*row.curve,
        fit_status => row.status,
        n("1", "observations") => row.n,
        parameters("1", "terms of the curve, sigma and an estimated variance power") => row.parameters,
        log_lik => row.log_lik,
        aic => row.criteria[0],
        aicc => row.criteria[1],
        bic => row.criteria[2],
        delta_aicc("1", "AICc minus that of the first") => row.place.map(|place| place.delta),
        weight("1", "Akaike weight: share of support among the curves fitted") => row.place.map(|place| place.weight),
        note("", "why the fit is weak or failed") => &*row.note,
        rank_bic("1", "1 is the curve with the lowest BIC on the same observations") => row.evidence.as_ref().and_then(|(found, _)| found.rank_bic),
        lack_of_fit_f("1", "F of lack of fit: mean square of what the curve misses over that of weighings at one age about their mean (strains)") => row.evidence.as_ref().and_then(|(found, _)| Some(found.lack_of_fit?.statistic)),
        lack_of_fit_p("1", "P value of the right curve and independent weighings") => row.evidence.as_ref().and_then(|(found, _)| Some(found.lack_of_fit?.p_value)),
        runs_p("1", "probability of so few runs of sign of the mean residuals along age, were their order random (strains)") => row.evidence.as_ref().and_then(|(found, _)| found.runs_p),
        autocorrelation("1", "correlation of neighbouring standardised residuals of the same bird (strains)") => row.evidence.as_ref().and_then(|(found, _)| found.autocorrelation),
        asymptote_supported("", "yes where the mean of the last values has reached three quarters of the asymptote; empty for a curve without one") => row.evidence.as_ref().and_then(|(found, _)| found.asymptote_supported),
        cv_bird_rmse("g", "root mean square error in predicting birds left out of the fit; empty where not requested") => row.evidence.as_ref().and_then(|(_, validated)| validated.by_bird_g),
        cv_last_rmse("g", "root mean square error in forecasting the last ages left out of the fit (four weeks, or a quarter of the ages where that is less); empty where not requested") => row.evidence.as_ref().and_then(|(_, validated)| validated.by_last_ages_g),
        verdict("", "what speaks for and against the curve, in words (strains)") => row.evidence.as_ref().map(|(found, _)| found.verdict.clone()),
    });
    with_models(
        &columns,
        trajectories,
        |_| 0,
        |subject, add| {
            let places = subject.places();
            let evidence = evidence(study, subject, validation);
            let mut rows: Vec<_> = (0..).zip(&subject.fits).zip(evidence).collect();
            rows.sort_by_key(|((at, _), _)| places[*at].map_or(usize::MAX, |place| place.rank));
            for ((at, CurveFit { curve, outcome }), evidence) in rows {
                let estimates = outcome.estimates();
                add(ChoiceRow {
                    whose: Whose::of(study, subject.subject),
                    place: places[at],
                    curve: curve.name().to_owned(),
                    status: outcome.status(),
                    n: outcome.n(),
                    parameters: estimates.map(|fit| fit.parameters),
                    log_lik: estimates.map(|fit| fit.log_lik),
                    criteria: [
                        estimates.map(Estimates::aic),
                        estimates.and_then(Estimates::aicc),
                        estimates.map(Estimates::bic),
                    ],
                    note: outcome.reason(),
                    evidence: Some((evidence, validation.of(subject.subject, at))),
                });
            }
        },
        |model, add| model_choices(study, model, add),
    )
}

/// Of each curve the best model that was tried, by maximum likelihood on the birds that the
/// choice was made on.
fn model_choices<'a>(study: &'a Study, model: &'a TraitModel, add: &mut dyn FnMut(ChoiceRow<'a>)) {
    let curves = model.curves();
    let aicc = |likelihood: Likelihood| Some(likelihood.aicc).filter(|aicc| aicc.is_finite());
    let candidates: Vec<choice::Candidate> = curves
        .iter()
        .map(|tried| choice::Candidate {
            n: tried.counts.1,
            aicc: tried.likelihood.and_then(aicc),
            weak: tried.status == "weak",
        })
        .collect();
    let places = choice::places_among(&candidates);
    for (tried, place) in curves.into_iter().zip(places) {
        let likelihood = tried.likelihood;
        let with_penalty =
            |each: f64| likelihood.map(|fit| fit.parameters as f64 * each - 2.0 * fit.log_lik);
        let log_n = (tried.counts.1 as f64).ln();
        add(ChoiceRow {
            whose: Whose::all(study, model),
            place,
            curve: tried.curve.name().to_owned(),
            status: tried.status,
            n: tried.counts.1,
            parameters: likelihood.map(|fit| fit.parameters),
            log_lik: likelihood.map(|fit| fit.log_lik),
            criteria: [
                with_penalty(2.0),
                likelihood.map(|fit| fit.aicc),
                with_penalty(log_n),
            ],
            note: tried.reason.clone(),
            evidence: None,
        });
    }
}
