//! The model of weights relative to the target against dense matrices.
//!
//! Where the numbers come from: `tests/reference/relative/SOURCE.md`.

use pinfeather::flock::relative::{Options, RelativeModel};
use pinfeather::study::{Columns, Study, Target};

use crate::support::{close, expected, number, numbers, reference, rows};

fn study() -> Study {
    let columns = Columns {
        group: Some("strain".to_owned()),
        ..Columns::default()
    };
    let mut study = Study::read_table(&reference("relative/weighings.csv"), &columns).unwrap();
    let table = rows(&reference("relative/targets.csv"));
    let column =
        |name: &str| -> Vec<f64> { table.iter().map(|row| row[name].parse().unwrap()).collect() };
    let none = vec![f64::NAN; table.len()];
    study.targets.push(Target {
        strain: None,
        trait_name: "body_weight".to_owned(),
        ages_d: column("age_d"),
        target_g: column("target_g"),
        lower_g: none.clone(),
        upper_g: none,
    });
    study
}

#[test]
fn variances_likelihood_and_forecasts_are_those_of_dense_matrices() {
    let (study, expected) = (study(), expected("relative/expected.json"));
    let model = RelativeModel::fit(&study, 0, &Options::default());
    let model = model.unwrap().unwrap();
    assert_eq!(model.timing_sd_d(), None);
    let found = model.estimate();
    let theta = numbers(&expected["theta"]);
    // The likelihood is flat in single variances: Nelder-Mead ends within 1e-4 of them.
    for (what, found, expected) in [
        ("level", found.bird_level, theta[0]),
        ("walk", found.bird_walk, theta[1]),
        ("slope", found.bird_slope, theta[2]),
        ("weighing", found.weighing, theta[3]),
    ] {
        close(what, found, expected, 1e-3);
    }
    close(
        "restricted log-likelihood of the birds",
        found.birds_log_lik,
        number(&expected["birds_log_lik"]),
        1e-9,
    );
    let path = numbers(&expected["path"]);
    close(
        "restricted log-likelihood",
        model.log_lik(path[0], path[1]).unwrap(),
        number(&expected["log_lik"]),
        1e-7,
    );
    let model = model.with_path_variances(path[0], path[1]).unwrap();
    let birds: Vec<usize> = (0..study.birds.len()).collect();
    let ages_d = [112.0, 126.0];
    let forecasts = model.forecast(&birds, |_| &ages_d);
    let place = |row: &serde_json::Value, age_d: f64| {
        let name = row.as_str().unwrap();
        let bird = study.birds.iter().position(|bird| bird.name == name);
        (bird.unwrap(), usize::from(age_d > 112.0))
    };
    for row in expected["forecasts"].as_array().unwrap() {
        let (bird, at) = place(&row["bird"], number(&row["age_d"]));
        let forecast = forecasts.of(bird, at).unwrap();
        close("weight", forecast.value, number(&row["weight_g"]), 1e-5);
        let variance = forecast.standard_error.powi(2);
        close("variance", variance, number(&row["variance"]), 1e-3);
    }
    for row in expected["means"].as_array().unwrap() {
        let age_d = number(&row["age_d"]);
        let birds = row["birds"].as_array().unwrap().iter();
        let members: Vec<_> = birds.map(|bird| place(bird, age_d)).collect();
        let forecast = forecasts.mean_of(&members).unwrap();
        close("mean", forecast.value, number(&row["weight_g"]), 1e-5);
        for (found, expected) in [
            (forecast.standard_error, &row["standard_error"]),
            (forecast.prediction_error, &row["prediction_error"]),
        ] {
            close("error of a mean", found, number(expected), 1e-3);
        }
    }
}
