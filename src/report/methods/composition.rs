//! How scans were taken, calibrated and corrected.

use super::in_words;
use crate::composition::Scale;
use crate::composition::study_equations::Chosen;
use crate::report::prose::{count, listed, was};
use crate::report::sources::{References, Source};
use crate::report::told::Told;
use crate::study::{Records, WHOLE};

pub(super) fn scans(told: &Told<'_>, cited: &mut References) -> Vec<String> {
    let rows = &told.study.scans.rows;
    if rows.is_empty() {
        return Vec::new();
    }
    let rules = &told.study.settings.scans;
    let mut first = format!(
        "{} {} taken. [Scanner, software version, settings, restraint or sedation.]",
        count(rows.len(), "scan reading"),
        if rows.len() == 1 { "was" } else { "were" }
    );
    let rejected = told.table("rejected_scans");
    let mut reasons = vec![format!(
        "its fat, lean and bone differed from the scale weight by more than {} % of it",
        rules.mass_tolerance_pct
    )];
    if rows.iter().any(|scan| scan.region != WHOLE) {
        reasons.push(format!(
            "its regions missed the whole by more than {} %",
            rules.region_tolerance_pct
        ));
    }
    if !rules.reject.is_empty() {
        reasons.push(format!("it was marked {}", rules.reject.join(" or ")));
    }
    first += &format!(" A scan was rejected where {}.", reasons.join(", or "));
    first += &match rejected.map(|table| table.rows().count()) {
        Some(n) => format!(
            " {} {} not used; the reason of each stands in rejected_scans.csv.",
            count(n, "reading"),
            was(n)
        ),
        None => " None was rejected.".to_owned(),
    };
    let mut all = vec![first];
    if let Some(answer) = told.repeatability {
        let sets = |trait_name: &str| {
            let rows = answer.rows.iter();
            let rows = rows.filter(|row| row.trait_name == trait_name);
            rows.map(|row| row.subjects).sum::<usize>()
        };
        let most = answer.rows.iter().map(|row| sets(&row.trait_name)).max();
        let mut text = format!(
            "Repeatability was judged, for each way of scanning on its own, from {} of repeated scans (a bird, or a group of birds, at one age in one way, repositioned between scans), as the root mean square of their standard deviations with chi-squared intervals, and as the least significant change between two single scans, 2.77 times that {}.",
            count(most.unwrap_or(0), "set"),
            cited.cite(Source::Glueer)
        );
        if answer.rows.iter().any(|row| row.grows().is_some()) {
            text += " The standard deviation was taken as constant, proportional to mass or a power of it, whichever had the lowest AICc, and a constant one was tested by likelihood ratio.";
        }
        if !answer.methods.is_empty() {
            text +=
                " Ways of scanning were compared by the ratio of their error variances (F test).";
        }
        if !answer.groups.is_empty() {
            text += " Scans of several birds were compared with scans of the same birds singly.";
        }
        all.push(text);
    }
    all
}

pub(super) fn calibration(told: &Told<'_>, cited: &mut References) -> Vec<String> {
    let mut all = Vec::new();
    if !told.equations.is_empty() {
        all.push(fitted_equations(told.equations, cited));
        let compared = told
            .equations
            .iter()
            .any(|one| !one.calibration.agreement.is_empty());
        let mut text =
            "Each equation was judged by the error with which it predicts birds left out whole"
                .to_owned();
        if compared {
            text += &format!(
                ", and chemistry was compared with the readings and with these predictions by bias and limits of agreement {} and by the concordance coefficient {}",
                cited.cite(Source::BlandAltman),
                cited.cite(Source::Lin)
            );
        }
        text += ". [Slaughter, laboratory methods, what part of the bird was analysed.]";
        all.push(text);
    } else if let Some(masses) = told.masses {
        let equations: Vec<String> = masses
            .corrections
            .iter()
            .map(|one| {
                let from = &one.equation.provenance;
                let source = match from.source.as_str() {
                    "" => String::new(),
                    source => format!("; {source}"),
                };
                format!(
                    "{} ({}, {} rows of {} birds{source})",
                    from.response, from.method, from.rows, from.birds
                )
            })
            .collect();
        all.push(format!(
            "Saved regression equations of chemistry on readings were used: {}.",
            listed(&equations)
        ));
    } else if !told.study.scans.rows.is_empty() {
        all.push("The readings were not put on the chemistry scale, since no equation was at hand, and entered no growth curve.".to_owned());
    }
    if told.table("feathers").is_some() {
        let mut text = "The share of feathers in the bird was taken from the analysed birds, by strain and age".to_owned();
        if told.table("feather_routes").is_some() {
            text += "; carcasses scanned intact and then plucked gave the effect of feathers on each reading, and an explicit feather step was compared with one regression by the error of birds left out";
        }
        text.push('.');
        all.push(text);
    }
    all
}

