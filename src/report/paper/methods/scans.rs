//! How scans were taken, calibrated and corrected.

use super::super::Paper;
use super::super::sources::{References, Source};
use super::super::words::{capital, coefficient, count, spaced};
use crate::composition::Scale;
use crate::composition::study_equations::Chosen;
use crate::report::prose::listed;
use crate::study::WHOLE;

impl Paper<'_> {
    pub(super) fn scans(&self, cited: &mut References) -> Vec<String> {
        let study = &self.analysis.study;
        let rows = &study.scans.rows;
        if rows.is_empty() {
            return Vec::new();
        }
        let rules = &study.settings.scans;
        let mut reasons = vec![format!(
            "the sum of fat, lean and bone deviated from the scale weight by more than {} %",
            rules.mass_tolerance_pct
        )];
        if rows.iter().any(|scan| scan.region != WHOLE) {
            reasons.push(format!(
                "the regions did not add up to the whole within {} %",
                rules.region_tolerance_pct
            ));
        }
        if !rules.reject.is_empty() {
            reasons.push(format!("it was marked as {}", rules.reject.join(" or ")));
        }
        let mut all = vec![format!(
            "A total of {} {} taken. [State the scanner, its software version and settings, and how birds were restrained or sedated.] A scan was rejected if {}.",
            count(rows.len(), "scan"),
            super::super::words::was(rows.len()),
            any_of(&reasons)
        )];
        if let Some(answer) = self.analysis.scans.precision.iter().flatten().next() {
            let sets = answer.rows.iter().map(|row| row.subjects).max();
            let mut text = format!(
                "Repeatability was estimated for each way of scanning from repeated scans with repositioning (up to {} of scans per way), as the root mean square standard deviation with chi-squared confidence limits; the least significant change between two single scans is 2.77 times this value {}.",
                count(sets.unwrap_or(0), "set"),
                cited.cite(Source::Glueer)
            );
            if answer.rows.iter().any(|row| row.grows().is_some()) {
                text += " The standard deviation was taken as constant, proportional to mass or a power of mass, whichever had the lowest AICc; constancy was tested by likelihood ratio.";
            }
            if !answer.methods.is_empty() {
                text += " Ways of scanning were compared by F tests of their error variances.";
            }
            if !answer.groups.is_empty() {
                text += " Scans of several birds together were compared with scans of the same birds taken singly.";
            }
            all.push(text);
        }
        all
    }

    pub(super) fn calibration(&self, cited: &mut References) -> Vec<String> {
        let scans = &self.analysis.scans;
        let mut all = Vec::new();
        let equations = scans.equations.as_ref();
        let chosen = equations.map_or(&[][..], |found| &found.chosen);
        if !chosen.is_empty() {
            let mut text = fitted_equations(chosen, cited);
            if chosen
                .iter()
                .any(|one| !one.calibration.agreement.is_empty())
            {
                text += &format!(
                    " Agreement with chemistry of the readings, and of the predictions of birds left out, was assessed by the bias with 95 % limits of agreement {} and by Lin's concordance correlation coefficient {}.",
                    cited.cite(Source::BlandAltman),
                    cited.cite(Source::Lin)
                );
            }
            let several = equations.map_or(&[][..], |found| &found.laboratories);
            let random = several.iter().find(|of| of.equation.is_some());
            if let Some(of) = random {
                text += &format!(
                    " Scans were of {} laboratories, which differed at random in level and in the slope of the reading; the standard deviations between them were averaged over with uniform priors {}.",
                    of.laboratories.len(),
                    cited.cite(Source::Gelman)
                );
            }
            text += " [State how birds were killed, what part of the carcass was analysed, and the laboratory methods.]";
            all.push(text);
        } else if let Some(masses) = &scans.masses {
            let each: Vec<String> = masses
                .corrections
                .iter()
                .map(|one| {
                    let from = &one.equation.provenance;
                    let source = match from.source.as_str() {
                        "" => String::new(),
                        source => format!("; {source}"),
                    };
                    format!(
                        "{} ({} rows of {}{source})",
                        spaced(&from.response),
                        from.rows,
                        count(from.birds, "bird")
                    )
                })
                .collect();
            all.push(format!(
                "Readings were corrected with previously estimated regression equations of chemistry on readings: {}. [State their source.]",
                listed(&each)
            ));
        } else if !self.analysis.study.scans.rows.is_empty() {
            all.push("No equation relating readings to chemistry was available; readings were not corrected and entered no growth model.".to_owned());
        }
        if let Some(found) = equations.filter(|found| !found.feather_ages.is_empty()) {
            let mut text = "The share of feathers in the bird was estimated from the analysed birds by strain and age.".to_owned();
            if found
                .plucked
                .as_ref()
                .is_some_and(|plucked| !plucked.routes.is_empty())
            {
                text += " The effect of feathers on each reading was estimated from carcasses scanned intact and again after plucking; an explicit feather correction was compared with a single regression by the cross-validated error.";
            }
            all.push(text);
        }
        all
    }

    pub(super) fn correction(&self) -> Vec<String> {
        let Some(masses) = &self.analysis.scans.masses else {
            return Vec::new();
        };
        if masses.corrections.is_empty() {
            return Vec::new();
        }
        let traits: Vec<String> = masses
            .corrections
            .iter()
            .map(|one| spaced(&one.trait_name))
            .collect();
        let n = masses.corrections.iter().map(|one| one.rows.len()).max();
        let mut text = format!(
            "{} of the accepted scans that the equations are valid for (n = {}) were corrected with them. The error variance of a corrected mass has an individual component (residual and repositioning error) and a component shared by all scans (uncertainty of the equation); individual variances entered the growth models as known.",
            capital(&listed(&traits)),
            n.unwrap_or(0)
        );
        let models = &self.analysis.growth.trajectories.models;
        if models.iter().any(|model| model.allometry().is_some()) {
            text +=
                " The shared component was propagated to the estimates of the allometric models.";
        }
        if self.options.growth.redraws > 0 {
            text += &format!(
                " The contribution of the shared component to single curves was estimated from {} redraws of the equations' coefficients.",
                self.options.growth.redraws
            );
        }
        for (strain, known) in &self.analysis.study.settings.calibration.allowed_strains {
            text += &format!(
                " The equations contain no term for {strain}; the term for {known} was used."
            );
        }
        let mut all = vec![text];
        if let Some(first) = masses.balance.first() {
            let parts: Vec<String> = first.parts.iter().map(|part| spaced(part)).collect();
            all.push(format!(
                "The corrected parts ({}) were summed and compared with the scale weight of the same {}.",
                listed(&parts),
                count(masses.balance.len(), "scan")
            ));
        }
        all
    }
}

