//! Named terms of an equation, and the columns that they stand for.
//!
//! A formula is a list of terms, `fat_scan,lean_scan,age,strain,fat_scan*strain`:
//! - a name of a numeric column enters as it stands; `log(age)` its natural logarithm;
//! - a name of a column of words (`strain`, `feathers`) stands for one column of
//!   0 and 1 for each level but the first (in alphabetical order), so each
//!   coefficient is the difference from the first level;
//! - `a*b` is the product of the two and nothing else: it does not bring `a` and
//!   `b` with it. A product with words needs the term without them in the
//!   formula, or the first level's slope would silently be held at zero.
//!
//! The intercept is there unless `0` (or `-1`) stands among the terms, as in R: the line
//! then goes through 0, and the first column of words gets a column for every level.
//! A column is written the same way in tables and
//! saved equations: `fat_scan*strain[B]`.

use std::fmt;
use std::str::FromStr;

use super::frame::{Column, Frame, Value};
use crate::error::{Error, Result};

/// Terms of an equation.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Formula {
    intercept: Intercept,
    terms: Vec<Vec<Factor>>,
}

/// What an equation predicts where all its terms are 0.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Intercept {
    Estimated,
    Zero,
}

/// One of the things that a term multiplies.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub enum Factor {
    /// A column as it stands.
    Plain(String),
    /// Its natural logarithm.
    Log(String),
}

/// One column of the design: a product of pieces; the intercept has none.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct EquationColumn {
    pieces: Vec<EquationPiece>,
}

/// One of the things that a column multiplies.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum EquationPiece {
    /// A column of numbers as it stands.
    Number(String),
    /// Its natural logarithm.
    Log(String),
    /// 1 where the column of words has this level, else 0.
    Level {
        /// Name of the column.
        factor: String,
        /// The level.
        level: String,
    },
}

/// The levels of a column of words; the first is the reference.
#[derive(Debug, Clone, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Levels {
    /// Name of the column.
    pub name: String,
    /// Levels, the reference first.
    pub levels: Vec<String>,
}

/// A formula resolved on a frame: its columns and what they need.
#[derive(Debug, Clone, PartialEq)]
pub struct Coding {
    /// Columns, the intercept first where there is one.
    pub columns: Vec<EquationColumn>,
    /// Levels of each column of words in use.
    pub factors: Vec<Levels>,
    /// Names of the numeric columns in use.
    pub numbers: Vec<String>,
}

/// Why a row has no value in a column.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Gap {
    /// The row has no value of this name.
    Missing(String),
    /// A logarithm of something not above zero.
    NotPositive(String),
}

impl FromStr for Formula {
    type Err = Error;

    /// Reads comma-separated terms; spaces do not matter.
    fn from_str(text: &str) -> Result<Self> {
        let mut terms: Vec<Vec<Factor>> = Vec::new();
        let mut intercept = Intercept::Estimated;
        for written in text.split(',') {
            if ["0", "-1"].contains(&written.trim()) {
                intercept = Intercept::Zero;
                continue;
            }
            let mut term = written
                .split('*')
                .map(Factor::read)
                .collect::<Result<Vec<_>>>()?;
            term.sort();
            if terms.contains(&term) {
                return Err(Error::call(format!(
                    "terms: found {} twice, expected each term once; remove one",
                    written.trim()
                )));
            }
            terms.push(term);
        }
        if terms.is_empty() {
            return Err(Error::call(format!(
                "terms: found \"{text}\" and no other term, expected a column's name beside it; add one"
            )));
        }
        Ok(Self { intercept, terms })
    }
}

impl Factor {
    fn read(text: &str) -> Result<Self> {
        let text = text.trim();
        let inside = text
            .strip_prefix("log(")
            .and_then(|rest| rest.strip_suffix(')'));
        let name = inside.unwrap_or(text).trim();
        let plain = !name.is_empty() && !name.contains(['(', ')', '[', ']', '*']);
        if !plain {
            return Err(Error::call(format!(
                "terms: found \"{text}\", expected a column's name, log(name) or a product such as fat_scan*strain; correct the list"
            )));
        }
        Ok(match inside {
            Some(_) => Self::Log(name.to_owned()),
            None => Self::Plain(name.to_owned()),
        })
    }

    /// The column that it reads.
    #[must_use]
    pub fn name(&self) -> &str {
        match self {
            Self::Plain(name) | Self::Log(name) => name,
        }
    }
}

impl fmt::Display for Factor {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Plain(name) => f.write_str(name),
            Self::Log(name) => write!(f, "log({name})"),
        }
    }
}

impl fmt::Display for Formula {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let terms = self.terms.iter().map(|term| {
            let factors: Vec<String> = term.iter().map(Factor::to_string).collect();
            factors.join("*")
        });
        if self.intercept == Intercept::Zero {
            f.write_str("0,")?;
        }
        f.write_str(&terms.collect::<Vec<_>>().join(","))
    }
}

impl Formula {
    /// The formula of the intercept alone.
    #[must_use]
    pub fn intercept() -> Self {
        Self {
            intercept: Intercept::Estimated,
            terms: Vec::new(),
        }
    }

