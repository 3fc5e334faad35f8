//! Curve cards: the cards of the built-in curves describe them, a user's card
//! fits like one, and the faults of a card are reported.

use std::path::Path;
use std::sync::Arc;

use pinfeather::growth::{Card, Curve, Derived, built_in, find, names, read_cards};

fn cards_folder() -> std::path::PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("models/curves")
}

/// The card of a built-in curve, made for a bird of 38 g at hatch like the curve.
fn pair(name: &str) -> (Arc<dyn Curve>, Arc<dyn Curve>) {
    let card = Card::read(&cards_folder().join(format!("{name}.toml"))).expect(name);
    let curve = built_in(name).expect(name);
    assert_eq!(
        card.needs_hatch_weight(),
        curve.needs_hatch_weight(),
        "{name}"
    );
    if curve.needs_hatch_weight() {
        let made = |curve: &dyn Curve| Arc::from(curve.at_hatch_weight(38.0).expect("a weight"));
        (made(&card), made(&*curve))
    } else {
        (Arc::new(card), curve)
    }
}

/// Terms from the curve's own start on a pullet's weights.
fn starting_terms(curve: &dyn Curve) -> Vec<Vec<f64>> {
    let ages_d = [1.0, 28.0, 56.0, 84.0, 112.0, 140.0, 168.0];
    let values = [40.0, 260.0, 650.0, 1050.0, 1300.0, 1600.0, 1800.0];
    let mut terms = vec![f64::NAN; curve.terms().len()];
    let mut starts = Vec::new();
    while curve.start(starts.len(), &ages_d, &values, &mut terms) {
        starts.push(terms.clone());
    }
    assert!(!starts.is_empty(), "{}", curve.name());
    starts
}

#[test]
fn each_built_in_curve_has_its_card_and_they_agree() {
    for name in names() {
        let (card, curve) = pair(name);
        let (ours, theirs) = (curve.terms(), card.terms());
        assert_eq!(ours.len(), theirs.len(), "{name}");
        for (ours, theirs) in ours.iter().zip(theirs) {
            assert_eq!(
                (&ours.name, &ours.meaning, &ours.unit),
                (&theirs.name, &theirs.meaning, &theirs.unit),
                "{name}"
            );
            // The hatch weight of the bird at hand raises the least asymptote; a card has one for all.
            let lower = if name.starts_with("anchored") && ours.name == "A" {
                theirs.lower
            } else {
                ours.lower
            };
            assert_eq!(
                (lower.to_bits(), ours.upper.to_bits()),
                (theirs.lower.to_bits(), theirs.upper.to_bits()),
                "{name}"
            );
        }
        let p = ours.len();
        let (mut our_gradient, mut their_gradient) = (vec![0.0; p], vec![0.0; p]);
        for mut terms in starting_terms(&*curve) {
            if name == "richards" && (terms[3] - 1.0).abs() < 0.1 {
                // The card's own form has no value at m = 1.
                terms[3] = 1.3;
            }
            for age_d in [1.0, 10.0, 40.0, 80.0, 126.0, 168.0] {
                let what = format!("{name} at {terms:?}, age {age_d}");
                if curve.value(age_d, &terms) == 0.0 {
                    // A richards with m < 1 that has not left zero: no value on the card.
                    continue;
                }
                let value = curve.value(age_d, &terms);
                // The tolerance is the one requested, 1e-10; a gradient that passes zero is held
                // to the size that its term gives it.
                let same = |ours: f64, theirs: f64, size: f64| {
                    let tolerance = 1e-10 * (ours.abs() + 1e-3 * size);
                    assert!(
                        (ours - theirs).abs() <= tolerance,
                        "{what}: {ours} {theirs}"
                    );
                };
                same(value, card.value(age_d, &terms), 0.0);
                let ours = curve.value_and_gradient(age_d, &terms, &mut our_gradient);
                let theirs = card.value_and_gradient(age_d, &terms, &mut their_gradient);
                same(ours, theirs, 0.0);
                for j in 0..p {
                    same(our_gradient[j], their_gradient[j], value / terms[j].abs());
                }
                let ours = curve.slope_and_gradient(age_d, &terms, &mut our_gradient);
                let theirs = card.slope_and_gradient(age_d, &terms, &mut their_gradient);
                same(ours, theirs, 0.0);
                for j in 0..p {
                    same(our_gradient[j], their_gradient[j], value / terms[j].abs());
                }
            }
        }
    }
}

