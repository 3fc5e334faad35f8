//! Where does a flock stand among earlier flocks, saved as populations: its typical weight at its
//! last weighing against theirs at the same age.
//!
//! Of n earlier flocks k were lighter. With at least [`ENOUGH_FLOCKS`] the share k / n is given as a
//! percentile, with its exact binomial interval (Clopper CJ and Pearson ES 1934, Biometrika
//! 26:404-413): the earlier flocks are a sample of those that it could be compared with. With
//! fewer only the counts are given. The error of this flock's typical weight gives the least and
//! greatest number of flocks that it may be heavier than; that of the earlier ones, whose
//! curves rest on all their weighings, is left out.

use crate::stats::Interval;
use crate::stats::exact_share::exact_share;
use crate::study::{BODY_WEIGHT, Study};
use crate::trajectory::BirdPopulation;

/// Fewest earlier flocks of which a percentile is given.
pub const ENOUGH_FLOCKS: usize = 5;

/// A share of a saved population's records above which it is this flock itself.
const OWN_SHARE: f64 = 0.1;

/// An earlier flock of the same strain at the same age.
#[derive(Debug, Clone, PartialEq)]
pub struct EarlierFlock {
    /// The study that it was saved from, or its file.
    pub name: String,
    /// Its birds of the strain.
    pub birds: usize,
    /// Their typical weight at the age, g.
    pub typical_g: f64,
}

/// A strain of this flock among the earlier ones.
#[derive(Debug, Clone)]
pub struct AmongEarlier {
    /// Index into [`Study::strains`].
    pub strain: usize,
    /// Age of its last weighing, d.
    pub age_d: f64,
    /// Its typical weight then, g.
    pub typical_g: f64,
    /// The interval of that.
    pub interval: Interval,
    /// Target of the strain at that age, g, where there is one.
    pub target_g: Option<f64>,
    /// Earlier flocks, lightest first.
    pub earlier: Vec<EarlierFlock>,
    /// Earlier flocks that are not among these, and why.
    pub left_out: Vec<String>,
}

impl AmongEarlier {
    /// Earlier flocks that were lighter than a weight.
    fn lighter_than(&self, weight_g: f64) -> usize {
        let flocks = self.earlier.iter();
        flocks.filter(|flock| flock.typical_g < weight_g).count()
    }

    /// Earlier flocks that were lighter than this one.
    #[must_use]
    pub fn heavier_than(&self) -> usize {
        self.lighter_than(self.typical_g)
    }

    /// The least and greatest number of earlier flocks that were lighter, over the interval of
    /// this flock's typical weight.
    #[must_use]
    pub fn heavier_than_range(&self) -> (usize, usize) {
        let Interval { lower, upper } = self.interval;
        (self.lighter_than(lower), self.lighter_than(upper))
    }

    /// The percentile among the earlier flocks and its interval, percent; `None` with fewer than
    /// [`ENOUGH_FLOCKS`].
    #[must_use]
    pub fn percentile(&self, confidence: f64) -> Option<(f64, Interval)> {
        let n = self.earlier.len();
        (n >= ENOUGH_FLOCKS).then(|| {
            let k = self.heavier_than();
            let share = 100.0 * k as f64 / n as f64;
            let limits = exact_share(k, n, confidence);
            let interval = Interval {
                lower: 100.0 * limits.lower,
                upper: 100.0 * limits.upper,
            };
            (share, interval)
        })
    }

    /// How far an earlier flock, or this one, is from the target, percent.
    #[must_use]
    pub fn deviation_pct(&self, weight_g: f64) -> Option<f64> {
        self.target_g
            .map(|target_g| 100.0 * (weight_g / target_g - 1.0))
    }
}

/// A strain's typical weight at an age, as this flock's model has it.
#[derive(Debug, Clone, Copy)]
pub struct TypicalWeight {
    /// Index into [`Study::strains`].
    pub strain: usize,
    /// Age, d.
    pub age_d: f64,
    /// Weight, g.
    pub value_g: f64,
    /// Its interval.
    pub interval: Interval,
    /// Target at that age, g.
    pub target_g: Option<f64>,
}