/// "a, if b, or if c": reasons, any of which is enough.
fn any_of(reasons: &[String]) -> String {
    match reasons {
        [before @ .., last] if !before.is_empty() => {
            format!("{}, or if {last}", before.join(", if "))
        }
        all => all.concat(),
    }
}

fn fitted_equations(chosen: &[Chosen], cited: &mut References) -> String {
    let provenance = |one: &Chosen| one.calibration.equation.provenance.clone();
    // Responses with the same predictors stand together.
    let mut by_terms: Vec<(String, Vec<String>)> = Vec::new();
    for one in chosen {
        let from = provenance(one);
        let response = spaced(from.response.trim_end_matches("_chem"));
        let best = one.choice.rows.first().map_or("", |best| &*best.candidate);
        let own_reading = format!("{}_scan", from.response.trim_end_matches("_chem"));
        let terms: Vec<String> = best
            .split(',')
            .filter(|term| !term.is_empty())
            .map(|term| match term.trim() {
                reading if reading == own_reading => "its reading".to_owned(),
                other => coefficient(other),
            })
            .collect();
        let mut words = match terms.as_slice() {
            [] => "a constant".to_owned(),
            terms => listed(terms),
        };
        if from.scale == Scale::Log {
            words += " (logarithms)";
        }
        match by_terms.iter_mut().find(|(known, _)| *known == words) {
            Some((_, responses)) => responses.push(response),
            None => by_terms.push((words, vec![response])),
        }
    }
    let each: Vec<String> = by_terms
        .iter()
        .map(|(terms, responses)| {
            let terms = match responses.len() {
                1 => terms.clone(),
                _ => terms.replace("its reading", "the respective reading"),
            };
            format!("{} on {terms}", listed(responses))
        })
        .collect();
    let method = chosen.first().map(|one| provenance(one).method);
    let how = match method.as_deref().unwrap_or_default() {
        "power of the mean" => format!(
            "weighted least squares, with a residual standard deviation proportional to an estimated power of the prediction {}{}",
            cited.cite(Source::CarrollRuppert),
            cited.cite(Source::DavidianCarroll)
        ),
        "robust" => format!(
            "robust regression (Huber's weights) {}",
            cited.cite(Source::Huber)
        ),
        _ => "ordinary least squares".to_owned(),
    };
    let birds = chosen.iter().map(|one| provenance(one).birds).max();
    let rows = chosen.iter().map(|one| provenance(one).rows).max();
    let n = match (birds, rows) {
        (Some(birds), Some(rows)) if rows > birds => {
            format!("{} ({rows} scans)", count(birds, "bird"))
        }
        (birds, _) => count(birds.unwrap_or(0), "bird"),
    };
    let mut text = format!(
        "Chemical composition of {n} was regressed on scan readings by {how}: {}.",
        each.join("; ")
    );
    let candidates = chosen
        .iter()
        .map(|one| one.choice.rows.len())
        .max()
        .unwrap_or(0);
    if candidates > 1 {
        text += &format!(
            " These predictors were selected among {} per tissue by the root mean square error of prediction in cross-validation, with all scans of one bird left out at a time.",
            count(candidates, "candidate equation")
        );
    } else {
        text += " The error of prediction was estimated by cross-validation, with all scans of one bird left out at a time.";
    }
    if chosen
        .iter()
        .any(|one| provenance(one).rows > provenance(one).birds)
    {
        text += &format!(
            " Where a bird contributed several scans, variances of the coefficients were inflated for their correlation {}.",
            cited.cite(Source::Moulton)
        );
    }
    capital(&text)
}
