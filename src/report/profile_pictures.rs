//! The figure of profile likelihoods: how precisely each strain's terms are estimated.

use crate::figure::{Profile, ProfileTerm, Quantity, Ranged};
use crate::report::paper::curve_words;
use crate::report::pictures::{Drawn, Showing, file_name, percent};
use crate::study::Study;
use crate::trajectory::profiles::TermProfile;

/// A figure for each trait; none where no strain's curve has a profile.
pub fn profile_pictures(
    study: &Study,
    profiles: &[TermProfile],
    showing: &Showing,
    drawn: &mut Drawn,
) {
    for of_trait in profiles.chunk_by(|one, next| one.trait_index == next.trait_index) {
        let Some(first) = of_trait.first() else {
            continue;
        };
        let figure = Profile {
            measure: "τ² (rise of the residual sum of squares)".to_owned(),
            cut_off: first.cut_off,
            cut_off_words: format!(
                "{} of one term (square of Student's t); values of a strain taken as independent",
                percent(showing.confidence)
            ),
            terms: of_trait
                .iter()
                .filter(|one| showing.has_panel(one.strain))
                .map(|one| term(study, one))
                .collect(),
            frame: showing.frame.clone(),
        };
        let name = file_name(&study.traits[first.trait_index].name);
        drawn.add(format!("profile_{name}"), &figure, showing);
    }
}

fn term(study: &Study, profile: &TermProfile) -> ProfileTerm {
    let closed = |limit: f64| if limit.is_finite() { limit } else { f64::NAN };
    ProfileTerm {
        term: Quantity {
            name: profile.term.clone(),
            unit: profile.unit.clone(),
        },
        name: format!(
            "{}, {}",
            study.strains[profile.strain],
            curve_words(&profile.curve)
        ),
        points: profile.points.clone(),
        estimate: Ranged {
            value: profile.estimate,
            lower: closed(profile.interval.lower),
            upper: closed(profile.interval.upper),
        },
    }
}
