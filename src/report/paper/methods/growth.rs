//! Which models describe growth, how they were selected and fitted.

use super::super::Paper;
use super::super::sources::{References, Source, of_curve};
use super::super::words::{capital, count, curve, number, spaced, term, was};
use crate::age::AgeUnit;
use crate::fit::Variance;
use crate::fit::mixed::{
    Correlation, Covariance, Criterion, Estimator, MixedFit, Nodes, TermScale,
};
use crate::report::prose::listed;
use crate::report::rounding;
use crate::trajectory::{Level, PopulationFit, TraitModel};

impl Paper<'_> {
    pub(super) fn growth_models(&self, cited: &mut References) -> Vec<String> {
        let growth = &self.analysis.growth;
        let trajectories = &growth.trajectories;
        let of_samples = growth.sampled.as_ref().filter(|of| of.model.is_ok());
        let has_curves = !trajectories.subjects.is_empty() || !trajectories.models.is_empty();
        let mut all = Vec::new();
        if has_curves || of_samples.is_some() {
            all.push(self.candidates(cited));
        }
        all.extend(self.samples(cited));
        for model in &trajectories.models {
            if let Some(fit) = model.growth() {
                all.push(self.mixed(model, fit, cited));
            }
        }
        all.extend(self.allometric(cited));
        all.extend(self.densities());
        all.extend(self.single_fits(cited));
        all
    }

    /// The curves that were considered, with their equations.
    fn candidates(&self, cited: &mut References) -> String {
        let curves = &self.analysis.growth.trajectories.curves;
        let each: Vec<String> = curves
            .iter()
            .map(|one| match of_curve(one.name()) {
                Some((equation, source)) => {
                    let equation = equation.replace('*', " \u{b7} ");
                    let equation: Vec<&str> = equation.split_whitespace().collect();
                    format!(
                        "{}, W = {} {}",
                        curve(one.name()),
                        equation.join(" "),
                        cited.cite_text(&source)
                    )
                }
                None => format!("{} [state its equation and source]", curve(one.name())),
            })
            .collect();
        let mut text = match each.as_slice() {
            [one] => format!("The growth curve was the {one}, where W is the mass at age t."),
            all => format!(
                "Candidate growth curves, with W the mass at age t, were: {}.",
                all.join("; ")
            ),
        };
        let mut symbols: Vec<String> = Vec::new();
        for of in curves.iter().flat_map(|one| one.terms()) {
            let words = format!("{}, {}", of.name, of.meaning);
            if !symbols.contains(&words) {
                symbols.push(words);
            }
        }
        if !symbols.is_empty() {
            text += &format!(" The parameters are: {}.", symbols.join("; "));
        }
        if curves.iter().any(|one| one.needs_hatch_weight()) {
            text += " Hatch-anchored curves were fixed at the weight at hatch (w0), which was then not an observation.";
        }
        text
    }

    /// The model of one trait by a growth curve.
    fn mixed(&self, model: &TraitModel, fit: &PopulationFit, cited: &mut References) -> String {
        let name = spaced(&self.analysis.study.traits[model.trait_index].name);
        let by = self.groups();
        let groups = fit.cohort.groups.len();
        let fixed = match groups {
            0 | 1 => "fixed effects common to all birds".to_owned(),
            _ => format!("separate fixed effects of every parameter for each {by}"),
        };
        let mut text = format!(
            "{} of all birds was described by one nonlinear mixed model with {fixed} {}.",
            capital(&name),
            cited.cite(Source::PinheiroBates)
        );
        let tried: Vec<&str> = model.tried.iter().map(|one| one.curve.name()).collect();
        let several = tried.iter().any(|one| *one != fit.curve.name());
        if model.tried.len() > 1 {
            let mut steps = vec![
                "the residual variance function (constant, proportional to the fitted value, or a power of it)",
                "the parameters with random effects of bird",
                "the correlation of these effects",
                "the serial correlation of residuals within birds (continuous-time autoregression)",
            ];
            if several {
                steps.push("the growth curve");
            }
            text += &format!(
                " The model was selected by maximum likelihood and AICc, with the number of birds as the sample size {}{}, in this order: {}.",
                cited.cite(Source::HurvichTsai),
                cited.cite(Source::BurnhamAnderson),
                listed(&steps)
            );
        }
        let Some(mixed) = fit.outcome.fit() else {
            return text
                + &format!(
                    " No model converged ({}); {name} is reported from pooled fits where these converged.",
                    fit.outcome.reasons().join("; ")
                );
        };
        text += &format!(
            " The {} model had the {} curve, {}, and {}.",
            if model.tried.len() > 1 {
                "selected"
            } else {
                "fitted"
            },
            curve(fit.curve.name()),
            random_effects(fit, mixed),
            residuals(fit, mixed, cited)
        );
        if several && let Some(delta) = next_best(model, fit.curve.name()) {
            text += &format!(
                " The best model with another curve had an AICc {} units higher.",
                rounding::significant(delta, 3)
            );
        }
        if !fit.options.cluster.is_empty() {
            text +=
                " The random effect of pen belongs to the design and was kept regardless of AICc.";
        }
        text += &format!(" {}", estimation(fit, mixed, cited));
        if fit.outcome.status() == "weak" {
            text += &format!(
                " Some parameters were not supported by the data ({}) and are not reported.",
                fit.outcome.reasons().join("; ")
            );
        }
        text
    }

    /// Densities that the scanner reads.
    fn densities(&self) -> Option<String> {
        let found = self.analysis.densities.as_ref()?;
        let models = found.models.iter();
        let each = models.filter_map(|model| {
            let density = found.of_model(model)?;
            Some(format!(
                "{} ({}, {})",
                spaced(&density.name),
                density.unit,
                match density.calibrated_on {
                    Some(birds) => format!("calibrated on {}", count(birds, "bird")),
                    None => "readings of the scanner, not calibrated".to_owned(),
                }
            ))
        });
        let each: Vec<String> = each.collect();
        (!each.is_empty()).then(|| {
            format!(
                "{} followed in the unit of the reading, as a function of each bird's body-weight curve by the same kind of model as masses, and no part of any sum of masses.",
                match each.as_slice() {
                    [one] => format!("{} was", capital(one)),
                    several => format!("{} were", capital(&listed(several))),
                }
            )
        })
    }

    /// Traits described by allometry on the curve of body weight.
    fn allometric(&self, cited: &mut References) -> Option<String> {
        let study = &self.analysis.study;
        let models = &self.analysis.growth.trajectories.models;
        let found: Vec<_> = models
            .iter()
            .filter_map(|model| Some((model, model.allometry()?)))
            .collect();
        let by = self.groups();
        let each: Vec<String> = found
            .iter()
            .map(|(model, fit)| {
                let form = fit.choice.iter().find(|form| form.chosen);
                let name = spaced(&study.traits[model.trait_index].name);
                let form = form.map_or("a straight line".to_owned(), |form| {
                    self::form(&form.name, by)
                });
                format!("{name}, {form}")
            })
            .collect();
        let names: Vec<String> = found
            .iter()
            .map(|(model, _)| spaced(&study.traits[model.trait_index].name))
            .collect();
        let (_, first) = found.first()?;
        Some(format!(
            "{} were described by allometry on each bird's body-weight curve {}: the logarithm of mass was modelled as a function of the logarithm of body weight with {by} effects, a random effect of bird, and the known error variance of each corrected mass ({}, {} scans). Straight lines, broken lines and natural splines in log body weight, each with and without {by}-specific exponents and an effect of age, were compared by AICc on the scale of the masses. The selected forms were: {}. Uncertainty of the body-weight model was propagated.",
            capital(&listed(&names)),
            cited.cite(Source::Huxley),
            count(first.birds_scanned, "bird"),
            first.n,
            each.join("; ")
        ))
    }

    /// Fits of single birds and pooled strains.
    fn single_fits(&self, cited: &mut References) -> Option<String> {
        let trajectories = &self.analysis.growth.trajectories;
        let at = |level: Level| {
            trajectories
                .subjects
                .iter()
                .any(|fits| fits.subject.level == level)
        };
        let mut whom = Vec::new();
        if at(Level::Bird) {
            whom.push("each bird");
        }
        if at(Level::Strain) {
            whom.push("the pooled records of each strain");
        }
        if whom.is_empty() {
            return None;
        }
        let request = &self.options.growth.request;
        let modelled = trajectories
            .models
            .iter()
            .any(|model| model.status() != "failed");
        let mut text = format!(
            "{} fitted to {} by nonlinear least squares with {} {}",
            if modelled {
                "For comparison, the curves were also"
            } else {
                "The curves were"
            },
            listed(&whom),
            spread(request.settings.variance, cited),
            cited.cite(Source::BatesWatts)
        );
        if request.correlation == Correlation::Ar1 {
            text += " and autoregressive residuals within birds";
        }
        text += &format!(
            "; convergence was judged by the relative offset {}.",
            cited.cite(Source::BatesOffset)
        );
        let fits = || {
            trajectories
                .subjects
                .iter()
                .flat_map(|subject| &subject.fits)
        };
        let few = fits()
            .filter(|fit| fit.outcome.n() <= fit.curve.terms().len())
            .count();
        let total = fits().count() - few;
        let ended = |status: &str| {
            let enough = fits().filter(|fit| fit.outcome.n() > fit.curve.terms().len());
            enough.filter(|fit| fit.outcome.status() == status).count()
        };
        let (weak, failed) = (ended("weak"), ended("failed"));
        text += &format!(
            " Of {} to more records than parameters, {} converged, {} {} not fully supported by the data and {} failed; the reasons are in curve_fits.csv.",
            count(total, "fit"),
            ended("converged"),
            number(weak),
            was(weak),
            number(failed)
        );
        if modelled {
            text += " These fits are descriptive and were not used for inference.";
        }
        Some(text)
    }
}