/// A card looks for ages by search where the built-in curve has them in closed form.
#[test]
fn a_cards_derived_quantities_are_the_built_in_ones() {
    for name in [
        "gompertz",
        "logistic",
        "bertalanffy",
        "two-phase-logistic",
        "anchored-gompertz",
    ] {
        let (card, curve) = pair(name);
        let terms = starting_terms(&*curve).remove(0);
        let (mut ours, mut theirs) = (vec![0.0; terms.len()], vec![0.0; terms.len()]);
        for what in [
            Derived::Mature,
            Derived::InflectionAge,
            Derived::InflectionWeight,
            Derived::InflectionRate,
            Derived::AgeAtFraction(0.5),
            Derived::AgeAtFraction(0.9),
            Derived::AgeAtValue(1000.0),
            Derived::RelativeRateAt(126.0),
        ] {
            let context = format!("{name} at {terms:?}: {what:?}");
            // A card does not know of two phases: its sum has an inflection.
            let Some(expected) = curve.derived(what, &terms, &mut ours) else {
                assert!(name.starts_with("two-phase"), "{context}");
                continue;
            };
            let found = card.derived(what, &terms, &mut theirs).expect(&context);
            // A root of the slope's slope is good to the square root of nothing: its rounding
            // over that slope, about 1e-10 of the age.
            assert!(
                (found - expected).abs() <= 1e-8 * expected.abs(),
                "{context}: {found} {expected}"
            );
            for (found, expected) in theirs.iter().zip(&ours) {
                // The card's gradient of the inflection age comes from differences in age.
                let scale = ours.iter().fold(0.0, |top: f64, g| top.max(g.abs()));
                assert!(
                    (found - expected).abs() <= 1e-6 * scale,
                    "{context}: {theirs:?} {ours:?}"
                );
            }
        }
        let never = Derived::AgeAtValue(1e7);
        assert_eq!(card.derived(never, &terms, &mut theirs), None, "{name}");
    }
}

const CARD: &str = r#"
name = "brody"
equation = "A - (A - w0)*exp(-k*t)"
mature = "A"

[[term]]
name = "A"
meaning = "mature mass"
unit = "g"
lower = 1

[[term]]
name = "w0"
meaning = "mass at hatch"
unit = "g"

[[term]]
name = "k"
meaning = "rate"
unit = "1/d"
lower = 0.0
upper = 1.0

[[start]]
A = "1.2*y_max"
w0 = "y_first"
k = "1/t_half"

[[start]]
A = 2000
w0 = 40
k = 0.01
"#;

#[test]
fn a_users_card_starts_from_its_own_rules() {
    let card = Card::parse(CARD, "brody.toml").expect("a good card");
    let ages_d = [0.0, 10.0, 20.0, 30.0];
    let values = [40.0, 400.0, 600.0, 1000.0];
    let mut terms = [0.0; 3];
    let same = |found: &[f64; 3], expected: [f64; 3]| {
        for (found, expected) in found.iter().zip(expected) {
            // One product or quotient: a rounding.
            let near = (found - expected).abs() <= 1e-15 * expected.abs();
            assert!(near, "{found} {expected}");
        }
    };
    assert!(card.start(0, &ages_d, &values, &mut terms));
    // t_half: 500 lies midway from 400 at 10 d to 600 at 20 d.
    same(&terms, [1200.0, 40.0, 1.0 / 15.0]);
    assert!(card.start(1, &ages_d, &values, &mut terms));
    same(&terms, [2000.0, 40.0, 0.01]);
    assert!(!card.start(2, &ages_d, &values, &mut terms));
    assert!(!card.start(0, &[], &[], &mut terms));
    // 1/t_half is infinite for a bird first weighed at age 0 above half of its greatest weight.
    assert!(!card.start(0, &[0.0, 1.0], &[40.0, 41.0], &mut terms));
    // A term with a range is moved to its edge: 1/t_half = 2 at t_half = 0.5.
    assert!(card.start(0, &[0.0, 1.0], &[0.0, 50.0], &mut terms));
    same(&terms, [60.0, 0.0, 1.0]);
}

