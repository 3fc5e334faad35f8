//! `view`: the report page from this machine alone, made anew when the study changes.
//!
//! The page is served on the loopback address and a port that the system picks,
//! under a path that holds a random token: another user of the machine cannot guess
//! it, another host cannot reach it, and a page of another site that asks for it is
//! refused by what the browser says of itself (Host, Origin, Sec-Fetch-Site).

use std::path::{Path, PathBuf};
use std::time::{Duration, SystemTime};

use clap::Args;
use tiny_http::{Header, Method, Request, Response, Server, StatusCode};

use super::options::Common;
use super::output::Output;
use super::run::WholeStudy;
use crate::error::{Error, Result};
use crate::report::page;

/// Serve the report page on this machine and refresh it when the study is saved.
///
/// Nothing is written. The address that is printed works on this machine only, as
/// long as the program runs; Ctrl-C ends it.
#[derive(Debug, Args)]
#[command(after_help = "Examples:
  pinfeather view data-demo
  pinfeather view weights.csv --bird Chick --age Time --value weight --group Diet")]
pub(crate) struct ViewArgs {
    #[command(flatten)]
    whole: WholeStudy,
}

/// How often the study's files are looked at.
const LOOK_EVERY: Duration = Duration::from_millis(500);

pub(crate) fn run(args: &ViewArgs, common: &Common) -> Result<u8> {
    let server = Server::http(("127.0.0.1", 0)).map_err(|error| {
        Error::call(format!("no port could be opened on this machine: {error}"))
    })?;
    let port = match server.server_addr().to_ip() {
        Some(address) => address.port(),
        None => return Err(Error::call("no port could be opened on this machine")),
    };
    let token = token()?;
    let mut live = Live {
        whole: &args.whole,
        common,
        token,
        port,
        seen: Vec::new(),
        version: 0,
        html: String::new(),
    };
    // A study that cannot be read at the start is an error like any other.
    live.html = live.made()?;
    live.seen = state_of(&live.files());
    let address = format!("http://127.0.0.1:{port}/{}/", live.token);
    Output::announce(&address).map_err(Error::standard_output)?;
    loop {
        match server.recv_timeout(LOOK_EVERY) {
            Ok(Some(request)) => live.answer(request),
            Ok(None) => {}
            Err(error) => return Err(Error::standard_output(error)),
        }
        live.look();
    }
}

/// 128 random bits in hexadecimal.
fn token() -> Result<String> {
    let mut bytes = [0; 16];
    getrandom::fill(&mut bytes)
        .map_err(|error| Error::call(format!("the system gives no random numbers: {error}")))?;
    Ok(bytes.iter().map(|byte| format!("{byte:02x}")).collect())
}

/// A file, when it was last written and how long it is.
type FileState = (PathBuf, Option<(SystemTime, u64)>);

fn state_of(files: &[PathBuf]) -> Vec<FileState> {
    let state = |file: &Path| {
        let facts = std::fs::metadata(file).ok()?;
        Some((facts.modified().ok()?, facts.len()))
    };
    files
        .iter()
        .map(|file| (file.clone(), state(file)))
        .collect()
}

/// The page as it stands, and what it was made from.
struct Live<'a> {
    whole: &'a WholeStudy,
    common: &'a Common,
    token: String,
    port: u16,
    seen: Vec<FileState>,
    version: u64,
    html: String,
}

impl Live<'_> {
    /// Every file that the page depends on.
    fn files(&self) -> Vec<PathBuf> {
        let path = &self.whole.input.path;
        if !path.is_dir() {
            let columns = &self.whole.input.columns;
            let beside = columns.targets.iter().chain(&columns.onset);
            return std::iter::once(path).chain(beside).cloned().collect();
        }
        let Ok(entries) = std::fs::read_dir(path) else {
            return vec![path.clone()];
        };
        let mut files: Vec<PathBuf> = entries
            .filter_map(|entry| Some(entry.ok()?.path()))
            .filter(|file| file.is_file())
            .collect();
        files.sort();
        files
    }

    fn made(&self) -> Result<String> {
        let mut output = Output::new("view", self.common).without_files();
        self.whole.page(&mut output)?;
        if let Some(page) = &mut output.page {
            page.watch = Some(format!("/{}/version", self.token));
        }
        Ok(output.html()?.unwrap_or_default())
    }

    /// Makes the page anew where a file has changed since it was made; where the
    /// study cannot be read now, the last page stays, with the faults above it.
    fn look(&mut self) {
        let now = state_of(&self.files());
        if now == self.seen {
            return;
        }
        self.seen = now;
        self.version += 1;
        let html = self.made();
        match html {
            Ok(html) => self.html = html,
            Err(error) => self.html = page::with_faults(&self.html, error.messages()),
        }
    }

    fn answer(&self, request: Request) {
        let (status, kind, body) = if !self.is_ours(&request) {
            (
                403,
                "text/plain; charset=utf-8",
                "refused: this page is for this machine's own browser\n".to_owned(),
            )
        } else if *request.method() != Method::Get {
            (405, "text/plain; charset=utf-8", "only GET\n".to_owned())
        } else if request.url() == format!("/{}/", self.token) {
            (200, "text/html; charset=utf-8", self.html.clone())
        } else if request.url() == format!("/{}/version", self.token) {
            (200, "text/plain; charset=utf-8", self.version.to_string())
        } else {
            (
                404,
                "text/plain; charset=utf-8",
                "not here: open the address that the program printed\n".to_owned(),
            )
        };
        let mut response = Response::from_data(body.into_bytes())
            .with_chunked_threshold(usize::MAX)
            .with_status_code(StatusCode(status));
        for (name, value) in [
            ("Content-Type", kind),
            ("Cache-Control", "no-store"),
            ("X-Content-Type-Options", "nosniff"),
            ("X-Frame-Options", "DENY"),
            ("Referrer-Policy", "no-referrer"),
            ("Cross-Origin-Resource-Policy", "same-origin"),
        ] {
            if let Ok(header) = Header::from_bytes(name, value) {
                response.add_header(header);
            }
        }
        // A browser that went away has no use for an answer.
        let _ = request.respond(response);
    }

    /// Whether the request comes from a browser on this machine, for this page.
    fn is_ours(&self, request: &Request) -> bool {
        let header = |name: &str| {
            let found = request
                .headers()
                .iter()
                .find(|header| header.field.as_str().as_str().eq_ignore_ascii_case(name));
            found.map(|header| header.value.as_str().to_owned())
        };
        let hosts = [
            format!("127.0.0.1:{}", self.port),
            format!("localhost:{}", self.port),
        ];
        let host = header("Host").is_some_and(|host| hosts.contains(&host));
        let origin = header("Origin")
            .is_none_or(|origin| hosts.iter().any(|host| origin == format!("http://{host}")));
        let site =
            header("Sec-Fetch-Site").is_none_or(|site| site == "same-origin" || site == "none");
        host && origin && site
    }
}
