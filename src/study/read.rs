//! From settings to a study: the tables in their order, and the register of
//! names that they share.

use std::collections::{HashMap, HashSet};
use std::num::NonZeroU32;
use std::path::Path;

use chrono::NaiveDate;

use super::columns::{BODY_WEIGHT, Columns, Values};
use super::faults::{Faults, Place, nearest, quoted};
use super::format::{Format, Writing};
use super::header::{Header, Voice};
use super::settings::{Files, Settings, TableName};
use super::stream::{LongTable, Reading};
use super::table::{Rows, Table};
use super::units::DateFormat;
use super::{
    Bird, Kept, Records, Study, birds, chemistry, eggs, events, light, moves, names, onset,
    phantom, samples, scan, stream, targets, weighings,
};

/// The strain of birds that no table gives one.
pub(crate) const ONE_STRAIN: &str = "all";
/// The subject of a table without a bird column.
pub(crate) const ONE_BIRD: &str = "one bird";
/// Tables that name birds, strains or pens of those before, in the order in which they are read.
const FURTHER: [TableName; 9] = [
    TableName::Scans,
    TableName::Chemistry,
    TableName::Targets,
    TableName::Onset,
    TableName::Events,
    TableName::Eggs,
    TableName::Light,
    TableName::Moves,
    TableName::Phantom,
];
/// A strain not yet known while tables are being read.
const NO_STRAIN: usize = usize::MAX;

/// Reads all tables; with faults, what could be read.
pub(crate) fn study(
    folder: &Path,
    settings: Settings,
    bare: Option<&Columns>,
    faults: &mut Faults,
) -> Study {
    let voice = match bare {
        Some(_) => Voice::Options,
        None => Voice::StudyFile,
    };
    let usual = DateFormat::default();
    let source = Source {
        folder,
        settings: &settings,
        date_format: settings.units.date_format.as_ref().unwrap_or(&usual),
        voice,
    };
    let dates = Dates::new(&settings, voice, faults);
    let mut register = Register::default();
    // Where birds are lost to a fault, tables that name birds are not held
    // against the rest: each such row would be a further fault.
    let mut all_known = true;
    if settings.tables.birds.is_some() {
        let table = source.open(TableName::Birds, faults);
        register.warn_of_encoding(table.as_ref());
        all_known = table.is_some_and(|table| {
            birds::read(
                &source.header(&table, TableName::Birds),
                &dates,
                &mut register,
                faults,
            )
        });
        register.closed = all_known;
    }
    read_weighings((&source, bare), &dates, &mut register, faults);
    let scans_name_birds = settings.tables.birds.is_none() && settings.tables.weighings.is_none();
    all_known &= register.closed
        || !register.study.traits.is_empty()
        || !register.study.samples.files.is_empty()
        || scans_name_birds;
    // Where the scans name the birds, or where birds were lost to a fault, a new one is none.
    register.closed = all_known && !scans_name_birds;
    register.settle_strains();
    samples::settle(&mut register, faults);
    read_stream(&source, &dates, &mut register, faults);
    for name in FURTHER {
        let tables = source.open_all(name, faults);
        let before = faults.count();
        for table in &tables {
            read_further(
                (&source, &dates),
                (name, table, tables.len() > 1),
                &mut register,
                faults,
            );
        }
        if name == TableName::Scans && !tables.is_empty() {
            register.settle_strains();
            register.closed = all_known && (!scans_name_birds || faults.count() == before);
        }
    }
    register.settle_strains();
    let mut study = register.study;
    enter_sampled_trait(&mut study, bare);
    study.settle_moves();
    let birds = study.birds.iter().map(|bird| bird.name.as_str());
    let strains = study.strains.iter().map(String::as_str);
    for (what, alike) in [
        ("bird", names::look_alikes(birds)),
        ("strain", names::look_alikes(strains)),
    ] {
        if let Some((one, other)) = alike.first() {
            let more = match alike.len() {
                1 => String::new(),
                pairs => format!(" (and {} such pairs more)", pairs - 1),
            };
            study.warnings.push(format!(
                "{what}s {} and {} differ only in letter case, spaces, or zeros in front or after a decimal point{more}: if they are \
                 one {what}, write the name alike",
                quoted(one),
                quoted(other)
            ));
        }
    }
    study.name = settings.name.clone().unwrap_or_else(|| {
        let whole = folder.canonicalize().unwrap_or_else(|_| folder.to_owned());
        whole.file_name().map_or_else(
            || "study".to_owned(),
            |name| name.to_string_lossy().into_owned(),
        )
    });
    study.values = bare.map_or(Values::BirdMasses, |columns| columns.values);
    let subject = bare.and_then(|columns| columns.subject.as_deref());
    study.subject = match study.values {
        Values::BirdMasses => "bird",
        Values::AnyNumber => subject.unwrap_or("subject"),
    }
    .to_owned();
    study.settings = settings;
    study
}