#[test]
fn faults_of_a_card_are_reported_with_place_and_advice() {
    let replaced = |from: &str, to: &str| {
        assert!(CARD.contains(from), "{from}");
        CARD.replacen(from, to, 1)
    };
    let cases = [
        (
            replaced("exp(-k*t)", "exp(-q*t)"),
            "c.toml: equation: found unknown symbol \"q\", expected one of t, A, w0, k",
        ),
        (
            replaced("exp(-k*t)", "exp(-t)"),
            "c.toml: equation: found no \"k\", expected age t and every term in it",
        ),
        (
            replaced("exp(-k*t)", "exp(-k*t"),
            "c.toml: equation: found the end at character 22, expected a closing bracket or an operator",
        ),
        (replaced("A - (A", "A -- (A"), ""),
        (
            replaced("name = \"k\"", "name = \"A\""),
            "c.toml: term name: found \"A\", twice; expected each name once",
        ),
        (
            replaced("name = \"k\"", "name = \"exp\""),
            "c.toml: term name: found \"exp\", which is a function or constant; choose another name",
        ),
        (
            replaced("name = \"k\"", "name = \"t\""),
            "c.toml: term name: found \"t\", which is the age; choose another name",
        ),
        (
            replaced("name = \"brody\"", "name = \"bro/dy\""),
            "c.toml: name: found \"bro/dy\", expected letters, digits, - and _ only",
        ),
        (
            replaced("lower = 1", "lower = inf"),
            "c.toml: term A: found lower inf and upper inf, expected lower below upper",
        ),
        (
            replaced("k = 0.01", "k = 2"),
            "c.toml: start 2, k: found 2, expected 0 to 1, the term's range",
        ),
        (
            replaced("k = 0.01", "kk = 0.01"),
            "c.toml: start 2: found \"kk\", which is no term of the card\nc.toml: start 2, k: found nothing, expected a number or an expression in quotes",
        ),
        (
            replaced("1.2*y_max", "1.2*ymax"),
            "c.toml: start 1, A: found unknown symbol \"ymax\", expected one of t_first, t_last, t_half, y_first, y_last, y_max, y_min, n",
        ),
        (
            replaced("mature = \"A\"", "mature = \"A*t\""),
            "c.toml: mature: found the age t in it, expected terms only",
        ),
        (
            replaced("mature = \"A\"", "mature = \"A\"\nage_range_d = [5, 5]"),
            "c.toml: age_range_d: found [5, 5], expected a first age and a later last one",
        ),
        (
            replaced("mature", "matur"),
            "c.toml: line 4: unknown field `matur`",
        ),
        (
            replaced("lower = 0.0", "lower = \"0\""),
            "c.toml: line 21: invalid type: string \"0\", expected f64",
        ),
        (replaced("equation", "= equation"), "c.toml: line 3: "),
        (replaced("mature = \"A\"", "start = 3"), "c.toml: "),
        (
            CARD.split("[[start]]").next().expect("a part").to_owned(),
            "c.toml: start: found none, expected start = \"like CURVE\" or one or more [[start]]",
        ),
        (
            replaced("A - (A - w0)*exp(-k*t)", "A*ln(-1 - k^2) + w0*t"),
            "c.toml: equation: found no finite value at any start and age",
        ),
    ];
    for (text, message) in &cases {
        if message.is_empty() {
            // A doubled minus is algebra, not a fault.
            assert!(Card::parse(text, "c.toml").is_ok());
            continue;
        }
        let error = Card::parse(text, "c.toml").expect_err(message);
        let printed = error.to_string();
        assert!(
            printed.starts_with(message),
            "{printed}\nexpected: {message}"
        );
        assert_eq!(
            printed.lines().count(),
            error.messages().len(),
            "one line a fault: {printed}"
        );
        assert_eq!(error.kind(), pinfeather::ErrorKind::Input);
    }
}

#[test]
fn like_needs_the_terms_of_the_curve_it_names() {
    let without_start = CARD.split("[[start]]").next().expect("a part");
    let like = |curve: &str| {
        let text = without_start.replacen("mature", &format!("start = \"{curve}\"\nmature"), 1);
        Card::parse(&text, "c.toml")
    };
    let printed = like("like gompertz")
        .expect_err("w0 is no gompertz term")
        .to_string();
    assert_eq!(
        printed,
        "c.toml: start: found \"like gompertz\" with the terms A, w0, k, expected the terms A, k, ti or a [[start]]"
    );
    let printed = like("gompertz").expect_err("no like").to_string();
    assert!(
        printed.starts_with(
            "c.toml: start: found \"gompertz\", expected \"like \" and one of gompertz, logistic"
        ),
        "{printed}"
    );
}

