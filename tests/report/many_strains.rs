//! Any number of strains: each of many is compared with the mean of all, figures go on over
//! pages, and no figure stops the tables.

use std::collections::BTreeSet;
use std::fmt::Write as _;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use pinfeather::contrast::{Adjust, Against, Comparison, Request, Source, compare};
use pinfeather::figure::{BandPoint, ByAge, Figure, Layout, Quantity, Size, StrainByAge};
use pinfeather::fit::Settings;
use pinfeather::growth::built_in;
use pinfeather::study::{Columns, FixedEffectOf, Study, Values};

use crate::support::models_with;
use serde_json::Value;

fn reference(file: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("tests/reference/mean_of_all")
        .join(file)
}

fn expected() -> Value {
    serde_json::from_str(&std::fs::read_to_string(reference("expected.json")).unwrap()).unwrap()
}

fn thirteen(source: Source, adjust: Adjust) -> Comparison {
    let columns = Columns {
        group: Some("strain".into()),
        value: Some("weight_g".into()),
        values: Values::AnyNumber,
        ..Columns::default()
    };
    let study = Study::read_table(&reference("data.csv"), &columns).unwrap();
    let request = Request {
        curves: vec![built_in("gompertz").unwrap()],
        by: vec![FixedEffectOf::Strain],
        source,
        terms: Vec::new(),
        adjust,
        confidence: 0.95,
        ages_d: Vec::new(),
        masses_g: Vec::new(),
        settings: Settings::default(),
        hatch_weight_g: None,
        replicates: 0,
        seed: 1,
    };
    let models = match source {
        Source::Mixed => models_with(&study, &request.curves, &["A", "ti"]),
        Source::Pooled => Vec::new(),
    };
    compare(&study, &models, &request, &|_| {}).unwrap()
}

/// The numbers of R, group by group.
fn numbers(r: &Value, what: &str) -> Vec<f64> {
    let list = r[what].as_array().unwrap();
    list.iter().map(|number| number.as_f64().unwrap()).collect()
}

/// Each number of ours within `digits` of the greatest of theirs, since a difference may be
/// near zero.
fn agree(what: &str, ours: &[f64], theirs: &[f64], relative: f64) {
    assert_eq!(ours.len(), theirs.len(), "{what}");
    let scale = theirs.iter().fold(0.0_f64, |most, x| most.max(x.abs()));
    for (group, (our, their)) in ours.iter().zip(theirs).enumerate() {
        let off = (our - their).abs() / scale;
        assert!(
            off <= relative,
            "{what} of {group}: {our} against {their} ({off:.1e})"
        );
    }
}

/// Source: R by matrix algebra, `reference/mean_of_all/SOURCE.md`. Both fits are at the least
/// squares to rounding, so that eight digits are requested; p values are as steep as t: six.
#[test]
fn each_of_thirteen_groups_against_the_mean_of_all_as_by_matrix_algebra() {
    let r = expected();
    let comparison = thirteen(Source::Pooled, Adjust::Holm);
    let compared = &comparison.compared[0];
    for term in ["A", "k", "ti"] {
        let found: Vec<_> = compared
            .contrasts
            .iter()
            .filter(|one| one.term == term)
            .collect();
        assert!(found.iter().all(|one| one.b == Against::MeanOfAll));
        let ours = |of: &dyn Fn(usize) -> f64| (0..found.len()).map(of).collect::<Vec<f64>>();
        for (what, ours, relative) in [
            ("difference", ours(&|g| found[g].difference), 1e-8),
            (
                "std_error",
                ours(&|g| found[g].standard_error.unwrap()),
                1e-8,
            ),
            ("percent", ours(&|g| found[g].percent.unwrap()), 1e-8),
            ("p_value", ours(&|g| found[g].p_value.unwrap()), 1e-6),
            ("p_adjusted", ours(&|g| found[g].p_adjusted.unwrap()), 1e-6),
        ] {
            agree(
                &format!("{term}, {what}"),
                &ours,
                &numbers(&r[term], what),
                relative,
            );
        }
    }
    let at_100 = |pair: &pinfeather::contrast::PairByAge| {
        *pair
            .ages
            .iter()
            .find(|at| (at.age_d - 100.0).abs() < 1e-9)
            .unwrap()
    };
    let at: Vec<_> = compared.by_age.iter().map(at_100).collect();
    let differences: Vec<f64> = at.iter().map(|at| at.difference).collect();
    agree(
        "at 100 d",
        &differences,
        &numbers(&r["at_100"], "difference"),
        1e-8,
    );
    let errors: Vec<f64> = at.iter().map(|at| at.standard_error.unwrap()).collect();
    agree(
        "error at 100 d",
        &errors,
        &numbers(&r["at_100"], "std_error"),
        1e-8,
    );
    let theirs = numbers(&r, "factor");
    for (pair, theirs) in compared.by_age.iter().zip(theirs.chunks(2)) {
        // 100,000 draws on the whole degrees of freedom above and below: a standard error of
        // some 0.5 % each; the formula is a bound, and holds between the days too.
        let ours = pair.factor.unwrap();
        assert!(
            (0.99 * theirs[0]..1.03 * theirs[1]).contains(&ours),
            "{ours} against {theirs:?}"
        );
    }
    // One test of all; none of 78 pairs.
    assert_eq!(compared.tests.len(), 1);
}

