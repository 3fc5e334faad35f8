//! Which kinds of offset and which spread: by AIC; ratios of spread by likelihood.

use super::OffsetKind;
use super::comparisons::{Block, count};
use super::solve::{Model, solve};

/// The model with the lowest AIC: spread, ratios of spread, kinds of offset.
pub(super) fn choose(blocks: &[Block], used: &[bool], constant_only: &[bool]) -> Option<Model> {
    let positive = blocks
        .iter()
        .flat_map(|block| &block.readings)
        .all(|reading| reading.value > 0.0);
    let kinds: Vec<Option<OffsetKind>> = (0..used.len())
        .map(|way| match (way, constant_only[way] || !positive) {
            (0, _) => None,
            (_, _) if !used[way] => None,
            (_, true) => Some(OffsetKind::Constant),
            (_, false) => Some(OffsetKind::Proportional),
        })
        .collect();
    let spreads: &[bool] = if positive { &[true, false] } else { &[false] };
    let tried = spreads.iter().filter_map(|proportional| {
        let mut model = Model {
            kinds: kinds.clone(),
            log_ratios: vec![0.0; used.len()],
            proportional_spread: *proportional,
        };
        aic(blocks, &model)?;
        // A way has a separate spread even where few comparisons show it: one taken from
        // the reference whenever its difference is not evident would be too small as often.
        for way in (1..used.len()).filter(|way| used[*way]) {
            model.log_ratios[way] = best_ratio(blocks, &model, way, Search::FOR_CHOICE);
        }
        let mut least = aic(blocks, &model)?;
        for way in (1..used.len()).filter(|way| used[*way] && !constant_only[*way] && positive) {
            let mut others = vec![OffsetKind::Constant];
            if wide(blocks, way) {
                others.push(OffsetKind::Linear);
            }
            for kind in others {
                let mut other = model.clone();
                other.kinds[way] = Some(kind);
                if let Some(with) = aic(blocks, &other).filter(|with| *with < least) {
                    (model, least) = (other, with);
                }
            }
        }
        Some((model, least))
    });
    tried
        .min_by(|a, b| a.1.total_cmp(&b.1))
        .map(|(model, _)| model)
}

/// Whether a way was compared often enough, over readings wide enough apart, to
/// distinguish a share from grams: six days, the greatest reading 1.5 times the least.
fn wide(blocks: &[Block], way: usize) -> bool {
    let rows = blocks.iter().flat_map(|block| &block.readings);
    let values: Vec<f64> = rows
        .filter(|row| row.way == way)
        .map(|row| row.value)
        .collect();
    let greatest = values.iter().copied().fold(f64::MIN, f64::max);
    let least = values.iter().copied().fold(f64::MAX, f64::min);
    count(blocks, way) >= 6 && greatest > 1.5 * least
}

/// -2 log-likelihood with two for each offset; the spreads are the same number in all.
fn aic(blocks: &[Block], model: &Model) -> Option<f64> {
    let fit = solve(blocks, model)?;
    Some(-2.0 * fit.log_likelihood(false) + 2.0 * model.parameters() as f64)
}

/// How a ratio of spread is searched for.
#[derive(Debug, Clone, Copy)]
pub(super) struct Search {
    pub(super) restricted: bool,
    tolerance: f64,
}

impl Search {
    const FOR_CHOICE: Self = Self {
        restricted: false,
        tolerance: 1e-3,
    };
    pub(super) const FINAL: Self = Self {
        restricted: true,
        tolerance: 1e-7,
    };
}

/// The logarithm of the likeliest ratio of spread of one way, at the others of the model.
pub(super) fn best_ratio(blocks: &[Block], model: &Model, way: usize, search: Search) -> f64 {
    let deviance = |log_ratio: f64| {
        let mut model = model.clone();
        model.log_ratios[way] = log_ratio;
        solve(blocks, &model).map_or(f64::INFINITY, |fit| {
            -2.0 * fit.log_likelihood(search.restricted)
        })
    };
    // Golden section between a hundredth and a hundred times.
    let golden = (5.0_f64.sqrt() - 1.0) / 2.0;
    let (mut low, mut high) = (-100.0_f64.ln(), 100.0_f64.ln());
    let (mut left, mut right) = (high - golden * (high - low), low + golden * (high - low));
    let (mut at_left, mut at_right) = (deviance(left), deviance(right));
    while high - low > search.tolerance {
        if at_left <= at_right {
            (high, right, at_right) = (right, left, at_left);
            left = high - golden * (high - low);
            at_left = deviance(left);
        } else {
            (low, left, at_left) = (left, right, at_right);
            right = low + golden * (high - low);
            at_right = deviance(right);
        }
    }
    0.5 * (low + high)
}
