//! Which columns of a table of unnamed birds hold what.

use super::super::columns::Columns;
use super::super::decimal_mark::NumberColumn;
use super::super::faults::{Faults, Place, listed};
use super::super::header::{Header, Measure, Voice};
use super::super::units::{AgeUnit, MassUnit};

/// Where the columns stand.
pub(super) struct Layout {
    pub(super) pen: Option<usize>,
    pub(super) house: Option<usize>,
    pub(super) strain: Option<usize>,
    pub(super) treatment: Option<usize>,
    pub(super) hatch: Option<usize>,
    pub(super) time: Time,
    pub(super) what: What,
}

/// How a row gives its age.
#[derive(Clone, Copy)]
pub(super) enum Time {
    Age(Measure<AgeUnit>),
    Date(usize),
}

/// What a row weighs.
#[derive(Clone, Copy)]
pub(super) enum What {
    /// One bird.
    Each(Measure<MassUnit>),
    /// Several at once.
    Together {
        birds: usize,
        mean: Option<Measure<MassUnit>>,
        total: Option<Measure<MassUnit>>,
        sd: Option<Measure<MassUnit>>,
        cv_pct: Option<usize>,
    },
}

/// Whether a table of weighings is one of unnamed birds: in a study folder, where no column names
/// the birds but one the pen or the house, or where the study has no table of birds; of a bare
/// table, where the call declares it or its columns are those of birds weighed together.
pub(crate) fn is_sample_table(header: &Header<'_>, columns: &Columns, has_birds: bool) -> bool {
    if header.table.is_wide() {
        return false;
    }
    let mut ignored = Faults::default();
    let has_bird = header.optional("bird", &mut ignored).is_some() || ignored.count() > 0;
    match header.voice {
        Voice::StudyFile => !has_bird && (has_place(header, has_birds) || is_together(header)),
        Voice::Options => columns.sample || (!has_bird && is_together(header)),
    }
}

/// Whether the header has what only unnamed birds need: a pen or a house beside the weight. In a
/// study without a table of birds a weight is enough, unless a column may name the birds: then a
/// fault reports that none does.
fn has_place(header: &Header<'_>, has_birds: bool) -> bool {
    let mut ignored = Faults::default();
    let weight = header.masses("weight", &mut ignored).is_some();
    let mut has = |stem: &str| header.optional(stem, &mut ignored).is_some();
    let place = has("pen") || has("house");
    let near_bird = header.table.headers.iter().any(|name| {
        let name = name.to_lowercase();
        let words = ["ring", "band", "tag", "bird", "animal", "name"];
        words.iter().any(|word| name.contains(word)) || name == "id"
    });
    weight && (place || !has_birds) && !near_bird
}

fn is_together(header: &Header<'_>) -> bool {
    let mut ignored = Faults::default();
    let mut has = |stem: &str| header.optional(stem, &mut ignored).is_some();
    has("birds") && (has("mean") || has("total"))
}

impl Layout {
    pub(super) fn find(
        header: &Header<'_>,
        columns: &Columns,
        faults: &mut Faults,
    ) -> Option<Self> {
        let before = faults.count();
        let bare = header.voice == Voice::Options;
        if let Some(bird) = header.optional("bird", faults) {
            faults.add(
                Place::column(&header.table.file, &header.table.headers[bird]),
                "a column that names the birds, with --sample",
                "rows of unnamed birds",
                "leave out --sample, or the column",
            );
            return None;
        }
        let age = if columns.date.is_some() {
            None
        } else {
            header.ages("age", faults)
        };
        let time = match age {
            Some(age) => Some(Time::Age(age)),
            None if faults.count() > before => None,
            None => header.optional("date", faults).map(Time::Date),
        };
        if time.is_none() && faults.count() == before {
            header.missing(&["age", "date"], faults);
        }
        let what = Self::what(header, faults);
        let strain = (!bare || columns.has_groups()).then(|| header.optional("strain", faults));
        Some(Self {
            pen: header.optional("pen", faults),
            house: header.optional("house", faults),
            strain: strain.flatten(),
            treatment: header.optional("treatment", faults),
            hatch: header.optional("hatch_date", faults),
            time: time?,
            what: what?,
        })
    }

    fn what(header: &Header<'_>, faults: &mut Faults) -> Option<What> {
        let before = faults.count();
        let birds = header.optional("birds", faults);
        let (mean, total) = (
            header.masses("mean", faults),
            header.masses("total", faults),
        );
        if faults.count() > before {
            return None;
        }
        let (Some(birds), true) = (birds, mean.is_some() || total.is_some()) else {
            if birds.is_some() {
                let headers = listed(&header.table.headers);
                faults.add(
                    header.table.header_place(),
                    format!("the headers {headers}"),
                    "beside the number of birds their weight: a column mean_g or total_g",
                    format!("name the column {}", how(header, "mean_g or total_g")),
                );
                return None;
            }
            return header.required_masses("weight", faults).map(What::Each);
        };
        Some(What::Together {
            birds,
            mean,
            total,
            sd: header.masses("sd", faults),
            cv_pct: header.optional("cv_pct", faults),
        })
    }

    /// All columns that are read.
    pub(super) fn columns(&self) -> Vec<usize> {
        let mut columns: Vec<usize> = self
            .number_columns()
            .iter()
            .map(|column| column.index)
            .collect();
        if let Time::Date(date) = self.time {
            columns.push(date);
        }
        let named = [
            self.pen,
            self.house,
            self.strain,
            self.treatment,
            self.hatch,
        ];
        columns.extend(named.into_iter().flatten());
        columns
    }

    pub(super) fn number_columns(&self) -> Vec<NumberColumn> {
        let mut columns = Vec::new();
        if let Time::Age(age) = self.time {
            columns.push(age.into());
        }
        match self.what {
            What::Each(weight) => columns.push(weight.into()),
            What::Together {
                birds,
                mean,
                total,
                sd,
                cv_pct,
            } => {
                columns.push(NumberColumn::plain(birds));
                let masses = [mean, total, sd].into_iter().flatten();
                columns.extend(masses.map(NumberColumn::from));
                columns.extend(cv_pct.map(NumberColumn::plain));
            }
        }
        columns
    }
}

/// Where a user names a column.
fn how(header: &Header<'_>, names: &str) -> String {
    match header.voice {
        Voice::StudyFile => format!(
            "{names} under [columns.{}] in study.toml",
            header.name.key()
        ),
        Voice::Options => format!("{names} in the table"),
    }
}
