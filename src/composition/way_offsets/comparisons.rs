//! Which readings compare ways: birds' days that share scans.

use std::collections::BTreeMap;

use super::{FEWEST_COMPARISONS, WayReading};

/// Birds' days that share scans, and these.
#[derive(Debug, Clone)]
pub(super) struct Block {
    pub(super) readings: Vec<WayReading>,
    /// Place of each among all readings.
    pub(super) places: Vec<usize>,
    pub(super) mu: Vec<f64>,
}

/// Blocks of the readings that carry information, and the comparisons of each way.
pub(super) fn comparable(readings: &[WayReading], ways: usize) -> (Vec<Block>, Vec<usize>) {
    let mut rows: Vec<(usize, &WayReading)> = readings.iter().enumerate().collect();
    let mut first_comparisons = None;
    loop {
        let mut single = BTreeMap::new();
        for (_, row) in rows.iter().filter(|(_, row)| row.subjects.len() == 1) {
            *single.entry(row.subjects[0]).or_insert(0) += 1;
        }
        rows.retain(|(_, row)| row.subjects.iter().all(|bird| single.contains_key(bird)));
        let blocks = blocks(&rows);
        let comparisons: Vec<usize> = (0..ways).map(|way| count(&blocks, way)).collect();
        let first = first_comparisons.get_or_insert_with(|| comparisons.clone());
        let joined = joined_to_reference(&blocks, ways);
        let stays =
            |way: usize| way == 0 || (comparisons[way] >= FEWEST_COMPARISONS && joined[way]);
        if rows.iter().all(|(_, row)| stays(row.way)) {
            return (blocks, first.clone());
        }
        rows.retain(|(_, row)| stays(row.way));
    }
}

/// Blocks in which a way stands beside another.
pub(super) fn count(blocks: &[Block], way: usize) -> usize {
    let both = |block: &&Block| {
        let has = |same: bool| block.readings.iter().any(|row| (row.way == way) == same);
        has(true) && has(false)
    };
    blocks.iter().filter(both).count()
}

/// The ways that a chain of comparisons joins to the reference.
fn joined_to_reference(blocks: &[Block], ways: usize) -> Vec<bool> {
    let mut joined = vec![false; ways];
    joined[0] = true;
    loop {
        let before = joined.clone();
        for block in blocks {
            if block.readings.iter().any(|row| joined[row.way]) {
                for row in &block.readings {
                    joined[row.way] = true;
                }
            }
        }
        if joined == before {
            return joined;
        }
    }
}

/// Readings by the birds' days that they share, renumbered; those that determine
/// nothing but their birds left out.
fn blocks(rows: &[(usize, &WayReading)]) -> Vec<Block> {
    let mut home: BTreeMap<usize, usize> = BTreeMap::new();
    fn root(home: &BTreeMap<usize, usize>, mut bird: usize) -> usize {
        while home[&bird] != bird {
            bird = home[&bird];
        }
        bird
    }
    for (_, row) in rows {
        for bird in &row.subjects {
            home.entry(*bird).or_insert(*bird);
        }
        let first = root(&home, row.subjects[0]);
        for bird in &row.subjects[1..] {
            let other = root(&home, *bird);
            home.insert(other, first);
        }
    }
    let mut grouped: BTreeMap<usize, Vec<(usize, &WayReading)>> = BTreeMap::new();
    for (place, row) in rows {
        let of = root(&home, row.subjects[0]);
        grouped.entry(of).or_default().push((*place, row));
    }
    let blocks = grouped.into_values().filter_map(|rows| {
        let mut numbers = BTreeMap::new();
        for bird in rows.iter().flat_map(|(_, row)| &row.subjects) {
            let next = numbers.len();
            numbers.entry(*bird).or_insert(next);
        }
        if rows.len() <= numbers.len() {
            return None;
        }
        let mut sums = vec![(0.0, 0.0); numbers.len()];
        let readings: Vec<WayReading> = rows
            .iter()
            .map(|(_, row)| WayReading {
                subjects: row.subjects.iter().map(|bird| numbers[bird]).collect(),
                ..(**row).clone()
            })
            .collect();
        for row in readings.iter().filter(|row| row.subjects.len() == 1) {
            sums[row.subjects[0]].0 += row.value;
            sums[row.subjects[0]].1 += 1.0;
        }
        Some(Block {
            readings,
            places: rows.iter().map(|(place, _)| *place).collect(),
            mu: sums.iter().map(|(sum, n)| sum / n).collect(),
        })
    });
    blocks.collect()
}
