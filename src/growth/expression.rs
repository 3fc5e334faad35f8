//! An equation as a user writes it, compiled, with its derivatives.
//!
//! It is read by the usual rules of algebra into operations in order (`tape`).
//!
//! ```text
//! sum     = product { (+|-) product }
//! product = signed { (*|/) signed }
//! signed  = (-|+) signed | power
//! power   = primary [ ^ [-] primary ]          a^b^c is refused: use brackets
//! primary = number | name | function ( sum ) | ( sum )
//! ```

use super::tape::{self, Dual, FUNCTIONS, Number, Operation};

/// Greatest length and depth of brackets: far above any growth curve, far below what
/// would exhaust the stack.
const MOST_CHARACTERS: usize = 2000;
const MOST_DEPTH: usize = 60;

/// Most symbols of an equation: age, terms and a hatch weight.
pub(super) const MOST_SYMBOLS: usize = 18;

/// Whether a name means something in every equation and so cannot be a term's.
pub(super) fn is_reserved(name: &str) -> bool {
    name == "PI" || name == "log" || FUNCTIONS.iter().any(|(function, _)| *function == name)
}

/// Whether a name can stand in an equation.
pub(super) fn is_name(name: &str) -> bool {
    name.starts_with(|c: char| c.is_ascii_alphabetic())
        && name.chars().all(|c| c.is_ascii_alphanumeric() || c == '_')
}

/// A compiled expression in a list of symbols.
#[derive(Debug, Clone)]
pub(super) struct Expression {
    operations: Vec<Operation>,
}

/// The first symbol varies.
fn varying<T: Number>(place: usize, value: T) -> Dual<T> {
    let slope = if place == 0 { 1.0 } else { 0.0 };
    Dual {
        value,
        slope: T::constant(slope),
    }
}

fn at(symbols: &[f64], place: usize) -> f64 {
    symbols.get(place).copied().unwrap_or(f64::NAN)
}

impl Expression {
    /// Compiles a text in which only the symbols given may stand.
    ///
    /// The error states what was found and what was expected.
    pub(super) fn parse(text: &str, symbols: &[&str]) -> Result<Self, String> {
        if text.len() > MOST_CHARACTERS {
            return Err(format!(
                "an expression of {} characters, expected at most {MOST_CHARACTERS}",
                text.len()
            ));
        }
        debug_assert!(symbols.len() <= MOST_SYMBOLS);
        let mut reader = Reader {
            text,
            at: 0,
            depth: 0,
            symbols,
            operations: Vec::new(),
        };
        reader.sum()?;
        reader.skip_space();
        match reader.peek() {
            None => Ok(Self {
                operations: reader.operations,
            }),
            Some(')') => Err(reader.unexpected("its opening bracket before it")),
            Some(_) => Err(reader.unexpected("an operator (+ - * / ^) or the end")),
        }
    }

    /// Whether a symbol stands in the expression.
    pub(super) fn uses(&self, symbol: usize) -> bool {
        let is_it =
            |operation: &Operation| matches!(operation, Operation::Symbol(s) if *s == symbol);
        self.operations.iter().any(is_it)
    }

    /// Value at the symbols' values; NaN outside the expression's domain.
    pub(super) fn value(&self, symbols: &[f64]) -> f64 {
        tape::value(&self.operations, |place| at(symbols, place))
    }

    /// Value, and its derivatives in the symbols after the first.
    pub(super) fn value_and_gradient(&self, symbols: &[f64], gradient: &mut [f64]) -> f64 {
        gradient.fill(0.0);
        tape::value_and_gradient(
            &self.operations,
            |place| at(symbols, place),
            |place, share| {
                if let Some(g) = place.checked_sub(1).and_then(|i| gradient.get_mut(i)) {
                    *g += share;
                }
            },
        )
    }

    /// Derivative in the first symbol.
    pub(super) fn slope(&self, symbols: &[f64]) -> f64 {
        tape::value(&self.operations, |place| varying(place, at(symbols, place))).slope
    }

    /// Derivative in the first symbol, and that one's derivatives in the others.
    pub(super) fn slope_and_gradient(&self, symbols: &[f64], gradient: &mut [f64]) -> f64 {
        gradient.fill(0.0);
        let slope = tape::value_and_gradient(
            &self.operations,
            |place| varying(place, at(symbols, place)),
            |place, share: Dual<f64>| {
                if let Some(g) = place.checked_sub(1).and_then(|i| gradient.get_mut(i)) {
                    *g += share.slope;
                }
            },
        );
        slope.slope
    }

    /// Second derivative in the first symbol.
    pub(super) fn bend(&self, symbols: &[f64]) -> f64 {
        let twice = |place| varying(place, varying(place, at(symbols, place)));
        tape::value(&self.operations, twice).slope.slope
    }
}

/// Reads an expression; each part gives the place of its operation.
struct Reader<'a> {
    text: &'a str,
    /// Byte position.
    at: usize,
    depth: usize,
    symbols: &'a [&'a str],
    operations: Vec<Operation>,
}

