//! Which curves were fitted to what, how, and how the fits ended.

use crate::fit::Variance;
use crate::fit::mixed::{Correlation, Covariance, Criterion, Estimator, Nodes, TermScale};
use crate::report::prose::{count, listed, was};
use crate::report::rounding;
use crate::report::sources::{References, Source, of_curve};
use crate::report::told::Told;
use crate::trajectory::{Level, PopulationFit, TraitModel};

pub(super) fn curves(told: &Told<'_>, cited: &mut References) -> Vec<String> {
    let trajectories = told.trajectories;
    if trajectories.subjects.is_empty() && trajectories.models.is_empty() {
        return Vec::new();
    }
    let each: Vec<String> = trajectories
        .curves
        .iter()
        .map(|curve| match of_curve(curve.name()) {
            Some((equation, source)) => format!(
                "{}, W = {} {}",
                curve.name(),
                equation
                    .replace('*', " \u{b7} ")
                    .replace("  ", " ")
                    .replace("  ", " "),
                cited.cite_text(&source)
            ),
            None => format!(
                "{} [equation and source of this curve's card]",
                curve.name()
            ),
        })
        .collect();
    let mut all = vec![format!(
        "{} considered, with W the mass at age t: {}.",
        if each.len() == 1 {
            "One growth curve was"
        } else {
            "Growth curves were"
        },
        each.join("; ")
    )];
    if trajectories
        .curves
        .iter()
        .any(|curve| curve.needs_hatch_weight())
    {
        all.push("Anchored curves were held at the weight at age 0 (w0), which was then no observation of the fit.".to_owned());
    }
    let subjects: Vec<&str> = [
        (Level::Bird, "each bird"),
        (Level::Strain, "the pooled records of each strain"),
    ]
    .into_iter()
    .filter(|(level, _)| {
        trajectories
            .subjects
            .iter()
            .any(|fits| fits.subject.level == *level)
    })
    .map(|(_, words)| words)
    .collect();
    if !subjects.is_empty() {
        let mut text = format!(
            "The curves were fitted to {} by nonlinear least squares with analytic derivatives and self-starting values, with {}",
            listed(&subjects),
            spread(told.variance, cited)
        );
        if told.correlation == Correlation::Ar1 {
            text +=
                " and a correlation of a bird's residuals that fades with the days between them";
        }
        text += &format!(
            "; convergence was judged by the relative offset {}{}.",
            cited.cite(Source::BatesOffset),
            cited.cite(Source::BatesWatts)
        );
        all.push(text);
    }
    all
}

fn spread(variance: Variance, cited: &mut References) -> String {
    match variance {
        Variance::Constant => "constant residual variance".to_owned(),
        Variance::Proportional => format!(
            "a residual standard deviation proportional to the fitted value {}",
            cited.cite(Source::CarrollRuppert)
        ),
        Variance::Power => format!(
            "a residual standard deviation proportional to an estimated power of the fitted value {}",
            cited.cite(Source::DavidianCarroll)
        ),
        Variance::LogNormal => "normal residuals of the logarithms".to_owned(),
    }
}

/// How many nodes the quadratures took, and why.
fn nodes(asked: Nodes, fits: &[&PopulationFit]) -> String {
    let taken = fits
        .iter()
        .filter_map(|fit| match fit.outcome.fit()?.estimator {
            Estimator::Quadrature {
                nodes: Nodes::Fixed(nodes),
            } => Some(nodes),
            _ => None,
        });
    match (asked, taken.clone().min(), taken.max()) {
        (Nodes::Fixed(nodes), ..) => format!("{nodes} nodes a random effect"),
        (Nodes::Converged, Some(least), Some(most)) => {
            let count = if least == most {
                least.to_string()
            } else {
                format!("{least} to {most}")
            };
            format!(
                "{count} nodes a random effect, as many as it took until more of them changed the log-likelihood by less than 0.001 and would have moved no estimate by more than 0.01 standard errors"
            )
        }
        (Nodes::Converged, ..) => "nodes added until more of them changed nothing".to_owned(),
    }
}