/// Reads one of the tables that name birds, strains or pens of those before.
fn read_further(
    (source, dates): (&Source<'_>, &Dates),
    (name, table, several): (TableName, &Table, bool),
    register: &mut Register,
    faults: &mut Faults,
) {
    register.warn_of_encoding(Some(table));
    let header = source.header(table, name);
    let settings = source.settings;
    match name {
        TableName::Scans => {
            register.study.scans = scan::read(&header, &settings.scans, dates, register, faults);
        }
        TableName::Chemistry => {
            register.study.chemistry = chemistry::read(
                &header,
                (&settings.chemistry, &settings.scans.readings),
                register,
                faults,
            );
        }
        TableName::Targets => targets::read(&header, several, register, faults),
        TableName::Onset => onset::read(&header, register, faults),
        TableName::Events => events::read(&header, dates, register, faults),
        TableName::Eggs => eggs::read(&header, dates, register, faults),
        TableName::Light => light::read(&header, dates, register, faults),
        TableName::Moves => moves::read(&header, dates, register, faults),
        TableName::Phantom => {
            let readings = &settings.scans.readings;
            register.study.phantom = phantom::read(&header, readings, dates, faults);
        }
        TableName::Birds | TableName::Weighings | TableName::Pens | TableName::ScaleStream => {}
    }
}

/// The trait of unnamed birds stands among the traits of the study, without individual records
/// where no ringed bird was weighed.
fn enter_sampled_trait(study: &mut Study, bare: Option<&Columns>) {
    let named = bare.and_then(|columns| columns.trait_name.clone());
    let name = named.unwrap_or_else(|| BODY_WEIGHT.to_owned());
    let known = study.traits.iter().any(|records| records.name == name);
    if study.samples.is_empty() || known {
        return;
    }
    let records = Records {
        name,
        file: study.samples.files.join(", "),
        starts: vec![0; study.birds.len() + 1],
        ..Records::default()
    };
    study.traits.insert(0, records);
}

/// Reads the table of pens and the tables of weighings, those of ringed birds before those of unnamed ones: what the
/// pens of the first are is known to the second.
fn read_weighings(
    (source, bare): (&Source<'_>, Option<&Columns>),
    dates: &Dates,
    register: &mut Register,
    faults: &mut Faults,
) {
    if let Some(table) = source.open(TableName::Pens, faults) {
        register.warn_of_encoding(Some(&table));
        let header = source.header(&table, TableName::Pens);
        samples::read_pens(&header, dates, register, faults);
    }
    let default = Columns::default();
    let columns = bare.unwrap_or(&default);
    let tables = source.open_all(TableName::Weighings, faults);
    let is_sample = |table: &&Table| {
        let header = source.header(table, TableName::Weighings);
        samples::is_sample_table(&header, columns, source.settings.tables.birds.is_some())
    };
    let (unnamed, ringed): (Vec<&Table>, Vec<&Table>) = tables.iter().partition(is_sample);
    if let [first, second, ..] = ringed.as_slice() {
        faults.add(
            second.header_place(),
            format!("a second table of ringed birds beside {}", first.file),
            "one table of weighings with birds' names, the others of unnamed birds",
            "put the rows of the two tables into one",
        );
    }
    for table in ringed.into_iter().take(1) {
        register.warn_of_encoding(Some(table));
        let header = source.header(table, TableName::Weighings);
        let records = weighings::read(&header, columns, dates, register, faults);
        register.study.traits.extend(records);
    }
    for table in unnamed {
        register.warn_of_encoding(Some(table));
        let header = source.header(table, TableName::Weighings);
        samples::read(&header, columns, dates, register, faults);
    }
}

/// Whether a bare table is one of eggs counted by pen: its header has columns `pen`, `eggs` and
/// `hens`. A table that cannot be read is none; its faults are found when it is.
pub(crate) fn is_egg_table(path: &Path) -> bool {
    let (format, dates) = (Format::default(), DateFormat::default());
    let writing = Writing {
        format: &format,
        dates: &dates,
        header_row: None,
    };
    let table = LongTable::open(path, "", &writing, &mut Faults::default());
    table.is_some_and(|table| {
        let headers = &table.head.headers;
        let has = |name: &&str| {
            headers
                .iter()
                .any(|header| header.eq_ignore_ascii_case(name))
        };
        ["pen", "eggs", "hens"].iter().all(has)
    })
}

/// Reads the records of platform scales; the pens of all birds are known by then.
fn read_stream(source: &Source<'_>, dates: &Dates, register: &mut Register, faults: &mut Faults) {
    let name = TableName::ScaleStream;
    let Some(files) = source.settings.tables.of(name) else {
        return;
    };
    let Some(file) = files.paths().first() else {
        return;
    };
    let path = source.folder.join(file);
    let writing = source.writing(name);
    let Some(table) = LongTable::open(&path, &file.display().to_string(), &writing, faults) else {
        return;
    };
    register.warn_of_encoding(Some(&table.head));
    let header = source.header(&table.head, name);
    header.check_mapping(faults);
    let Some(layout) = stream::layout(&header, faults) else {
        return;
    };
    let reading = Reading {
        settings: &source.settings.scale_stream,
        date_format: writing.dates,
        dates,
        voice: source.voice,
    };
    stream::read(table, layout, &reading, register, faults);
}

/// Where tables come from.
pub(crate) struct Source<'a> {
    pub(crate) folder: &'a Path,
    pub(crate) settings: &'a Settings,
    pub(crate) date_format: &'a DateFormat,
    pub(crate) voice: Voice,
}

impl<'a> Source<'a> {
    /// The table of that name, where the study has one and it can be read.
    fn open(&self, name: TableName, faults: &mut Faults) -> Option<Table> {
        self.open_all(name, faults).into_iter().next()
    }

    /// All tables of that name that can be read.
    fn open_all(&self, name: TableName, faults: &mut Faults) -> Vec<Table> {
        let files = self.settings.tables.of(name).iter().flat_map(Files::paths);
        files
            .filter_map(|file| self.open_file(name, file, faults))
            .collect()
    }

    fn open_file(&self, name: TableName, file: &Path, faults: &mut Faults) -> Option<Table> {
        let path = self.folder.join(file);
        let writing = self.writing(name);
        let table = Table::open(&path, &file.display().to_string(), &writing, faults)?;
        self.header(&table, name).check_mapping(faults);
        Some(table)
    }

    /// How the table of that name is written.
    pub(crate) fn writing(&self, name: TableName) -> Writing<'_> {
        Writing {
            format: &self.settings.format,
            dates: self.date_format,
            header_row: self.settings.header_row.of(name).map(NonZeroU32::get),
        }
    }

    pub(crate) fn header<'t>(&self, table: &'t Table, name: TableName) -> Header<'t>
    where
        'a: 't,
    {
        Header {
            table,
            name,
            mapping: self.settings.columns.of(name),
            units: &self.settings.units,
            declared: match name {
                TableName::Scans | TableName::Phantom => {
                    let readings = self.settings.scans.readings.keys();
                    readings.map(String::as_str).collect()
                }
                _ => Vec::new(),
            },
            voice: self.voice,
        }
    }
}

