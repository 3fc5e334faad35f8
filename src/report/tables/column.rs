//! A table as it is declared: columns over a type of row.

use std::borrow::Cow;

use crate::report::Table;
use crate::report::table::{Row, Shelf};

/// What a column is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Column {
    /// Its name in the header.
    pub name: &'static str,
    /// Unit of its numbers: `g`, `d`, `%`, `1` for a number without unit, `see unit` where
    /// the column `unit` has it; empty for words.
    pub unit: &'static str,
    /// What it holds.
    pub meaning: &'static str,
}

/// How a cell is got from a row `R` and written.
type Write<'a, R> = Box<dyn Fn(&R, &mut Row<'_>) + Send + Sync + 'a>;

/// The columns of a table over rows of type `R`, in their order.
pub(crate) struct Columns<'a, R> {
    name: &'static str,
    about: Vec<Column>,
    write: Vec<Write<'a, R>>,
}

impl<'a, R> Columns<'a, R> {
    /// No column yet; the table's file will be `name.csv`.
    pub(super) fn new(name: &'static str) -> Self {
        Self {
            name,
            about: Vec::new(),
            write: Vec::new(),
        }
    }

    /// With one more column.
    pub(super) fn column(
        mut self,
        about: Column,
        write: impl Fn(&R, &mut Row<'_>) + Send + Sync + 'a,
    ) -> Self {
        self.about.push(about);
        self.write.push(Box::new(write));
        self
    }

    /// The table of these rows.
    pub(super) fn table(&self, rows: impl IntoIterator<Item = R>) -> Table {
        self.filled(0, |add| rows.into_iter().for_each(add))
    }

    /// The table of the rows that `rows` adds, about `expected` of them.
    pub(super) fn filled(&self, expected: usize, rows: impl FnOnce(&mut dyn FnMut(R))) -> Table {
        self.filled_on(&Shelf::default(), expected, rows)
    }

    /// The same with a shelf, on which rows wait where they are many.
    pub(super) fn filled_on(
        &self,
        shelf: &Shelf,
        expected: usize,
        rows: impl FnOnce(&mut dyn FnMut(R)),
    ) -> Table {
        let declared = Table::declared(self.name, &self.about);
        let mut table = declared.on(shelf).expecting(expected);
        rows(&mut |row| {
            let mut cells = table.row();
            for write in &self.write {
                write(&row, &mut cells);
            }
        });
        table.finished()
    }
}

/// What a cell may be got as.
pub(super) trait Value: Sized {
    /// Writes the cell.
    fn write(self, cells: &mut Row<'_>);
    /// Writes a cell of a column of such values that has none.
    fn missing(cells: &mut Row<'_>);
}

macro_rules! value {
    ($type:ty, $value:ident, $cells:ident => $write:expr, $missing:expr) => {
        impl Value for $type {
            fn write(self, $cells: &mut Row<'_>) {
                let $value = self;
                $write;
            }
            fn missing($cells: &mut Row<'_>) {
                $missing;
            }
        }
    };
}

value!(&str, words, cells => cells.text(words), cells.text(""));
value!(&String, words, cells => cells.text(words), cells.text(""));
value!(String, words, cells => cells.text(&words), cells.text(""));
value!(Cow<'_, str>, words, cells => cells.text(&words), cells.text(""));
value!(bool, is, cells => cells.text(if is { "yes" } else { "no" }), cells.text(""));
value!(f64, number, cells => cells.number(number), cells.number(None));
value!(usize, count, cells => cells.whole(count), cells.whole(None));
value!(u32, count, cells => cells.whole(count as usize), cells.whole(None));

impl<V: Value> Value for Option<V> {
    fn write(self, cells: &mut Row<'_>) {
        match self {
            Some(value) => value.write(cells),
            None => V::missing(cells),
        }
    }
    fn missing(cells: &mut Row<'_>) {
        V::missing(cells);
    }
}

/// The unit of a quantity in a column `unit`: `1` for a pure number.
pub(super) fn unit_or_one(unit: &str) -> &str {
    if unit.is_empty() { "1" } else { unit }
}

/// The columns of a table: `columns!("name", |row: Row| { column("unit", "meaning") => value,
/// ... })`. Columns that mean the same in every table have no unit and meaning beside them.
macro_rules! columns {
    ($columns:ident, |$row:tt| {
        $( $column:ident ($unit:literal, $meaning:literal) => $get:expr ),* $(,)?
    }) => {
        $columns
            $( .column(about!($column, $unit, $meaning), move |$row, cells| $crate::report::tables::column::Value::write($get, cells)) )*
    };
    ($name:literal, |$row:tt : $type:ty| {
        $( $column:ident $( ($unit:literal, $meaning:literal) )? => $get:expr ),* $(,)?
    }) => {
        {
            #[allow(unused_variables, reason = "a column may not need the row")]
            let columns = Columns::<$type>::new($name)
                $( .column(
                    about!($column $(, $unit, $meaning)?),
                    move |$row, cells| $crate::report::tables::column::Value::write($get, cells),
                ) )*;
            columns
        }
    };
}

/// A column of one table, or one that means the same in every table.
macro_rules! about {
    ($name:ident, $unit:literal, $meaning:literal) => {
        Column {
            name: stringify!($name),
            unit: $unit,
            meaning: $meaning,
        }
    };
    (level) => {
        about!(
            level,
            "",
            "what the row is about: bird, strain, pen, flock or population"
        )
    };
    (strain) => {
        about!(strain, "", "name of the strain")
    };
    (bird) => {
        about!(
            bird,
            "",
            "name of the bird; empty where the row is about more than one"
        )
    };
    (birds) => {
        about!(bird, "", "birds in the scan, joined by +")
    };
    (pen) => {
        about!(pen, "", "name of the pen")
    };
    (trait) => {
        about!(
            trait,
            "",
            "what was weighed or measured: body_weight, fat, lean, bone, or another that was calibrated, such as water or protein"
        )
    };
    (curve) => {
        about!(curve, "", "name of the growth curve")
    };
    (term) => {
        about!(term, "", "term of the curve or quantity derived from it")
    };
    (strain_a) => {
        about!(strain_a, "", "first group")
    };
    (strain_b) => {
        about!(
            strain_b,
            "",
            "second group, or mean of all (above twelve groups)"
        )
    };
    (age_d) => {
        about!(age_d, "d", "age; hatch is day 0")
    };
    (scan) => {
        about!(scan, "", "name of the scan")
    };
    (row) => {
        about!(row, "1", "row of the input table; its header is row 1")
    };
    (equation) => {
        about!(equation, "", "what the equation predicts")
    };
    (way) => {
        about!(
            way,
            "",
            "way of scanning: restraint, birds in the scan, an egg in the body"
        )
    };
    (n) => {
        about!(n, "1", "number of values or birds behind the row")
    };
    (unit) => {
        about!(unit, "", "unit of the row's numbers")
    };
    (note) => {
        about!(
            note,
            "",
            "why a cell is empty, or what to know about the row"
        )
    };
    (fit_status) => {
        about!(
            status,
            "",
            "converged, weak (a term is not supported by the data) or failed"
        )
    };
    (fit_reason) => {
        about!(reason, "", "why the fit is weak or failed")
    };
    (status) => {
        about!(
            status,
            "",
            "supported, or not estimable: the data do not determine it, and it has no numbers"
        )
    };
    (reason) => {
        about!(reason, "", "why it is not estimable")
    };
    (log_lik) => {
        about!(
            log_lik,
            "1",
            "full Gaussian log-likelihood at the maximum-likelihood variance"
        )
    };
    (aic) => {
        about!(
            aic,
            "1",
            "Akaike's information criterion; sigma counts as a parameter"
        )
    };
    (aicc) => {
        about!(aicc, "1", "AIC corrected for few observations")
    };
    (bic) => {
        about!(bic, "1", "Bayesian information criterion")
    };
    (target_g) => {
        about!(target_g, "g", "target of the strain at that age")
    };
}

pub(super) use {about, columns};