    /// Names of all columns that it reads.
    #[must_use]
    pub fn names(&self) -> Vec<&str> {
        let mut names: Vec<&str> = self.terms.iter().flatten().map(Factor::name).collect();
        names.sort_unstable();
        names.dedup();
        names
    }

    /// The formulas that keep the first `kept` terms and any of the others, as
    /// far as each product still has what it needs beside it.
    ///
    /// Up to ten free terms; the whole formula comes first.
    ///
    /// # Errors
    /// [`ErrorKind::Call`](crate::ErrorKind::Call) with more free terms.
    pub fn candidates(&self, kept: usize) -> Result<Vec<Self>> {
        let free = self.terms.len().saturating_sub(kept);
        if free > 10 {
            return Err(Error::call(format!(
                "terms: found {free} that may be left out, expected at most 10; name the candidate equations one by one"
            )));
        }
        let mut candidates = Vec::new();
        for left_out in 0..1usize << free {
            let stays = |place: &usize| *place < kept || left_out >> (place - kept) & 1 == 0;
            let places: Vec<usize> = (0..self.terms.len()).filter(stays).collect();
            let terms: Vec<Vec<Factor>> = places
                .iter()
                .map(|place| self.terms[*place].clone())
                .collect();
            // A product stays only with all of its one-shorter products that the whole formula has.
            let whole = terms.iter().all(|term| {
                (0..term.len()).all(|leave| {
                    let shorter = without(term, leave);
                    terms.contains(&shorter) || !self.terms.contains(&shorter)
                })
            });
            if whole {
                candidates.push(Self {
                    intercept: self.intercept,
                    terms,
                });
            }
        }
        Ok(candidates)
    }

    /// Whether a column is a term by itself.
    #[must_use]
    pub fn has_term(&self, name: &str) -> bool {
        let own = |term: &Vec<Factor>| matches!(&term[..], [Factor::Plain(own)] if own == name);
        self.terms.iter().any(own)
    }

    /// Whether its equation goes through 0.
    #[must_use]
    pub fn through_zero(&self) -> bool {
        self.intercept == Intercept::Zero
    }

    /// The columns that the formula stands for on a frame.
    ///
    /// # Errors
    /// [`ErrorKind::Call`](crate::ErrorKind::Call) for a name that is no column,
    /// a column of words with one level, a logarithm of words, a product of words
    /// without its shorter term.
    pub fn coding(&self, frame: &Frame) -> Result<Coding> {
        let mut coding = Coding {
            columns: Vec::new(),
            factors: Vec::new(),
            numbers: Vec::new(),
        };
        if !self.through_zero() {
            coding.columns.push(EquationColumn { pieces: Vec::new() });
        }
        for name in self.names() {
            match frame.column(name)? {
                Column::Numbers(_) => coding.numbers.push(name.to_owned()),
                Column::Words(words) => coding.factors.push(levels(name, words)?),
            }
        }
        for term in &self.terms {
            let mut columns = vec![EquationColumn { pieces: Vec::new() }];
            for (place, factor) in term.iter().enumerate() {
                let pieces = self.pieces(term, place, factor, &coding)?;
                columns = columns
                    .iter()
                    .flat_map(|column| {
                        pieces.iter().map(|piece| {
                            let mut longer = column.clone();
                            longer.pieces.push(piece.clone());
                            longer
                        })
                    })
                    .collect();
            }
            coding.columns.extend(columns);
        }
        Ok(coding)
    }

    /// What one factor of a term multiplies by, one piece a column.
    fn pieces(
        &self,
        term: &[Factor],
        place: usize,
        factor: &Factor,
        coding: &Coding,
    ) -> Result<Vec<EquationPiece>> {
        let words = coding
            .factors
            .iter()
            .find(|levels| levels.name == factor.name());
        let Some(Levels { name, levels }) = words else {
            return Ok(vec![match factor {
                Factor::Plain(name) => EquationPiece::Number(name.clone()),
                Factor::Log(name) => EquationPiece::Log(name.clone()),
            }]);
        };
        if matches!(factor, Factor::Log(_)) {
            return Err(Error::call(format!(
                "terms: found {factor}, expected a logarithm of numbers; {name} holds words"
            )));
        }
        let shorter = without(term, place);
        if !shorter.is_empty() && !self.terms.contains(&shorter) {
            let needed: Vec<String> = shorter.iter().map(Factor::to_string).collect();
            return Err(Error::call(format!(
                "terms: found a product with {name} without the term {} beside it, expected both; add it, or the slope of {name} {} would be held at zero",
                needed.join("*"),
                levels[0]
            )));
        }
        // Without an intercept the first level has no other place.
        let words = |other: &&Vec<Factor>| matches!(&other[..], [Factor::Plain(name)] if coding.factors.iter().any(|levels| levels.name == *name));
        let all = self.through_zero()
            && self
                .terms
                .iter()
                .find(words)
                .is_some_and(|first| first == term);
        let others = levels
            .iter()
            .skip(usize::from(!all))
            .map(|level| EquationPiece::Level {
                factor: name.clone(),
                level: level.clone(),
            });
        Ok(others.collect())
    }
}

