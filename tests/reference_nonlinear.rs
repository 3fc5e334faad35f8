//! Nonlinear least squares against certified and published values.

mod nonlinear {
    pub mod formula;
    pub mod nist;
}
