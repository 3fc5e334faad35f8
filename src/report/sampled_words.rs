//! The model of birds weighed without names, in words.

use super::paper::curve_words;
use super::rounding;
use crate::flock::GainPoint;
use crate::stats::distribution::t_two_sided_quantile;
use crate::study::Study;
use crate::trajectory::sampled::SampledTrait;

/// Growth and variation by the samples, a line a statement.
#[must_use]
pub fn sampled(study: &Study, of: &SampledTrait, confidence: f64) -> Vec<String> {
    let trait_name = study.traits[of.trait_index].name.replace('_', " ");
    let model = match &of.model {
        Ok(model) => model,
        Err(why) => {
            return vec![format!(
                "  unnamed birds: no growth curve of {trait_name} ({why}); each occasion is judged by that day's birds"
            )];
        }
    };
    let mut lines = Vec::new();
    for (group, named) in of.sampled.groups.iter().enumerate() {
        let (first_d, last_d) = of.age_span(group);
        let log = model.typical(group, last_d);
        let reach = t_two_sided_quantile(confidence, log.df) * log.std_error;
        let value = log.value.exp();
        let (lower, upper) = ((log.value - reach).exp(), (log.value + reach).exp());
        let ringed = match of.sampled.ringed[group] {
            0 => String::new(),
            birds => format!(" and {birds} ringed birds"),
        };
        let spread = match (model.sd(group, first_d), model.sd(group, last_d)) {
            (Some(first), Some(last)) => format!(
                "; between birds of a pen {:.1} % at {}, {:.1} % at {}",
                100.0 * first,
                study.age_unit().show(first_d),
                100.0 * last,
                study.age_unit().show(last_d)
            ),
            _ => "; the spread between birds is not known: means alone were weighed".to_owned(),
        };
        lines.push(format!(
            "  {}: typical {trait_name} {} g at {} (interval {lower:.0} to {upper:.0}; {}, {} weighings of unnamed birds{ringed}){spread}",
            named.name,
            rounding::estimate_and_error(value, None),
            study.age_unit().show(last_d),
            curve_words(model.curve.name()),
            of.sampled.unnamed[group]
        ));
    }
    let percent = |variance: f64| format!("{:.1} %", 100.0 * variance.sqrt());
    let components = &model.components;
    lines.push(format!(
        "  between pens of a group {}, between days common to all pens {}, between a pen's own occasions {} (SD of logarithms)",
        percent(components.units),
        percent(components.days),
        percent(components.occasions)
    ));
    lines
}

/// Gains outside their control limits, a line each; one line where there is none.
#[must_use]
pub fn gains(study: &Study, points: &[GainPoint]) -> Vec<String> {
    let alarms = points.iter().filter(|point| point.is_alarm() == Some(true));
    let lines: Vec<String> = alarms
        .map(|point| {
            let whose = match (point.pen, point.house) {
                (Some(pen), _) => format!("pen {}", study.pens[pen]),
                (None, Some(house)) => format!("house {}", study.houses[house]),
                (None, None) => study.strains[point.strain].clone(),
            };
            let (lower, upper) = point.limits().unwrap_or((f64::NAN, f64::NAN));
            format!(
                "  {whose}: {:.1} g/d from {} to {}, outside its control limits ({lower:.1} to {upper:.1} g/d)",
                point.gain_g_per_d,
                study.age_unit().show(point.from_d),
                study.age_unit().show(point.to_d)
            )
        })
        .collect();
    if lines.is_empty() && points.iter().any(|point| point.is_alarm().is_some()) {
        return vec!["  every gain between weighings was within its control limits".to_owned()];
    }
    lines
}
