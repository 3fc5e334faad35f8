//! The `moves` table: bird, date or age_d, from_pen, to_pen.
//!
//! A bird is in the new pen from the day of the move on, so that a weighing on that day is one of
//! the new pen. Where a step of the analysis takes one pen a bird ([`Bird::pen`](super::Bird)),
//! it is the one in which the bird spent most of its days between its first and last weighing.

use super::Study;
use super::decimal_mark::{self, NumberColumn};
use super::faults::{Faults, Place, nearest, quoted};
use super::header::Header;
use super::judge;
use super::read::{Dates, Register};
use super::row_age::{AgeColumns, AgeReader};

/// A bird moved to another pen.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Move {
    /// Index into [`Study::birds`].
    pub bird: usize,
    /// Age from which it is in the new pen, d.
    pub age_d: f64,
    /// The pen before, an index into [`Study::pens`].
    pub from: usize,
    /// The pen from then on.
    pub to: usize,
    /// The row in the table.
    pub row: u32,
}

/// Enters the moves, by bird and age.
pub(crate) fn read(
    header: &Header<'_>,
    dates: &Dates,
    register: &mut Register,
    faults: &mut Faults,
) {
    let before = faults.count();
    let bird_column = header.required("bird", faults);
    let from_column = header.required("from_pen", faults);
    let to_column = header.required("to_pen", faults);
    let columns = AgeColumns::of(header, faults);
    let (Some(bird_column), Some(from_column), Some(to_column)) =
        (bird_column, from_column, to_column)
    else {
        judge::rows(header, faults);
        return;
    };
    if faults.count() > before {
        judge::rows(header, faults);
        return;
    }
    let numbers: Vec<NumberColumn> = columns.number().into_iter().collect();
    let ages = AgeReader {
        columns,
        mark: decimal_mark::of(header.table, &numbers, faults),
        dates,
        advice: "give the age in age_d, or the bird's day of hatch",
    };
    let mut moves: Vec<Move> = Vec::new();
    let mut new_pens: Vec<String> = Vec::new();
    let mut rows = header.table.rows();
    while rows.next(faults).is_some() {
        let at = faults.count();
        let name = rows.word(bird_column, "a bird's name", faults);
        let bird = name.and_then(|name| register.known_bird(name, &rows, bird_column, faults));
        let from = rows.word(from_column, "the pen before", faults);
        let from = from.map(str::to_owned);
        let to = rows.word(to_column, "the pen from then on", faults);
        let to = to.map(str::to_owned);
        let hatch = bird.map(|bird| dates.hatch_of(register.study.birds[bird].hatch_date));
        let age_d = ages.read(&rows, || hatch.flatten(), faults);
        let (Some(bird), Some(from), Some(to), Some(age_d), true) =
            (bird, from, to, age_d, faults.count() == at)
        else {
            continue;
        };
        if from == to {
            faults.add(
                rows.place(to_column),
                format!("a move from {} to the same pen", quoted(&from)),
                "another pen",
                "correct the pen or remove the row",
            );
            continue;
        }
        let Some(from) = register.known_pen(&from) else {
            unknown_pen(&from, rows.place(from_column), &register.study.pens, faults);
            continue;
        };
        if register.known_pen(&to).is_none() && !new_pens.contains(&to) {
            new_pens.push(to.clone());
        }
        let to = register.pen(&to);
        let same_day = moves
            .iter()
            .find(|one| one.bird == bird && (one.age_d - age_d).abs() < 1e-9);
        if let Some(first) = same_day {
            let name = &register.study.birds[bird].name;
            faults.add(
                rows.place(bird_column),
                format!(
                    "a second move of bird {name} at {age_d} d, as in row {}",
                    first.row
                ),
                "one move of a bird on a day",
                "write one row from the first pen to the last",
            );
            continue;
        }
        moves.push(Move {
            bird,
            age_d,
            from,
            to,
            row: rows.row,
        });
    }
    if !new_pens.is_empty() {
        register.study.warnings.push(format!(
            "{}: birds are moved to pens that no other table names ({}): correct the name where one of these is a pen of the study",
            header.table.file,
            new_pens.join(", ")
        ));
    }
    moves.sort_by(|a, b| a.bird.cmp(&b.bird).then(a.age_d.total_cmp(&b.age_d)));
    follow(&moves, (header, from_column), &mut register.study, faults);
    register.study.moves = moves;
}

/// The fault of a pen that houses no bird.
fn unknown_pen(name: &str, place: Place, pens: &[String], faults: &mut Faults) {
    let advice = match nearest(name, pens.iter().map(String::as_str)) {
        Some(near) => format!("perhaps {near} is meant"),
        None => "correct the pen".to_owned(),
    };
    faults.add(place, quoted(name), "a pen that houses birds", advice);
}

