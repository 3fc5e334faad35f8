//! Which figures a whole study gets: those of its answers, and those of a supplement.

use crate::analysis::{Analysis, Lay};
use crate::composition::study_equations::Chosen;
use crate::flock::Deviation;
use crate::report::contrast_pictures::contrast_pictures;
use crate::report::density_pictures::density_pictures;
use crate::report::egg_pictures::egg_picture;
use crate::report::forecast_pictures::{
    forecast_pictures, uniformity_pictures, weight_prediction_figures,
};
use crate::report::onset_pictures::{first_egg_picture, lay_picture, prediction_figure};
use crate::report::phantom_pictures::phantom_picture;
use crate::report::pictures::{
    Drawn, Showing, bird_pictures, deviation_pictures, frame_of, growth_pictures,
};
use crate::report::platform_pictures::platform_picture;
use crate::report::population_pictures::{
    population_pictures, random_effect_pictures, residual_pictures,
};
use crate::report::profile_pictures::profile_pictures;
use crate::report::sampled_pictures::{gain_picture, sampled_pictures};
use crate::report::scan_pictures::{
    body_parts_picture, calibration_pictures, calibration_residual_pictures, feather_share_picture,
    precision_picture,
};

/// The strains in the order in which figures choose them.
#[must_use]
pub fn order(analysis: &Analysis) -> Vec<usize> {
    let differences = analysis.differences.as_ref();
    let comparison = differences.map(|found| &found.comparison);
    Showing::order(&analysis.study, comparison)
}

/// The figures of the answers at the width at which the page shows them, 140 mm.
#[must_use]
pub fn of_page(analysis: &Analysis) -> Drawn {
    let order = order(analysis);
    let showing = Showing {
        confidence: analysis.confidence,
        width_mm: 140.0,
        height_mm: None,
        frame: frame_of(&analysis.study, None),
        order: &order,
    };
    let mut drawn = Drawn::default();
    answers(analysis, &showing, &mut drawn);
    drawn
}

/// Equations that the study's chemistry gave.
fn equations(analysis: &Analysis) -> &[Chosen] {
    let equations = analysis.scans.equations.as_ref();
    equations.map_or(&[], |found| &found.chosen)
}

/// Adds what a reviewer looks for, named as supplement: files, and not on the page.
pub fn supplement(analysis: &Analysis, showing: &Showing, drawn: &mut Drawn) {
    let mut supplement = Drawn::default();
    diagnostics(analysis, showing, &mut supplement);
    drawn.supplement(supplement);
}

fn diagnostics(analysis: &Analysis, showing: &Showing, drawn: &mut Drawn) {
    let study = &analysis.study;
    let trajectories = &analysis.growth.trajectories;
    bird_pictures(study, trajectories, showing, drawn);
    residual_pictures(study, trajectories, showing, drawn);
    random_effect_pictures(study, trajectories, showing, drawn);
    profile_pictures(study, &analysis.growth.profiles, showing, drawn);
    calibration_residual_pictures(study, equations(analysis), showing, drawn);
    let verdict = analysis.verdict.as_ref();
    if let Some(ahead) = verdict.and_then(|verdict| verdict.ahead.as_ref()) {
        weight_prediction_figures(study, &ahead.backtest_weights, showing, drawn);
    }
    // Without a cue that helps, all birds of a strain have the same prediction.
    if let Some(waiting) = analysis.lay.as_ref().and_then(Lay::waiting)
        && waiting.models.recommended().is_some()
    {
        prediction_figure(study, &waiting.backtest.eggs, showing, drawn);
    }
}

/// Adds the figures of the answers, as the page shows them.
pub fn answers(analysis: &Analysis, showing: &Showing, drawn: &mut Drawn) {
    let study = &analysis.study;
    growth_pictures(study, &analysis.growth.trajectories, showing, drawn);
    population_pictures(study, &analysis.growth.trajectories, showing, drawn);
    if let Some(found) = &analysis.differences {
        contrast_pictures(study, &found.comparison, showing, drawn);
    }
    if let Some(verdict) = &analysis.verdict {
        let sampled = analysis.growth.sampled.as_ref();
        let ringed = |row: &&Deviation| {
            sampled.is_none_or(|of| {
                of.trait_index != row.trait_index || of.group_of(row.strain).is_none()
            })
        };
        let rows: Vec<&Deviation> = verdict.deviations.iter().filter(ringed).collect();
        deviation_pictures(study, &rows, showing, drawn);
        if let Some(of) = sampled {
            sampled_pictures((study, of), &verdict.deviations, showing, drawn);
            gain_picture((study, of), &verdict.gain_chart, showing, drawn);
        }
        let uniformities = &verdict.uniformities;
        if let Some(ahead) = &verdict.ahead {
            let ahead = (ahead.as_of_d, &ahead.traits[..]);
            forecast_pictures(study, ahead, uniformities, showing, drawn);
        }
        uniformity_pictures(study, uniformities, verdict.within_pct, showing, drawn);
    }
    if let Some(platform) = &analysis.platform {
        platform_picture(study, platform, showing, drawn);
    }
    if let Some(lay) = &analysis.lay
        && !lay.records.birds.is_empty()
    {
        lay_picture(&lay.records, &lay.curves, showing, drawn);
        let laying = &lay.at_first_egg;
        first_egg_picture(study, &laying.values, &laying.thresholds, showing, drawn);
    }
    if let Some(lay) = &analysis.lay
        && let Some(eggs) = &lay.eggs
    {
        egg_picture(study, (eggs, &lay.light), showing, drawn);
    }
    let scans = &analysis.scans;
    if let Some(Ok(precision)) = &scans.precision {
        precision_picture(precision, showing, drawn);
    }
    if let Some(densities) = &analysis.densities {
        density_pictures(densities, showing, drawn);
    }
    if let Some(phantom) = &scans.phantom {
        phantom_picture(phantom, showing, drawn);
    }
    calibration_pictures(study, equations(analysis), showing, drawn);
    if let Some(equations) = &scans.equations {
        feather_share_picture(study, &equations.feather_ages, showing, drawn);
    }
    if let Some(masses) = &scans.masses {
        body_parts_picture(study, masses, showing, drawn);
    }
}