/// Source: R `nlme`, as above: four digits of its alternation for the differences, three for
/// their errors.
#[test]
fn each_of_thirteen_groups_against_the_mean_of_all_as_in_nlme() {
    let r = expected();
    let comparison = thirteen(Source::Mixed, Adjust::Holm);
    for term in ["A", "k", "ti"] {
        let contrasts = comparison.compared[0].contrasts.iter();
        let found: Vec<_> = contrasts.filter(|one| one.term == term).collect();
        let differences: Vec<f64> = found.iter().map(|one| one.difference).collect();
        let errors: Vec<f64> = found
            .iter()
            .map(|one| one.standard_error.unwrap())
            .collect();
        let theirs = &r["mixed"][term];
        agree(term, &differences, &numbers(theirs, "difference"), 1e-3);
        agree(term, &errors, &numbers(theirs, "std_error"), 2e-3);
        // A group and the mean that contains it: what all have beyond it adds to nothing.
        let sum: f64 = differences.iter().sum();
        assert!(sum.abs() < 1e-9 * differences[0].abs().max(1.0), "{sum}");
    }
}

/// Intervals of all comparisons together are wider than those of one, and no wider than
/// Bonferroni's, a quarter more at 13 groups.
#[test]
fn tukeys_adjustment_of_many_groups_is_by_the_greatest_t() {
    let of = |adjust| {
        let comparison = thirteen(Source::Mixed, adjust);
        let one = comparison.compared[0].contrasts[0].clone();
        let interval = one.interval.unwrap();
        (
            interval.upper - interval.lower,
            one.p_value.unwrap(),
            one.p_adjusted.unwrap(),
        )
    };
    let (alone, p_alone, _) = of(Adjust::None);
    let (together, p_value, p_adjusted) = of(Adjust::Tukey);
    let wider = together / alone;
    assert!((1.3..1.6).contains(&wider), "{wider}");
    assert!((p_alone - p_value).abs() < 1e-12 && p_adjusted >= p_value);
}

/// Numbers of strains and of birds, weighed every second week; names as given.
fn study(folder: &Path, birds: usize, names: &[String]) {
    let mut table = String::from("bird,strain,age_d,weight_g\n");
    let mut state = 7_u64;
    // Any uneven numbers do: a linear congruential generator (Knuth's MMIX).
    let mut uneven = || {
        state = state
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        (state >> 33) as f64 / f64::from(u32::MAX >> 1) - 0.5
    };
    for (strain, name) in names.iter().enumerate() {
        let (mature_g, inflection_d) = (1500.0 * (1.0 + 0.2 * uneven()), 45.0 + 3.0 * uneven());
        for bird in 0..birds {
            let (own_g, own_d) = (
                mature_g * (1.0 + 0.15 * uneven()),
                inflection_d + 3.0 * uneven(),
            );
            for age_d in (0..=154).step_by(14) {
                let weight_g = own_g * (-(-0.03 * (f64::from(age_d) - own_d)).exp()).exp();
                let weight_g = weight_g * (1.0 + 0.05 * uneven());
                let name = name.replace('"', "\"\"");
                writeln!(table, "{strain}-{bird},\"{name}\",{age_d},{weight_g:.1}").unwrap();
            }
        }
    }
    std::fs::write(folder.join("weights.csv"), table).unwrap();
}

fn numbered(strains: usize) -> Vec<String> {
    (1..=strains)
        .map(|strain| format!("Strain {strain:03}"))
        .collect()
}

fn pinfeather(folder: &Path, arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_pinfeather"))
        .args(arguments)
        .current_dir(folder)
        .env("NO_COLOR", "1")
        .output()
        .unwrap()
}

/// Files of a folder, by name.
fn files(folder: &Path) -> BTreeSet<String> {
    let found = std::fs::read_dir(folder).unwrap();
    found
        .map(|file| file.unwrap().file_name().into_string().unwrap())
        .collect()
}