/// How dates are written, and the day of hatch that holds for all.
pub(crate) struct Dates {
    format: DateFormat,
    hatched: Option<NaiveDate>,
    /// Whether a day of hatch for all was given and could not be read: a fault
    /// reported once, and not again for each bird.
    pub(crate) hatch_lost: bool,
    voice: Voice,
}

impl Dates {
    pub(crate) fn new(settings: &Settings, voice: Voice, faults: &mut Faults) -> Self {
        let mut dates = Self {
            format: settings.units.date_format.clone().unwrap_or_default(),
            hatched: None,
            hatch_lost: false,
            voice,
        };
        if let Some(text) = &settings.hatch_date {
            dates.hatched = dates.format.parse(text.trim());
            dates.hatch_lost = dates.hatched.is_none();
            if dates.hatch_lost {
                let (place, what) = match voice {
                    Voice::StudyFile => (Place::file("study.toml"), "hatch_date"),
                    Voice::Options => (Place::file("the call"), "--hatched-on"),
                };
                faults.add(
                    place,
                    format!("{what} {}", quoted(text)),
                    format!("a date such as {}", dates.format.example()),
                    "correct it, or name the way that dates are written",
                );
            }
        }
        dates
    }

    /// Day of hatch of a bird, or that of all birds.
    pub(crate) fn hatch_of(&self, own: Option<NaiveDate>) -> Option<NaiveDate> {
        own.or(self.hatched)
    }

