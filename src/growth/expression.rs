//! An equation as a user writes it, compiled, with its derivatives.
//!
//! The exmex crate evaluates and differentiates. It reads `-x^2` as `(-x)^2`, takes
//! `e` for Euler's number and lets names clash with its functions, so an equation is
//! first read here, by the usual rules of algebra, and handed on with every operation
//! in brackets and every name replaced by a number of ours.
//!
//! ```text
//! sum     = product { (+|-) product }
//! product = signed { (*|/) signed }
//! signed  = (-|+) signed | power
//! power   = primary [ ^ [-] primary ]          a^b^c is refused: brackets say which
//! primary = number | name | function ( sum ) | ( sum )
//! ```

use std::fmt::Write;

use exmex::prelude::*;

/// Functions that an equation may use: those that have a derivative everywhere in
/// their domain. The second name is the crate's.
const FUNCTIONS: &[(&str, &str)] = &[
    ("exp", "exp"),
    ("ln", "ln"),
    ("log10", "log10"),
    ("sqrt", "sqrt"),
    ("sin", "sin"),
    ("cos", "cos"),
    ("tan", "tan"),
    ("asin", "asin"),
    ("acos", "acos"),
    ("atan", "atan"),
    ("arctan", "atan"),
    ("sinh", "sinh"),
    ("cosh", "cosh"),
    ("tanh", "tanh"),
];

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
    compiled: FlatEx<f64>,
    /// For each variable of the compiled form, its place among the symbols.
    used: Vec<usize>,
}

impl Expression {
    /// Compiles a text in which only the symbols given may stand.
    ///
    /// The error says what was found and what was expected.
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
        };
        let canonical = reader.sum()?;
        reader.skip_space();
        match reader.peek() {
            None => Self::compile(&canonical),
            Some(')') => Err(reader.unexpected("its opening bracket before it")),
            Some(_) => Err(reader.unexpected("an operator (+ - * / ^) or the end")),
        }
    }

    fn compile(canonical: &str) -> Result<Self, String> {
        let compiled = with_deep_stack(|| {
            exmex::parse::<f64>(canonical)
                .map_err(|fault| format!("an expression that cannot be compiled ({fault})"))
        })?;
        Self::new(compiled)
    }

    fn new(compiled: FlatEx<f64>) -> Result<Self, String> {
        let used = compiled
            .var_names()
            .iter()
            .map(|name| name.trim_start_matches('v').parse::<usize>())
            .collect::<Result<_, _>>()
            .map_err(|_| "an expression whose symbols are lost in compiling".to_owned())?;
        Ok(Self { compiled, used })
    }

    /// Value at the symbols' values; NaN outside the expression's domain.
    pub(super) fn value(&self, symbols: &[f64]) -> f64 {
        let mut values = [f64::NAN; MOST_SYMBOLS];
        for (value, place) in values.iter_mut().zip(&self.used) {
            *value = symbols.get(*place).copied().unwrap_or(f64::NAN);
        }
        let used = values.get(..self.used.len()).unwrap_or(&[]);
        self.compiled.eval(used).unwrap_or(f64::NAN)
    }

    /// Whether a symbol stands in the expression.
    pub(super) fn uses(&self, symbol: usize) -> bool {
        self.used.contains(&symbol)
    }

    /// Partial derivative in one symbol.
    pub(super) fn partial(&self, symbol: usize) -> Result<Self, String> {
        let Some(place) = self.used.iter().position(|used| *used == symbol) else {
            return Self::compile("0");
        };
        let derivative = with_deep_stack(|| {
            self.compiled
                .clone()
                .partial(place)
                .map_err(|fault| format!("an expression that has no derivative ({fault})"))
        })?;
        Self::new(derivative)
    }
}

/// Does the work on a thread of its own with room for deep recursion: compiling and
/// differentiating the card of a two-phase curve takes more than a thread's usual 2 MB
/// in a build without optimisation (3 to 4 MB were measured). Only what is touched of
/// it is taken from memory.
fn with_deep_stack<T: Send>(work: impl FnOnce() -> Result<T, String> + Send) -> Result<T, String> {
    const STACK_BYTES: usize = 64 << 20;
    std::thread::scope(|scope| {
        std::thread::Builder::new()
            .stack_size(STACK_BYTES)
            .spawn_scoped(scope, work)
            .map_err(|fault| format!("an expression for which no thread starts ({fault})"))?
            .join()
            .unwrap_or_else(|_| Err("an expression on which its compiler fails".to_owned()))
    })
}