/// By how much the best model with another curve is worse, AICc.
fn next_best(model: &TraitModel, chosen: &str) -> Option<f64> {
    let aicc = |same: bool| {
        let tried = model.tried.iter();
        let tried = tried.filter(|one| {
            (one.curve.name() == chosen) == same && one.status == "converged" || same && one.chosen
        });
        let found = tried.filter_map(|one| Some(one.likelihood?.aicc));
        found.filter(|aicc| aicc.is_finite()).min_by(f64::total_cmp)
    };
    let delta = aicc(false)? - aicc(true)?;
    (delta > 0.0).then_some(delta)
}

/// "correlated random effects of bird on log A1, ti1 and ti2, a random effect of pen ...".
fn random_effects(fit: &PopulationFit, mixed: &MixedFit) -> String {
    let terms = fit.curve.terms();
    let scaled = |at: usize, scale: TermScale| match scale {
        TermScale::Natural => terms[at].name.to_string(),
        TermScale::Log => format!("log {}", terms[at].name),
        TermScale::Above(other) => {
            format!("log ({} \u{2212} {})", terms[at].name, terms[other].name)
        }
    };
    let of_birds: Vec<String> = mixed
        .random
        .iter()
        .map(|effect| scaled(effect.term, effect.scale))
        .collect();
    let birds = match (of_birds.len(), fit.options.covariance) {
        (0, _) => "no random effect of bird".to_owned(),
        (1, _) => format!("a random effect of bird on {}", of_birds[0]),
        (_, Covariance::Diagonal) => {
            format!(
                "independent random effects of bird on {}",
                listed(&of_birds)
            )
        }
        (_, Covariance::Full) => {
            format!("correlated random effects of bird on {}", listed(&of_birds))
        }
    };
    if fit.options.cluster.is_empty() {
        return birds;
    }
    let of_pens: Vec<&str> = fit.options.cluster.iter().map(|one| &*one.term).collect();
    if fit.options.common_cluster {
        format!(
            "{birds}, a random effect of pen that scales {}",
            listed(&of_pens)
        )
    } else {
        format!("{birds}, random effects of pen on {}", listed(&of_pens))
    }
}