    /// A cell as a date, or the fault; the day and the month are never guessed.
    pub(crate) fn cell(
        &self,
        rows: &Rows<'_>,
        column: usize,
        faults: &mut Faults,
    ) -> Option<NaiveDate> {
        let cell = rows.cell(column);
        let date = self.format.parse(cell);
        if date.is_none() {
            let option = match self.voice {
                Voice::StudyFile => "date_format under [units] in study.toml",
                Voice::Options => "--date-format",
            };
            let dashes = |at| cell.as_bytes().get(at) == Some(&b'-');
            let only = self.only_format(cell);
            let advice = if let Some(only) = only {
                format!("state how dates are written: {option}; only {only} fits this one")
            } else if self.format.is_default() && cell.len() == 10 && dashes(4) && dashes(7) {
                "correct the cell: there is no such day".to_owned()
            } else if cell.parse::<f64>().is_ok() {
                "a spreadsheet's serial number: give the column a date format there and save it again".to_owned()
            } else if self.format.is_default() && cell.contains(['/', '.', '-']) {
                format!(
                    "state which is day and which is month: {option}, as in dd/mm/yyyy or mm/dd/yyyy"
                )
            } else {
                format!("correct the cell, or {option}")
            };
            faults.add(
                rows.place(column),
                quoted(cell),
                format!("a date such as {}", self.format.example()),
                advice,
            );
        }
        date
    }
}

impl Dates {
    /// The one usual way of writing dates that fits a cell, where it is one way only.
    fn only_format(&self, cell: &str) -> Option<&'static str> {
        if !self.format.is_default() {
            return None;
        }
        let mut fitting = [
            "dd/mm/yyyy",
            "mm/dd/yyyy",
            "dd.mm.yyyy",
            "dd-mm-yyyy",
            "mm-dd-yyyy",
        ]
        .into_iter()
        .filter(|format| {
            let format: Option<DateFormat> = format.parse().ok();
            format.is_some_and(|format| format.parse(cell).is_some())
        });
        let first = fitting.next()?;
        // With points the day stands first wherever dates are written so.
        fitting.next().is_none().then_some(first)
    }
}

/// Names in order of first appearance, each found at once.
#[derive(Debug, Default)]
pub(crate) struct Names {
    index: HashMap<String, usize>,
}

impl Names {
    /// The index of a name; a new one goes to the end of `list`.
    fn intern(&mut self, name: &str, list: &mut Vec<String>) -> usize {
        if let Some(index) = self.index.get(name) {
            return *index;
        }
        self.index.insert(name.to_owned(), list.len());
        list.push(name.to_owned());
        list.len() - 1
    }
}