fn fitted_equations(chosen: &[Chosen], cited: &mut References) -> String {
    let each: Vec<String> = chosen
        .iter()
        .map(|one| {
            let from = &one.calibration.equation.provenance;
            // As the user wrote the candidate.
            let terms = match one.choice.rows.first() {
                Some(best) if !best.candidate.is_empty() => best.candidate.replace(',', ", "),
                _ => "a constant".to_owned(),
            };
            let how = match from.scale {
                Scale::Identity => "",
                Scale::Log => " on the scale of logarithms",
            };
            let among = match one.choice.rows.len() {
                0 | 1 => String::new(),
                n => format!(", chosen among {n} candidates"),
            };
            format!(
                "{} on {terms}{how} ({} rows of {} birds{among})",
                from.response, from.rows, from.birds
            )
        })
        .collect();
    let methods: Vec<&str> = chosen
        .iter()
        .map(|one| one.calibration.equation.provenance.method.as_str())
        .collect();
    let how = match methods.first().copied().unwrap_or_default() {
        "power of the mean" => format!(
            "by least squares weighted by an estimated power of the prediction {}{}",
            cited.cite(Source::CarrollRuppert),
            cited.cite(Source::DavidianCarroll)
        ),
        "robust" => format!("robustly (Huber's weights) {}", cited.cite(Source::Huber)),
        _ => "by ordinary least squares".to_owned(),
    };
    let mut text = format!(
        "Chemistry was regressed on scan readings {how}: {}.",
        each.join("; ")
    );
    if chosen.iter().any(|one| one.choice.rows.len() > 1) {
        text += " Candidates were compared by the root mean square error of birds left out whole.";
    }
    let repeated = |one: &Chosen| {
        let from = &one.calibration.equation.provenance;
        from.rows > from.birds
    };
    if chosen.iter().any(repeated) {
        text += &format!(
            " Where a bird gave several rows, variances of the coefficients were raised for their likeness {}.",
            cited.cite(Source::Moulton)
        );
    }
    text
}

pub(super) fn correction(told: &Told<'_>) -> Vec<String> {
    let Some(masses) = told.masses else {
        return Vec::new();
    };
    if masses.corrections.is_empty() {
        return Vec::new();
    }
    let traits: Vec<String> = masses
        .corrections
        .iter()
        .map(|one| {
            format!(
                "{} ({})",
                in_words(&one.trait_name),
                count(one.rows.len(), "scan")
            )
        })
        .collect();
    let mut text = format!(
        "The scans that were kept and that the equations are for were corrected by them: {}. The error of a corrected mass has a part of the bird's own and a part of the equation that all scans share",
        listed(&traits)
    );
    let weighted: Vec<&Records> = told
        .study
        .traits
        .iter()
        .filter(|records| !records.variances.is_empty())
        .collect();
    if weighted.is_empty() {
        text.push('.');
    } else {
        text += "; in the growth curves each mass was weighted by the inverse of the variance of its own part, and the shared part is in no standard error of a curve";
        text += match told.table("calibration_share") {
            Some(_) => {
                ", but was carried into the curves by drawing the equations' coefficients anew and fitting again (calibration_share.csv)."
            }
            None => ".",
        };
    }
    let allowed = &told.study.settings.calibration.allowed_strains;
    for (strain, known) in allowed {
        text += &format!(" {strain}, which the equations do not know, was taken for {known}.");
    }
    let mut all = vec![text];
    if let Some(first) = masses.balance.first() {
        all.push(format!(
            "The parts ({}) were added up against the scale weight of the same {}.",
            listed(
                &first
                    .parts
                    .iter()
                    .map(|part| in_words(part))
                    .collect::<Vec<_>>()
            ),
            count(masses.balance.len(), "scan")
        ));
    }
    all
}
