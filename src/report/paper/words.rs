//! Names in words: what tables call `two-phase-gompertz` or `strain[Birch]` is the two-phase
//! Gompertz curve and Birch on paper.

use crate::age::AgeUnit;
use crate::fit::interval::Estimate;
use crate::growth::Derived;
use crate::report::rounding::{self, Digits};
use crate::stats::Interval;
use crate::study::{BODY_WEIGHT, FixedEffectOf};

/// Below this an adjusted P value is called a difference.
pub(super) const SIGNIFICANT: f64 = 0.05;

/// A column's or a trait's name in words.
pub(in crate::report) fn spaced(name: &str) -> String {
    name.replace('_', " ")
}

/// "Body weight".
pub(super) fn capital(words: &str) -> String {
    let mut letters = words.chars();
    match letters.next() {
        Some(first) => first.to_uppercase().chain(letters).collect(),
        None => String::new(),
    }
}

/// "three", "12": numbers below ten in words.
pub(super) fn number(n: usize) -> String {
    const WORDS: [&str; 10] = [
        "no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine",
    ];
    WORDS
        .get(n)
        .map_or_else(|| n.to_string(), |word| (*word).to_owned())
}

/// "one pen", "72 birds".
pub(super) fn count(n: usize, noun: &str) -> String {
    let ending = if n == 1 { "" } else { "s" };
    format!("{} {noun}{ending}", number(n))
}

/// "was" or "were".
pub(super) fn was(n: usize) -> &'static str {
    if n == 1 { "was" } else { "were" }
}

/// A curve: "two-phase Gompertz", "logistic".
pub(in crate::report) fn curve(name: &str) -> String {
    if let Some(weight) = name.strip_prefix("allometry-on-") {
        return format!("allometry on the {} curve of body weight", curve(weight));
    }
    if let Some(kind) = name.strip_prefix("anchored-") {
        return format!("hatch-anchored {}", curve(kind));
    }
    if let Some(kind) = name.strip_prefix("two-phase-") {
        return format!("two-phase {}", curve(kind));
    }
    match name {
        "gompertz" => "Gompertz".to_owned(),
        "richards" => "Richards".to_owned(),
        "bertalanffy" => "von Bertalanffy".to_owned(),
        "weibull" => "Weibull".to_owned(),
        _ => name.to_owned(),
    }
}

/// A term, or a quantity of a curve by its name in the tables: "age at 50 % of mature weight".
pub(super) fn term(name: &str, ages: AgeUnit) -> String {
    let between = |start: &str, end: &str| {
        let rest = name.strip_prefix(start)?.strip_suffix(end)?;
        rest.parse::<f64>().ok().map(|_| rest.to_owned())
    };
    if let Some(pct) = between("age_at_", "pct") {
        return format!("age at {pct} % of mature weight");
    }
    if let Some(mass) = between("age_at_", "g") {
        return format!("age at {mass} g");
    }
    if let Some(age) = between("weight_at_", "d") {
        return format!("mass at {}", at(&age, ages));
    }
    if let Some(age) = between("rate_at_", "d") {
        return format!("growth rate at {}", at(&age, ages));
    }
    if let Some(mass) = between("at_", "g") {
        return format!("mass at {mass} g body weight");
    }
    match name {
        "mature_weight" => "mature weight".to_owned(),
        "inflection_age" => "age at inflection".to_owned(),
        "inflection_weight" => "weight at inflection".to_owned(),
        "inflection_rate" => "maximum growth rate".to_owned(),
        "first_peak_age" => "age at the first peak of gain".to_owned(),
        "second_peak_age" => "age at the second peak of gain".to_owned(),
        "first_peak_rate" => "growth rate at the first peak".to_owned(),
        "second_peak_rate" => "growth rate at the second peak".to_owned(),
        "b" => "allometric exponent".to_owned(),
        "b_change" => "change of the allometric exponent".to_owned(),
        "break_weight" => "body weight at the change of exponent".to_owned(),
        "c_age" => "effect of age at a given body weight".to_owned(),
        bend if bend.starts_with("bend") => {
            format!("spline coefficient {}", bend.trim_start_matches("bend"))
        }
        other => spaced(other),
    }
}

/// An age in days as a name has it.
fn at(age: &str, ages: AgeUnit) -> String {
    age.parse()
        .map_or_else(|_| age.to_owned(), |age_d| ages.show(age_d))
}

