//! Strains against each other, and traits against each other: against R, and by the command.

use pinfeather::contrast::allometry::allometries;
use pinfeather::contrast::{Adjust, Comparison, Contrast, Groups, Request, Source};
use pinfeather::fit::Settings;
use pinfeather::growth::built_in;
use pinfeather::study::{Columns, FixedEffectOf, Study, Values};

use crate::support::{close, expected, models_with, pinfeather, reference, text};

/// Diets 1 and 3, chicks with at least this number of weighings.
fn chicks(least: usize) -> Study {
    let text = std::fs::read_to_string(reference("chickweight_mixed/chickweight.csv")).unwrap();
    let rows: Vec<Vec<&str>> = text
        .lines()
        .skip(1)
        .map(|line| line.split(',').collect())
        .collect();
    let count = |bird: &str| rows.iter().filter(|row| row[0] == bird).count();
    let mut table = "bird,diet,age_d,weight_g\n".to_owned();
    for row in &rows {
        if (row[1] == "1" || row[1] == "3") && count(row[0]) >= least {
            table += &row.join(",");
            table.push('\n');
        }
    }
    read(&table, "diet", "weight_g")
}

fn read(table: &str, group: &str, value: &str) -> Study {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("weights.csv");
    std::fs::write(&path, table).unwrap();
    let columns = Columns {
        group: Some(group.into()),
        value: Some(value.into()),
        values: Values::AnyNumber,
        ..Columns::default()
    };
    Study::read_table(&path, &columns).unwrap()
}

fn request(curve: &str, source: Source) -> Request {
    Request {
        curves: vec![built_in(curve).unwrap()],
        by: vec![FixedEffectOf::Strain],
        source,
        terms: Vec::new(),
        adjust: Adjust::Holm,
        confidence: 0.95,
        ages_d: Vec::new(),
        masses_g: Vec::new(),
        settings: Settings::default(),
        hatch_weight_g: None,
        replicates: 0,
        seed: 1,
    }
}

/// The groups compared, by mixed fits with these random terms.
fn compare(study: &Study, request: &Request, random: &[&str]) -> Comparison {
    let models = match request.source {
        Source::Mixed => models_with(study, &request.curves, random),
        Source::Pooled => Vec::new(),
    };
    pinfeather::contrast::compare(study, &models, request, &|_| {}).unwrap()
}

fn of<'a>(comparison: &'a Comparison, term: &str) -> &'a Contrast {
    let contrasts = &comparison.compared[0].contrasts;
    contrasts
        .iter()
        .find(|contrast| contrast.term == term)
        .unwrap_or_else(|| panic!("no contrast of {term}"))
}

/// Source: R `nlme`, `reference/contrast/SOURCE.md`: four digits of its alternation.
#[test]
fn differences_of_a_mixed_fit_as_in_nlme() {
    let r = expected("contrast/expected.json");
    let study = chicks(6);
    assert_eq!(study.birds.len() as u64, r["birds"].as_u64().unwrap());
    let wanted = request("logistic", Source::Mixed);
    let comparison = compare(&study, &wanted, &["A", "ti"]);
    for term in ["A", "k", "ti"] {
        let found = of(&comparison, term);
        let number = |what: &str| r[what][term].as_f64().unwrap();
        close(term, found.difference, number("difference"), 2e-4);
        let error = found.standard_error.unwrap();
        close(term, error, number("std_error"), 1e-3);
    }
    let test = &comparison.compared[0].tests[0];
    assert_eq!(test.df1, 3);
    let number = |what: &str| r[what].as_f64().unwrap();
    close("F", test.statistic, number("wald_f"), 3e-3);
    close("df", test.df2, number("df2"), 1e-12);
    close("p", test.p_value, number("p"), 1e-2);
}

/// What follows from the terms differs as they do: the gompertz inflection is at A/e
/// and gains A k/e; and swapping groups changes signs alone.
#[test]
fn derived_differences_follow_from_the_terms() {
    let study = chicks(6);
    for source in [Source::Pooled, Source::Mixed] {
        let comparison = compare(&study, &request("logistic", source), &["A"]);
        let (mature, weight) = (of(&comparison, "A"), of(&comparison, "inflection_weight"));
        close(
            "difference",
            weight.difference,
            mature.difference / 2.0,
            1e-12,
        );
        let error = |contrast: &Contrast| contrast.standard_error.unwrap();
        close("error", error(weight), error(mature) / 2.0, 1e-9);
        let age = of(&comparison, "inflection_age");
        close(
            "age",
            age.difference,
            of(&comparison, "ti").difference,
            1e-12,
        );
    }
}

