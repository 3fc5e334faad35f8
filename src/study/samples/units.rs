//! What unnamed birds were sampled from, put together from all that is known of it.

use std::collections::BTreeSet;

use super::super::faults::{Faults, Place, listed, nearest, quoted};
use super::super::read::{Dates, ONE_STRAIN, Register};
use super::super::table::Rows;
use super::layout::Layout;
use super::{Kept, SampledUnit};

/// A strain not yet known while tables are being read.
pub(super) const NO_STRAIN: usize = usize::MAX;

/// The unit that a row names, entered where it is new; `None` where a fault hides it.
pub(super) fn of_row(
    layout: &Layout,
    rows: &Rows<'_>,
    (dates, register): (&Dates, &mut Register),
    faults: &mut Faults,
) -> Option<usize> {
    let pen_name = rows.optional_word(layout.pen);
    let house_name = rows.optional_word(layout.house);
    if let (Some(column), None) = (layout.pen, pen_name) {
        rows.word(column, "a pen's name", faults);
        return None;
    }
    if let (Some(name), Some(column)) = (pen_name, layout.pen)
        && !is_known(register, name)
    {
        unknown_pen(register, name, rows.place(column), faults);
        return None;
    }
    let before = faults.count();
    let strain = rows
        .optional_word(layout.strain)
        .map(|name| register.strain(name));
    let treatment = rows
        .optional_word(layout.treatment)
        .map(|name| register.treatment(name));
    let pen = pen_name.map(|name| register.pen(name));
    let house = house_name.map(|name| register.house(name));
    let hatch_date = match layout.hatch {
        Some(column) if rows.optional_word(layout.hatch).is_some() => {
            Some(dates.cell(rows, column, faults)?)
        }
        _ => None,
    };
    let stated = Kept {
        pen,
        house,
        strain,
        treatment,
        hatch_date,
        ..Kept::default()
    };
    let known = register
        .kept(pen, house)
        .map(|at| register.study.kept[at].clone());
    let place = layout
        .pen
        .or(layout.house)
        .map_or_else(|| rows.whole_place(), |c| rows.place(c));
    let unit = joined(register, &stated, known.as_ref(), &place, faults);
    if faults.count() > before {
        return None;
    }
    let units = &mut register.study.samples.units;
    let same = |other: &SampledUnit| match unit.pen {
        Some(_) => other.pen == unit.pen,
        None => {
            (other.pen, other.house, other.strain, other.treatment)
                == (None, unit.house, unit.strain, unit.treatment)
        }
    };
    if let Some(at) = units.iter().position(same) {
        let other = &units[at];
        let differs = (other.strain, other.house, other.treatment, other.hatch_date)
            != (unit.strain, unit.house, unit.treatment, unit.hatch_date);
        if differs {
            faults.add(
                place,
                format!(
                    "{} with another strain, house, treatment or day of hatch than before",
                    quoted(pen_name.or(house_name).unwrap_or("the flock"))
                ),
                "a pen with one strain, house, treatment and day of hatch",
                "correct the row; pens of two houses need different names, such as A-1 and B-1",
            );
            return None;
        }
        return Some(at);
    }
    units.push(unit);
    Some(units.len() - 1)
}

/// Whether the study has a pen of that name, or has no pens at all.
fn is_known(register: &Register, name: &str) -> bool {
    let of_table = register.study.kept.iter().any(|kept| kept.pen.is_some());
    let Some(pen) = register.known_pen(name) else {
        return !of_table && register.study.birds.iter().all(|bird| bird.pen.is_none());
    };
    let has = |kept: &Kept| kept.pen == Some(pen);
    !of_table || register.study.kept.iter().any(has)
}

