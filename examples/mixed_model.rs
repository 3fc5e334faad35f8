//! A nonlinear mixed model from arrays: a Gompertz curve for four birds, with random effects
//! of the birds on the logarithms of asymptote and rate.
//!
//! `cargo run --example mixed_model`

use pinfeather::fit::Variance;
use pinfeather::fit::mixed::{MixedModel, MixedOptions, RandomTerm, Subjects};
use pinfeather::growth;

fn main() -> pinfeather::Result<()> {
    let bird_d = [0.0, 14.0, 28.0, 42.0, 56.0, 70.0, 84.0, 98.0, 112.0, 126.0];
    let birds_g = [
        [
            38.0, 105.0, 262.0, 455.0, 670.0, 872.0, 1043.0, 1189.0, 1300.0, 1383.0,
        ],
        [
            36.0, 98.0, 240.0, 431.0, 640.0, 838.0, 1010.0, 1150.0, 1262.0, 1349.0,
        ],
        [
            39.0, 112.0, 281.0, 489.0, 712.0, 921.0, 1095.0, 1238.0, 1345.0, 1425.0,
        ],
        [
            37.0, 101.0, 248.0, 437.0, 655.0, 856.0, 1019.0, 1166.0, 1281.0, 1358.0,
        ],
    ];
    let ages_d = bird_d.repeat(birds_g.len());
    let weights_g = birds_g.concat();
    // Where each bird's records begin, and the end; all birds are of one group.
    let starts: Vec<usize> = (0..=birds_g.len())
        .map(|bird| bird * bird_d.len())
        .collect();
    let groups = vec![0; birds_g.len()];
    let subjects = Subjects::new(&starts, &ages_d, &weights_g, &groups)?;

    let curve = growth::find("gompertz", &[])?;
    let options = MixedOptions {
        random: vec![RandomTerm::log("A"), RandomTerm::log("k")],
        variance: Variance::Proportional,
        ..MixedOptions::default()
    };
    let outcome = MixedModel::new(&*curve, &options)?.fit(&subjects);
    println!("{}", outcome.status());
    for reason in outcome.reasons() {
        println!("  {reason}");
    }
    let Some(fit) = outcome.fit() else {
        return Ok(());
    };
    for (term, value) in curve.terms().iter().zip(fit.group(0)) {
        println!("{:>2} {value:9.4} {}", term.name, term.unit);
    }
    for effect in &fit.random {
        println!(
            "SD between birds of {} ({:?} scale): {:.4}",
            curve.terms()[effect.term].name,
            effect.scale,
            effect.standard_deviation
        );
    }
    println!(
        "mature weight of the third bird: {:.0} g",
        fit.subject(2)[0]
    );
    Ok(())
}