/// The band of the difference holds at all ages: wider than the pointwise interval,
/// narrower than Scheffé's for two curves of three terms.
#[test]
fn the_band_of_the_difference_lies_between_its_bounds() {
    let study = chicks(6);
    let comparison = compare(&study, &request("logistic", Source::Mixed), &["A"]);
    let pair = &comparison.compared[0].by_age[0];
    let factor = pair.factor.unwrap();
    // t on 27 df is 2.05; sqrt(3 F(3, 27)) is 2.98 for a difference of three terms.
    assert!((2.1..2.98).contains(&factor), "{factor}");
    assert_eq!(pair.ages.len(), 22);
    let spans = pair.spans();
    assert!(
        spans
            .iter()
            .any(|(_, to_d, heavier)| *to_d > 20.5 && !heavier),
        "{spans:?}"
    );
}

/// Birds drawn again show about the same spread as the mixed fit's standard
/// errors: its model is right for these data, the percentiles are those of 300 draws.
#[test]
fn bootstrapped_differences_are_as_wide_as_standard_errors_say() {
    let table = flock(&[("Alder", 12, 1500.0), ("Birch", 12, 1400.0)], false);
    let study = read(&table, "strain", "weight_g");
    for source in [Source::Mixed, Source::Pooled] {
        let wald = request("gompertz", source);
        let drawn = Request {
            replicates: 300,
            ..wald.clone()
        };
        let [wald, drawn] = [wald, drawn].map(|request| compare(&study, &request, &["A"]));
        let width = |contrast: &Contrast| {
            let interval = contrast.interval.unwrap();
            interval.upper - interval.lower
        };
        let share = width(of(&drawn, "A")) / width(of(&wald, "A"));
        assert!((0.75..1.35).contains(&share), "{source:?}: {share}");
        let value = |comparison| of(comparison, "A").difference;
        close("difference", value(&drawn), value(&wald), 1e-12);
    }
}

/// Source: R `lme`, `reference/allometry/SOURCE.md`.
#[test]
fn allometry_as_in_lme() {
    let r = expected("allometry/expected.json");
    let table = std::fs::read_to_string(reference("allometry/pairs.csv")).unwrap();
    let mut study = read(&table, "strain", "weight_g");
    let fat = read(&table, "strain", "fat_g");
    study.traits.push(fat.traits[0].clone());
    study.traits[1].name = "fat".to_owned();
    let groups = Groups::of(&study, &[FixedEffectOf::Strain]);
    let found = &allometries(&study, &groups, 0, 0.95).unwrap()[0];
    let answer = found.answer.as_ref().unwrap();
    assert_eq!(answer.random, "intercept and slope");
    for group in &answer.groups {
        let name = &groups.names[group.group];
        let slope = format!("strain{name}:x");
        close(
            "exponent",
            group.exponent.value,
            r["fixed"][&slope].as_f64().unwrap(),
            1e-5,
        );
        let error = r["std_error"][&slope].as_f64().unwrap();
        close("error", group.exponent.standard_error.unwrap(), error, 1e-3);
        let at_mean = r["fixed"][format!("strain{name}")].as_f64().unwrap();
        close("at the mean", group.at_reference.value.ln(), at_mean, 1e-6);
        assert_eq!((group.birds, group.n), (12, 48));
    }
    let (statistic, df, _) = answer.equal_exponents.unwrap();
    let ratio = 2.0 * (r["log_lik"].as_f64().unwrap() - r["log_lik_one"].as_f64().unwrap());
    assert_eq!(df, 1);
    assert!(
        (statistic - ratio).abs() < 2e-3,
        "{statistic} against {ratio}"
    );
}

/// Weighings of birds of some strains: (strain, birds, asymptote).
fn flock(strains: &[(&str, usize, f64)], same: bool) -> String {
    let mut table = "bird,strain,age_d,weight_g\n".to_owned();
    let mut wobble = 0_u32;
    for (strain, birds, mature) in strains {
        for bird in 0..*birds {
            let mature = if same {
                *mature
            } else {
                mature * (1.0 + 0.02 * bird as f64)
            };
            for week in 0..16 {
                let age_d = 7.0 * f64::from(week);
                wobble = wobble.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                let noise = if same {
                    0.0
                } else {
                    f64::from(wobble >> 16) / 65536.0 - 0.5
                };
                let weight = mature * (-(-0.04 * (age_d - 50.0)).exp()).exp() + 20.0 * noise;
                table += &format!("{strain}-{bird},{strain},{age_d},{:.1}\n", weight.max(20.0));
            }
        }
    }
    table
}

/// Runs `contrast` on a table; its status, words and warnings, and no NaN in any file.
fn contrast(table: &str, options: &str) -> (Option<i32>, String, String) {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("w.csv"), table).unwrap();
    let call = format!("contrast w.csv --group strain --details --out r {options}");
    let output = pinfeather(folder.path(), &call);
    if let Ok(files) = std::fs::read_dir(folder.path().join("r/tables")) {
        for file in files {
            let path = file.unwrap().path();
            let table = std::fs::read_to_string(&path).unwrap();
            assert!(
                !table.contains("NaN") && !table.contains("inf,"),
                "{}",
                path.display()
            );
        }
    }
    (
        output.status.code(),
        text(&output.stdout),
        text(&output.stderr),
    )
}