/// "a residual standard deviation proportional to the fitted value (2.0 %)".
fn residuals(fit: &PopulationFit, mixed: &MixedFit, cited: &mut References) -> String {
    let sigma = mixed.sigma;
    let mut text = match fit.options.variance {
        Variance::Constant => {
            format!(
                "a constant residual standard deviation ({} g)",
                rounding::significant(sigma, 3)
            )
        }
        Variance::Proportional => format!(
            "a residual standard deviation proportional to the fitted value ({} %)",
            rounding::significant(100.0 * sigma, 3)
        ),
        Variance::Power => format!(
            "a residual standard deviation proportional to the fitted value to the power {} {}",
            rounding::significant(mixed.variance_power(), 2),
            cited.cite(Source::DavidianCarroll)
        ),
        Variance::LogNormal => format!(
            "log-normal residuals (standard deviation of the logarithm {})",
            rounding::significant(sigma, 3)
        ),
    };
    text += match fit.options.correlation {
        Correlation::None => " without serial correlation",
        Correlation::Ar1 => " with autoregressive errors within birds",
    };
    text
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
        Variance::LogNormal => "log-normal residuals".to_owned(),
    }
}

/// How the model was estimated, and the numerical precision of its maximum.
fn estimation(fit: &PopulationFit, mixed: &MixedFit, cited: &mut References) -> String {
    let criterion = match fit.options.criterion {
        Criterion::Likelihood => "maximum likelihood",
        Criterion::RestrictedLikelihood => "restricted maximum likelihood",
    };
    let how = match mixed.estimator {
        Estimator::Alternating => format!(
            "by alternating penalised least squares and a linearised mixed model {}",
            cited.cite(Source::LindstromBates)
        ),
        Estimator::Laplace => "with the Laplace approximation of the likelihood".to_owned(),
        Estimator::Quadrature { nodes } => match nodes {
            Nodes::Fixed(nodes) => {
                format!("by adaptive Gauss-Hermite quadrature with {nodes} nodes per random effect")
            }
            Nodes::Converged => "by adaptive Gauss-Hermite quadrature, with nodes added until the log-likelihood changed by less than 0.001".to_owned(),
        },
    };
    format!(
        "The model was estimated by {criterion}, {how}; at the solution, the gradient was equivalent to {} standard errors and the information matrix was positive definite.",
        match mixed.certificate.gradient {
            small if small < 0.001 => "less than 0.001".to_owned(),
            large => rounding::significant(large, 1),
        }
    )
}

/// "a straight line with strain-specific exponents and an effect of age".
fn form(name: &str, by: &str) -> String {
    let mut parts = name.split(", ");
    let shape = match parts.next().unwrap_or_default() {
        "line" => "a straight line".to_owned(),
        other => format!(
            "a {}",
            other
                .replace("3 knots", "three knots")
                .replace("4 knots", "four knots")
        ),
    };
    let with: Vec<String> = parts
        .map(|part| match part {
            "exponent by group" => format!("{by}-specific exponents"),
            "age" => "an effect of age".to_owned(),
            other => term(other, AgeUnit::Days),
        })
        .collect();
    match with.as_slice() {
        [] => shape,
        with if shape.contains(" with ") => format!("{shape} and {}", listed(with)),
        with => format!("{shape} with {}", listed(with)),
    }
}
