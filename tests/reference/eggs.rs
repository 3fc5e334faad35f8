//! Eggs counted by pen against the modified compartmental model (R's nls) and the first eggs
//! of the same hens (`eggs/SOURCE.md`).

use pinfeather::maturity::{EggOnset, EggOptions, EggQuantity, Rise, egg_onset};
use pinfeather::study::{Columns, Study};

use crate::support::{close_within, expected, number, numbers, reference};

fn onset(name: &str, rise: Rise) -> EggOnset {
    let table = reference(&format!("eggs/{name}.csv"));
    let study = Study::read_eggs(&table, &Columns::default()).unwrap();
    let confidence = 0.95;
    egg_onset(&study, EggOptions { confidence, rise }).unwrap()
}

fn of_all(onset: &EggOnset, quantity: EggQuantity) -> f64 {
    let found = onset.groups[0].estimates.iter();
    let mut found = found.filter(|one| one.quantity == quantity);
    found.next().unwrap().value.as_ref().unwrap().value
}

/// Hens that lay at their plateau from the first egg on are what the compartmental model
/// describes; its curve has a hen half in lay on the day of her first egg, ours wholly, so
/// that its mean age is half a day earlier.
#[test]
fn hens_that_lay_at_once_agree_with_the_compartmental_model() {
    let at_once = Rise {
        days: 0.5,
        days_sd: 0.1,
        ..Rise::ASSUMED
    };
    let found = onset("at_once", at_once);
    let fit = &expected("eggs/expected.json")["at_once"]["compartmental"];
    // 0.6 d: the sum of 800 hens' ages has a standard error of 0.3 d, and least squares of
    // means weigh days otherwise.
    let mean = of_all(&found, EggQuantity::MeanAge);
    close_within(mean, number(&fit["d"]) + 0.5, 0.6, "mean age");
    let sd = of_all(&found, EggQuantity::SdAge);
    close_within(sd, number(&fit["sd"]), 0.6, "SD of the ages");
}

/// Where a hen's rate rises, the mean age of each pen is that of its hens' first eggs, bird
/// by bird; the compartmental model takes the rise for late hens.
#[test]
fn pens_agree_with_the_first_eggs_of_their_hens() {
    let found = onset("rising", Rise::ASSUMED);
    let all = &expected("eggs/expected.json")["rising"];
    let means = numbers(&all["pen_mean"]);
    let sds = numbers(&all["pen_sd"]);
    for (place, pen) in found.pens.iter().enumerate() {
        let of = |quantity: EggQuantity| {
            let mut own = pen.estimates.iter().filter(|one| one.quantity == quantity);
            own.next().unwrap().value.as_ref().unwrap().value
        };
        // In simulations of pens of 100 hens the difference has a standard deviation of
        // 0.3 d (mean) and 0.8 d (SD) where the rise is the one assumed.
        close_within(of(EggQuantity::MeanAge), means[place], 0.9, "mean age");
        close_within(of(EggQuantity::SdAge), sds[place], 1.6, "SD of the ages");
    }
    let mean = means.iter().sum::<f64>() / 4.0;
    let compartmental = number(&all["compartmental"]["d"]) + 0.5;
    assert!(compartmental - mean > 1.5, "{compartmental} and {mean}");
    close_within(
        of_all(&found, EggQuantity::MeanAge),
        mean,
        0.5,
        "mean of the pens",
    );
}