#[test]
fn cards_of_a_folder_are_found_by_name() {
    let folder = tempfile::tempdir().expect("a folder");
    let write =
        |file: &str, text: &str| std::fs::write(folder.path().join(file), text).expect(file);
    let printed = |folder: &Path| {
        read_cards(folder)
            .map(|_| ())
            .expect_err("a fault")
            .to_string()
    };
    assert!(
        printed(folder.path()).ends_with("found no curve card, expected files that end in .toml")
    );
    assert!(printed(&folder.path().join("none")).contains("no such file"));

    write("brody.toml", CARD);
    write("notes.txt", "not a card");
    let cards = read_cards(folder.path()).expect("one card");
    assert_eq!(cards.len(), 1);
    assert_eq!(find("brody", &cards).expect("the card").name(), "brody");
    assert_eq!(
        find("gompertz", &cards).expect("built in").name(),
        "gompertz"
    );
    let unknown = |name: &str| {
        find(name, &cards)
            .map(|_| ())
            .expect_err("unknown")
            .to_string()
    };
    let of_unknown = unknown("Gompertz");
    assert!(
        of_unknown.starts_with("unknown curve \"Gompertz\", expected one of gompertz, logistic")
            && of_unknown.ends_with(", brody; did you mean gompertz"),
        "{of_unknown}"
    );
    assert!(unknown("brodi").ends_with("; did you mean brody"));
    assert!(!unknown("spline-of-mine").contains("did you mean"));

    write("second.toml", CARD);
    write("third.toml", &CARD.replace("brody", "logistic"));
    let both = printed(folder.path());
    assert!(
        both.contains("second.toml: name: found \"brody\", a name used twice"),
        "{both}"
    );
    assert!(
        both.contains("third.toml: name: found \"logistic\", the name of a built-in curve that has another equation"),
        "{both}"
    );
}

#[test]
fn the_cards_of_the_built_in_curves_may_lie_in_a_users_folder() {
    let folder = cards_folder();
    let cards = read_cards(&folder).expect("the cards agree with the curves");
    assert!(cards.is_empty());
    let files = std::fs::read_dir(&folder).expect("the folder").count();
    assert_eq!(files, names().count(), "one card a curve");
}

/// A weight's age from published curves, as their authors worked it out: body weight
/// a X^2 + b X + c in g, X in weeks, and the days to 850 g that are printed beside
/// (Korean Journal of Poultry Science 2023 50(2):91, Table 2).
#[test]
fn published_days_to_850_g() {
    const PARABOLA: &str = r#"
name = "parabola"
equation = "a*(t/7)^2 + b*(t/7) + c"
source = "Korean Journal of Poultry Science 2023 50(2):91"
age_range_d = [0.0, 100.0]

[[term]]
name = "a"
meaning = "bend"
unit = "g/week^2"
lower = -1000.0
upper = 1000.0

[[term]]
name = "b"
meaning = "slope at hatch"
unit = "g/week"
lower = -1000.0
upper = 1000.0

[[term]]
name = "c"
meaning = "weight at hatch"
unit = "g"
lower = 0.0
upper = 1000.0

[[start]]
a = 10.0
b = 50.0
c = 40.0
"#;
    let card = Card::parse(PARABOLA, "parabola.toml").expect("a good card");
    let published = [
        ([10.324, 52.172, 41.5], 46.7),
        ([9.6195, 49.081, 41.5], 48.8),
        ([10.302, 49.426, 42.6], 47.4),
        ([11.209, 46.567, 40.9], 46.7),
        ([15.196, 69.624, 39.4], 37.5),
        ([27.059, 30.226, 45.5], 34.5),
    ];
    for (terms, days) in published {
        let mut gradient = [0.0; 3];
        let age_d = card
            .derived(Derived::AgeAtValue(850.0), &terms, &mut gradient)
            .expect("reached within the range");
        // Printed to a tenth of a day.
        assert!((age_d - days).abs() <= 0.05, "{terms:?}: {age_d}");
    }
}
