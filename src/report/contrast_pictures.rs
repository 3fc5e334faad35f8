//! The figures of a comparison: contrasts as rows, differences along age.

use crate::contrast::{Against, Compared, Comparison, Contrast};
use crate::figure::{
    DifferenceBand, DifferencePoint, Forest, Quantity as Axis, Ranged, RowsPanel, StrainPair,
};
use crate::fit::profile::Quantity;
use crate::growth::Derived;
use crate::report::paper::quantity_words;
use crate::report::pictures::{Drawn, Showing, capital, file_name, percent, quantity_of};
use crate::report::rounding::p_equals;
use crate::report::text::trait_words;
use crate::study::{Study, Values};

/// The figures of each trait and curve that was compared; none where no two groups had
/// a fit.
pub fn contrast_pictures(
    study: &Study,
    comparison: &Comparison,
    showing: &Showing,
    drawn: &mut Drawn,
) {
    let curves_of = |trait_index: usize| {
        let compared = comparison.compared.iter();
        compared.filter(move |one| one.trait_index == trait_index && one.joint.is_some())
    };
    for compared in comparison.compared.iter().filter(|one| one.joint.is_some()) {
        let trait_name = &study.traits[compared.trait_index].name;
        // A trait's only curve needs no name.
        let whose = if curves_of(compared.trait_index).count() == 1 {
            file_name(trait_name)
        } else {
            file_name(&format!("{trait_name}_{}", compared.curve))
        };
        let names = &comparison.groups.names;
        let forest = forest(study, compared, (names, showing));
        if !forest.panels.is_empty() {
            drawn.add(format!("contrasts_{whose}"), &forest, showing);
        }
        let band = difference_band(study, compared, trait_name, (names, showing));
        if !band.pairs.is_empty() {
            drawn.add(format!("difference_{whose}"), &band, showing);
        }
    }
}

/// Differences over more days than this are drawn every other day.
const DAILY_UP_TO: usize = 60;

/// What is compared, as a row's name; the axis states where all are compared with their mean.
fn pair_name(names: &[String], (a, b): (usize, Against)) -> String {
    match b {
        Against::Group(b) => format!("{} − {}", names[a], names[b]),
        Against::MeanOfAll => names[a].clone(),
    }
}

/// All pairs are drawn; of groups compared with the mean of all, those that get a panel.
fn is_drawn(group: usize, against: Against, showing: &Showing) -> bool {
    against != Against::MeanOfAll || showing.has_panel(group)
}

/// Whether a quantity has a panel: masses at ages and features of the curve, not the
/// terms of its equation, rates at single ages, or ages at single masses (the same differences
/// read the other way). All of them are rows of `contrasts.csv`.
fn has_panel(quantity: Quantity) -> bool {
    match quantity {
        Quantity::Term(_) => false,
        Quantity::Derived(Derived::AgeAtFraction(share)) => (share - 0.5).abs() < 1e-9,
        Quantity::Derived(derived) => !matches!(
            derived,
            Derived::RateAt(_)
                | Derived::RelativeRateAt(_)
                | Derived::AgeAtValue(_)
                | Derived::InflectionWeight
        ),
    }
}