/// The study so far, and its names.
#[derive(Debug, Default)]
pub(crate) struct Register {
    pub(crate) study: Study,
    birds: HashMap<String, usize>,
    strains: Names,
    pens: Names,
    houses: Names,
    treatments: Names,
    blocks: Names,
    /// The bird of the row before.
    last: usize,
    /// Birds whose day of hatch could not be read: a fault reported already.
    pub(crate) hatch_lost: HashSet<usize>,
    /// Whether all birds are known, so that a new one is a fault.
    pub(crate) closed: bool,
    /// Names of birds that are not known, each a fault.
    unknown: HashSet<String>,
    /// Names of pens that are not known, each a fault.
    unknown_pens: HashSet<String>,
}

impl Register {
    /// Warns of a table that was read by a guess at its encoding.
    fn warn_of_encoding(&mut self, table: Option<&Table>) {
        let warning = table.and_then(|table| table.warning.clone());
        self.study.warnings.extend(warning);
    }

    /// The bird of that name, where it is known.
    ///
    /// Tables run in blocks of one bird, or through all birds at each age: the
    /// bird of the row before and the one after it are tried before the search.
    pub(crate) fn bird(&mut self, name: &str) -> Option<usize> {
        let birds = &self.study.birds;
        let near = [self.last, self.last + 1]
            .into_iter()
            .find(|near| birds.get(*near).is_some_and(|bird| bird.name == name));
        self.last = match near {
            Some(near) => near,
            None => *self.birds.get(name)?,
        };
        Some(self.last)
    }

    /// The bird that a cell names: a known one, or a new one where not all are known.
    pub(crate) fn known_bird(
        &mut self,
        name: &str,
        rows: &Rows<'_>,
        column: usize,
        faults: &mut Faults,
    ) -> Option<usize> {
        let known = self.bird(name);
        if known.is_some() {
            return known;
        }
        if !self.closed {
            return Some(self.enter_bird(name));
        }
        self.unknown_bird(name, rows.place(column), faults);
        None
    }

    /// The fault that no bird of that name is known, once for each name.
    pub(crate) fn unknown_bird(&mut self, name: &str, place: Place, faults: &mut Faults) {
        if !self.unknown.insert(name.to_owned()) {
            return;
        }
        // The search for the nearest name walks all birds: not for every bird of a wrong table.
        let few = self.unknown.len() <= 50;
        let known = self.study.birds.iter().map(|bird| bird.name.as_str());
        let alike = known.clone().find(|other| few && names::alike(other, name));
        let near = few.then(|| nearest(name, known)).flatten();
        let advice = match (alike, near) {
            (Some(alike), _) => format!(
                "perhaps {} is meant, which differs only in letter case, spaces, or zeros in front or after a decimal point: write it alike in both tables",
                quoted(alike)
            ),
            (_, Some(near)) => {
                format!("perhaps {near} is meant; otherwise add the bird to the birds table")
            }
            _ => "add the bird to the birds table or correct its name".to_owned(),
        };
        faults.add(
            place,
            format!("bird {}", quoted(name)),
            "a bird of the study",
            advice,
        );
    }

    /// Enters a bird that is not yet known, without a strain.
    pub(crate) fn enter_bird(&mut self, name: &str) -> usize {
        let bird = self.study.birds.len();
        self.birds.insert(name.to_owned(), bird);
        self.study.birds.push(Bird {
            name: name.to_owned(),
            strain: NO_STRAIN,
            pen: None,
            treatment: None,
            block: None,
            hatch_date: None,
        });
        self.last = bird;
        bird
    }

    /// Takes in the birds of the rows that follow: the place here of each of theirs.
    /// `None` where the two disagree about a bird.
    pub(crate) fn take_in(&mut self, theirs: &Self) -> Option<Vec<u32>> {
        let name = |list: &[String], index: usize| list[index].clone();
        let place_of = |bird: &Bird| {
            let strain = theirs.study.strains.get(bird.strain).map(String::as_str);
            let place = match self.bird(&bird.name) {
                Some(known) => {
                    let alike = self.strain_of(known) == strain
                        && self.study.birds[known].hatch_date == bird.hatch_date;
                    alike.then_some(known)?
                }
                None => {
                    let place = self.enter_bird(&bird.name);
                    let entered = Bird {
                        name: bird.name.clone(),
                        strain: strain.map_or(NO_STRAIN, |strain| self.strain(strain)),
                        pen: bird.pen.map(|pen| self.pen(&name(&theirs.study.pens, pen))),
                        treatment: bird
                            .treatment
                            .map(|index| self.treatment(&name(&theirs.study.treatments, index))),
                        block: bird
                            .block
                            .map(|index| self.block(&name(&theirs.study.blocks, index))),
                        hatch_date: bird.hatch_date,
                    };
                    self.study.birds[place] = entered;
                    place
                }
            };
            u32::try_from(place).ok()
        };
        theirs.study.birds.iter().map(place_of).collect()
    }

