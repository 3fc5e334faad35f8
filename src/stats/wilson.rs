//! Wilson's interval of a share.

/// Limits of a share of n subjects, percent; z is the normal quantile of the confidence. n need
/// not be whole: that of a cluster sample is the number of subjects drawn one by one with the
/// same variance.
///
/// # Source
/// Wilson EB 1927, J Am Stat Assoc 22:209-212.
#[must_use]
pub fn wilson_pct(share: f64, n: f64, z: f64) -> (f64, f64) {
    let middle = share + z * z / (2.0 * n);
    let half = z * (share * (1.0 - share) / n + z * z / (4.0 * n * n)).sqrt();
    let scale = 1.0 + z * z / n;
    // Rounding must not take a limit past none or all.
    (
        (100.0 * (middle - half) / scale).max(0.0),
        (100.0 * (middle + half) / scale).min(100.0),
    )
}
