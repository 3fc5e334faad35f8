//! Pinfeather: growth of egg-type pullets from repeated weighings and live-bird body scans.
//!
//! Data flow one way: a [`study`] is read from tables, [`growth`] curves are [`fit`] to
//! each bird, each strain and, by mixed models, to all birds at once ([`trajectory`]);
//! [`composition`] puts scanner readings on the chemistry scale before that, [`contrast`]
//! compares strains, [`flock`] and [`maturity`] turn the fits into deviations from target,
//! timing cues and the onset of lay, [`plan`] finds the smallest numbers of birds and scans;
//! [`analysis`] holds the results of all steps and their answers; `figure` draws and
//! `report` writes it all down.
//! [`stats`] has what no other crate gave, `cli` is the program `pinfeather`.
//!
//! All but `figure`, `report` (feature `report`) and `cli` (feature `program`, the default)
//! compiles with `default-features = false`, without a parser of arguments, fonts or documents.
//!
//! Start at [`Study::read_folder`](study::Study::read_folder) or
//! [`Study::read_table`](study::Study::read_table) for tables, at [`fit::fit`] for two
//! arrays, at [`Trajectories::fit`](trajectory::Trajectories::fit) for every bird and strain.
//!
//! # From a CSV file to a curve and its standard errors
//!
//! ```
//! use pinfeather::fit::{self, Outcome, Series, Settings, Workspace, interval};
//! use pinfeather::growth::{self, Derived};
//! use pinfeather::study::{Columns, Study};
//!
//! # let folder = std::env::temp_dir().join(format!("pinfeather-front-{}", std::process::id()));
//! # std::fs::create_dir_all(&folder)?;
//! # let path = folder.join("weights.csv");
//! # std::fs::write(
//! #     &path,
//! #     "ring,week,grams\n7,0,38\n7,2,105\n7,4,262\n7,6,455\n7,8,670\n7,10,872\n\
//! #      7,12,1043\n7,14,1189\n7,16,1300\n7,18,1383\n",
//! # )?;
//! // weights.csv holds "ring,week,grams", a row a weighing; ages become days.
//! let columns = Columns {
//!     bird: Some("ring".into()),
//!     age: Some("week".into()),
//!     value: Some("grams".into()),
//!     ..Columns::default()
//! };
//! let study = Study::read_table(&path, &columns)?;
//! let (ages_d, weights_g) = study.traits[0].of(0);
//!
//! let curve = growth::find("gompertz", &[])?;
//! let series = Series { ages_d, values: weights_g };
//! match fit::fit(&*curve, series, &Settings::default(), &mut Workspace::new()) {
//!     Outcome::Converged(estimates) => {
//!         for (place, term) in curve.terms().iter().enumerate() {
//!             let estimate = interval::term(&*curve, &estimates, place, 0.95).map_err(|why| why.to_string())?;
//!             println!("{} {:.4} {:?}", term.name, estimate.value, estimate.standard_error);
//!         }
//!         let mature = interval::derived(&*curve, &estimates, Derived::Mature, 0.95);
//!         let mature = mature.map_err(|why| why.to_string())?.interval.ok_or("no interval")?;
//!         assert!(mature.contains(1580.0));
//!     }
//!     // Not every fit is to be relied upon: each gives the reasons, in words.
//!     Outcome::Weak(_, reasons) => println!("careful: {reasons:?}"),
//!     Outcome::Failed(failure) => println!("no fit: {}", failure.reason),
//! }
//! # std::fs::remove_dir_all(folder)?;
//! # Ok::<(), Box<dyn std::error::Error>>(())
//! ```
//!
//! More in the folder `examples`: one bird from two arrays (`one_bird`), a mixed model from
//! arrays (`mixed_model`), a curve of one's own from a card (`own_curve`), and study folders to
//! deviations from target (`deviation_from_target`), corrected masses (`correction`), ages at
//! 50 % in lay (`onset_of_lay`) and the whole list of answers (`whole_analysis`).
//!
//! # What a result promises
//!
//! A fit ends as an [`Outcome`](fit::Outcome): converged, weak with its reasons, or failed
//! without numbers. What a user wrote wrongly comes back as one [`Error`] that names every
//! fault with file, row and column. Nothing here prints, exits or panics on input.

#![forbid(unsafe_code)]
#![cfg_attr(
    not(test),
    deny(
        clippy::unwrap_used,
        clippy::expect_used,
        clippy::panic,
        clippy::print_stdout,
        clippy::print_stderr,
        clippy::exit
    )
)]

pub mod age;
pub mod analysis;
#[cfg(feature = "program")]
pub mod cli;
pub mod composition;
pub mod contrast;
pub mod error;
#[cfg(feature = "report")]
pub mod figure;
pub mod fit;
pub mod flock;
pub mod growth;
pub mod maturity;
pub mod plan;
#[cfg(feature = "report")]
pub mod report;
pub mod stats;
pub mod study;
pub mod trajectory;

pub use error::{Error, ErrorKind, Result};