pub(super) fn mixed(told: &Told<'_>, cited: &mut References) -> Vec<String> {
    let fits: Vec<&PopulationFit> = told
        .trajectories
        .models
        .iter()
        .filter_map(TraitModel::growth)
        .collect();
    let Some(first) = fits.first() else {
        return Vec::new();
    };
    let options = &first.options;
    // In the order in which the sentence has them, for the numbers of the sources.
    let random = random(&fits, cited);
    let spread = spread(told.variance, cited);
    let estimator = match options.estimator {
        Estimator::Alternating => format!(
            "by alternating penalised least squares with a linearised mixed model {}",
            cited.cite(Source::LindstromBates)
        ),
        Estimator::Laplace => format!(
            "by Laplace's approximation of the likelihood {}",
            cited.cite(Source::PinheiroBates)
        ),
        Estimator::Quadrature { nodes } => format!(
            "by adaptive Gauss-Hermite quadrature with {} {}",
            self::nodes(nodes, &fits),
            cited.cite(Source::PinheiroBates)
        ),
    };
    let criterion = match options.criterion {
        Criterion::Likelihood => "maximum likelihood",
        Criterion::RestrictedLikelihood => "restricted maximum likelihood",
    };
    let groups = first.cohort.groups.len();
    let mut text = format!(
        "All birds were also fitted at once by nonlinear mixed models, with {}, {random} and {spread}, {estimator} ({criterion}).",
        if groups == 1 {
            "fixed effects common to all birds".to_owned()
        } else {
            format!("fixed effects of each term for each of {groups} groups of birds")
        }
    );
    if told.correlation == Correlation::Ar1 {
        text += " A bird's residuals were correlated, the less the more days lay between them.";
    }
    let ended = |status: &str| {
        fits.iter()
            .filter(|fit| fit.outcome.status() == status)
            .count()
    };
    let gradients = fits
        .iter()
        .filter(|fit| fit.outcome.status() == "converged")
        .filter_map(|fit| fit.outcome.fit())
        .map(|fit| fit.certificate.gradient);
    let greatest = gradients.fold(0.0, f64::max);
    text += &format!(
        " Of {} {} converged, {} {} weak and {} failed (mixed_fits.csv)",
        count(fits.len(), "mixed fit"),
        ended("converged"),
        ended("weak"),
        was(ended("weak")),
        ended("failed")
    );
    if ended("converged") > 0 {
        text += &format!(
            "; those that converged ended at most {} standard errors from the maximum, by the gradient in the metric of the information",
            rounding::significant(greatest, 1)
        );
    }
    text.push('.');
    vec![text]
}

/// The random effects, in words.
fn random(fits: &[&PopulationFit], cited: &mut References) -> String {
    let mut terms: Vec<String> = Vec::new();
    for fit in fits {
        let names: Vec<&str> = fit
            .options
            .random
            .iter()
            .map(|term| term.term.as_str())
            .collect();
        let told = format!("{} of {}", listed(&names), fit.curve.name());
        if !names.is_empty() && !terms.contains(&told) {
            terms.push(told);
        }
    }
    if terms.is_empty() {
        return "no random effect".to_owned();
    }
    let covariance = match fits[0].options.covariance {
        Covariance::Diagonal => "independent",
        Covariance::Full => "correlated",
    };
    let logs = fits
        .iter()
        .filter_map(|fit| fit.outcome.fit())
        .flat_map(|fit| &fit.random)
        .any(|effect| effect.scale != TermScale::Natural);
    let scale = if logs {
        " (some on the scale of logarithms, as random_effects.csv says)"
    } else {
        ""
    };
    format!(
        "{covariance} random effects by bird{scale} on {}{} {}",
        terms.join("; "),
        by_pen(fits),
        cited.cite(Source::PinheiroBates)
    )
}

/// Random effects by pen, where the fits have them.
fn by_pen(fits: &[&PopulationFit]) -> String {
    let with = fits.iter().filter(|fit| !fit.options.cluster.is_empty());
    let of = with.map(|fit| {
        let names: Vec<&str> = fit.options.cluster.iter().map(|one| &*one.term).collect();
        format!("{} of {}", listed(&names), fit.curve.name())
    });
    let mut of: Vec<String> = of.collect();
    of.dedup();
    if of.is_empty() {
        String::new()
    } else {
        format!(" and by pen on {}", of.join("; "))
    }
}

/// How the fits of birds and strains ended, so that nobody has to ask what was left out.
pub(super) fn endings(told: &Told<'_>) -> Vec<String> {
    let trajectories = told.trajectories;
    let total: usize = trajectories
        .subjects
        .iter()
        .map(|subject| subject.fits.len())
        .sum();
    if total == 0 {
        return Vec::new();
    }
    let ended = |status: &str| {
        let fits = trajectories
            .subjects
            .iter()
            .flat_map(|subject| &subject.fits);
        fits.filter(|fit| fit.outcome.status() == status).count()
    };
    let (weak, failed) = (ended("weak"), ended("failed"));
    let few = trajectories
        .subjects
        .iter()
        .flat_map(|subject| &subject.fits)
        .filter(|fit| {
            fit.outcome.status() == "failed" && fit.outcome.n() <= fit.curve.terms().len()
        })
        .count();
    let mut text = format!(
        "Of {} of birds and strains {} converged, {weak} {} weak (a term that the data do not support) and {failed} failed",
        count(total, "fit"),
        ended("converged"),
        was(weak)
    );
    if few > 0 {
        text +=
            &format!(", {few} of these since there were no more records than the curve has terms");
    }
    text += if weak + failed > 0 {
        "; the reason of each stands in curve_fits.csv. No weak or failed fit was averaged into another result."
    } else {
        "."
    };
    vec![text]
}
