//! Nonlinear least squares against certified and published values.

mod nonlinear {
    pub(crate) mod formula;
    pub(crate) mod nist;
}