    /// The strain of that name, entered where new.
    pub(crate) fn strain(&mut self, name: &str) -> usize {
        self.strains.intern(name, &mut self.study.strains)
    }

    /// The strain of that name, where it is known.
    pub(crate) fn known_strain(&self, name: &str) -> Option<usize> {
        self.strains.index.get(name).copied()
    }

    /// The pen of that name, entered where new.
    pub(crate) fn pen(&mut self, name: &str) -> usize {
        self.pens.intern(name, &mut self.study.pens)
    }

    /// The pen of that name, where it is known.
    pub(crate) fn known_pen(&self, name: &str) -> Option<usize> {
        self.pens.index.get(name).copied()
    }

    /// The house of that name, entered where new.
    pub(crate) fn house(&mut self, name: &str) -> usize {
        self.houses.intern(name, &mut self.study.houses)
    }

    /// Row of a pen, or of a house without pens, in the table of pens.
    pub(crate) fn kept(&self, pen: Option<usize>, house: Option<usize>) -> Option<usize> {
        let same = |kept: &Kept| match pen {
            Some(_) => kept.pen == pen,
            None => kept.pen.is_none() && house.is_some() && kept.house == house,
        };
        self.study.kept.iter().position(same)
    }

    /// Enters the table of pens.
    pub(crate) fn keep(&mut self, kept: Kept) {
        self.study.kept.push(kept);
    }

    /// Whether a pen that is not known is met for the first time.
    pub(crate) fn first_of_unknown_pen(&mut self, name: &str) -> bool {
        self.unknown_pens.insert(name.to_owned())
    }

    /// The treatment of that name, entered where new.
    pub(crate) fn treatment(&mut self, name: &str) -> usize {
        self.treatments.intern(name, &mut self.study.treatments)
    }

    /// The block of that name, entered where new.
    pub(crate) fn block(&mut self, name: &str) -> usize {
        self.blocks.intern(name, &mut self.study.blocks)
    }

    /// The one day of hatch of the birds of a strain and pen, or of all, by the tables of birds
    /// and pens; where these give none, that of the study.
    pub(crate) fn common_hatch(
        &self,
        dates: &Dates,
        strain: Option<usize>,
        pen: Option<usize>,
    ) -> Option<NaiveDate> {
        let birds = self.study.birds.iter();
        let ringed = birds.filter(|bird| {
            strain.is_none_or(|strain| bird.strain == strain) && (pen.is_none() || bird.pen == pen)
        });
        let kept = self.study.kept.iter().filter(|kept| {
            (strain.is_none() || kept.strain == strain) && (pen.is_none() || kept.pen == pen)
        });
        let mut hatches = ringed
            .map(|bird| dates.hatch_of(bird.hatch_date))
            .chain(kept.map(|kept| dates.hatch_of(kept.hatch_date)));
        match hatches.next() {
            None => dates.hatch_of(None),
            Some(first) => hatches
                .all(|hatch| hatch == first)
                .then_some(first)
                .flatten(),
        }
    }

    /// The strain of a bird, where it has one yet.
    pub(crate) fn strain_of(&self, bird: usize) -> Option<&str> {
        let strain = self.study.birds[bird].strain;
        self.study.strains.get(strain).map(String::as_str)
    }

    /// Gives birds without a strain the one strain of all.
    pub(crate) fn settle_strains(&mut self) {
        if self.study.birds.iter().any(|bird| bird.strain == NO_STRAIN) {
            let all = self.strain(ONE_STRAIN);
            for bird in &mut self.study.birds {
                if bird.strain == NO_STRAIN {
                    bird.strain = all;
                }
            }
        }
    }
}