fn run(strains: &[String], more: &[&str]) -> (tempfile::TempDir, Output) {
    let folder = tempfile::tempdir().unwrap();
    study(folder.path(), 3, strains);
    let mut arguments = vec![
        "run",
        "weights.csv",
        "--group",
        "strain",
        "--curve",
        "gompertz",
        "--out",
        "o",
        "--format",
        "svg",
    ];
    arguments.extend(more);
    let output = pinfeather(folder.path(), &arguments);
    (folder, output)
}

fn errors(output: &Output) -> String {
    String::from_utf8_lossy(&output.stderr).into_owned()
}

/// The names of the figures without their pages.
fn figures(folder: &Path) -> BTreeSet<String> {
    let names = files(&folder.join("o/figures"));
    let whole = |name: &String| {
        let name = name.trim_end_matches(".svg");
        name.trim_end_matches(|c: char| c.is_ascii_digit())
            .trim_end_matches('_')
            .to_owned()
    };
    names.iter().map(whole).collect()
}

#[test]
fn nine_strains_have_all_the_figures_that_two_have() {
    let (two, output) = run(&numbered(2), &[]);
    assert!(output.status.success(), "{}", errors(&output));
    let (nine, output) = run(&numbered(9), &[]);
    assert!(output.status.success(), "{}", errors(&output));
    assert_eq!(figures(two.path()), figures(nine.path()));
    assert_eq!(
        files(&two.path().join("o/tables")),
        files(&nine.path().join("o/tables"))
    );
    // 36 pairs of 7 and more terms: pages.
    let names = files(&nine.path().join("o/figures"));
    assert!(
        names.contains("contrasts_weight_1.svg") || names.contains("contrasts_body_weight_1.svg"),
        "{names:?}"
    );
}

/// Sixty strains are drawn as the forty that differ most clearly, and the tables have all.
#[test]
fn sixty_strains_end_with_all_tables_and_each_against_the_mean_of_all() {
    let (folder, output) = run(&numbered(60), &[]);
    assert!(output.status.success(), "{}", errors(&output));
    let contrasts = std::fs::read_to_string(folder.path().join("o/tables/contrasts.csv")).unwrap();
    let of_a: Vec<&str> = contrasts
        .lines()
        .filter(|line| line.contains(",A,"))
        .collect();
    assert_eq!(of_a.len(), 60);
    assert!(
        of_a.iter().all(|line| line.contains(",mean of all,")),
        "{}",
        of_a[0]
    );
    let growth = files(&folder.path().join("o/figures"));
    let growth: Vec<&String> = growth
        .iter()
        .filter(|name| name.starts_with("growth_"))
        .collect();
    assert!(growth.len() > 1, "{growth:?}");
    let svgs: Vec<String> = growth
        .iter()
        .map(|name| std::fs::read_to_string(folder.path().join("o/figures").join(name)).unwrap())
        .collect();
    let is_drawn = |strain: &usize| {
        let mark = format!("data-strain=\"Strain {strain:03}\"");
        svgs.iter().any(|svg| svg.contains(&mark))
    };
    assert_eq!((1..=60).filter(is_drawn).count(), 40);
}

/// A height that no row of panels has room in: a warning with its reason, and all tables.
#[test]
fn a_figure_that_cannot_be_drawn_is_a_warning_and_the_tables_are_written() {
    let (folder, output) = run(
        &numbered(6),
        &["--height", "40", "--width", "60", "--details"],
    );
    assert_eq!(output.status.code(), Some(0), "{}", errors(&output));
    let printed = errors(&output) + &String::from_utf8_lossy(&output.stdout);
    assert!(printed.contains("was not drawn: "), "{printed}");
    let tables = files(&folder.path().join("o/tables"));
    assert!(
        tables.contains("contrasts.csv") && tables.contains("curve_terms.csv"),
        "{tables:?}"
    );
    assert!(folder.path().join("o/report.html").exists());
}

/// What no figure can have is refused before anything is computed.
#[test]
fn a_width_that_no_figure_can_have_is_refused_and_nothing_is_written() {
    for wrong in [["--width", "20"], ["--height", "2000"], ["--dpi", "5"]] {
        let (folder, output) = run(&numbered(2), &wrong);
        assert_eq!(output.status.code(), Some(2), "{wrong:?}");
        assert!(!folder.path().join("o").exists());
    }
}

