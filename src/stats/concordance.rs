//! Does the predicted order of events agree with the observed one?

use super::Failure;
use super::failure::{check_finite, check_length};
use super::time_to_event::{EventTime, right_censored_only};

/// Harrell's concordance of a score with times to an event.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct OrderAgreement {
    /// Share of comparable pairs in the right order, ties in the score counting half.
    pub concordance: f64,
    /// Its standard error by the infinitesimal jackknife.
    pub standard_error: f64,
    /// Pairs in the right order.
    pub concordant: f64,
    /// Pairs in the wrong order.
    pub discordant: f64,
    /// Comparable pairs with the same score.
    pub tied: f64,
}

/// Does a higher score go with a later event?
///
/// A pair is comparable if the one with the smaller time had the event (at equal
/// times, if one had it and the other was censored). For a score of risk, such as
/// that of proportional hazards, the answer is one minus the share.
///
/// # Shapes
/// One score a subject; times exact or right-censored. Time n log n.
/// # Errors
/// [`Failure::Lengths`], [`Failure::Value`]; [`Failure::TooFew`] if no pair is comparable.
/// # Source
/// Harrell, Lee & Mark 1996, Stat. Med. 15:361-387; standard error as in R's survival
/// package: C = N/D over pairs weighted by w_i w_j, so dC/dw_i = (N_i - C D_i)/D.
pub fn order_agreement(times: &[EventTime], scores: &[f64]) -> Result<OrderAgreement, Failure> {
    check_length("scores", scores.len(), times.len())?;
    check_finite("score", scores)?;
    let seen = right_censored_only(times)?;
    let n = seen.len();
    let ranks = ranks(scores);
    let mut order: Vec<usize> = (0..n).collect();
    order.sort_by(|a, b| seen[*a].0.total_cmp(&seen[*b].0));
    let groups: Vec<&[usize]> = order
        .chunk_by(|a, b| seen[*a].0.total_cmp(&seen[*b].0).is_eq())
        .collect();
    let mut right = vec![0.0; n];
    let mut wrong = vec![0.0; n];
    let mut same = vec![0.0; n];

    // Each event against those later than it: latest times enter first.
    let mut later = Tally::new(n);
    for group in groups.iter().rev() {
        for &i in group.iter().filter(|i| !seen[**i].1) {
            later.add(ranks[i]);
        }
        for &i in group.iter().filter(|i| seen[**i].1) {
            let (below, equal, above) = later.split(ranks[i]);
            right[i] += above;
            wrong[i] += below;
            same[i] += equal;
        }
        for &i in group.iter().filter(|i| seen[**i].1) {
            later.add(ranks[i]);
        }
    }
    let total = |counts: &[f64]| counts.iter().sum::<f64>();
    let (concordant, discordant, tied) = (total(&right), total(&wrong), total(&same));
    let comparable = concordant + discordant + tied;
    super::failure::check_count("comparable pairs", usize::from(comparable > 0.0), 1)?;

    // Each subject against the events before it: earliest times enter first.
    let mut earlier = Tally::new(n);
    for group in &groups {
        let mut against = |i: usize, earlier: &Tally| {
            let (below, equal, above) = earlier.split(ranks[i]);
            right[i] += below;
            wrong[i] += above;
            same[i] += equal;
        };
        for &i in group.iter().filter(|i| seen[**i].1) {
            against(i, &earlier);
        }
        for &i in group.iter().filter(|i| seen[**i].1) {
            earlier.add(ranks[i]);
        }
        for &i in group.iter().filter(|i| !seen[**i].1) {
            against(i, &earlier);
        }
    }
    let concordance = (concordant + 0.5 * tied) / comparable;
    let influences = (0..n).map(|i| {
        let own = right[i] + wrong[i] + same[i];
        (right[i] + 0.5 * same[i] - concordance * own) / comparable
    });
    Ok(OrderAgreement {
        concordance,
        standard_error: influences.map(|d| d * d).sum::<f64>().sqrt(),
        concordant,
        discordant,
        tied,
    })
}

/// Place of each score among the distinct scores, from 1.
fn ranks(scores: &[f64]) -> Vec<usize> {
    let mut sorted = scores.to_vec();
    sorted.sort_by(f64::total_cmp);
    // -0 and 0 are the same score, so not by `total_cmp`.
    sorted.dedup_by(|a, b| *a <= *b);
    let place = |score: &f64| sorted.partition_point(|other| other < score) + 1;
    scores.iter().map(place).collect()
}

/// Counts by rank with sums in log n steps (Fenwick 1994).
struct Tally {
    sums: Vec<f64>,
    count: f64,
}

impl Tally {
    fn new(n: usize) -> Self {
        Self {
            sums: vec![0.0; n + 1],
            count: 0.0,
        }
    }

    fn add(&mut self, rank: usize) {
        let mut k = rank;
        while k < self.sums.len() {
            self.sums[k] += 1.0;
            k += k & k.wrapping_neg();
        }
        self.count += 1.0;
    }

    fn up_to(&self, rank: usize) -> f64 {
        let (mut k, mut sum) = (rank, 0.0);
        while k > 0 {
            sum += self.sums[k];
            k &= k - 1;
        }
        sum
    }

    /// Counts below, at and above a rank.
    fn split(&self, rank: usize) -> (f64, f64, f64) {
        let below = self.up_to(rank - 1);
        let up_to = self.up_to(rank);
        (below, up_to - below, self.count - up_to)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// All pairs, one by one, as the definition has it.
    #[test]
    fn counting_by_ranks_equals_counting_pairs() {
        let raw = [
            (5.0, true, 1.0),
            (3.0, true, 2.0),
            (3.0, false, 0.5),
            (3.0, true, 2.0),
            (8.0, false, 2.0),
            (1.0, true, -1.0),
            (5.0, false, 3.0),
            (7.0, true, 0.5),
        ];
        let (mut right, mut wrong, mut same) = (0.0, 0.0, 0.0);
        for a in &raw {
            for b in &raw {
                let comparable = a.1 && (a.0 < b.0 || (a.0 <= b.0 && !b.1));
                if comparable && a.2 < b.2 {
                    right += 1.0;
                } else if comparable && a.2 > b.2 {
                    wrong += 1.0;
                } else if comparable {
                    same += 1.0;
                }
            }
        }
        let times: Vec<_> = raw
            .iter()
            .map(|r| EventTime::right_censored(r.0, r.1))
            .collect();
        let scores: Vec<f64> = raw.iter().map(|r| r.2).collect();
        let found = order_agreement(&times, &scores).unwrap();
        assert_eq!(
            (found.concordant, found.discordant, found.tied),
            (right, wrong, same)
        );
    }

    #[test]
    fn nothing_to_compare_is_an_answer() {
        let times = [EventTime::After(1.0), EventTime::After(2.0)];
        let failure = order_agreement(&times, &[1.0, 2.0]).unwrap_err();
        assert_eq!(
            failure.to_string(),
            "0 comparable pairs, at least 1 expected"
        );
        assert!(order_agreement(&[EventTime::Exact(1.0); 3], &[1.0, 2.0, 3.0]).is_err());
    }
}
