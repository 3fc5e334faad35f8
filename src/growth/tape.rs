//! The operations of an equation in order, evaluated with exact derivatives.
//!
//! Derivatives in age are carried along with the value ([`Dual`]: forward mode), those in the
//! terms are gathered on the way back over the operations (reverse mode). One evaluation takes
//! time and memory in proportion to the length of the equation, whatever its form; written out
//! as expressions, second derivatives of nested powers grow without a useful bound.
//!
//! Source: Griewank & Walther 2008, Evaluating Derivatives, 2nd ed., chapters 3 and 13.

use std::ops::{Add, Div, Mul, Neg, Sub};

/// Functions that an equation may use: those that have a derivative everywhere in their domain.
pub(super) const FUNCTIONS: &[(&str, Function)] = &[
    ("exp", Function::Exp),
    ("ln", Function::Ln),
    ("log10", Function::Log10),
    ("sqrt", Function::Sqrt),
    ("sin", Function::Sin),
    ("cos", Function::Cos),
    ("tan", Function::Tan),
    ("asin", Function::Asin),
    ("acos", Function::Acos),
    ("atan", Function::Atan),
    ("arctan", Function::Atan),
    ("sinh", Function::Sinh),
    ("cosh", Function::Cosh),
    ("tanh", Function::Tanh),
];

/// A function of one number.
#[derive(Debug, Clone, Copy)]
pub(super) enum Function {
    Exp,
    Ln,
    Log10,
    Sqrt,
    Sin,
    Cos,
    Tan,
    Asin,
    Acos,
    Atan,
    Sinh,
    Cosh,
    Tanh,
}

/// An operation; it names earlier ones by their places.
#[derive(Debug, Clone, Copy)]
pub(super) enum Operation {
    Number(f64),
    Symbol(usize),
    Negative(usize),
    Sum(usize, usize),
    Difference(usize, usize),
    Product(usize, usize),
    Quotient(usize, usize),
    Power(usize, usize),
    Of(Function, usize),
}

/// What an equation is evaluated with: `f64`, or a [`Dual`] of such numbers.
pub(super) trait Number:
    Copy
    + Add<Output = Self>
    + Sub<Output = Self>
    + Mul<Output = Self>
    + Div<Output = Self>
    + Neg<Output = Self>
{
    fn constant(number: f64) -> Self;
    fn is_zero(self) -> bool;
    fn of(self, function: Function) -> Self;
    fn power(self, exponent: Self) -> Self;
}

impl Number for f64 {
    fn constant(number: f64) -> Self {
        number
    }

    fn is_zero(self) -> bool {
        self == 0.0
    }

    fn of(self, function: Function) -> Self {
        match function {
            Function::Exp => self.exp(),
            Function::Ln => self.ln(),
            Function::Log10 => self.log10(),
            Function::Sqrt => self.sqrt(),
            Function::Sin => self.sin(),
            Function::Cos => self.cos(),
            Function::Tan => self.tan(),
            Function::Asin => self.asin(),
            Function::Acos => self.acos(),
            Function::Atan => self.atan(),
            Function::Sinh => self.sinh(),
            Function::Cosh => self.cosh(),
            Function::Tanh => self.tanh(),
        }
    }

    fn power(self, exponent: Self) -> Self {
        self.powf(exponent)
    }
}

/// A number and its derivative in one direction.
#[derive(Debug, Clone, Copy)]
pub(super) struct Dual<T> {
    pub(super) value: T,
    pub(super) slope: T,
}

impl<T: Number> Add for Dual<T> {
    type Output = Self;
    fn add(self, other: Self) -> Self {
        Self {
            value: self.value + other.value,
            slope: self.slope + other.slope,
        }
    }
}

impl<T: Number> Sub for Dual<T> {
    type Output = Self;
    fn sub(self, other: Self) -> Self {
        Self {
            value: self.value - other.value,
            slope: self.slope - other.slope,
        }
    }
}

impl<T: Number> Mul for Dual<T> {
    type Output = Self;
    fn mul(self, other: Self) -> Self {
        Self {
            value: self.value * other.value,
            slope: self.slope * other.value + self.value * other.slope,
        }
    }
}

impl<T: Number> Div for Dual<T> {
    type Output = Self;
    fn div(self, other: Self) -> Self {
        let value = self.value / other.value;
        Self {
            value,
            slope: (self.slope - value * other.slope) / other.value,
        }
    }
}

impl<T: Number> Neg for Dual<T> {
    type Output = Self;
    fn neg(self) -> Self {
        Self {
            value: -self.value,
            slope: -self.slope,
        }
    }
}

impl<T: Number> Number for Dual<T> {
    fn constant(number: f64) -> Self {
        Self {
            value: T::constant(number),
            slope: T::constant(0.0),
        }
    }

    fn is_zero(self) -> bool {
        self.value.is_zero() && self.slope.is_zero()
    }

    fn of(self, function: Function) -> Self {
        let value = self.value.of(function);
        Self {
            value,
            slope: times(self.slope, || derivative(function, self.value, value)),
        }
    }

    fn power(self, exponent: Self) -> Self {
        let value = self.value.power(exponent.value);
        let by_base = times(self.slope, || in_base(self.value, exponent.value));
        let by_exponent = times(exponent.slope, || in_exponent(self.value, value));
        Self {
            value,
            slope: by_base + by_exponent,
        }
    }
}

