//! The text of a curve card: reading it, and reporting all its faults.

use std::collections::BTreeMap;
use std::sync::Arc;

use serde::Deserialize;

use super::expression::{Expression, MOST_SYMBOLS, is_name, is_reserved};
use super::{Curve, Term, list};
use crate::error::{Error, Result};

/// Most terms of a card: the symbols of an equation without age and hatch weight.
const MOST_TERMS: usize = MOST_SYMBOLS - 2;

/// What a start may be worked out from, in the order of [`Summary::values`].
const SUMMARIES: [&str; 8] = [
    "t_first", "t_last", "t_half", "y_first", "y_last", "y_max", "y_min", "n",
];

/// A card as it is in the file.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    name: String,
    equation: String,
    #[serde(default)]
    description: String,
    #[serde(default)]
    source: String,
    mature: Option<String>,
    age_range_d: Option<[f64; 2]>,
    hatch_weight: Option<String>,
    #[serde(default)]
    term: Vec<FileTerm>,
    start: Option<FileStart>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct FileTerm {
    name: String,
    meaning: String,
    #[serde(default)]
    unit: String,
    #[serde(default = "no_lower")]
    lower: f64,
    #[serde(default = "no_upper")]
    upper: f64,
}

fn no_lower() -> f64 {
    f64::NEG_INFINITY
}

fn no_upper() -> f64 {
    f64::INFINITY
}

#[derive(Debug, Deserialize)]
#[serde(
    untagged,
    expecting = "start = \"like CURVE\" or one or more [[start]] with a number or an expression in quotes for each term"
)]
enum FileStart {
    Like(String),
    Explicit(Vec<BTreeMap<String, FileValue>>),
}

#[derive(Debug, Deserialize)]
#[serde(untagged)]
enum FileValue {
    Number(f64),
    Expression(String),
}

/// A card that has been checked, all but the equation itself.
#[derive(Debug)]
pub(super) struct Written {
    pub(super) name: String,
    pub(super) equation: String,
    pub(super) description: String,
    pub(super) source: String,
    pub(super) mature: Option<String>,
    pub(super) age_range_d: [f64; 2],
    pub(super) hatch_weight: Option<String>,
    pub(super) terms: Vec<Term>,
    pub(super) rule: Rule,
}

/// Where the starts come from.
#[derive(Debug)]
pub(super) enum Rule {
    /// A built-in curve's, and for each of our terms its place among theirs.
    Like {
        curve: Arc<dyn Curve>,
        places: Vec<usize>,
    },
    /// For each start one expression a term, in the summaries.
    Explicit(Vec<Vec<Expression>>),
}

impl Written {
    /// Symbols of the equation: t, the terms, the hatch weight.
    pub(super) fn symbols(&self) -> Vec<&str> {
        std::iter::once("t")
            .chain(self.terms.iter().map(|term| &*term.name))
            .chain(self.hatch_weight.as_deref())
            .collect()
    }
}

/// Summaries of the weighings that a start may use.
#[derive(Debug, Clone, Copy)]
pub(super) struct Summary([f64; SUMMARIES.len()]);

impl Summary {
    /// From ages (ascending) and values; values that are not finite are left out.
    /// `None` where nothing remains.
    pub(super) fn of(ages_d: &[f64], values: &[f64]) -> Option<Self> {
        let rows = || {
            ages_d
                .iter()
                .copied()
                .zip(values.iter().copied())
                .filter(|(t, y)| t.is_finite() && y.is_finite())
        };
        let (t_first, y_first) = rows().next()?;
        let (t_last, y_last) = rows().next_back()?;
        let y_max = rows().fold(f64::NEG_INFINITY, |top, (_, y)| top.max(y));
        let y_min = rows().fold(f64::INFINITY, |least, (_, y)| least.min(y));
        // A count of weighings is far below 2^53.
        let n = rows().fold(0.0, |n, _| n + 1.0);
        let half = 0.5 * y_max;
        let t_half = rows()
            .zip(rows().skip(1))
            .find(|((_, y), (_, next))| *y <= half && *next > half)
            .map_or(t_first, |((t, y), (t_next, next))| {
                t + (t_next - t) * (half - y) / (next - y)
            });
        Some(Self([
            t_first, t_last, t_half, y_first, y_last, y_max, y_min, n,
        ]))
    }

