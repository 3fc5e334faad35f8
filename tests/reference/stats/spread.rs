//! SD of repeats as a power of their mean against R's `glm`: `spread/SOURCE.md`.

use std::collections::BTreeMap;
use std::path::Path;

use pinfeather::stats::precision::{Precision, precision};
use pinfeather::stats::spread_by_mean::SpreadKind;

fn repeats(name: &str) -> Precision {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/reference/spread");
    let mut reader = csv::Reader::from_path(path.join(name).with_extension("csv")).unwrap();
    let mut subjects: BTreeMap<usize, Vec<f64>> = BTreeMap::new();
    for row in reader.deserialize() {
        let (subject, value): (usize, f64) = row.unwrap();
        subjects.entry(subject).or_default().push(value);
    }
    let values: Vec<Vec<f64>> = subjects.into_values().collect();
    precision(&values, 0.95).unwrap()
}

#[test]
fn the_power_of_the_mean_is_that_of_a_gamma_regression() {
    let expected: serde_json::Value =
        serde_json::from_str(include_str!("../spread/expected.json")).unwrap();
    for (name, kind) in [
        ("growing", SpreadKind::Power),
        ("constant", SpreadKind::Constant),
    ] {
        let of = |key: &str| expected[name][key].as_f64().unwrap();
        let found = repeats(name);
        let power = found.spread.estimated.unwrap();
        // glm's iterations leave some 1e-9, of a power near 0 more of its own size.
        for (found, expected) in [
            (power.power, of("power")),
            (power.std_error, of("std_error")),
            (power.p_value, of("p_value")),
        ] {
            assert!(
                (found / expected - 1.0).abs() < 1e-7,
                "{name}: {found} {expected}"
            );
        }
        // The form of least AICc, by R's likelihoods.
        let corrected =
            |deviance: f64, p: f64| deviance + 2.0 * p + 2.0 * p * (p + 1.0) / (of("n") - p - 1.0);
        let forms = [
            (corrected(of("constant"), 1.0), SpreadKind::Constant),
            (corrected(of("proportional"), 1.0), SpreadKind::Proportional),
            (corrected(of("power_deviance"), 2.0), SpreadKind::Power),
        ];
        let best = forms
            .into_iter()
            .min_by(|a, b| a.0.total_cmp(&b.0))
            .unwrap();
        assert_eq!(found.spread.kind, best.1, "{name}");
        assert_eq!(found.spread.kind, kind, "{name}");
        if kind == SpreadKind::Power {
            assert!((found.spread.factor / of("factor") - 1.0).abs() < 1e-8);
        }
    }
}
