//! On which scale does a term vary: the engine's own terms and the curve's.
//!
//! The engine works with terms eta on which random effects are normal and add:
//! eta = phi (natural), eta = ln phi (log: the effect is a factor on the term), or
//! eta = ln(phi - phi') (above another term: the two stay in order whatever eta is).

/// Scale on which a term's fixed and random effects add.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum TermScale {
    /// The term itself.
    Natural,
    /// Its logarithm.
    Log,
    /// Logarithm of the excess over the term with this index.
    Above(usize),
}

/// Curve terms from the engine's.
pub(super) fn to_terms(scales: &[TermScale], eta: &[f64], terms: &mut [f64]) {
    for ((scale, eta), term) in scales.iter().zip(eta).zip(terms.iter_mut()) {
        *term = match scale {
            TermScale::Natural => *eta,
            TermScale::Log | TermScale::Above(_) => eta.exp(),
        };
    }
    for (at, scale) in scales.iter().enumerate() {
        if let TermScale::Above(other) = scale {
            terms[at] += terms[*other];
        }
    }
}

/// The engine's terms from the curve's; false where a logarithm does not exist.
pub(super) fn from_terms(scales: &[TermScale], terms: &[f64], eta: &mut [f64]) -> bool {
    for (at, scale) in scales.iter().enumerate() {
        eta[at] = match scale {
            TermScale::Natural => terms[at],
            TermScale::Log => terms[at].ln(),
            TermScale::Above(other) => (terms[at] - terms[*other]).ln(),
        };
    }
    eta.iter().all(|eta| eta.is_finite())
}

/// Turns a gradient in the curve's terms into one in the engine's, in place.
pub(super) fn chain(scales: &[TermScale], terms: &[f64], gradient: &mut [f64]) {
    for (at, scale) in scales.iter().enumerate() {
        if let TermScale::Above(other) = scale {
            gradient[*other] += gradient[at];
            gradient[at] *= terms[at] - terms[*other];
        }
    }
    for (at, scale) in scales.iter().enumerate() {
        if *scale == TermScale::Log {
            gradient[at] *= terms[at];
        }
    }
}

/// d phi / d eta, p x p row-major.
pub(super) fn jacobian(scales: &[TermScale], terms: &[f64], out: &mut [f64]) {
    let p = scales.len();
    out[..p * p].fill(0.0);
    for row in 0..p {
        out[row * p + row] = 1.0;
        chain(scales, terms, &mut out[row * p..(row + 1) * p]);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn scales_go_there_and_back_and_their_jacobian_is_the_difference_quotient() {
        let scales = [
            TermScale::Log,
            TermScale::Natural,
            TermScale::Log,
            TermScale::Above(2),
        ];
        let terms = [550.0, -0.4, 58.0, 150.0];
        let mut eta = [0.0; 4];
        assert!(from_terms(&scales, &terms, &mut eta));
        let mut back = [0.0; 4];
        to_terms(&scales, &eta, &mut back);
        let mut exact = [0.0; 16];
        jacobian(&scales, &terms, &mut exact);
        for k in 0..4 {
            assert!((back[k] / terms[k] - 1.0).abs() < 1e-14);
            let (mut up, mut down) = (eta, eta);
            up[k] += 1e-5;
            down[k] -= 1e-5;
            let (mut high, mut low) = ([0.0; 4], [0.0; 4]);
            to_terms(&scales, &up, &mut high);
            to_terms(&scales, &down, &mut low);
            for row in 0..4 {
                let quotient = (high[row] - low[row]) / 2e-5;
                // Central differences: h^2 relative, and rounding / h.
                assert!((exact[row * 4 + k] - quotient).abs() < 1e-7 * (1.0 + quotient.abs()));
            }
        }
    }

    #[test]
    fn terms_out_of_order_have_no_logarithm() {
        let mut eta = [0.0; 2];
        assert!(!from_terms(
            &[TermScale::Natural, TermScale::Above(0)],
            &[5.0, 4.0],
            &mut eta
        ));
    }
}
