//! When do pens come into lay, by their eggs or by the first eggs of their birds?

use crate::maturity::{self, EggOnset, EggOptions, EggQuantity, PenMaturity, Rise, RiseOrigin};
use crate::study::Study;

/// Onset by eggs counted in pens, with the rise of a hen's rate that the study gives, or that
/// its ringed birds show.
pub(super) fn egg_onset(study: &Study, confidence: f64) -> Option<EggOnset> {
    let with = |rise: Rise| maturity::egg_onset(study, EggOptions { confidence, rise });
    if let Some(days) = study.settings.eggs.rise_d {
        return with(Rise {
            days,
            origin: RiseOrigin::Given,
            ..Rise::ASSUMED
        });
    }
    let assumed = with(Rise::ASSUMED)?;
    match maturity::rise_of_ringed_birds(study, &assumed) {
        Some(rise) => with(rise),
        None => Some(assumed),
    }
}

/// Mean age at maturity of each pen by its eggs; where none were counted, the median of the
/// first eggs of its birds.
pub(super) fn pens(study: &Study, eggs: Option<&EggOnset>) -> Vec<PenMaturity> {
    if let Some(eggs) = eggs {
        let known = eggs.pens.iter().filter_map(|pen| {
            let mut estimates = pen.estimates.iter();
            let mean = estimates.find(|one| one.quantity == EggQuantity::MeanAge)?;
            Some(PenMaturity {
                pen: pen.pen,
                strain: pen.strain,
                mean_d: mean.value.as_ref().ok()?.value,
            })
        });
        return known.collect();
    }
    let known = (0..study.pens.len()).filter_map(|pen| {
        let own = |bird: usize| study.birds[bird].pen == Some(pen);
        let mut birds = study.birds.iter().filter(|bird| bird.pen == Some(pen));
        let strain = birds.next()?.strain;
        Some(PenMaturity {
            pen,
            strain: birds.all(|bird| bird.strain == strain).then_some(strain),
            mean_d: maturity::median_first_egg(study, own)?,
        })
    });
    known.collect()
}
