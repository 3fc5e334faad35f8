//! Fuzz targets: each a function of bytes that panics where the program does something wrong.

mod equations;
mod mutate;
mod numerics;
mod readers;
mod requests;
mod workbooks;

pub use readers::{folder, remove_folder};
pub use requests::{AS_PROGRAM, end};

/// One way to attack the program.
pub struct Target {
    /// Its name on the command line and of its failures.
    pub name: &'static str,
    /// Which group it belongs to: readers of files, requests, numerics.
    pub group: &'static str,
    /// Runs once; panics on a finding.
    pub run: fn(&[u8]),
}

/// Every target.
pub const TARGETS: &[Target] = &[
    Target {
        name: "tables",
        group: "readers",
        run: readers::tables,
    },
    Target {
        name: "workbooks",
        group: "readers",
        run: workbooks::workbooks,
    },
    Target {
        name: "settings",
        group: "readers",
        run: readers::settings,
    },
    Target {
        name: "cards",
        group: "readers",
        run: equations::cards,
    },
    Target {
        name: "saved-equations",
        group: "readers",
        run: readers::saved_equations,
    },
    Target {
        name: "saved-populations",
        group: "readers",
        run: readers::saved_populations,
    },
    Target {
        name: "records",
        group: "readers",
        run: readers::records,
    },
    Target {
        name: "requests",
        group: "requests",
        run: requests::requests,
    },
    Target {
        name: "numerics",
        group: "numerics",
        run: numerics::numerics,
    },
];
