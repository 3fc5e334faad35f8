//! Curve cards of any form: reading and evaluating one takes time in proportion to its length.

use std::time::{Duration, Instant};

use pinfeather::growth::{Card, Curve};

/// Written out, the second derivatives of these powers took 30 s and 3.2 GB.
#[test]
fn a_card_of_nested_powers_is_read_at_once() {
    let mut equation = "A+b*exp(-k*t)*t".to_owned();
    while equation.len() < 780 {
        equation = format!("({equation})^t+b");
    }
    assert!(equation.len() < 800);
    let card = format!(
        "name = \"nested\"\nequation = \"{equation}\"\n\
         [[term]]\nname = \"A\"\nmeaning = \"m\"\nunit = \"g\"\n\
         [[term]]\nname = \"b\"\nmeaning = \"m\"\nunit = \"g\"\n\
         [[term]]\nname = \"k\"\nmeaning = \"m\"\nunit = \"1/d\"\n\
         [[start]]\nA = 1.0\nb = 0.1\nk = 0.01\n"
    );
    let began = Instant::now();
    // The nested brackets of this number of powers are too deep, or the card is read.
    let read = Card::parse(&card, "nested.toml");
    assert!(began.elapsed() < Duration::from_secs(2));
    if let Err(error) = read {
        assert!(
            error.to_string().contains("brackets in brackets"),
            "{error}"
        );
    }
    let flat = vec!["(A+b*exp(-k*t)*t)^t"; 39].join("*");
    let card = card.replace(&equation, &flat);
    let card = Card::parse(&card, "nested.toml").unwrap();
    let mut gradient = [0.0; 3];
    let value = card.value_and_gradient(0.5, &[1.0, 0.1, 0.01], &mut gradient);
    let slope = card.slope_and_gradient(0.5, &[1.0, 0.1, 0.01], &mut gradient);
    assert!(value.is_finite() && slope.is_finite() && gradient.iter().all(|g| g.is_finite()));
    assert!(began.elapsed() < Duration::from_secs(2));
}