fn forest(study: &Study, compared: &Compared, (names, showing): (&[String], &Showing)) -> Forest {
    let mut pairs: Vec<(usize, Against)> = Vec::new();
    let mut terms: Vec<&str> = Vec::new();
    let drawn = compared
        .contrasts
        .iter()
        .filter(|one| is_drawn(one.a, one.b, showing));
    let any = drawn.clone().any(|one| has_panel(one.quantity));
    for contrast in drawn.filter(|one| !any || has_panel(one.quantity)) {
        let pair = (contrast.a, contrast.b);
        if !pairs.contains(&pair) {
            pairs.push(pair);
        }
        // A quantity without an error is the same for all by the model.
        if contrast.interval.is_some() && !terms.contains(&contrast.term.as_str()) {
            terms.push(&contrast.term);
        }
    }
    let of = |term: &str, pair: (usize, Against)| -> Option<&Contrast> {
        let mut contrasts = compared.contrasts.iter();
        contrasts.find(|one| one.term == term && (one.a, one.b) == pair)
    };
    let shown = || {
        let each = terms
            .iter()
            .flat_map(|term| pairs.iter().map(move |pair| (*term, *pair)));
        each.filter_map(|(term, pair)| of(term, pair))
    };
    // Bars and P are adjusted alike: all together where every comparison has such limits.
    let together = shown().all(|one| one.simultaneous.is_some() || one.interval.is_none());
    let to_mean = pairs.iter().any(|(_, b)| *b == Against::MeanOfAll);
    let trait_name = &study.traits[compared.trait_index].name;
    let panels = terms.iter().map(|term| {
        let found: Vec<Option<&Contrast>> = pairs.iter().map(|pair| of(term, *pair)).collect();
        let unit = found.iter().flatten().map(|one| one.unit.as_str()).next();
        RowsPanel {
            name: capital(&quantity_words(term, trait_name, showing.frame.ages))
                .replace(" at the ", " at "),
            quantity: Axis {
                name: if to_mean {
                    "From the mean"
                } else {
                    "Difference"
                }
                .to_owned(),
                unit: match (unit, study.values) {
                    (None, _) | (Some("g"), Values::AnyNumber) => String::new(),
                    (Some("g/d"), Values::AnyNumber) => "1/d".to_owned(),
                    (Some(unit), _) => unit.to_owned(),
                },
            },
            values: found
                .iter()
                .map(|one| one.map_or(Ranged::NONE, |one| ranged(one, together)))
                .collect(),
            words: found
                .iter()
                .map(|one| {
                    let p = one.and_then(|one| {
                        if together {
                            one.p_adjusted
                        } else {
                            one.p_value
                        }
                    });
                    p.map_or(String::new(), p_equals)
                })
                .collect(),
        }
    });
    // What equals a term (the mature weight of one phase is A) has one panel.
    let mut distinct: Vec<RowsPanel> = Vec::new();
    for panel in panels {
        if distinct.iter().all(|other| other.values != panel.values) {
            distinct.push(panel);
        }
    }
    let share = percent(showing.confidence);
    let (interval, p_value) = match together {
        true => (
            format!("{share} intervals of all comparisons together"),
            "adjusted as the bars are".to_owned(),
        ),
        false => (
            format!("{share} intervals of single comparisons"),
            "of single comparisons, not adjusted".to_owned(),
        ),
    };
    Forest {
        of: trait_words(study, trait_name),
        contrasts: pairs.iter().map(|pair| pair_name(names, *pair)).collect(),
        panels: distinct,
        interval: showing.with_choice(study, interval),
        p_value,
        frame: showing.frame.clone(),
    }
}

fn ranged(contrast: &Contrast, together: bool) -> Ranged {
    let interval = if together {
        contrast.simultaneous
    } else {
        contrast.interval
    };
    Ranged {
        value: contrast.difference,
        lower: interval.map_or(f64::NAN, |limits| limits.lower),
        upper: interval.map_or(f64::NAN, |limits| limits.upper),
    }
}

fn difference_band(
    study: &Study,
    compared: &Compared,
    trait_name: &str,
    (names, showing): (&[String], &Showing),
) -> DifferenceBand {
    let drawn = compared
        .by_age
        .iter()
        .filter(|one| is_drawn(one.a, one.b, showing));
    let pairs = drawn.map(|pair| StrainPair {
        name: pair_name(names, (pair.a, pair.b)),
        // Every other day, and the last, is as smooth on paper.
        difference: pair
            .ages
            .iter()
            .rev()
            .step_by(if pair.ages.len() > DAILY_UP_TO { 2 } else { 1 })
            .rev()
            .map(|at| DifferencePoint {
                age_d: at.age_d,
                value: at.difference,
                lower: at.interval.map_or(f64::NAN, |limits| limits.lower),
                upper: at.interval.map_or(f64::NAN, |limits| limits.upper),
                simultaneous_lower: at.simultaneous.map_or(f64::NAN, |limits| limits.lower),
                simultaneous_upper: at.simultaneous.map_or(f64::NAN, |limits| limits.upper),
            })
            .collect(),
        differ_d: pair
            .spans()
            .into_iter()
            .map(|(first_d, last_d, _)| (first_d, last_d))
            .collect(),
    });
    let share = percent(showing.confidence);
    DifferenceBand {
        quantity: Axis {
            name: match compared.by_age.first().map(|one| one.b) {
                Some(Against::MeanOfAll) => {
                    format!(
                        "{} from the mean of all",
                        capital(&trait_words(study, trait_name))
                    )
                }
                _ => format!("Difference in {}", trait_words(study, trait_name)),
            },
            ..quantity_of(study, trait_name)
        },
        pointwise: showing.with_choice(study, format!("{share} pointwise confidence band")),
        simultaneous: format!("{share} band of all ages together (sup-t)"),
        pairs: pairs.filter(|pair| !pair.difference.is_empty()).collect(),
        frame: showing.frame.clone(),
    }
}