/// Each strain among the earlier flocks that have it at that age.
#[must_use]
pub fn among_earlier(
    study: &Study,
    own: &[TypicalWeight],
    populations: &[BirdPopulation],
) -> Vec<AmongEarlier> {
    let strains = own.iter().map(|own| {
        let mut among = AmongEarlier {
            strain: own.strain,
            age_d: own.age_d,
            typical_g: own.value_g,
            interval: own.interval,
            target_g: own.target_g,
            earlier: Vec::new(),
            left_out: Vec::new(),
        };
        for population in populations {
            match at_age(study, population, (&study.strains[own.strain], own.age_d)) {
                Ok(flock) => among.earlier.push(flock),
                Err(reason) => among.left_out.push(reason),
            }
        }
        let flocks = &mut among.earlier;
        flocks.sort_by(|a, b| a.typical_g.total_cmp(&b.typical_g));
        among
    });
    strains.collect()
}

/// The typical weight of a strain of a saved population at an age, or why there is none.
fn at_age(
    study: &Study,
    population: &BirdPopulation,
    (strain, age_d): (&str, f64),
) -> Result<EarlierFlock, String> {
    let file = &population.file;
    let origin = &population.origin;
    if origin.trait_name != BODY_WEIGHT {
        return Err(format!("{file}: it is of {}", origin.trait_name));
    }
    let records = study.traits.iter().find(|one| one.name == BODY_WEIGHT);
    if records.is_some_and(|own| origin.fingerprint.share_in(study, own) > OWN_SHARE) {
        return Err(format!(
            "{file}: its weighings are among those of this flock"
        ));
    }
    let mut groups = population.groups.iter().enumerate();
    let Some((group, known)) = groups.find(|(_, group)| group.name == strain) else {
        return Err(format!("{file}: it has no birds of strain {strain}"));
    };
    if !(known.first_age_d..=known.last_age_d).contains(&age_d) {
        return Err(format!(
            "{file}: strain {strain} was weighed from {} to {} d, not at {age_d} d",
            known.first_age_d, known.last_age_d
        ));
    }
    let of = &population.population;
    let typical_g = of.curve().value(age_d, &of.group_terms(group));
    if !(typical_g > 0.0 && typical_g.is_finite()) {
        return Err(format!("{file}: its curve has no weight at {age_d} d"));
    }
    Ok(EarlierFlock {
        name: if origin.study.is_empty() {
            file.clone()
        } else {
            origin.study.clone()
        },
        birds: known.birds,
        typical_g,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn among(earlier: &[f64]) -> AmongEarlier {
        AmongEarlier {
            strain: 0,
            age_d: 112.0,
            typical_g: 1300.0,
            interval: Interval {
                lower: 1280.0,
                upper: 1320.0,
            },
            target_g: Some(1250.0),
            earlier: earlier
                .iter()
                .map(|typical_g| EarlierFlock {
                    name: String::new(),
                    birds: 30,
                    typical_g: *typical_g,
                })
                .collect(),
            left_out: Vec::new(),
        }
    }

    /// R 4.2.2: `binom.test(5, 7)$conf.int`, `binom.test(6, 6)$conf.int`.
    #[test]
    fn percentiles_have_the_exact_interval_of_r() {
        let weights = [1200.0, 1240.0, 1290.0, 1285.0, 1250.0, 1310.0, 1400.0];
        let found = among(&weights);
        assert_eq!(found.heavier_than(), 5);
        assert_eq!(found.heavier_than_range(), (3, 6));
        let (share, interval) = found.percentile(0.95).unwrap();
        assert!((share - 500.0 / 7.0).abs() < 1e-9);
        assert!((interval.lower - 29.042_09).abs() < 1e-4, "{interval:?}");
        assert!((interval.upper - 96.330_74).abs() < 1e-4, "{interval:?}");
        let all = among(&[1000.0; 6]).percentile(0.95).unwrap().1;
        assert!((all.lower - 54.074_19).abs() < 1e-4, "{all:?}");
        assert!((all.upper - 100.0).abs() < 1e-9);
        assert!(among(&[1000.0; 4]).percentile(0.95).is_none(), "too few");
        assert!((found.deviation_pct(1300.0).unwrap() - 4.0).abs() < 1e-9);
    }
}
