//! What densities that the scanner reads show.

use super::Sentence;
use super::words::{count, error_size, trait_words};
use crate::age::AgeUnit;
use crate::analysis::{Analysis, Densities, Density};
use crate::report::prose::listed;
use crate::report::rounding;
use crate::trajectory::TraitModel;

/// Groups whose values are stated; with more, the table is named.
const MOST_GROUPS: usize = 6;

/// A sentence a density: its value by group at the last age, whether it is calibrated, in what
/// groups differ, and how well readings repeat.
#[must_use]
pub fn density_sentences(analysis: &Analysis, ages: AgeUnit) -> Vec<Sentence> {
    let Some(densities) = &analysis.densities else {
        return Vec::new();
    };
    let all = densities.followed.iter().map(|density| {
        let name = trait_words(&analysis.study, &density.name);
        let mut models = densities.models.iter();
        let model = models.find(|model| Some(model.trait_index) == density.trait_index);
        let Some(model) = model else {
            return Sentence::plain(format!(
                "{} is not followed by age: {}.",
                super::capital(&name),
                density.reason.trim_end_matches('.')
            ));
        };
        let last = typical(analysis, (densities, density, model), ages);
        let lead = match &last {
            Some(values) => format!("Typical {name} was {values}"),
            None => format!("Typical {name} by group and age is in densities.csv"),
        };
        let calibrated = match density.calibrated_on {
            Some(birds) => format!(", calibrated on {}", count(birds, "bird")),
            None => format!(" ({})", density.caution),
        };
        let further = differences(densities, model, ages)
            .into_iter()
            .chain(repeats(analysis, density));
        let further: String = further.map(|sentence| format!(" {sentence}")).collect();
        Sentence {
            lead,
            rest: format!("{calibrated}.{further}"),
        }
    });
    all.collect()
}

/// `0.198 g/cm2 (0.195 to 0.202) in Alder and ... at 126 d`.
fn typical(
    analysis: &Analysis,
    (densities, density, model): (&Densities, &Density, &TraitModel),
    ages: AgeUnit,
) -> Option<String> {
    let groups = model.groups();
    if groups.len() > MOST_GROUPS {
        return None;
    }
    let spans = (0..groups.len()).filter_map(|group| model.age_span(group));
    let age_d = spans
        .map(|(_, last_d)| last_d)
        .fold(f64::INFINITY, f64::min);
    let values = groups.iter().enumerate().filter_map(|(group, named)| {
        let value = densities.typical(model, (group, age_d), analysis.confidence);
        let value = value.ok()?;
        Some(format!(
            "{} {} ({}) in {}",
            rounding::estimate_and_error(value.value, value.standard_error)
                .split(' ')
                .next()?,
            density.unit,
            rounding::interval(value.interval, value.standard_error),
            named.name
        ))
    });
    let values: Vec<String> = values.collect();
    (!values.is_empty() && age_d.is_finite())
        .then(|| format!("{} at {}", listed(&values), ages.show(age_d)))
}

/// Between which groups and at which ages the simultaneous band excludes zero.
fn differences(densities: &Densities, model: &TraitModel, ages: AgeUnit) -> Option<String> {
    let comparison = densities.comparison.as_ref()?;
    let mut compared = comparison.compared.iter();
    let compared = compared.find(|one| one.trait_index == model.trait_index)?;
    let names = &comparison.groups.names;
    let mut spans = Vec::new();
    for pair in compared.clearest(MOST_GROUPS) {
        for (first_d, last_d, higher) in pair.spans() {
            spans.push(format!(
                "{} {} {} from {} to {}",
                names[pair.a],
                if higher { "above" } else { "below" },
                pair.b.name(names),
                ages.show(first_d),
                ages.show(last_d)
            ));
        }
    }
    if compared.by_age.is_empty() {
        return None;
    }
    Some(match spans.as_slice() {
        [] => "No difference between groups was found at any age.".to_owned(),
        spans => format!("Groups differed: {} (simultaneous band).", listed(spans)),
    })
}

/// How well its readings repeat.
fn repeats(analysis: &Analysis, density: &Density) -> Option<String> {
    let precision = analysis.scans.precision.as_ref()?.as_ref().ok()?;
    let mut rows = precision.rows.iter();
    let row = rows.find(|row| row.trait_name == density.name)?;
    let method = match row.method.as_str() {
        "all" => String::new(),
        method => format!(" ({})", method.replace('=', " ")),
    };
    Some(format!(
        "Repeated readings{method} had a standard deviation of {} {}, a least significant change of {} {unit}.",
        error_size(row.rms_sd),
        row.unit,
        error_size(row.lsc),
        unit = row.unit
    ))
}
