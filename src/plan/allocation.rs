//! What is allotted to a strain or treatment: birds, or pens of birds.

use super::{Estimand, Target, as_number, standard_error};
use crate::fit::mixed::{Criterion, Estimator, MixedOptions, Population, RandomScale, RandomTerm};
use crate::growth;

/// The groups of a plan, and the pens that their birds are kept in.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Allocation {
    /// Strains or treatments.
    pub groups: usize,
    /// Pens of each; `None` where birds are allotted one by one.
    pub pens: Option<Pens>,
}

/// Pens as the units of a comparison.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Pens {
    /// Pens of each group, at least 2.
    pub per_group: usize,
    /// SD between pens of the factor that the birds of a pen share in their asymptotes, on the
    /// log scale: 0.03 is about 3 percent of the mature mass.
    pub sd: f64,
}

impl Allocation {
    /// Birds allotted one by one to this number of groups.
    #[must_use]
    pub fn of_birds(groups: usize) -> Self {
        Self { groups, pens: None }
    }

    /// Standard error of a target with this number of birds a group: what birds differ by and scans
    /// err is shared among the birds, what pens differ by among the pens. A cue is of one bird.
    #[must_use]
    pub fn standard_error(&self, target: &Target, variance: f64, birds: usize) -> f64 {
        let birds = match target.what {
            Estimand::Cue(_) => 1,
            _ => birds,
        };
        let own = standard_error(variance, birds);
        self.pens.map_or(own, |pens| {
            let shared = pens.sd * (target.between_pens / as_number(pens.per_group)).sqrt();
            own.hypot(shared)
        })
    }

    /// Degrees of freedom of a comparison: units minus groups.
    #[must_use]
    pub fn degrees_of_freedom(&self, birds: usize) -> f64 {
        let units = self.pens.map_or(birds, |pens| pens.per_group);
        as_number((self.groups * units.saturating_sub(1)).max(1))
    }

    /// Fewest birds a group: a spread between birds takes two of them, in each pen where pens
    /// are allotted.
    #[must_use]
    pub fn least_birds(&self) -> usize {
        2 * self.pens.map_or(1, |pens| pens.per_group)
    }

    /// Pen of each bird, group after group: as many in each pen as the number of birds allows.
    pub(super) fn pen_of_birds(&self, birds: usize) -> Option<Vec<usize>> {
        let per_group = self.pens?.per_group;
        let groups = 0..self.groups;
        let of_group =
            |group: usize| (0..birds).map(move |bird| group * per_group + bird % per_group);
        Some(groups.flat_map(of_group).collect())
    }
}

/// Options of the model by which a study with pens is analysed: a factor of all asymptotes that
/// the birds of a pen share, and errors of the groups by the variation between pens.
pub(super) fn options_with_pens(population: &Population) -> MixedOptions {
    let own = population.options();
    let curve = &**population.curve();
    let effect = |at: usize| {
        let term = curve.terms()[at].name.to_string();
        let of_birds = own.random.iter().find(|one| one.term == term);
        let scale = of_birds.map_or(RandomScale::Log, |one| one.scale);
        RandomTerm { term, scale }
    };
    let cluster: Vec<RandomTerm> = growth::asymptotes(curve).into_iter().map(effect).collect();
    MixedOptions {
        common_cluster: cluster.iter().all(|one| one.scale == RandomScale::Log),
        cluster,
        between_clusters: true,
        criterion: Criterion::RestrictedLikelihood,
        estimator: Estimator::Alternating,
        ..own.clone()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fit::profile::Quantity;

    /// A balanced design with pens: the variance of a group's mean is s_b^2/(P n) + s_p^2/P
    /// (two-stage sampling, Snedecor & Cochran 1989, Statistical Methods, 13.3; from memory).
    #[test]
    fn pens_share_what_they_differ_by() {
        let target = Target {
            what: Estimand::Value(Quantity::Term(0)),
            name: "A".to_owned(),
            unit: "g".to_owned(),
            strains: vec![0],
            value: 1500.0,
            truth: 1500.0,
            between_pens: 1500.0 * 1500.0,
        };
        let (birds, per_group) = (24, 4);
        let allocation = Allocation {
            groups: 2,
            pens: Some(Pens {
                per_group,
                sd: 0.03,
            }),
        };
        let found = allocation.standard_error(&target, 90.0 * 90.0, birds);
        let expected = (90.0_f64 * 90.0 / 24.0 + 45.0 * 45.0 / 4.0).sqrt();
        assert!((found - expected).abs() < 1e-10, "{found} {expected}");
        assert!((allocation.degrees_of_freedom(birds) - 6.0).abs() < 1e-12);
        let by_birds = Allocation::of_birds(2);
        assert_eq!((allocation.least_birds(), by_birds.least_birds()), (8, 2));
        let pens = allocation.pen_of_birds(9).expect("pens");
        assert_eq!(pens[..9], [0, 1, 2, 3, 0, 1, 2, 3, 0]);
        assert_eq!(pens[9..], [4, 5, 6, 7, 4, 5, 6, 7, 4]);
        assert!((by_birds.degrees_of_freedom(birds) - 46.0).abs() < 1e-12);
    }
}
