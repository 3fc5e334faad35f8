//! The methods paragraph and the references, built from what was run.

use crate::fit::Variance;
use crate::study::Study;
use crate::trajectory::{Level, Trajectories};

/// What was asked for, as far as a methods paragraph tells it.
#[derive(Debug, Clone, Copy)]
pub struct Told<'a> {
    /// How the spread of the residuals depended on the fitted value.
    pub variance: Variance,
    /// Confidence of the intervals.
    pub confidence: f64,
    /// Traits in the study's order that have targets.
    pub has_targets: bool,
    /// Whether first eggs were known.
    pub has_onset: bool,
    /// Program and version.
    pub software: &'a str,
}

/// A published source and what it was used for.
const SOURCES: [(&str, &str); 6] = [
    (
        "least squares",
        "Bates DM, Watts DG (1988) Nonlinear Regression Analysis and Its Applications. Wiley, New York",
    ),
    (
        "choice",
        "Burnham KP, Anderson DR (2002) Model Selection and Multimodel Inference, 2nd ed. Springer, New York",
    ),
    (
        "bands",
        "Scheffé H (1959) The Analysis of Variance. Wiley, New York",
    ),
    (
        "cubic",
        "Fritsch FN, Carlson RE (1980) Monotone piecewise cubic interpolation. SIAM Journal on Numerical Analysis 17:238-246",
    ),
    ("colours", "Okabe M, Ito K (2008) Color universal design"),
    (
        "share",
        "Wilson EB (1927) Probable inference, the law of succession, and statistical inference. Journal of the American Statistical Association 22:209-212",
    ),
];

/// The methods in paragraphs: what was fitted to what, how, with which software;
/// then what was left out and why; then the sources.
#[must_use]
pub fn methods(study: &Study, trajectories: &Trajectories, told: &Told<'_>) -> Vec<String> {
    let mut paragraphs = vec![fitting(study, trajectories, told)];
    if study
        .traits
        .iter()
        .any(|records| !records.variances.is_empty())
    {
        paragraphs.push("Scanner readings were put on the chemistry scale by the regression equations of the calibration tables; each corrected mass was weighted by the inverse of its own error variance. The errors that an equation gives to all birds together are in no standard error of a curve: see calibration_share where redraws were asked for.".to_owned());
    }
    if !trajectories.populations.is_empty() {
        paragraphs.push("All birds were also fitted at once by nonlinear mixed models with fixed effects by strain and random effects by bird; the tables mixed_fits and random_effects name the estimator's end and the effects.".to_owned());
    }
    paragraphs.push(inference(told));
    if told.has_targets {
        paragraphs.push("Targets between the tabulated ages were read from a monotone piecewise cubic (Fritsch and Carlson 1980). The deviation in days is the age at which the target has the observed mass, less the age at weighing. Uniformity is the share of birds within 10 % of the mean of their strain or pen at that age, with Wilson (1927) intervals.".to_owned());
    }
    if told.has_onset {
        paragraphs.push("Timing cues were read from each fitted curve with delta-method standard errors, and set beside the recorded age at first egg of the same bird. Such associations hold for these strains under this light programme.".to_owned());
    }
    paragraphs.push(endings(trajectories));
    paragraphs.push(format!("Computations: {}.", told.software));
    let used = |key: &str| match key {
        "cubic" | "share" => told.has_targets,
        _ => true,
    };
    let sources: Vec<&str> = SOURCES
        .iter()
        .filter(|(key, _)| used(key))
        .map(|(_, source)| *source)
        .collect();
    paragraphs.push(format!("Sources: {}.", sources.join("; ")));
    paragraphs
}

fn fitting(study: &Study, trajectories: &Trajectories, told: &Told<'_>) -> String {
    let curves: Vec<&str> = trajectories
        .curves
        .iter()
        .map(|curve| curve.name())
        .collect();
    let subjects = [
        (Level::Bird, "each bird"),
        (Level::Strain, "the pooled birds of each strain"),
    ]
    .into_iter()
    .filter(|(level, _)| {
        trajectories
            .subjects
            .iter()
            .any(|fits| fits.subject.level == *level)
    })
    .map(|(_, words)| words)
    .collect::<Vec<_>>()
    .join(" and to ");
    let records: Vec<String> = study
        .traits
        .iter()
        .map(|records| {
            format!(
                "{} records of {}",
                records.values.len(),
                records.name.replace('_', " ")
            )
        })
        .collect();
    let spread = match told.variance {
        Variance::Constant => "constant residual variance",
        Variance::Proportional => "a residual standard deviation proportional to the fitted value",
        Variance::Power => {
            "a residual standard deviation proportional to an estimated power of the fitted value"
        }
        Variance::LogNormal => "log-normal residuals",
    };
    format!(
        "{} birds of {} ({}) gave {}. {} ({}) {} fitted to {subjects} by nonlinear least squares with analytic derivatives, {spread}, and self-starting values; convergence was judged by the relative offset (Bates and Watts 1988).",
        study.birds.len(),
        if study.strains.len() == 1 {
            "one strain".to_owned()
        } else {
            format!("{} strains", study.strains.len())
        },
        study.strains.join(", "),
        records.join(", "),
        if curves.len() == 1 {
            "One growth curve"
        } else {
            "Growth curves"
        },
        curves.join(", "),
        if curves.len() == 1 { "was" } else { "were" },
    )
}

fn inference(told: &Told<'_>) -> String {
    format!(
        "Standard errors are those of the linearised model at the optimum, intervals are {} % t intervals, and derived quantities have delta-method standard errors. Bands of curves are pointwise, and simultaneous by Scheffé's method for single birds and by simulated maxima of the standardised curve (sup-t) for strains. Curves fitted to the same observations were ranked by AICc (Burnham and Anderson 2002).",
        (told.confidence * 1e4).round() / 1e2
    )
}

/// How the fits ended, so that nobody has to ask which were left out.
fn endings(trajectories: &Trajectories) -> String {
    let (converged, weak, failed) = (
        trajectories.count("converged"),
        trajectories.count("weak"),
        trajectories.count("failed"),
    );
    format!(
        "Of {} fits {converged} converged, {weak} were weak (a term not supported by the data) and {failed} failed; the reason of each stands in the table curve_fits, and none of the weak or failed ones was averaged into another result.",
        converged + weak + failed
    )
}