/// What does not change has no share in a slope, also where the factor does not exist, such as
/// the logarithm of a negative base under a constant exponent.
fn times<T: Number>(slope: T, factor: impl FnOnce() -> T) -> T {
    if slope.is_zero() {
        slope
    } else {
        slope * factor()
    }
}

/// d f(x) / dx, where `y` is f(x).
fn derivative<T: Number>(function: Function, x: T, y: T) -> T {
    let one = T::constant(1.0);
    match function {
        Function::Exp => y,
        Function::Ln => one / x,
        Function::Log10 => one / (x * T::constant(std::f64::consts::LN_10)),
        Function::Sqrt => T::constant(0.5) / y,
        Function::Sin => x.of(Function::Cos),
        Function::Cos => -x.of(Function::Sin),
        Function::Tan => one + y * y,
        Function::Asin => one / (one - x * x).of(Function::Sqrt),
        Function::Acos => -one / (one - x * x).of(Function::Sqrt),
        Function::Atan => one / (one + x * x),
        Function::Sinh => x.of(Function::Cosh),
        Function::Cosh => x.of(Function::Sinh),
        Function::Tanh => one - y * y,
    }
}

/// d x^m / dx.
fn in_base<T: Number>(x: T, m: T) -> T {
    m * x.power(m - T::constant(1.0))
}

/// d x^m / dm, where `y` is x^m.
fn in_exponent<T: Number>(x: T, y: T) -> T {
    y * x.of(Function::Ln)
}

/// Up to this number of operations work without allocating memory; longer equations than any
/// published growth curve take it from the heap.
const USUAL: usize = 64;

/// Room for `length` numbers.
fn with_room<T: Number, R>(length: usize, work: impl FnOnce(&mut [T]) -> R) -> R {
    let zero = T::constant(0.0);
    if length <= USUAL {
        let mut room = [zero; USUAL];
        work(&mut room[..length])
    } else {
        work(&mut vec![zero; length])
    }
}

/// The result of the last operation.
pub(super) fn value<T: Number>(operations: &[Operation], symbol: impl Fn(usize) -> T) -> T {
    with_room(operations.len(), |values| {
        forward(operations, symbol, values);
        last(values)
    })
}

/// The result of the last operation, and its derivatives in the symbols from the second on.
pub(super) fn value_and_gradient<T: Number>(
    operations: &[Operation],
    symbol: impl Fn(usize) -> T,
    mut add: impl FnMut(usize, T),
) -> T {
    with_room(operations.len(), |values| {
        forward(operations, symbol, values);
        with_room(operations.len(), |shares| {
            backward(operations, values, shares, &mut add);
        });
        last(values)
    })
}

fn last<T: Number>(values: &[T]) -> T {
    values.last().copied().unwrap_or(T::constant(f64::NAN))
}

fn forward<T: Number>(operations: &[Operation], symbol: impl Fn(usize) -> T, values: &mut [T]) {
    for (place, operation) in operations.iter().enumerate() {
        values[place] = match *operation {
            Operation::Number(number) => T::constant(number),
            Operation::Symbol(which) => symbol(which),
            Operation::Negative(a) => -values[a],
            Operation::Sum(a, b) => values[a] + values[b],
            Operation::Difference(a, b) => values[a] - values[b],
            Operation::Product(a, b) => values[a] * values[b],
            Operation::Quotient(a, b) => values[a] / values[b],
            Operation::Power(a, b) => values[a].power(values[b]),
            Operation::Of(function, a) => values[a].of(function),
        };
    }
}

/// Shares the derivative of the last result out among the operations that led to it.
fn backward<T: Number>(
    operations: &[Operation],
    values: &[T],
    shares: &mut [T],
    add: &mut impl FnMut(usize, T),
) {
    if let Some(last) = shares.last_mut() {
        *last = T::constant(1.0);
    }
    for (place, operation) in operations.iter().enumerate().rev() {
        let share = shares[place];
        if share.is_zero() {
            continue;
        }
        let mut give = |to: usize, part: T| shares[to] = shares[to] + part;
        // A part that is a number gets no share: it might not exist.
        let varies = |at: usize| !matches!(operations[at], Operation::Number(_));
        match *operation {
            Operation::Number(_) => {}
            Operation::Symbol(which) => add(which, share),
            Operation::Negative(a) => give(a, -share),
            Operation::Sum(a, b) => {
                give(a, share);
                give(b, share);
            }
            Operation::Difference(a, b) => {
                give(a, share);
                give(b, -share);
            }
            Operation::Product(a, b) => {
                give(a, share * values[b]);
                give(b, share * values[a]);
            }
            Operation::Quotient(a, b) => {
                let part = share / values[b];
                give(a, part);
                give(b, -(part * values[place]));
            }
            Operation::Power(a, b) => {
                if varies(a) {
                    give(a, share * in_base(values[a], values[b]));
                }
                if varies(b) {
                    give(b, share * in_exponent(values[a], values[place]));
                }
            }
            Operation::Of(function, a) => {
                give(a, share * derivative(function, values[a], values[place]));
            }
        }
    }
}
