//! Lines of clusters against lme4 and pbkrtest: `laboratories/SOURCE.md`.

use nalgebra::DMatrix;
use pinfeather::composition::calibration::Settings;
use pinfeather::composition::laboratories::calibrate_laboratories;
use pinfeather::composition::{Formula, Frame};
use pinfeather::stats::cluster_lines::ClusterLines;

use crate::support::{expected, number, numbers, reference};

/// Cluster, x and y of each row, x about its mean; further columns of the fixed effects.
fn lines(file: &str, columns: [&str; 3], shared: &[&str], slopes: bool) -> ClusterLines {
    let mut reader = csv::Reader::from_path(reference(file)).unwrap();
    let header = reader.headers().unwrap().clone();
    let place = |name: &str| header.iter().position(|own| own == name).unwrap();
    let rows: Vec<csv::StringRecord> = reader.records().map(Result::unwrap).collect();
    let of = |name: &str| -> Vec<f64> {
        rows.iter()
            .map(|row| row[place(name)].parse().unwrap())
            .collect()
    };
    let cluster = |at: usize| rows.get(at).map(|row| row[place(columns[0])].to_owned());
    let mut starts = vec![0];
    starts.extend((1..=rows.len()).filter(|at| cluster(*at) != cluster(at - 1)));
    let mut x = of(columns[1]);
    let mean = x.iter().sum::<f64>() / x.len() as f64;
    x.iter_mut().for_each(|x| *x -= mean);
    let shared: Vec<Vec<f64>> = shared.iter().map(|name| of(name)).collect();
    ClusterLines {
        starts,
        response: of(columns[2]),
        fixed: DMatrix::from_fn(x.len(), 2 + shared.len(), |row, column| match column {
            0 => 1.0,
            1 => x[row],
            _ => shared[column - 2][row],
        }),
        level: vec![1.0; x.len()],
        slope: slopes.then_some(x),
    }
}

fn near(what: &str, found: f64, expected: f64, relative: f64) {
    assert!(
        (found - expected).abs() <= relative * expected.abs().max(1e-12),
        "{what}: {found}, expected {expected}"
    );
}

/// Log-likelihoods to 1e-6, fixed effects to a relative 1e-5, errors and degrees of freedom to
/// 1e-3: the likelihood is flat in the variances, of which lme4 leaves 5 digits.
#[test]
fn lines_of_clusters_are_those_of_lme4_and_pbkrtest() {
    let all = expected("laboratories/expected.json");
    for (name, model) in [
        (
            "sleepstudy",
            lines(
                "laboratories/sleepstudy.csv",
                ["cluster", "x", "y"],
                &[],
                true,
            ),
        ),
        (
            "laboratories",
            lines(
                "laboratories/laboratories.csv",
                ["laboratory", "fat_scan", "fat_chem"],
                &["age"],
                true,
            ),
        ),
        (
            "level_only",
            lines(
                "laboratories/laboratories.csv",
                ["laboratory", "fat_scan", "fat_chem"],
                &["age"],
                false,
            ),
        ),
    ] {
        let wanted = &all[name];
        let fit = model.fit().unwrap();
        println!(
            "{name}: {} {:?} {}",
            fit.log_lik, fit.between, fit.residual_variance
        );
        assert!(
            (fit.log_lik - number(&wanted["log_lik"])).abs() < 1e-6,
            "{name} {}",
            fit.log_lik
        );
        near(
            name,
            fit.residual_variance.sqrt(),
            number(&wanted["residual_sd"]),
            1e-4,
        );
        let between: Vec<f64> = match wanted["between"].as_array() {
            Some(rows) => rows.iter().flat_map(numbers).collect(),
            None => vec![number(&wanted["between"]), 0.0, 0.0, 0.0],
        };
        for (found, expected) in fit.between.iter().zip([between[0], between[1], between[3]]) {
            near(name, *found, expected, 1e-3);
        }
        let df = fit.degrees_of_freedom();
        for (j, (fixed, error)) in numbers(&wanted["fixed"])
            .into_iter()
            .zip(numbers(&wanted["adjusted_errors"]))
            .enumerate()
        {
            near(name, fit.effects.fixed[j], fixed, 1e-5);
            near(name, fit.effects.covariance[(j, j)].sqrt(), error, 1e-4);
            near(name, df[j], numbers(&wanted["df"])[j], 1e-3);
        }
    }
}

/// The command's way to the same numbers: a frame, a formula, a column of laboratories.
#[test]
fn laboratories_of_a_table_have_the_same_variances() {
    let all = expected("laboratories/expected.json");
    let wanted = &all["laboratories"];
    let path = reference("laboratories/laboratories.csv");
    let frame = Frame::read(&path, &pinfeather::study::Format::default()).unwrap();
    let formula: Formula = "fat_scan,age".parse().unwrap();
    let found = calibrate_laboratories(
        &frame,
        ("fat_chem", &[formula]),
        "laboratory",
        &Settings::default(),
    )
    .unwrap();
    let of = |quantity: &str| {
        let row = found
            .variation
            .iter()
            .find(|row| row.quantity == quantity)
            .unwrap();
        println!("{quantity}: {:?} {:?}", row.estimate, row.interval);
        row.estimate.unwrap()
    };
    let rows = wanted["between"].as_array().unwrap();
    near(
        "level",
        of("sd_between_laboratories").powi(2),
        numbers(&rows[0])[0],
        1e-3,
    );
    near(
        "slope",
        of("sd_between_slopes").powi(2),
        numbers(&rows[1])[1],
        1e-3,
    );
    near(
        "residual",
        of("residual_sd"),
        number(&wanted["residual_sd"]),
        1e-4,
    );
    near(
        "slope",
        found.terms[1].estimate,
        numbers(&wanted["fixed"])[1],
        1e-5,
    );
    near(
        "error",
        found.terms[1].std_error,
        numbers(&wanted["adjusted_errors"])[1],
        1e-4,
    );
    let equation = found.equation.unwrap();
    assert_eq!(equation.provenance.laboratories.len(), 7);
    // The equation of a new laboratory has the exact interval at the mean of the birds, or a
    // wider one where the restricted likelihood finds more.
    for row in &found.new {
        assert!(row.one_bird.width() > row.laboratory.width() && row.laboratory.width() > 0.0);
    }
}