fn unknown_pen(register: &mut Register, name: &str, place: Place, faults: &mut Faults) {
    if !register.first_of_unknown_pen(name) {
        return;
    }
    let of_table = register.study.kept.iter().any(|kept| kept.pen.is_some());
    let table = if of_table { "pens" } else { "birds" };
    let pens = register.study.pens.iter().map(String::as_str);
    let near = match nearest(name, pens) {
        Some(near) => format!("perhaps {near} is meant; otherwise "),
        None => String::new(),
    };
    let advice = if of_table {
        format!("{near}add the pen to the pens table")
    } else {
        format!("{near}write a table pens (pen, strain, house, birds) with all pens")
    };
    faults.add(
        place,
        format!("pen {}", quoted(name)),
        format!(
            "a pen of the {table} table ({})",
            listed(&register.study.pens)
        ),
        advice,
    );
}

/// Entries of a row, completed from its pen or house.
fn joined(
    register: &Register,
    stated: &Kept,
    known: Option<&Kept>,
    place: &Place,
    faults: &mut Faults,
) -> SampledUnit {
    let none = Kept::default();
    let known = known.unwrap_or(&none);
    let mut clash = |what: &str, one: Option<usize>, other: Option<usize>, names: &[String]| {
        if let (Some(one), Some(other)) = (one, other)
            && one != other
        {
            faults.add(
                place.clone(),
                format!("{what} {}", quoted(&names[one])),
                format!("{} as in the pens table", quoted(&names[other])),
                "correct one of the two tables",
            );
        }
    };
    let study = &register.study;
    clash("strain", stated.strain, known.strain, &study.strains);
    clash("house", stated.house, known.house, &study.houses);
    clash(
        "treatment",
        stated.treatment,
        known.treatment,
        &study.treatments,
    );
    let of_pen = |bird: &&super::super::Bird| stated.pen.is_some() && bird.pen == stated.pen;
    let ringed = || study.birds.iter().filter(of_pen);
    // What all ringed birds of the pen have in common is the pen's.
    let common = |of: fn(&super::super::Bird) -> Option<usize>| {
        let found: BTreeSet<Option<usize>> = ringed().map(of).collect();
        (found.len() == 1)
            .then(|| found.into_iter().next().flatten())
            .flatten()
    };
    let hatches: BTreeSet<_> = ringed().map(|bird| bird.hatch_date).collect();
    let hatch = (hatches.len() == 1)
        .then(|| hatches.into_iter().next().flatten())
        .flatten();
    let strain_of = |bird: &super::super::Bird| Some(bird.strain).filter(|one| *one != NO_STRAIN);
    SampledUnit {
        strain: stated
            .strain
            .or(known.strain)
            .or(common(strain_of))
            .unwrap_or(NO_STRAIN),
        pen: stated.pen,
        house: stated.house.or(known.house),
        treatment: stated
            .treatment
            .or(known.treatment)
            .or(common(|bird| bird.treatment)),
        block: known.block.or(common(|bird| bird.block)),
        hatch_date: stated.hatch_date.or(known.hatch_date).or(hatch),
        birds: known.birds,
    }
}

/// Gives units without a strain the one strain of the study; a fault where there are several.
pub(crate) fn settle(register: &mut Register, faults: &mut Faults) {
    let units = &register.study.samples.units;
    let Some(without) = units.iter().find(|unit| unit.strain == NO_STRAIN) else {
        return;
    };
    let strain = match register.study.strains.as_slice() {
        [] => register.strain(ONE_STRAIN),
        [_] => 0,
        several => {
            let files = &register.study.samples.files;
            let which = without.pen.map_or_else(
                || "unnamed birds".to_owned(),
                |pen| format!("pen {}", quoted(&register.study.pens[pen])),
            );
            faults.add(
                Place::file(files.first().map_or("weighings", String::as_str)),
                format!(
                    "{which} without a strain, in a study of {}",
                    listed(several)
                ),
                "a strain for every pen",
                "give the strain in a table pens (pen, strain), or in a column strain",
            );
            0
        }
    };
    for unit in &mut register.study.samples.units {
        if unit.strain == NO_STRAIN {
            unit.strain = strain;
        }
    }
}