/// A cue: "weight at 119 d", "age at the second peak of gain".
pub(super) fn cue(name: &str, ages: AgeUnit) -> String {
    let at_age = |start: &str, words: &str| {
        let age = name.strip_prefix(start)?.strip_suffix('d')?;
        age.parse::<f64>()
            .ok()
            .map(|age_d| format!("{words} at {}", ages.show(age_d)))
    };
    at_age("weight_at_", "weight")
        .or_else(|| at_age("rate_at_", "growth rate"))
        .or_else(|| at_age("value_at_", "value"))
        .unwrap_or_else(|| term(name, ages))
}

/// A term of an equation: "Birch" of `strain[Birch]`, "age × body weight".
pub(in crate::report) fn coefficient(name: &str) -> String {
    let parts: Vec<String> = name.split('*').map(|part| spaced(part.trim())).collect();
    parts.join(" \u{d7} ")
}

/// A parameter or derived quantity of a trait: weights are of the body, masses of its parts.
pub(in crate::report) fn quantity(name: &str, trait_name: &str, ages: AgeUnit) -> String {
    let words = term(name, ages);
    match trait_name {
        BODY_WEIGHT => match words.strip_prefix("mass at ") {
            Some(age) if !age.contains("body weight") => format!("weight at {age}"),
            _ => words,
        },
        _ => words.replace("mature weight", "mature mass"),
    }
}

/// A way of scanning: "tube" of `restraint=tube`.
pub(in crate::report) fn way(label: &str) -> String {
    let part = |part: &str| match part.split_once('=') {
        Some(("restraint", how)) => spaced(how),
        Some(("birds_in_scan", "1")) => "one bird a scan".to_owned(),
        Some(("birds_in_scan", n)) => format!("{n} birds a scan"),
        Some((key, value)) => format!("{} {}", spaced(key), spaced(value)),
        None => spaced(part),
    };
    let parts: Vec<String> = label
        .split([',', ';', '+'])
        .map(|one| part(one.trim()))
        .collect();
    parts.join(", ")
}

/// What sets the groups apart: "strain", "treatment", "group".
pub(super) fn groups(by: &[FixedEffectOf]) -> &'static str {
    match by {
        [one] => one.name(),
        _ => "group",
    }
}

/// "heavier" of weights, "more fat" of masses.
pub(super) fn more_or_less(trait_name: &str, more: bool) -> String {
    match (trait_name, more) {
        (BODY_WEIGHT, true) => "was heavier".to_owned(),
        (BODY_WEIGHT, false) => "was lighter".to_owned(),
        (part @ ("fat" | "lean" | "bone"), true) => format!("had more {part}"),
        (part @ ("fat" | "lean" | "bone"), false) => format!("had less {part}"),
        (name, true) => format!("had a greater {}", spaced(name)),
        (name, false) => format!("had a smaller {}", spaced(name)),
    }
}

/// "from hatch to 168 d of age", "at 21 d of age".
pub(super) fn span(ages: AgeUnit, first_d: f64, last_d: f64) -> String {
    match (first_d <= 0.0, first_d < last_d) {
        (true, true) => format!("from hatch to {} of age", ages.show(last_d)),
        (true, false) => "at hatch".to_owned(),
        (false, true) => format!("from {} of age", ages.show_span(first_d, last_d)),
        (false, false) => format!("at {} of age", ages.show(first_d)),
    }
}

/// A number with its unit; nothing follows a pure number.
pub(super) fn with_unit(number: &str, unit: &str) -> String {
    match unit {
        "" | "1" => number.to_owned(),
        // A rate is read as one.
        "1/d" => format!("{number} d\u{207b}\u{b9}"),
        "g/d" => format!("{number} g/d"),
        unit => format!("{number} {unit}"),
    }
}

/// "1725 ± 19 g".
pub(super) fn estimate(estimate: &Estimate, unit: &str) -> String {
    let printed = rounding::estimate_and_error(estimate.value, estimate.standard_error);
    with_unit(&printed, unit)
}

/// Decimals of a number with this interval: two digits of a fifth of its width, which is about
/// a standard error at 95 %.
pub(super) fn digits_of(limits: Interval) -> Digits {
    let width = limits.upper - limits.lower;
    if width.is_finite() && width > 0.0 {
        Digits::of_error(width / 4.0)
    } else {
        Digits::Decimals(1)
    }
}

/// "4.6 g (95 % CI 3.7 to 6.1 g)"; open sides are words.
pub(super) fn with_interval(value: f64, limits: Option<Interval>, unit: &str, pct: &str) -> String {
    let Some(limits) = limits else {
        return with_unit(&rounding::significant(value, 3), unit);
    };
    let digits = match unit {
        "%" if limits.upper - limits.lower > 4.0 => Digits::Decimals(0),
        _ => digits_of(limits),
    };
    let value = with_unit(&digits.write(value), unit);
    format!("{value} ({pct} CI {})", interval(limits, digits, unit))
}

