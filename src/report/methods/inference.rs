//! How sure the curves are, how one was chosen, and how strains were compared.

use crate::contrast::{Adjust, Against, Source as Joined};
use crate::report::prose::listed;
use crate::report::sources::{References, Source};
use crate::report::told::Told;
use crate::trajectory::Level;

pub(super) fn inference(told: &Told<'_>, cited: &mut References) -> Vec<String> {
    let trajectories = told.trajectories;
    let at = |level: Level| {
        trajectories
            .subjects
            .iter()
            .any(|fits| fits.subject.level == level)
    };
    let (birds, strains) = (at(Level::Bird), at(Level::Strain));
    let mixed = !trajectories.models.is_empty();
    if !birds && !strains && !mixed {
        return Vec::new();
    }
    let mut text = format!(
        "Standard errors are those of the linearised model at the optimum, intervals are {} % intervals by Student's t, and quantities that follow from a curve's terms have standard errors by the delta method {}.",
        told.percent(),
        cited.cite(Source::BatesWatts)
    );
    if strains {
        text += " Those of the pooled fits take all records of a strain as independent, and are too narrow where birds were measured again and again.";
    }
    if mixed {
        text += &format!(
            " Intervals for the typical bird of a mixed model have the degrees of freedom of each quantity by Satterthwaite's rule {}, and intervals for its single birds include the error of the variance terms {}.",
            cited.cite(Source::Satterthwaite),
            cited.cite(Source::KassSteffey)
        );
    }
    text += &format!(
        " Bands of curves are pointwise, and simultaneous over all ages by the tube formula {}.",
        cited.cite(Source::SunLoader)
    );
    let mut all = vec![text];
    if trajectories.curves.len() > 1 {
        all.push(format!(
            "Curves fitted to the same observations were ranked by AICc {}{}; a weak fit was ranked and marked, a failed one was not. [Say why the chosen curve suits the biology.]",
            cited.cite(Source::HurvichTsai),
            cited.cite(Source::BurnhamAnderson)
        ));
    }
    all
}

pub(super) fn comparison(told: &Told<'_>, cited: &mut References) -> Vec<String> {
    let Some(comparison) = told.comparison else {
        return Vec::new();
    };
    let joints = comparison
        .compared
        .iter()
        .filter_map(|one| one.joint.as_ref());
    let sources: Vec<Joined> = joints.map(|joint| joint.source).collect();
    if sources.is_empty() {
        return vec![
            "The strains were to be compared, but no curve could be fitted to two of them."
                .to_owned(),
        ];
    }
    let mixed = sources.contains(&Joined::Mixed);
    let pooled = sources.contains(&Joined::Pooled);
    let by_what = match (mixed, pooled) {
        (true, true) => {
            "one mixed model of all birds, or pooled fits with standard errors by bird where that failed"
        }
        (true, false) => "one mixed model of all birds",
        _ => "pooled fits of each strain with standard errors by bird",
    };
    // Of very many strains, each is compared with the mean of all.
    let to_mean = comparison
        .compared
        .iter()
        .flat_map(|one| &one.contrasts)
        .any(|one| one.b == Against::MeanOfAll);
    let number = if to_mean { "comparisons" } else { "pairs" };
    let adjusted = match told.adjust {
        Adjust::MaxT if to_mean => format!(
            "p values were adjusted over the terms of a trait and the strains by Holm's method {}, intervals were not",
            cited.cite(Source::Holm)
        ),
        Adjust::MaxT => format!(
            "p values were adjusted over the terms of a trait and the pairs by the simulated distribution of the greatest t {}, intervals were not",
            cited.cite(Source::Hothorn)
        ),
        Adjust::Holm => format!(
            "p values were adjusted for the number of {number} within each term by Holm's method {}, intervals were not",
            cited.cite(Source::Holm)
        ),
        Adjust::Tukey if to_mean => format!(
            "p values and intervals were adjusted for the number of comparisons within each term by the simulated distribution of the greatest t {}",
            cited.cite(Source::Hothorn)
        ),
        Adjust::Tukey => format!(
            "p values and intervals were adjusted for the number of pairs within each term by Tukey's method {}",
            cited.cite(Source::Tukey)
        ),
        Adjust::None => format!("p values were not adjusted for the number of {number}"),
    };
    let whom = if to_mean {
        "Each strain was compared with the mean of all strains, itself among them"
    } else {
        "Strains were compared"
    };
    let mut text = format!(
        "{whom}, trait by trait, in the terms of the curve that most of them converge with and whose AICc over them is least, and in quantities that follow from it, by {by_what}; {adjusted}."
    );
    let mut tests: Vec<&str> = Vec::new();
    for test in comparison.compared.iter().flat_map(|one| &one.tests) {
        if !tests.contains(&test.test) {
            tests.push(test.test);
        }
    }
    if !tests.is_empty() {
        let tests: Vec<String> = tests
            .iter()
            .map(|test| {
                let source = match *test {
                    "Wald F of all terms" => Source::KenwardRoger,
                    _ => Source::BatesWatts,
                };
                format!("{test} {}", cited.cite(source))
            })
            .collect();
        text += &format!(
            " Whether one curve is enough for all strains was tested by {}.",
            listed(&tests)
        );
    }
    if comparison.compared.iter().any(|one| !one.by_age.is_empty()) {
        text += &format!(
            " The difference between {} along age was given a simultaneous {} % band by the tube formula {}.",
            if to_mean {
                "each strain and the mean of all"
            } else {
                "two strains"
            },
            told.percent(),
            cited.cite(Source::SunLoader)
        );
    }
    vec![text]
}
