//! Nonlinear least squares against certified and published values.

mod nonlinear {
    pub(crate) mod chick;
    pub(crate) mod nist;
}