    /// In the order of the names that a card may use.
    pub(super) fn values(&self) -> [f64; SUMMARIES.len()] {
        self.0
    }
}

/// Reads and checks a card's text; `origin` is the file's name for messages.
pub(super) fn read(text: &str, origin: &str) -> Result<Written> {
    let file: File = toml::from_str(text).map_err(|fault| {
        let line = fault
            .span()
            .map(|span| 1 + text.get(..span.start).unwrap_or("").matches('\n').count())
            .map_or(String::new(), |line| format!("line {line}: "));
        let message = fault.message().replace('\n', " ");
        Error::input(format!(
            "{origin}: {line}{message}; expected a curve card with name, equation, [[term]] and a start"
        ))
    })?;
    let mut faults = Faults {
        origin,
        messages: Vec::new(),
    };
    check_names(&file, &mut faults);
    check_ranges(&file, &mut faults);
    check_equation(&file, &mut faults);
    let rule = rule(&file, &mut faults);
    match rule {
        Some(rule) if faults.messages.is_empty() => Ok(written(file, rule)),
        _ => Err(Error::faults(faults.messages)),
    }
}

fn written(file: File, rule: Rule) -> Written {
    Written {
        name: file.name,
        equation: file.equation,
        description: file.description,
        source: file.source,
        mature: file.mature,
        age_range_d: file.age_range_d.unwrap_or([0.0, 1000.0]),
        hatch_weight: file.hatch_weight,
        terms: file
            .term
            .into_iter()
            .map(|term| Term {
                name: term.name.into(),
                meaning: term.meaning.into(),
                unit: term.unit.into(),
                lower: term.lower,
                upper: term.upper,
            })
            .collect(),
        rule,
    }
}

/// Collects messages of one card.
struct Faults<'a> {
    origin: &'a str,
    messages: Vec<String>,
}

impl Faults<'_> {
    fn add(&mut self, key: &str, fault: &str) {
        self.messages
            .push(format!("{}: {key}: {fault}", self.origin));
    }
}

fn check_names(file: &File, faults: &mut Faults<'_>) {
    let plain = |c: char| c.is_ascii_alphanumeric() || c == '-' || c == '_';
    if file.name.is_empty() || !file.name.chars().all(plain) {
        let found = &file.name;
        faults.add(
            "name",
            &format!("found \"{found}\", expected letters, digits, - and _ only"),
        );
    }
    if file.term.is_empty() {
        faults.add(
            "term",
            "found none, expected one [[term]] for each term of the equation",
        );
    }
    if file.term.len() > MOST_TERMS {
        let found = file.term.len();
        faults.add(
            "term",
            &format!("found {found}, expected at most {MOST_TERMS}"),
        );
    }
    let names = file.term.iter().map(|term| term.name.as_str());
    let names: Vec<&str> = names.chain(file.hatch_weight.as_deref()).collect();
    for (i, name) in names.iter().enumerate() {
        let key = if i < file.term.len() {
            "term name"
        } else {
            "hatch_weight"
        };
        let fault = if !is_name(name) {
            "expected a letter, then letters, digits and _"
        } else if *name == "t" {
            "which is the age; choose another name"
        } else if is_reserved(name) {
            "which is a function or constant; choose another name"
        } else if names.iter().take(i).any(|earlier| earlier == name) {
            "twice; expected each name once"
        } else {
            continue;
        };
        faults.add(key, &format!("found \"{name}\", {fault}"));
    }
}

fn check_ranges(file: &File, faults: &mut Faults<'_>) {
    for term in &file.term {
        // Also false for a NaN at either end.
        let ordered = term.lower < term.upper;
        if !ordered {
            let (lower, upper) = (term.lower, term.upper);
            let fault =
                format!("found lower {lower} and upper {upper}, expected lower below upper");
            faults.add(&format!("term {}", term.name), &fault);
        }
    }
    if let Some([first, last]) = file.age_range_d
        && !(first < last && first.is_finite() && last.is_finite())
    {
        let fault = format!("found [{first}, {last}], expected a first age and a later last one");
        faults.add("age_range_d", &fault);
    }
}