/// Holds the pens that birds are moved out of against those in which they are.
fn follow(
    moves: &[Move],
    (header, from_column): (&Header<'_>, usize),
    study: &mut Study,
    faults: &mut Faults,
) {
    for own in moves.chunk_by(|a, b| a.bird == b.bird) {
        let what = &mut study.birds[own[0].bird];
        let mut pen = *what.pen.get_or_insert(own[0].from);
        let name = what.name.clone();
        for one in own {
            if one.from != pen {
                let pens = &study.pens;
                faults.add(
                    Place::cell(
                        &header.table.file,
                        one.row,
                        &header.table.headers[from_column],
                    ),
                    format!(
                        "bird {name} moved out of pen {} at {} d",
                        pens[one.from], one.age_d
                    ),
                    format!(
                        "pen {}, in which the bird is by the other rows and tables",
                        pens[pen]
                    ),
                    "correct the pen, or add the move that is missing",
                );
            }
            pen = one.to;
        }
    }
}

impl Study {
    /// The pen of a bird at an age: that of its last move by then.
    #[must_use]
    pub fn pen_at(&self, bird: usize, age_d: f64) -> Option<usize> {
        let own = self.moves_of(bird);
        match own.partition_point(|one| one.age_d <= age_d) {
            0 => own
                .first()
                .map_or(self.birds[bird].pen, |one| Some(one.from)),
            after => Some(own[after - 1].to),
        }
    }

    /// The moves of a bird, by age.
    #[must_use]
    pub fn moves_of(&self, bird: usize) -> &[Move] {
        let first = self.moves.partition_point(|one| one.bird < bird);
        let end = self.moves.partition_point(|one| one.bird <= bird);
        &self.moves[first..end]
    }

    /// Birds that were moved.
    #[must_use]
    pub fn birds_moved(&self) -> usize {
        self.moves.chunk_by(|a, b| a.bird == b.bird).count()
    }

    /// Warns of moves between treatments, and settles the pens of birds that were moved.
    pub(in crate::study) fn settle_moves(&mut self) {
        self.warn_of_moves();
        self.settle_pens();
    }

    /// Takes for the pen of each bird that was moved the one in which it spent most days
    /// between its first and last weighing; of equals the first.
    pub(in crate::study) fn settle_pens(&mut self) {
        for bird in 0..self.birds.len() {
            if self.moves_of(bird).is_empty() {
                continue;
            }
            let ages = self.traits.iter().map(|records| records.of(bird).0);
            let ages = ages.flatten().copied();
            let (first_d, last_d) = ages.fold((f64::INFINITY, f64::NEG_INFINITY), |ends, age_d| {
                (ends.0.min(age_d), ends.1.max(age_d))
            });
            if first_d > last_d {
                self.birds[bird].pen = self.pen_at(bird, 0.0);
                continue;
            }
            let between = self.moves_of(bird).iter();
            let between = between.filter(|one| one.age_d > first_d && one.age_d < last_d);
            let mut starts = vec![(first_d, self.pen_at(bird, first_d))];
            starts.extend(between.map(|one| (one.age_d, Some(one.to))));
            let mut days: Vec<(Option<usize>, f64)> = Vec::new();
            for (place, (start_d, pen)) in starts.iter().enumerate() {
                let end_d = starts.get(place + 1).map_or(last_d, |next| next.0);
                match days.iter_mut().find(|known| known.0 == *pen) {
                    Some(known) => known.1 += end_d - start_d,
                    None => days.push((*pen, end_d - start_d)),
                }
            }
            let mut most = days[0];
            for one in &days[1..] {
                if one.1 > most.1 {
                    most = *one;
                }
            }
            self.birds[bird].pen = most.0;
        }
    }

    /// Birds that were in a pen of another treatment than their own, as far as the birds that
    /// began there all have one.
    fn moved_between_treatments(&self) -> Vec<&Move> {
        let mut of_pen: Vec<Option<Option<usize>>> = vec![None; self.pens.len()];
        for (bird, what) in self.birds.iter().enumerate() {
            let Some(pen) = self.pen_at(bird, 0.0) else {
                continue;
            };
            of_pen[pen] = match of_pen[pen] {
                None => Some(what.treatment),
                Some(known) if known == what.treatment => Some(known),
                Some(_) => Some(None),
            };
        }
        let other = |one: &&Move| {
            let own = self.birds[one.bird].treatment;
            let there = of_pen[one.to].flatten();
            own.is_some() && there.is_some() && own != there
        };
        self.moves.iter().filter(other).collect()
    }
}

impl Study {
    /// Warns of birds moved into pens of another treatment, once for all.
    fn warn_of_moves(&mut self) {
        let across = self.moved_between_treatments();
        let Some(first) = across.first() else {
            return;
        };
        let what = format!(
            "moves: {} into a pen of another treatment (first: bird {} at {} d, pen {}, row {}); each bird stays in the treatment of the table of birds",
            match across.len() {
                1 => "1 move".to_owned(),
                n => format!("{n} moves"),
            },
            self.birds[first.bird].name,
            first.age_d,
            self.pens[first.to],
            first.row
        );
        self.warnings.push(what);
    }
}
