//! The figures of a comparison: contrasts as rows, differences along age.

use crate::contrast::{Adjust, Against, Compared, Comparison, Contrast};
use crate::figure::{
    AgeUnit, DifferenceBand, DifferencePoint, Forest, Quantity, Ranged, RowsPanel, StrainPair,
};
use crate::report::pictures::{Drawn, Showing, capital, file_name, percent};
use crate::report::rounding::p_equals;
use crate::study::Study;

/// The figures of each trait and curve that was compared; none where no two groups had
/// a fit.
pub fn contrast_pictures(
    study: &Study,
    comparison: &Comparison,
    adjust: Adjust,
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
        let forest = forest(study, compared, adjust, (names, showing));
        if !forest.panels.is_empty() {
            drawn.add(format!("contrasts_{whose}"), || {
                forest.pages(showing.sized(forest.size(showing.width_mm)?)?)
            });
        }
        let band = difference_band(study, compared, trait_name, (names, showing));
        if !band.pairs.is_empty() {
            drawn.add(format!("difference_{whose}"), || {
                band.pages(showing.sized(band.size(showing.width_mm)?)?)
            });
        }
    }
}

/// Differences over more days than this are drawn every other day.
const DAILY_UP_TO: usize = 60;

/// What is compared, as a row's name; that all are compared with their mean says the axis.
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

fn forest(
    study: &Study,
    compared: &Compared,
    adjust: Adjust,
    (names, showing): (&[String], &Showing),
) -> Forest {
    let mut pairs: Vec<(usize, Against)> = Vec::new();
    let mut terms: Vec<&str> = Vec::new();
    for contrast in compared
        .contrasts
        .iter()
        .filter(|one| is_drawn(one.a, one.b, showing))
    {
        let pair = (contrast.a, contrast.b);
        if !pairs.contains(&pair) {
            pairs.push(pair);
        }
        if !terms.contains(&contrast.term.as_str()) {
            terms.push(&contrast.term);
        }
    }
    let of = |term: &str, pair: (usize, Against)| -> Option<&Contrast> {
        let mut contrasts = compared.contrasts.iter();
        contrasts.find(|one| one.term == term && (one.a, one.b) == pair)
    };
    let to_mean = pairs.iter().any(|(_, b)| *b == Against::MeanOfAll);
    let panels = terms.iter().map(|term| {
        let found: Vec<Option<&Contrast>> = pairs.iter().map(|pair| of(term, *pair)).collect();
        let unit = found.iter().flatten().map(|one| one.unit.as_str()).next();
        RowsPanel {
            name: term.replace('_', " "),
            label: match (unit, to_mean) {
                (None | Some(""), false) => "Difference".to_owned(),
                (Some(unit), false) => format!("Difference ({unit})"),
                (None | Some(""), true) => "From the mean".to_owned(),
                (Some(unit), true) => format!("From the mean ({unit})"),
            },
            values: found
                .iter()
                .map(|one| one.map_or(Ranged::NONE, ranged))
                .collect(),
            words: found
                .iter()
                .map(|one| {
                    one.and_then(|one| one.p_adjusted)
                        .map_or(String::new(), p_equals)
                })
                .collect(),
        }
    });
    // What equals a term (the mature weight of one phase is A) is shown once.
    let mut shown: Vec<RowsPanel> = Vec::new();
    for panel in panels {
        if shown.iter().all(|other| other.values != panel.values) {
            shown.push(panel);
        }
    }
    let share = percent(showing.confidence);
    Forest {
        contrasts: pairs.iter().map(|pair| pair_name(names, *pair)).collect(),
        panels: shown,
        interval: showing.with_choice(
            study,
            match (adjust, to_mean) {
                (Adjust::Tukey, false) => {
                    format!("{share} intervals that hold for all pairs of a term together")
                }
                (Adjust::Tukey, true) => {
                    format!("{share} intervals that cover all comparisons of a term together")
                }
                (Adjust::MaxT | Adjust::Holm | Adjust::None, false) => {
                    format!("{share} intervals of one pair")
                }
                (Adjust::MaxT | Adjust::Holm | Adjust::None, true) => {
                    format!("{share} intervals of one comparison with the mean of all")
                }
            },
        ),
        adjustment: match adjust {
            Adjust::MaxT if to_mean => "Holm, over all terms".to_owned(),
            Adjust::MaxT => "greatest t, over all terms".to_owned(),
            Adjust::Holm => "Holm, within a term".to_owned(),
            Adjust::Tukey if to_mean => "greatest t, within a term".to_owned(),
            Adjust::Tukey => "Tukey, within a term".to_owned(),
            Adjust::None => String::new(),
        },
        letter: showing.letter,
    }
}

fn ranged(contrast: &Contrast) -> Ranged {
    Ranged {
        value: contrast.difference,
        lower: contrast.interval.map_or(f64::NAN, |limits| limits.lower),
        upper: contrast.interval.map_or(f64::NAN, |limits| limits.upper),
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
        quantity: Quantity {
            name: match compared.by_age.first().map(|one| one.b) {
                Some(Against::MeanOfAll) => {
                    format!(
                        "{} from the mean of all",
                        capital(&trait_name.replace('_', " "))
                    )
                }
                _ => format!("Difference in {}", trait_name.replace('_', " ")),
            },
            unit: "g".to_owned(),
        },
        ages: AgeUnit::Days,
        pointwise: showing.with_choice(study, format!("{share} pointwise confidence band")),
        simultaneous: format!("{share} band that holds at all ages together (sup-t)"),
        pairs: pairs.filter(|pair| !pair.difference.is_empty()).collect(),
        letter: showing.letter,
    }
}