/// "3.7 to 6.1 g", "at least 3.7 g".
pub(super) fn interval(limits: Interval, digits: Digits, unit: &str) -> String {
    let write = |limit: f64| digits.write(limit);
    match (limits.lower.is_finite(), limits.upper.is_finite()) {
        (true, true) => {
            let both = format!("{} to {}", write(limits.lower), write(limits.upper));
            with_unit(&both, unit)
        }
        (true, false) => format!("at least {}", with_unit(&write(limits.lower), unit)),
        (false, true) => format!("at most {}", with_unit(&write(limits.upper), unit)),
        (false, false) => "open".to_owned(),
    }
}

/// The derived quantities that a paper's tables have besides a curve's terms: mature weight and
/// masses at ages.
pub(super) fn derived(ages_d: &[f64]) -> Vec<Derived> {
    let masses = ages_d.iter().copied().map(Derived::ValueAt);
    [Derived::Mature, Derived::InflectionRate]
        .into_iter()
        .chain(masses)
        .collect()
}

/// Words for birds, in words for what was measured: numbers that are no masses of birds.
pub(in crate::report) fn in_general(text: &str, subject: &str) -> String {
    let (one, first) = (subject, capital(subject));
    let (several, first_several) = (format!("{one}s"), format!("{first}s"));
    let words = [
        ("birds", several.as_str()),
        ("bird", one),
        ("Birds", &first_several),
        ("Bird", &first),
        ("mature weight", "upper asymptote"),
        ("Mature weight", "The upper asymptote"),
        ("from hatch to", "from 0 to"),
        ("The pre-lay growth spurt peaked", "Gain peaked again"),
        // The name under which values stand that were given none.
        ("body weight", "value"),
        ("Body weight", "Value"),
    ];
    let mut text = text.to_owned();
    for (of_birds, in_general) in words {
        let mut out = String::with_capacity(text.len());
        let mut from = 0;
        for (at, found) in text.match_indices(of_birds) {
            // Not within a name, such as a blackbird's.
            let before = text[..at].chars().next_back();
            out.push_str(&text[from..at]);
            out.push_str(match before {
                Some(letter) if letter.is_alphanumeric() => found,
                _ => in_general,
            });
            from = at + found.len();
        }
        out.push_str(&text[from..]);
        text = out;
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn code_becomes_words() {
        assert_eq!(curve("two-phase-gompertz"), "two-phase Gompertz");
        assert_eq!(curve("anchored-logistic"), "hatch-anchored logistic");
        let days = AgeUnit::Days;
        assert_eq!(term("age_at_50pct", days), "age at 50 % of mature weight");
        assert_eq!(term("weight_at_112d", days), "mass at 112 d");
        assert_eq!(term("weight_at_115d", AgeUnit::Weeks), "mass at 16 wk 3 d");
        assert_eq!(term("at_700g", days), "mass at 700 g body weight");
        assert_eq!(cue("weight_at_119d", days), "weight at 119 d");
        assert_eq!(cue("rate_at_119d", days), "growth rate at 119 d");
        assert_eq!(
            cue("second_peak_age", days),
            "age at the second peak of gain"
        );
        assert_eq!(coefficient("age*body_weight"), "age \u{d7} body weight");
        assert_eq!(way("restraint=tube"), "tube");
        assert_eq!(count(3, "strain"), "three strains");
        assert_eq!(count(1, "pen"), "one pen");
        assert_eq!(count(72, "bird"), "72 birds");
    }

    #[test]
    fn birds_are_subjects_where_others_were_measured() {
        let words = in_general(
            "Mature weight of 5 birds and of each bird from blackbird",
            "subject",
        );
        assert_eq!(
            words,
            "The upper asymptote of 5 subjects and of each subject from blackbird"
        );
    }

    #[test]
    fn limits_have_the_decimals_of_their_value() {
        let limits = Interval {
            lower: 3.714_97,
            upper: 6.110_2,
        };
        let words = with_interval(4.619_5, Some(limits), "g", "95 %");
        assert_eq!(words, "4.62 g (95 % CI 3.71 to 6.11 g)");
        let open = Interval {
            lower: 3.7,
            upper: f64::INFINITY,
        };
        assert_eq!(interval(open, Digits::Decimals(0), "d"), "at least 4 d");
    }
}
