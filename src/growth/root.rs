//! The age at which a continuous function passes zero within a bracket.
//!
//! Illinois steps (false position that halves the weight of an end which stays; Dowell
//! M, Jarratt P 1971, BIT 11:168-174; cited from memory), with a bisection whenever they have not halved
//! the bracket in three steps: fast on a smooth function, never slower than bisection by
//! more than a factor of four.

/// Root of a function that is negative (or zero) at `low` and positive at `high`.
pub(super) fn rising_root(f: impl Fn(f64) -> f64, low: f64, high: f64) -> f64 {
    let (mut low, mut high) = (low, high);
    let (mut f_low, mut f_high) = (f(low), f(high));
    if f_low >= 0.0 {
        return low;
    }
    if f_high <= 0.0 {
        return high;
    }
    let mut goal = 0.5 * (high - low);
    let mut steps_left = 3;
    // 60 bisections exhaust a double; three false positions between each.
    for _ in 0..240 {
        let middle = 0.5 * (low + high);
        if middle <= low || middle >= high {
            break;
        }
        let position = low - f_low * (high - low) / (f_high - f_low);
        let next = if steps_left > 0 && position > low && position < high {
            position
        } else {
            middle
        };
        let f_next = f(next);
        if f_next < 0.0 {
            low = next;
            f_low = f_next;
            f_high *= 0.5;
        } else if f_next > 0.0 {
            high = next;
            f_high = f_next;
            f_low *= 0.5;
        } else {
            // Zero, or a function that is not a number here.
            return next;
        }
        if high - low <= goal {
            goal = 0.5 * (high - low);
            steps_left = 3;
        } else {
            steps_left -= 1;
        }
    }
    0.5 * (low + high)
}

/// Root of a function that is positive (or zero) at `low` and negative at `high`.
pub(super) fn falling_root(f: impl Fn(f64) -> f64, low: f64, high: f64) -> f64 {
    rising_root(|x| -f(x), low, high)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn roots_of_known_functions() {
        type Case = (fn(f64) -> f64, f64, f64, f64);
        let cases: [Case; 4] = [
            (|x| x * x - 2.0, 0.0, 2.0, 2f64.sqrt()),
            (|x| x.powi(9) - 1e-9, 0.0, 10.0, 0.1),
            (|x| (x - 3.0).tanh(), -1e3, 1e3, 3.0),
            (|x| x.exp() - 1e30, 0.0, 100.0, 30.0 * 10f64.ln()),
        ];
        for (f, low, high, expected) in cases {
            let found = rising_root(f, low, high);
            // A few units in the last place of the bracket's numbers.
            assert!(
                (found - expected).abs() <= 1e-13 * expected,
                "{found} {expected}"
            );
            let mirrored = falling_root(|x| -f(x), low, high);
            assert!(
                (mirrored - expected).abs() <= 1e-13 * expected,
                "{mirrored}"
            );
        }
    }

    #[test]
    fn a_root_at_an_end_is_that_end() {
        assert_eq!(rising_root(|x| x, 0.0, 1.0).to_bits(), 0f64.to_bits());
        assert_eq!(rising_root(|x| x - 1.0, 0.0, 1.0).to_bits(), 1f64.to_bits());
    }
}