/// Reads an expression and writes it with every operation in brackets.
struct Reader<'a> {
    text: &'a str,
    /// Byte position.
    at: usize,
    depth: usize,
    symbols: &'a [&'a str],
}

impl Reader<'_> {
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

    fn sum(&mut self) -> Result<String, String> {
        let mut left = self.product()?;
        while let Some(sign) = self.take(&['+', '-']) {
            let right = self.product()?;
            left = format!("({left}{sign}{right})");
        }
        Ok(left)
    }

    fn product(&mut self) -> Result<String, String> {
        let mut left = self.signed()?;
        while let Some(sign) = self.take(&['*', '/']) {
            if sign == '*' && self.peek() == Some('*') {
                return Err(self.unexpected("^ for a power"));
            }
            let right = self.signed()?;
            left = format!("({left}{sign}{right})");
        }
        Ok(left)
    }

    fn signed(&mut self) -> Result<String, String> {
        self.deeper(|reader| match reader.take(&['-', '+']) {
            Some('-') => Ok(format!("(0-{})", reader.signed()?)),
            Some(_) => reader.signed(),
            None => reader.power(),
        })
    }

    fn power(&mut self) -> Result<String, String> {
        let base = self.primary()?;
        if self.take(&['^']).is_none() {
            return Ok(base);
        }
        let exponent = match self.take(&['-']) {
            Some(_) => format!("(0-{})", self.primary()?),
            None => self.primary()?,
        };
        self.skip_space();
        if self.peek() == Some('^') {
            return Err(
                self.unexpected("brackets, (a^b)^c or a^(b^c), to say which power is first")
            );
        }
        Ok(format!("({base}^{exponent})"))
    }

    fn primary(&mut self) -> Result<String, String> {
        self.skip_space();
        match self.peek() {
            Some('(') => self.bracketed(),
            Some(c) if c.is_ascii_digit() || c == '.' => self.number(),
            Some(c) if c.is_ascii_alphabetic() => self.name(),
            _ => Err(self.unexpected("a number, a name or an opening bracket")),
        }
    }

    fn bracketed(&mut self) -> Result<String, String> {
        if self.take(&['(']).is_none() {
            return Err(self.unexpected("an opening bracket"));
        }
        let inner = self.deeper(Self::sum)?;
        if self.take(&[')']).is_none() {
            return Err(self.unexpected("a closing bracket or an operator"));
        }
        Ok(format!("({inner})"))
    }

    fn deeper(
        &mut self,
        read: impl FnOnce(&mut Self) -> Result<String, String>,
    ) -> Result<String, String> {
        if self.depth >= MOST_DEPTH {
            return Err(self.unexpected(&format!("at most {MOST_DEPTH} brackets in brackets")));
        }
        self.depth += 1;
        let read = read(self);
        self.depth -= 1;
        read
    }

    fn number(&mut self) -> Result<String, String> {
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
                // Written out without an exponent, which is what exmex reads.
                Ok(format!("{number}"))
            }
            _ => Err(self.unexpected("a number")),
        }
    }

    fn name(&mut self) -> Result<String, String> {
        let rest = self.rest();
        let end = rest
            .find(|c: char| !(c.is_ascii_alphanumeric() || c == '_'))
            .unwrap_or(rest.len());
        let name = rest[..end].to_owned();
        if let Some(place) = self.symbols.iter().position(|symbol| *symbol == name) {
            self.at += end;
            let mut symbol = String::new();
            // Two digits, so that exmex's alphabetical order is ours.
            let _ = write!(symbol, "v{place:02}");
            return Ok(symbol);
        }
        if name == "PI" {
            self.at += end;
            return Ok(format!("{}", std::f64::consts::PI));
        }
        if let Some((_, function)) = FUNCTIONS.iter().find(|(known, _)| *known == name) {
            self.at += end;
            return Ok(format!("{function}{}", self.bracketed()?));
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
mod tests {
    use super::*;

    fn value(text: &str) -> f64 {
        let parsed = Expression::parse(text, &["x", "E", "exp2"]).expect(text);
        parsed.value(&[3.0, 5.0, 7.0])
    }

    /// Expected values by the rules of algebra, by hand.
    #[test]
    fn reads_by_the_rules_of_algebra() {
        let cases = [
            ("-x^2", -9.0),
            ("2 - -x^2", 11.0),
            ("-2*-x", 6.0),
            ("2^-x", 0.125),
            ("(-x)^2", 9.0),
            ("12/2/3", 2.0),
            ("12/2*3", 18.0),
            ("1-2-3", -4.0),
            ("2*x^2", 18.0),
            ("E + exp2", 12.0),
            ("1e2*x", 300.0),
            ("1.5E-1 * x", 0.15 * 3.0),
            (".5*x", 1.5),
            ("exp(-(x-3)^2)", 1.0),
            ("exp(-x^2)", (-9f64).exp()),
            ("ln(exp(x))^2", 9.0),
            ("sqrt(x+1)", 2.0),
            ("arctan(1)*4 - PI", 0.0),
            ("+x", 3.0),
        ];
        for (text, expected) in cases {
            // One or two roundings.
            assert!(
                (value(text) - expected).abs() <= 1e-15 * (1.0 + expected.abs()),
                "{text}: {}",
                value(text)
            );
        }
    }

    #[test]
    fn says_what_it_cannot_read() {
        let cases = [
            (
                "",
                "the end at character 1, expected a number, a name or an opening bracket",
            ),
            (
                "x +",
                "the end at character 4, expected a number, a name or an opening bracket",
            ),
            (
                "2x",
                "\"x\" at character 2, expected an operator (+ - * / ^) or the end",
            ),
            (
                "(x",
                "the end at character 3, expected a closing bracket or an operator",
            ),
            (
                "x)",
                "\")\" at character 2, expected its opening bracket before it",
            ),
            ("x**2", "\"*\" at character 3, expected ^ for a power"),
            (
                "x^2^3",
                "\"^\" at character 4, expected brackets, (a^b)^c or a^(b^c), to say which power is first",
            ),
            ("exp x", "\"x\" at character 5, expected an opening bracket"),
            ("y", "unknown symbol \"y\", expected one of x, E, exp2"),
            (
                "log(x)",
                "unknown symbol \"log\", expected one of x, E, exp2; write ln (natural) or log10",
            ),
            (
                "x−1",
                "\"−\" at character 2, expected an operator (+ - * / ^) or the end",
            ),
            ("1e999", "\"1\" at character 1, expected a number"),
            (
                "1.2.3",
                "\".\" at character 4, expected an operator (+ - * / ^) or the end",
            ),
        ];
        for (text, message) in cases {
            let fault = Expression::parse(text, &["x", "E", "exp2"]).expect_err(text);
            assert_eq!(fault, message, "{text}");
        }
        let deep = format!("{}x{}", "(".repeat(900), ")".repeat(900));
        assert!(Expression::parse(&deep, &["x"]).is_err());
        assert!(Expression::parse(&"-".repeat(1500), &["x"]).is_err());
        assert!(Expression::parse(&"x+".repeat(1500), &["x"]).is_err());
    }

    /// Derivatives by hand, also where a base is negative or an exponent constant.
    #[test]
    fn differentiates() {
        type Case = (&'static str, f64, fn(f64) -> f64);
        let cases: [Case; 7] = [
            ("-x^3", -2.0, |x| -3.0 * x * x),
            ("(1-x)^3", 3.0, |x| -3.0 * (1.0 - x) * (1.0 - x)),
            ("2^-x", 1.5, |x| -(2f64.ln()) * 2f64.powf(-x)),
            ("exp(-exp(-x))", 0.3, |x| (-x).exp() * (-(-x).exp()).exp()),
            ("x/(1+x)", 2.0, |x| 1.0 / ((1.0 + x) * (1.0 + x))),
            ("tanh(x)", 0.5, |x| 1.0 / (x.cosh() * x.cosh())),
            ("arctan(x) + sqrt(x) + log10(x)", 2.0, |x| {
                1.0 / (1.0 + x * x) + 0.5 / x.sqrt() + 1.0 / (x * 10f64.ln())
            }),
        ];
        for (text, x, expected) in cases {
            let derivative = Expression::parse(text, &["x"])
                .expect(text)
                .partial(0)
                .expect(text);
            let found = derivative.value(&[x]);
            // A handful of roundings.
            assert!(
                (found - expected(x)).abs() <= 1e-14 * expected(x).abs(),
                "{text}: {found}"
            );
        }
        let constant = Expression::parse("2", &["x"]).expect("a number").partial(0);
        assert_eq!(
            constant.expect("zero").value(&[1.0]).to_bits(),
            0f64.to_bits()
        );
    }
}