fn check_equation(file: &File, faults: &mut Faults<'_>) {
    // With too many or faulty names the equation would only repeat their faults.
    if !faults.messages.is_empty() {
        return;
    }
    let terms: Vec<&str> = file.term.iter().map(|term| term.name.as_str()).collect();
    let hatch = file.hatch_weight.as_deref();
    let symbols: Vec<&str> = std::iter::once("t")
        .chain(terms.iter().copied())
        .chain(hatch)
        .collect();
    match Expression::parse(&file.equation, &symbols) {
        Err(found) => faults.add("equation", &format!("found {found}")),
        Ok(equation) => {
            for (place, symbol) in symbols.iter().enumerate() {
                if !equation.uses(place) {
                    let fault =
                        format!("found no \"{symbol}\", expected age t and every term in it");
                    faults.add("equation", &fault);
                }
            }
        }
    }
    if let Some(mature) = &file.mature {
        match Expression::parse(mature, &symbols) {
            Err(found) => faults.add("mature", &format!("found {found}")),
            Ok(mature) if mature.uses(0) => {
                faults.add("mature", "found the age t in it, expected terms only");
            }
            Ok(_) => {}
        }
    }
}

fn rule(file: &File, faults: &mut Faults<'_>) -> Option<Rule> {
    match &file.start {
        None => {
            let fault = "found none, expected start = \"like CURVE\" or one or more [[start]]";
            faults.add("start", fault);
            None
        }
        Some(FileStart::Like(text)) => like(file, text, faults),
        Some(FileStart::Explicit(starts)) => {
            if starts.is_empty() {
                faults.add(
                    "start",
                    "found an empty list, expected at least one [[start]]",
                );
            }
            let starts = starts.iter().enumerate();
            let starts = starts.map(|(i, start)| explicit(file, i + 1, start, faults));
            Some(Rule::Explicit(starts.collect()))
        }
    }
}

fn like(file: &File, text: &str, faults: &mut Faults<'_>) -> Option<Rule> {
    let known = || list::names().collect::<Vec<_>>().join(", ");
    let name = text.strip_prefix("like ").map(str::trim);
    let Some(curve) = name.and_then(list::built_in) else {
        let fault = format!(
            "found \"{text}\", expected \"like \" and one of {}",
            known()
        );
        faults.add("start", &fault);
        return None;
    };
    let theirs: Vec<&str> = curve.terms().iter().map(|term| &*term.name).collect();
    let places: Option<Vec<usize>> = file
        .term
        .iter()
        .map(|term| theirs.iter().position(|name| *name == term.name))
        .collect();
    match places {
        Some(places) if places.len() == theirs.len() => Some(Rule::Like { curve, places }),
        _ => {
            let ours: Vec<&str> = file.term.iter().map(|term| term.name.as_str()).collect();
            let fault = format!(
                "found \"{text}\" with the terms {}, expected the terms {} or a [[start]]",
                ours.join(", "),
                theirs.join(", ")
            );
            faults.add("start", &fault);
            None
        }
    }
}

/// One start, its expressions in the order of the terms.
fn explicit(
    file: &File,
    number: usize,
    start: &BTreeMap<String, FileValue>,
    faults: &mut Faults<'_>,
) -> Vec<Expression> {
    for name in start.keys() {
        if !file.term.iter().any(|term| term.name == *name) {
            let fault = format!("found \"{name}\", which is no term of the card");
            faults.add(&format!("start {number}"), &fault);
        }
    }
    let mut expressions = Vec::new();
    for term in &file.term {
        let key = format!("start {number}, {}", term.name);
        let parsed = match start.get(&term.name) {
            None => Err("nothing, expected a number or an expression in quotes".to_owned()),
            Some(FileValue::Expression(text)) => Expression::parse(text, &SUMMARIES),
            Some(FileValue::Number(number)) if number.is_finite() => {
                if *number >= term.lower && *number <= term.upper {
                    Expression::parse(&format!("{number}"), &SUMMARIES)
                } else {
                    let (lower, upper) = (term.lower, term.upper);
                    Err(format!(
                        "{number}, expected {lower} to {upper}, the term's range"
                    ))
                }
            }
            Some(FileValue::Number(number)) => Err(format!("{number}, expected a finite number")),
        };
        match parsed {
            Ok(expression) => expressions.push(expression),
            Err(found) => faults.add(&key, &format!("found {found}")),
        }
    }
    expressions
}