#[test]
fn one_strain_has_nothing_to_be_compared_with() {
    let (status, _, errors) = contrast(&flock(&[("Alder", 4, 1500.0)], false), "--curve gompertz");
    assert_eq!(status, Some(2));
    assert!(
        errors.contains("found one strain (Alder), expected at least two"),
        "{errors}"
    );
    let two = flock(&[("Alder", 4, 1500.0), ("Birch", 4, 1400.0)], false);
    let (status, _, errors) = contrast(&two, "--curve gompertz --by treatment");
    assert_eq!(status, Some(2));
    assert!(errors.contains("no bird has a treatment"), "{errors}");
    let (status, _, errors) = contrast(&two, "--curve gompertz --terms A,B");
    assert_eq!(status, Some(2));
    assert!(
        errors.contains("--terms B: no requested curve has it"),
        "{errors}"
    );
}

#[test]
fn two_birds_a_strain_are_compared_with_a_warning() {
    let table = flock(&[("Alder", 2, 1500.0), ("Birch", 2, 1300.0)], false);
    for level in ["strain", "population"] {
        let call = format!("--curve gompertz --level {level}");
        let (status, words, errors) = contrast(&table, &call);
        assert_eq!(status, Some(0), "{errors}");
        assert!(words.contains("Alder \u{2212} Birch"), "{words}");
    }
    let (_, _, errors) = contrast(&table, "--curve gompertz --level strain");
    assert!(errors.contains("2 birds for 3 terms"), "{errors}");
}

#[test]
fn identical_birds_have_no_spread_to_judge_by() {
    let table = flock(&[("Alder", 5, 1500.0), ("Birch", 5, 1500.0)], true);
    let (status, words, errors) = contrast(&table, "--curve gompertz");
    assert_eq!(status, Some(0), "{errors}");
    assert!(words.contains("no term differs"), "{words}");
}

#[test]
fn a_curve_that_no_strain_supports_is_reported() {
    // Three ages cannot carry the six terms of two phases.
    let mut table = "bird,strain,age_d,weight_g\n".to_owned();
    for (strain, bird) in [("Alder", 1), ("Alder", 2), ("Birch", 3), ("Birch", 4)] {
        for (age_d, weight_g) in [(0, 38), (14, 110), (28, 260)] {
            table += &format!("{bird},{strain},{age_d},{}\n", weight_g + bird);
        }
    }
    let (status, words, errors) = contrast(&table, "--curve two-phase-gompertz");
    assert_eq!(status, Some(0), "{errors}");
    assert!(words.contains("Alder \u{2212} Birch"), "{words}");
    assert!(errors.contains("one phase is used"), "{errors}");
}

#[test]
fn a_bare_table_with_two_masses_has_an_allometry() {
    let folder = tempfile::tempdir().unwrap();
    std::fs::copy(
        reference("allometry/pairs.csv"),
        folder.path().join("p.csv"),
    )
    .unwrap();
    let call = "contrast p.csv --group strain --value fat_g --trait fat --on weight_g --curve gompertz --level strain --out r";
    let output = pinfeather(folder.path(), call);
    assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
    let table = std::fs::read_to_string(folder.path().join("r/tables/allometry.csv")).unwrap();
    assert!(
        table.contains("fat,weight_g,Alder,exponent,1.447"),
        "{table}"
    );
    let tests = std::fs::read_to_string(folder.path().join("r/tables/curve_tests.csv")).unwrap();
    assert!(tests.contains("(equal exponents),all,all,11.1"), "{tests}");
}

#[test]
fn tukey_is_wider_and_the_same_seed_gives_the_same_bytes() {
    let table = flock(
        &[
            ("Alder", 6, 1500.0),
            ("Birch", 6, 1400.0),
            ("Cedar", 6, 1480.0),
        ],
        false,
    );
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("w.csv"), table).unwrap();
    let run = |out: &str, options: &str| {
        let call = format!("contrast w.csv --group strain --curve gompertz --out {out} {options}");
        let output = pinfeather(folder.path(), &call);
        assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
        let read = |name: &str| {
            std::fs::read_to_string(folder.path().join(out).join("tables").join(name)).unwrap()
        };
        (read("contrasts.csv"), read("difference_by_age.csv"))
    };
    let (holm, bands) = run("one", "--threads 1 --seed 5");
    let (again, bands_again) = run("two", "--threads 2 --seed 5");
    assert_eq!((&holm, &bands), (&again, &bands_again));
    let (tukey, _) = run("three", "--adjust tukey");
    let width = |table: &str| -> f64 {
        let row: Vec<&str> = table.lines().nth(1).unwrap().split(',').collect();
        row[8].parse::<f64>().unwrap() - row[7].parse::<f64>().unwrap()
    };
    // q(0.95; 3, 15)/sqrt 2 = 2.598 against t(0.975, 15) = 2.131 (standard tables).
    close(
        "width",
        width(&tukey) / width(&holm),
        3.6734 / std::f64::consts::SQRT_2 / 2.13145,
        1e-3,
    );
}
