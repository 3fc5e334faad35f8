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
fn reports_what_it_cannot_read() {
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
            "\"^\" at character 4, expected brackets, (a^b)^c or a^(b^c), to show which power is first",
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
        let found = Expression::parse(text, &["x"]).expect(text).slope(&[x]);
        // A handful of roundings.
        assert!(
            (found - expected(x)).abs() <= 1e-14 * expected(x).abs(),
            "{text}: {found}"
        );
    }
}

/// Backward, forward and twice forward against the formulas of a Gompertz curve, and of a
/// power whose base, exponent and both vary.
#[test]
fn differentiates_in_the_terms_and_twice_in_age() {
    let close = |found: f64, expected: f64| (found / expected - 1.0).abs() < 1e-13;
    let (t, a, k, ti) = (31.0, 1800.0, 0.031, 52.0);
    let z = f64::exp(-k * (t - ti));
    let g = a * f64::exp(-z);
    let curve = Expression::parse("A*exp(-exp(-k*(t-ti)))", &["t", "A", "k", "ti"]).unwrap();
    let symbols = [t, a, k, ti];
    let mut gradient = [0.0; 3];
    assert!(close(curve.value_and_gradient(&symbols, &mut gradient), g));
    let expected = [g / a, g * z * (t - ti), -g * z * k];
    assert!(
        (0..3).all(|i| close(gradient[i], expected[i])),
        "{gradient:?}"
    );
    assert!(close(
        curve.slope_and_gradient(&symbols, &mut gradient),
        g * k * z
    ));
    let expected = [
        g * k * z / a,
        g * z * (1.0 + k * (t - ti) * (z - 1.0)),
        g * k * k * z * (1.0 - z),
    ];
    assert!(
        (0..3).all(|i| close(gradient[i], expected[i])),
        "{gradient:?}"
    );
    assert!(close(curve.bend(&symbols), g * k * k * z * (z - 1.0)));

    let power = Expression::parse("(b*x)^(x+b)", &["x", "b"]).unwrap();
    let (x, b) = (1.7, 0.8);
    let (y, l) = (f64::powf(b * x, x + b), f64::ln(b * x));
    let mut by_b = [0.0];
    power.value_and_gradient(&[x, b], &mut by_b);
    assert!(close(by_b[0], y * (l + (x + b) / b)));
    let rate = l + (x + b) / x;
    assert!(close(power.slope(&[x, b]), y * rate));
    assert!(close(
        power.bend(&[x, b]),
        y * (rate * rate + 1.0 / x - b / (x * x))
    ));
}