/// Names that mean something to SVG, HTML, LaTeX or a file system, long ones, and names
/// equal but for case, come out as they are.
#[test]
fn strain_names_that_break_formats_break_nothing() {
    let names: Vec<String> = [
        "A & B <c> \"d\" 'e'",
        "50% $x_1$ {y} \\z #1 ~ ^",
        "../../etc/passwd",
        "alder",
        "ALDER",
        &"very long name ".repeat(20),
        "]]>--><script>alert(1)</script>",
        "Ж 鶏 é",
        "con:aux|nul?*",
    ]
    .map(|name| name.trim().to_owned())
    .to_vec();
    let (folder, output) = run(&names, &[]);
    assert!(output.status.success(), "{}", errors(&output));
    let contrasts = std::fs::read_to_string(folder.path().join("o/tables/contrasts.csv")).unwrap();
    assert!(contrasts.contains("alder") && contrasts.contains("ALDER"));
    for name in files(&folder.path().join("o/figures")) {
        let svg = std::fs::read_to_string(folder.path().join("o/figures").join(&name)).unwrap();
        let mut reader = quick_xml::Reader::from_str(&svg);
        loop {
            match reader.read_event() {
                Ok(quick_xml::events::Event::Eof) => break,
                Ok(_) => {}
                Err(error) => panic!("{name}: {error}"),
            }
        }
    }
    let page = std::fs::read_to_string(folder.path().join("o/report.html")).unwrap();
    assert!(!page.contains("<script>alert(1)"), "a name became a script");
}

fn facets(strains: usize) -> ByAge {
    ByAge {
        layout: Layout::Facets,
        quantity: Quantity {
            name: "Body weight".into(),
            unit: "g".into(),
        },
        strains: (0..strains)
            .map(|strain| StrainByAge {
                name: format!("Strain {strain}"),
                birds: 1,
                curve: [0.0, 50.0, 100.0]
                    .map(|age_d| BandPoint {
                        age_d,
                        value: age_d * (10.0 + strain as f64),
                        lower: f64::NAN,
                        upper: f64::NAN,
                    })
                    .to_vec(),
                ..StrainByAge::default()
            })
            .collect(),
        ..ByAge::default()
    }
}

/// Panels that take more than a page go on over pages of at most a page's height, all on the
/// same axes; one sheet has them all or names what it lacks.
#[test]
fn panels_higher_than_a_page_go_on_over_pages() {
    for (width_mm, strains, pages) in [
        (89.0, 8, 1),
        (89.0, 9, 2),
        (182.0, 20, 1),
        (182.0, 40, 2),
        (89.0, 100, 13),
    ] {
        let figure = facets(strains);
        let size = Size::for_panels(width_mm, strains).unwrap();
        let drawn = figure.pages(size).unwrap();
        assert_eq!(drawn.len(), pages, "{strains} strains at {width_mm} mm");
        for picture in &drawn {
            assert!(picture.size().height_mm() <= Size::PAGE.height_mm());
        }
        let panels: usize = drawn
            .iter()
            .map(|picture| picture.svg().matches("class=\"axes\"").count())
            .sum();
        assert_eq!(panels, strains);
        // The axis of the steepest strain, on the first page as on the last.
        let labels =
            |svg: &str| svg.contains(">1000<") || svg.contains(">2000<") || svg.contains(">5000<");
        assert!(drawn.iter().all(|picture| labels(picture.svg())) || strains < 9);
    }
    let one_sheet = facets(60).draw(Size::new(89.0, 230.0).unwrap());
    assert!(
        one_sheet
            .unwrap_err()
            .to_string()
            .contains("expected a height of at least")
    );
    let in_pages = facets(60)
        .pages(Size::new(89.0, 100.0).unwrap().in_pages())
        .unwrap();
    assert!(in_pages.len() > 3);
}

/// Every strain is in every table that has a row a strain, of all three levels.
#[test]
fn a_hundred_strains_of_six_birds_end_with_all_tables() {
    let folder = tempfile::tempdir().unwrap();
    study(folder.path(), 6, &numbered(100));
    let mut arguments = vec!["run", "weights.csv", "--curve", "gompertz"];
    arguments.extend(["--out", "o", "--format", "svg"]);
    let output = pinfeather(folder.path(), &arguments);
    assert!(output.status.success(), "{}", errors(&output));
    let lacking = |table: &str, level: &str| {
        let file = folder.path().join("o/tables").join(table);
        let text = std::fs::read_to_string(file).unwrap();
        let rows: Vec<&str> = text
            .lines()
            .filter(|line| line.starts_with(level))
            .collect();
        let names = numbered(100).into_iter();
        names
            .filter(|name| !rows.iter().any(|row| row.contains(name)))
            .collect::<Vec<String>>()
    };
    for (table, level) in [
        ("curve_terms.csv", "bird,"),
        ("curve_terms.csv", "strain,"),
        ("curve_terms.csv", "population,"),
        ("curves.csv", ""),
        ("residuals.csv", ""),
        ("contrasts.csv", ""),
        ("difference_by_age.csv", ""),
        ("uniformity.csv", ""),
    ] {
        assert_eq!(lacking(table, level), [""; 0], "{table} {level}");
    }
}
