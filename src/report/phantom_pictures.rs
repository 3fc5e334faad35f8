//! The figure of the scanner's phantom.

use crate::composition::phantom::{Phantom, PhantomChart};
use crate::figure::{ControlChart, ControlPanel, Quantity};
use crate::report::pictures::{Drawn, Showing, capital};

/// Charts on one figure: those out of control first.
const MOST_CHARTS: usize = 6;

/// `phantom`: the control charts of the phantom.
pub fn phantom_picture(phantom: &Phantom, showing: &Showing, drawn: &mut Drawn) {
    let mut charts: Vec<&PhantomChart> = phantom.charts.iter().collect();
    charts.sort_by_key(|chart| std::cmp::Reverse(chart.days_out()));
    charts.truncate(MOST_CHARTS);
    charts.sort_by(|a, b| a.scanner.cmp(&b.scanner));
    let Some(first) = charts
        .iter()
        .filter_map(|chart| chart.days.first())
        .map(|day| day.date)
        .min()
    else {
        return;
    };
    let panels = charts.iter().map(|chart| {
        let since = |date: chrono::NaiveDate| (date - first).num_days() as f64;
        let name = capital(&chart.reading.replace('_', " "));
        ControlPanel {
            name: match &*chart.scanner {
                "" => name.clone(),
                scanner => format!("{name}, {scanner}"),
            },
            quantity: Quantity {
                name,
                unit: chart.unit.clone(),
            },
            points: chart
                .days
                .iter()
                .map(|day| (since(day.date), day.value, day.is_out()))
                .collect(),
            limits: chart
                .limits
                .as_ref()
                .ok()
                .map(|limits| [limits.centre, limits.lower, limits.upper]),
            changed_from: chart.changed_from().map(|(from, _)| since(from)),
        }
    });
    let figure = ControlChart {
        what: "the phantom's readings".to_owned(),
        first_day: first.to_string(),
        panels: panels.collect(),
        frame: showing.frame.clone(),
    };
    drawn.add("phantom".to_owned(), &figure, showing);
}
