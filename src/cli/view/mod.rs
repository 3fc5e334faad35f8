//! `view`: the report page from this machine alone, remade when the study changes.
//!
//! The page is served on the loopback address and a port that the system picks,
//! under a path that holds a random token: another user of the machine cannot guess
//! it, another host cannot reach it, and a page of another site that requests it is
//! refused by the headers that the browser sends (Host, Origin, Sec-Fetch-Site).
//!
//! One thread answers (`server`), this one looks at the files (`watched`) and makes
//! the page. A page of a study that cannot be read, or that has lost records, does not
//! replace a good one: that stays, with what is wrong above it.

mod server;
mod watched;

use std::collections::BTreeMap;
use std::net::TcpListener;
use std::sync::Arc;
use std::time::{Duration, SystemTime};

use clap::Args;

use self::server::{Shown, Site};
use self::watched::Watched;
use super::options::Common;
use super::output::Output;
use super::run::WholeStudy;
use crate::error::{Error, Result};
use crate::report::page::{self, Live, News};

/// Serve the report page on this machine and refresh it when the study is saved.
///
/// Nothing is written. The address that is printed works on this machine only, as
/// long as the program runs; Ctrl-C ends it.
#[derive(Debug, Args)]
#[command(after_help = "Examples:
  pinfeather view data-demo
  pinfeather view weights.csv --bird ring --age days --value grams --group line")]
pub(crate) struct ViewArgs {
    #[command(flatten)]
    whole: WholeStudy,
}

/// How often the study's files are looked at.
const LOOK_EVERY: Duration = Duration::from_millis(500);

pub(crate) fn run(args: &ViewArgs, common: &Common) -> Result<u8> {
    let no_port = |error| Error::call(format!("no port could be opened on this machine: {error}"));
    let listener = TcpListener::bind(("127.0.0.1", 0)).map_err(no_port)?;
    let port = listener.local_addr().map_err(no_port)?.port();
    let site = Arc::new(Site::new(port, token()?));
    let mut watched = Watched::begin(&args.whole.files());
    // A study that cannot be read at the start is an error like any other.
    let mut good = Made::from(&args.whole, common, &site)?;
    let mut version = 0;
    site.show(good.shown(version, None));
    server::start(listener, Arc::clone(&site)).map_err(no_port)?;
    Output::announce(&site.address()).map_err(Error::standard_output)?;
    loop {
        std::thread::sleep(LOOK_EVERY);
        if !watched.settled_change(&args.whole.files()) {
            continue;
        }
        version += 1;
        site.show(match Made::from(&args.whole, common, &site) {
            Err(error) => good.shown(version, Some(&faults(error.messages()))),
            Ok(now) => {
                let lost = lost(&good.records, &now.records);
                if lost.is_empty() {
                    good = now;
                    good.shown(version, None)
                } else {
                    let [kept, smaller] = fewer(&lost);
                    Shown {
                        now: Some(now.html(version, Some(&smaller)).into()),
                        ..good.shown(version, Some(&kept))
                    }
                }
            }
        });
    }
}

/// 128 random bits in hexadecimal.
fn token() -> Result<String> {
    let mut bytes = [0; 16];
    getrandom::fill(&mut bytes)
        .map_err(|error| Error::call(format!("the system gives no random numbers: {error}")))?;
    Ok(bytes.iter().map(|byte| format!("{byte:02x}")).collect())
}

/// A page, and how many birds, strains and records it was made from.
struct Made {
    html: String,
    records: BTreeMap<String, usize>,
}

impl Made {
    fn from(whole: &WholeStudy, common: &Common, site: &Site) -> Result<Self> {
        let mut output = Output::new("view", common).without_files();
        whole.page(&mut output)?;
        if let Some(page) = &mut output.page {
            page.live = Some(Live {
                version: site.version_path(),
                made: SystemTime::now(),
            });
        }
        let html = output.html()?.unwrap_or_default();
        let mut records = output.findings.counts;
        records.retain(|what, _| {
            what == "birds" || what == "strains" || what.starts_with("records of ")
        });
        Ok(Self { html, records })
    }

    fn html(&self, version: u64, news: Option<&News>) -> String {
        page::with_news(&self.html, version, news)
    }

    fn shown(&self, version: u64, news: Option<&News>) -> Shown {
        Shown {
            version,
            page: self.html(version, news).into(),
            now: None,
        }
    }
}

/// What a study has less of than before.
fn lost(before: &BTreeMap<String, usize>, now: &BTreeMap<String, usize>) -> Vec<String> {
    let mut lost = Vec::new();
    for (what, before) in before {
        let now = now.get(what).copied().unwrap_or(0);
        if now < *before {
            lost.push(format!(
                "{}: {now}, before {before}",
                what.replace('_', " ")
            ));
        }
    }
    lost
}

fn faults(messages: &[String]) -> News {
    News {
        heading: "The study as it is now cannot be read; below is the page as it was before."
            .to_owned(),
        lines: messages.to_vec(),
        link: None,
    }
}

/// Above the page as it was, and above that of the study as it is now.
fn fewer(lost: &[String]) -> [News; 2] {
    let link = |address: &str, words: &str| Some((address.to_owned(), words.to_owned()));
    [
        News {
            heading: "The study as it is now has fewer records than before, as if a file had not been saved whole; below is the page as it was before.".to_owned(),
            lines: lost.to_vec(),
            link: link("now/", "Show the study as it is now"),
        },
        News {
            heading: "This page shows the study as it is now, with fewer records than before."
                .to_owned(),
            lines: lost.to_vec(),
            link: link("../", "Show the page as it was before"),
        },
    ]
}
