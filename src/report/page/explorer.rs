//! The curves of the explorer, as JSON.

use super::content::{BirdCurve, CurvePoint, GroupCurve, TraitCurves};
use super::data::{digits, string};

/// A JSON array of the traits with their curves: columns of ages and values to four digits.
pub(super) fn json(curves: &[TraitCurves]) -> String {
    let all: Vec<String> = curves.iter().map(of_trait).collect();
    format!("[{}]", all.join(","))
}

fn of_trait(one: &TraitCurves) -> String {
    let groups: Vec<String> = one.groups.iter().map(of_group).collect();
    let birds: Vec<String> = one.birds.iter().map(of_bird).collect();
    format!(
        "{{\"name\":{},\"unit\":{},\"curve\":{},\"weak\":{},\"all\":{},\"groups\":[{}],\"birds\":[{}]}}",
        string(&one.name),
        string(one.unit),
        string(&one.curve),
        one.weak,
        one.all_birds,
        groups.join(","),
        birds.join(",")
    )
}

fn of_group(one: &GroupCurve) -> String {
    let of = |points: &[CurvePoint]| {
        format!(
            "[{},{},{}]",
            column(points.iter().map(|point| point.value)),
            column(points.iter().map(|point| point.lower)),
            column(points.iter().map(|point| point.upper))
        )
    };
    let target = |place: usize| column(one.target.iter().map(|row| row[place]));
    format!(
        "{{\"name\":{},\"place\":{},\"ages\":{},\"value\":{},\"rate\":{},\"target\":[{},{},{},{}]}}",
        string(&one.name),
        one.place,
        column(one.values.iter().map(|point| point.age_d)),
        of(&one.values),
        of(&one.rates),
        target(0),
        target(1),
        target(2),
        target(3)
    )
}

fn of_bird(one: &BirdCurve) -> String {
    let curve = |place: usize| column(one.curve.iter().map(|row| row[place]));
    let ends = match (one.curve.first(), one.curve.last()) {
        (Some(first), Some(last)) => format!("{},{}", digits(first[0], 5), digits(last[0], 5)),
        _ => String::new(),
    };
    format!(
        "{{\"name\":{},\"group\":{},\"observed\":[{},{}],\"span\":[{ends}],\"value\":{},\"rate\":{}}}",
        string(&one.name),
        one.group,
        column(one.observed.iter().map(|point| point.0)),
        column(one.observed.iter().map(|point| point.1)),
        curve(1),
        curve(2)
    )
}

/// A JSON array; null where there is no number.
fn column(values: impl Iterator<Item = f64>) -> String {
    let texts: Vec<String> = values
        .map(|value| {
            if value.is_finite() {
                digits(value, 4)
            } else {
                "null".to_owned()
            }
        })
        .collect();
    format!("[{}]", texts.join(","))
}
