//! Treatments that start at an age, against mixed models in R (`treatment_start/SOURCE.md`).

use pinfeather::contrast::treatment_start::{Shift, TreatmentStart, treatment_shifts};
use pinfeather::study::{Study, Unit};

use crate::support::{close, expected, number, reference};

fn study() -> Study {
    let folder = tempfile::tempdir().unwrap();
    let settings = "[tables]\nweighings = \"weighings.csv\"\n[design]\nunit = \"pen\"\n";
    std::fs::write(folder.path().join("study.toml"), settings).unwrap();
    std::fs::copy(
        reference("treatment_start/weighings.csv"),
        folder.path().join("weighings.csv"),
    )
    .unwrap();
    Study::read_folder(folder.path()).unwrap_or_else(|error| panic!("{error}"))
}

#[test]
fn shifts_agree_with_mixed_models() {
    let study = study();
    let file = expected("treatment_start/expected.json");
    for (suffix, allocated_at_d) in [("", None), ("_with_covariate", Some(28.0))] {
        let asked = TreatmentStart {
            from_d: 70.0,
            allocated_at_d,
            confidence: 0.95,
        };
        let shifts = treatment_shifts(&study, 0, &asked);
        assert_eq!((shifts.unit, shifts.units), (Unit::Pen, 8));
        for row in &shifts.rows {
            let name = match row.shift {
                Shift::Level => "level",
                Shift::Rate => "rate",
            };
            let there = &file[format!("{name}{suffix}")];
            // Ours are percent; R's are logarithms times 100.
            let log = 100.0 * (row.estimate / 100.0).ln_1p();
            let error = row.standard_error / (log / 100.0).exp();
            // R's optimiser stops at about six digits of the variances; estimates do not
            // depend on them.
            close(name, log, number(&there["estimate"]), 1e-7);
            close(name, error, number(&there["std_error"]), 1e-4);
            close(name, row.degrees_of_freedom, number(&there["df"]), 1e-6);
        }
    }
}

#[test]
fn what_is_not_testable_has_a_reason() {
    let asked = TreatmentStart {
        from_d: 200.0,
        allocated_at_d: None,
        confidence: 0.95,
    };
    let shifts = treatment_shifts(&study(), 0, &asked);
    assert!(shifts.rows.is_empty());
    assert!(shifts.reason.unwrap().contains("before and after"));
}
