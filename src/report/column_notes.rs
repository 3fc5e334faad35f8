//! What each column of the result tables means, for those who open them without
//! the documents.

/// Table (empty: every table), column, meaning.
const NOTES: &[(&str, &str, &str)] = &[
    (
        "",
        "level",
        "what the row is about: bird, strain, pen or population",
    ),
    ("", "strain", "name of the strain"),
    (
        "",
        "bird",
        "name of the bird; empty where the row is about more than one",
    ),
    ("", "pen", "name of the pen"),
    (
        "",
        "trait",
        "what was weighed or measured: body_weight, fat, lean, bone",
    ),
    ("", "curve", "name of the growth curve"),
    ("", "age_d", "age in days; hatch is day 0"),
    ("", "n", "number of values or birds behind the row"),
    (
        "",
        "note",
        "why a cell is empty, or what to know about the row",
    ),
    ("", "reason", "why the fit is weak or failed"),
    (
        "",
        "status",
        "converged, weak (a term is not supported by the data) or failed",
    ),
    ("", "std_error", "standard error of the estimate"),
    (
        "",
        "lower",
        "lower limit of the interval (95 % where not asked otherwise)",
    ),
    (
        "",
        "upper",
        "upper limit of the interval (95 % where not asked otherwise)",
    ),
    (
        "",
        "log_lik",
        "full Gaussian log-likelihood at the maximum-likelihood variance",
    ),
    (
        "",
        "aic",
        "Akaike's information criterion; sigma counts as a parameter",
    ),
    ("", "aicc", "AIC corrected for few observations"),
    ("", "bic", "Bayesian information criterion"),
    ("", "fitted", "value of the curve at that age, g"),
    ("", "target_g", "target of the strain at that age, g"),
    (
        "curve_terms",
        "term",
        "term of the curve or quantity derived from it",
    ),
    (
        "curve_terms",
        "estimate",
        "its estimate: masses in g, ages in d, rates in g/d or 1/d",
    ),
    (
        "curve_fits",
        "rss",
        "residual sum of squares, weighted where the variance is not constant",
    ),
    ("curve_fits", "sigma", "residual standard deviation"),
    ("curve_fits", "iterations", "steps of the fit"),
    (
        "curve_fits",
        "variance_power",
        "power of the mean with which the standard deviation grows",
    ),
    (
        "curve_choice",
        "rank",
        "1 is the curve with the lowest AICc on the same observations",
    ),
    (
        "curve_choice",
        "parameters",
        "terms of the curve, sigma and an estimated variance power",
    ),
    ("curve_choice", "delta_aicc", "AICc less that of the first"),
    (
        "curve_choice",
        "weight",
        "Akaike weight: share of support among the curves fitted",
    ),
    (
        "curves",
        "simultaneous_lower",
        "lower limit that holds at all ages at once (Scheffe)",
    ),
    (
        "curves",
        "simultaneous_upper",
        "upper limit that holds at all ages at once (Scheffe)",
    ),
    ("curves", "rate", "rate of gain at that age, g/d"),
    ("curves", "rate_lower", "lower limit of the rate, g/d"),
    ("curves", "rate_upper", "upper limit of the rate, g/d"),
    ("residuals", "observed", "what was weighed, g"),
    ("residuals", "residual", "observed less fitted, g"),
    (
        "residuals",
        "standardised",
        "residual over its standard deviation under the fit",
    ),
    (
        "deviation",
        "observed_g",
        "what was weighed, or the mean of the group, g",
    ),
    (
        "deviation",
        "std_error",
        "standard error of a group's mean, g",
    ),
    ("deviation", "lower_g", "lower edge of the target band, g"),
    ("deviation", "upper_g", "upper edge of the target band, g"),
    ("deviation", "deviation_g", "observed less target, g"),
    (
        "deviation",
        "deviation_lower_g",
        "lower limit of the deviation, g",
    ),
    (
        "deviation",
        "deviation_upper_g",
        "upper limit of the deviation, g",
    ),
    (
        "deviation",
        "deviation_pct",
        "deviation in percent of the target",
    ),
    (
        "deviation",
        "days",
        "days ahead (+) or behind (-) of the target",
    ),
    (
        "deviation",
        "in_band",
        "yes, no, or unsure where the interval spans an edge of the band",
    ),
    (
        "deviation",
        "gain_needed_g_per_d",
        "gain that brings the weight back to target by the age asked for, g/d",
    ),
    (
        "deviation",
        "target_gain_g_per_d",
        "gain of the target over the same days, g/d",
    ),
    ("uniformity", "mean_g", "mean of the birds, g"),
    ("uniformity", "sd_g", "standard deviation between birds, g"),
    ("uniformity", "cv_pct", "coefficient of variation, percent"),
    (
        "uniformity",
        "cv_lower_pct",
        "lower limit of the coefficient of variation",
    ),
    (
        "uniformity",
        "cv_upper_pct",
        "upper limit of the coefficient of variation",
    ),
    (
        "uniformity",
        "within",
        "birds near the mean (10 percent where not asked otherwise)",
    ),
    (
        "uniformity",
        "uniformity_pct",
        "share of birds near the mean, percent",
    ),
    (
        "uniformity",
        "uniformity_lower_pct",
        "lower limit of that share",
    ),
    (
        "uniformity",
        "uniformity_upper_pct",
        "upper limit of that share",
    ),
    (
        "uniformity",
        "normal_uniformity_pct",
        "share that a normal spread of this size would give",
    ),
    (
        "uniformity",
        "near_target_pct",
        "share of birds near the target, percent",
    ),
    ("cues", "cue", "which timing cue"),
    ("cues", "estimate", "age at which it falls, d"),
    (
        "cues",
        "first_egg_age_d",
        "age at the first egg, where one was recorded, d",
    ),
    ("cues", "difference_d", "first egg less cue, d"),
    ("cue_summary", "cue", "which timing cue"),
    (
        "cue_summary",
        "n",
        "birds with both the cue and a first egg",
    ),
    (
        "cue_summary",
        "not_laying",
        "birds with the cue and no egg yet",
    ),
    (
        "cue_summary",
        "without_cue",
        "birds with a first egg and no cue",
    ),
    (
        "cue_summary",
        "mean_difference_d",
        "mean of first egg less cue, d",
    ),
    (
        "cue_summary",
        "sd_difference_d",
        "standard deviation of that difference, d",
    ),
    (
        "cue_summary",
        "correlation",
        "correlation of cue and first egg over birds",
    ),
    (
        "cue_summary",
        "correlation_lower",
        "lower limit of the correlation",
    ),
    (
        "cue_summary",
        "correlation_upper",
        "upper limit of the correlation",
    ),
];

/// What a column means: what is said of it in that table, or in every table.
pub(super) fn meaning(table: &str, column: &str) -> Option<&'static str> {
    let of = |wanted: &str| {
        NOTES
            .iter()
            .find(|(in_table, name, _)| *in_table == wanted && *name == column)
            .map(|(_, _, meaning)| *meaning)
    };
    of(table).or_else(|| of(""))
}