fn without(term: &[Factor], place: usize) -> Vec<Factor> {
    let mut shorter = term.to_vec();
    shorter.remove(place);
    shorter
}

/// The levels of a column of words, in alphabetical order.
fn levels(name: &str, words: &[String]) -> Result<Levels> {
    let mut levels: Vec<String> = words
        .iter()
        .filter(|word| !word.is_empty())
        .cloned()
        .collect();
    levels.sort();
    levels.dedup();
    if levels.len() < 2 {
        let only = levels.first().map_or("no level", String::as_str);
        return Err(Error::call(format!(
            "terms: found {name} with {only} only, expected at least two levels; leave {name} out"
        )));
    }
    if let Some(level) = levels.iter().find(|level| level.contains(['[', ']'])) {
        return Err(Error::call(format!(
            "terms: found {name} \"{level}\", expected a name without [ and ]; rename it"
        )));
    }
    Ok(Levels {
        name: name.to_owned(),
        levels,
    })
}

impl EquationColumn {
    /// The column's value, given what stands under each name.
    ///
    /// # Errors
    /// [`Gap`] where a name has no value.
    pub fn value<'a>(
        &self,
        lookup: impl Fn(&str) -> Option<Value<'a>>,
    ) -> std::result::Result<f64, Gap> {
        let mut product = 1.0;
        for piece in &self.pieces {
            product *= match piece {
                EquationPiece::Number(name) => number(name, &lookup)?,
                EquationPiece::Log(name) => match number(name, &lookup)? {
                    value if value > 0.0 => value.ln(),
                    _ => return Err(Gap::NotPositive(name.clone())),
                },
                EquationPiece::Level { factor, level } => match lookup(factor) {
                    Some(Value::Word(word)) => f64::from(u8::from(word == level)),
                    _ => return Err(Gap::Missing(factor.clone())),
                },
            };
        }
        Ok(product)
    }

    /// What it multiplies; nothing for the intercept.
    #[must_use]
    pub fn pieces(&self) -> &[EquationPiece] {
        &self.pieces
    }

    /// Names that the column reads.
    pub fn names(&self) -> impl Iterator<Item = &str> {
        self.pieces.iter().map(|piece| match piece {
            EquationPiece::Number(name) | EquationPiece::Log(name) => name.as_str(),
            EquationPiece::Level { factor, .. } => factor.as_str(),
        })
    }

    /// Columns of words that the column reads, with the level.
    pub fn levels(&self) -> impl Iterator<Item = (&str, &str)> {
        self.pieces.iter().filter_map(|piece| match piece {
            EquationPiece::Level { factor, level } => Some((factor.as_str(), level.as_str())),
            _ => None,
        })
    }
}

fn number<'a>(
    name: &str,
    lookup: impl Fn(&str) -> Option<Value<'a>>,
) -> std::result::Result<f64, Gap> {
    match lookup(name) {
        Some(Value::Number(number)) => Ok(number),
        _ => Err(Gap::Missing(name.to_owned())),
    }
}

const INTERCEPT: &str = "intercept";

impl fmt::Display for EquationColumn {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.pieces.is_empty() {
            return f.write_str(INTERCEPT);
        }
        for (place, piece) in self.pieces.iter().enumerate() {
            if place > 0 {
                f.write_str("*")?;
            }
            match piece {
                EquationPiece::Number(name) => f.write_str(name)?,
                EquationPiece::Log(name) => write!(f, "log({name})")?,
                EquationPiece::Level { factor, level } => write!(f, "{factor}[{level}]")?,
            }
        }
        Ok(())
    }
}

impl FromStr for EquationColumn {
    type Err = Error;

    fn from_str(text: &str) -> Result<Self> {
        if text == INTERCEPT {
            return Ok(Self { pieces: Vec::new() });
        }
        let mut pieces = Vec::new();
        let mut rest = text;
        loop {
            // A level may hold a `*`; it ends at its bracket.
            let bracket = rest.find('[').filter(|at| !rest[..*at].contains('*'));
            let end = match bracket {
                Some(open) => rest[open..]
                    .find(']')
                    .map_or(rest.len(), |close| open + close + 1),
                None => rest.find('*').unwrap_or(rest.len()),
            };
            let piece = &rest[..end];
            pieces.push(match bracket {
                Some(open) if piece.ends_with(']') => EquationPiece::Level {
                    factor: piece[..open].to_owned(),
                    level: piece[open + 1..end - 1].to_owned(),
                },
                _ => match Factor::read(piece)? {
                    Factor::Plain(name) => EquationPiece::Number(name),
                    Factor::Log(name) => EquationPiece::Log(name),
                },
            });
            match rest[end..].strip_prefix('*') {
                Some(more) => rest = more,
                None if end == rest.len() => return Ok(Self { pieces }),
                None => {
                    return Err(Error::input(format!(
                        "found the column \"{text}\", expected names joined by *; correct it"
                    )));
                }
            }
        }
    }
}

#[cfg(test)]
mod tests;