impl Reader<'_> {
    fn put(&mut self, operation: Operation) -> usize {
        self.operations.push(operation);
        self.operations.len() - 1
    }

    fn rest(&self) -> &str {
        self.text.get(self.at..).unwrap_or("")
    }

    fn peek(&self) -> Option<char> {
        self.rest().chars().next()
    }

    fn skip_space(&mut self) {
        let rest = self.rest();
        self.at += rest.len() - rest.trim_start().len();
    }

    /// Takes one of the characters, after any space.
    fn take(&mut self, any_of: &[char]) -> Option<char> {
        self.skip_space();
        let found = self.peek().filter(|c| any_of.contains(c))?;
        self.at += found.len_utf8();
        Some(found)
    }

    fn unexpected(&self, expected: &str) -> String {
        let column = self.text.get(..self.at).unwrap_or("").chars().count() + 1;
        match self.peek() {
            Some(found) => format!("\"{found}\" at character {column}, expected {expected}"),
            None => format!("the end at character {column}, expected {expected}"),
        }
    }

    fn sum(&mut self) -> Result<usize, String> {
        let mut left = self.product()?;
        while let Some(sign) = self.take(&['+', '-']) {
            let right = self.product()?;
            left = self.put(match sign {
                '+' => Operation::Sum(left, right),
                _ => Operation::Difference(left, right),
            });
        }
        Ok(left)
    }

    fn product(&mut self) -> Result<usize, String> {
        let mut left = self.signed()?;
        while let Some(sign) = self.take(&['*', '/']) {
            if sign == '*' && self.peek() == Some('*') {
                return Err(self.unexpected("^ for a power"));
            }
            let right = self.signed()?;
            left = self.put(match sign {
                '*' => Operation::Product(left, right),
                _ => Operation::Quotient(left, right),
            });
        }
        Ok(left)
    }

    fn signed(&mut self) -> Result<usize, String> {
        self.deeper(|reader| match reader.take(&['-', '+']) {
            Some('-') => {
                let of = reader.signed()?;
                Ok(reader.put(Operation::Negative(of)))
            }
            Some(_) => reader.signed(),
            None => reader.power(),
        })
    }

    fn power(&mut self) -> Result<usize, String> {
        let base = self.primary()?;
        if self.take(&['^']).is_none() {
            return Ok(base);
        }
        let exponent = match self.take(&['-']) {
            Some(_) => {
                let of = self.primary()?;
                self.put(Operation::Negative(of))
            }
            None => self.primary()?,
        };
        self.skip_space();
        if self.peek() == Some('^') {
            return Err(
                self.unexpected("brackets, (a^b)^c or a^(b^c), to show which power is first")
            );
        }
        Ok(self.put(Operation::Power(base, exponent)))
    }

    fn primary(&mut self) -> Result<usize, String> {
        self.skip_space();
        match self.peek() {
            Some('(') => self.bracketed(),
            Some(c) if c.is_ascii_digit() || c == '.' => self.number(),
            Some(c) if c.is_ascii_alphabetic() => self.name(),
            _ => Err(self.unexpected("a number, a name or an opening bracket")),
        }
    }

    fn bracketed(&mut self) -> Result<usize, String> {
        if self.take(&['(']).is_none() {
            return Err(self.unexpected("an opening bracket"));
        }
        let inner = self.deeper(Self::sum)?;
        if self.take(&[')']).is_none() {
            return Err(self.unexpected("a closing bracket or an operator"));
        }
        Ok(inner)
    }

    fn deeper(
        &mut self,
        read: impl FnOnce(&mut Self) -> Result<usize, String>,
    ) -> Result<usize, String> {
        if self.depth >= MOST_DEPTH {
            return Err(self.unexpected(&format!("at most {MOST_DEPTH} brackets in brackets")));
        }
        self.depth += 1;
        let read = read(self);
        self.depth -= 1;
        read
    }

    fn number(&mut self) -> Result<usize, String> {
        let rest = self.rest();
        let digits = |s: &str| s.len() - s.trim_start_matches(|c: char| c.is_ascii_digit()).len();
        let mut end = digits(rest);
        if rest[end..].starts_with('.') {
            end += 1;
            end += digits(&rest[end..]);
        }
        if rest[end..].starts_with(['e', 'E']) {
            let sign = usize::from(rest[end + 1..].starts_with(['+', '-']));
            let exponent = digits(&rest[end + 1 + sign..]);
            if exponent > 0 {
                end += 1 + sign + exponent;
            }
        }
        match rest[..end].parse::<f64>() {
            Ok(number) if number.is_finite() => {
                self.at += end;
                Ok(self.put(Operation::Number(number)))
            }
            _ => Err(self.unexpected("a number")),
        }
    }

    fn name(&mut self) -> Result<usize, String> {
        let rest = self.rest();
        let end = rest
            .find(|c: char| !(c.is_ascii_alphanumeric() || c == '_'))
            .unwrap_or(rest.len());
        let name = rest[..end].to_owned();
        if let Some(place) = self.symbols.iter().position(|symbol| *symbol == name) {
            self.at += end;
            return Ok(self.put(Operation::Symbol(place)));
        }
        if name == "PI" {
            self.at += end;
            return Ok(self.put(Operation::Number(std::f64::consts::PI)));
        }
        if let Some((_, function)) = FUNCTIONS.iter().find(|(known, _)| *known == name) {
            self.at += end;
            let of = self.bracketed()?;
            return Ok(self.put(Operation::Of(*function, of)));
        }
        Err(self.unknown(&name))
    }

    fn unknown(&self, name: &str) -> String {
        let advice = match name {
            "log" => "; write ln (natural) or log10",
            "e" | "E" => "; write exp(1) for Euler's number",
            "pi" => "; write PI",
            _ => "",
        };
        format!(
            "unknown symbol \"{name}\", expected one of {}{advice}",
            self.symbols.join(", ")
        )
    }
}

#[cfg(test)]
mod tests;
