//! Nonlinear least squares against certified and published values.

mod nonlinear {
    pub(crate) mod chick;
    pub(crate) mod nist;
    pub(crate) mod published;
    pub(crate) mod second_engine;
    pub(crate) mod uncertainty;
    pub(crate) mod variance;
}
