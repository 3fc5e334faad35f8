//! The report page in a real browser: Chromium without a window.
//!
//! The browser is found on the path, or named by PINFEATHER_BROWSER; where there is
//! none the tests print that and pass, unless PINFEATHER_BROWSER is set, as it is in CI.

use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpStream;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use serde_json::Value;

fn browser() -> Option<PathBuf> {
    if let Some(named) = std::env::var_os("PINFEATHER_BROWSER") {
        let path = PathBuf::from(named);
        assert!(
            path.exists(),
            "PINFEATHER_BROWSER names no file: {}",
            path.display()
        );
        return Some(path);
    }
    let folders = std::env::var_os("PATH")?;
    let names = ["chromium", "chromium-browser", "google-chrome"];
    let found = std::env::split_paths(&folders)
        .flat_map(|folder| names.map(|name| folder.join(name)))
        .find(|path| path.is_file());
    if found.is_none() {
        eprintln!("no Chromium on the path: the page was not opened in a browser");
    }
    found
}

/// Runs the browser on an address with a fresh profile; standard output.
fn opened(browser: &Path, arguments: &[&str], address: &str) -> String {
    let profile = tempfile::tempdir().unwrap();
    let output = Command::new(browser)
        .args([
            "--headless",
            "--no-sandbox",
            "--disable-gpu",
            "--disable-quic",
            "--no-first-run",
            "--disable-background-networking",
            "--disable-component-update",
            "--disable-sync",
            "--window-size=1280,1000",
            "--virtual-time-budget=8000",
        ])
        .arg(format!("--user-data-dir={}", profile.path().display()))
        .args(arguments)
        .arg(address)
        .output()
        .unwrap();
    String::from_utf8_lossy(&output.stdout).into_owned()
}

fn program(arguments: &[&str]) -> std::process::Output {
    Command::new(env!("CARGO_BIN_EXE_pinfeather"))
        .args(arguments)
        .current_dir(env!("CARGO_MANIFEST_DIR"))
        .output()
        .unwrap()
}

/// The page with a reader's hands in it: what they found.
fn worked(browser: &Path, page: &Path) -> Value {
    let html = std::fs::read_to_string(page).unwrap();
    let listening = "<script>window.pageErrors=[];\
        addEventListener('error',(e)=>pageErrors.push(String(e.message)));\
        addEventListener('securitypolicyviolation',(e)=>pageErrors.push('policy: '+e.violatedDirective+' '+e.blockedURI));\
        console.error=(...all)=>pageErrors.push(all.join(' '));</script>";
    let html = html.replacen("<title>", &format!("{listening}<title>"), 1);
    let (before, after) = html.rsplit_once("</body>").unwrap();
    let hands = include_str!("hands.js");
    let html = format!("{before}<script>{hands}</script></body>{after}");
    let copy = page.with_file_name("worked.html");
    std::fs::write(&copy, html).unwrap();
    let dom = opened(
        browser,
        &["--dump-dom"],
        &format!("file://{}", copy.display()),
    );
    let (_, findings) = dom.split_once("<pre id=\"findings\">").unwrap_or_else(|| {
        panic!(
            "the page did not come to its end: {}",
            &dom[..dom.len().min(400)]
        )
    });
    let (findings, _) = findings.split_once("</pre>").unwrap();
    serde_json::from_slice(&from_base64(findings)).unwrap()
}

fn from_base64(text: &str) -> Vec<u8> {
    let value = |letter: u8| match letter {
        b'A'..=b'Z' => letter - b'A',
        b'a'..=b'z' => letter - b'a' + 26,
        b'0'..=b'9' => letter - b'0' + 52,
        b'+' => 62,
        _ => 63,
    };
    let mut bytes = Vec::new();
    for chunk in text.trim_end_matches('=').as_bytes().chunks(4) {
        let group = chunk.iter().fold(0_u32, |group, letter| {
            group << 6 | u32::from(value(*letter))
        }) << (6 * (4 - chunk.len()));
        bytes.extend_from_slice(&group.to_be_bytes()[1..chunk.len()]);
    }
    bytes
}

#[test]
fn the_demo_page_works_in_a_browser() {
    let Some(browser) = browser() else { return };
    let folder = tempfile::tempdir().unwrap();
    let out = folder.path().to_str().unwrap();
    let made = program(&["report", "data-demo", "--out", out, "--quiet"]);
    assert!(made.status.success());
    let page = folder.path().join("report.html");
    let bytes = std::fs::metadata(&page).unwrap().len();
    assert!(bytes < 1_500_000, "{bytes} bytes, expected under 1.5 MB");

    let found = worked(&browser, &page);
    assert_eq!(found["errors"], serde_json::json!([]), "{found:#}");
    assert_eq!(found["curves"], 3);
    assert_eq!(found["birds"], 72);
    assert_eq!(found["rateChanges"], true);
    assert_eq!(found["weeks"], true);
    assert_eq!(found["days"], true);
    assert_eq!(found["targets"], 3);
    assert_eq!(found["targetsPutAway"], 0);
    assert_eq!(found["readout"], true);
    assert_eq!(found["strainPutAway"], 2);
    assert_eq!(found["pressed"], "false");
    assert_eq!(found["strainBack"], 3);
    assert_eq!(found["lifted"], 2);
    let hover = found["hover"].as_str().unwrap();
    assert!(hover.contains(" d: ") && hover.ends_with(" g"), "{hover}");
    assert_eq!(found["tip"], true);
    assert_eq!(found["focus"], true);
    assert_eq!(found["keyboard"], true);
    assert_eq!(found["letGo"], true);
    assert_eq!(found["sorted"], true);
    assert_eq!(found["filtered"], true);
    assert_eq!(found["download"], "curve_terms.csv");
    assert_eq!(found["besideFigure"], "curve_terms.csv");
    let sections = [
        "growth",
        "composition",
        "differences",
        "target",
        "lay",
        "scanner",
        "protocol",
        "data",
    ];
    assert_eq!(found["sections"], serde_json::json!(sections));
    let links: Vec<&str> = ["overview"].into_iter().chain(sections).collect();
    assert_eq!(found["navigation"], serde_json::json!(links));
    assert_eq!(found["open"], 0, "a section begins unfolded");
    assert_eq!(found["unnamed"], 0);
    assert_eq!(found["wide"], true, "the page scrolls sideways");
    let pictures = found["pictures"].as_array().unwrap();
    assert!(pictures.len() >= 4);
    assert!(
        pictures.iter().all(|words| words.as_u64().unwrap() > 10),
        "{pictures:?}"
    );
}

#[test]
fn the_page_prints() {
    let Some(browser) = browser() else { return };
    let folder = tempfile::tempdir().unwrap();
    let out = folder.path().to_str().unwrap();
    assert!(
        program(&["report", "data-demo", "--out", out, "--quiet"])
            .status
            .success()
    );
    let pdf = folder.path().join("page.pdf");
    opened(
        &browser,
        &[
            "--no-pdf-header-footer",
            &format!("--print-to-pdf={}", pdf.display()),
        ],
        &format!("file://{}/report.html", folder.path().display()),
    );
    let bytes = std::fs::read(&pdf).unwrap();
    let text = String::from_utf8_lossy(&bytes);
    let pages = text.matches("/Type /Page\n").count() + text.matches("/Type /Page/").count();
    // The first screen and the sections, what is folded away left out.
    assert!((2..=20).contains(&pages), "{pages} pages");
}

/// Names with markup, quotes, every script and emoji: text everywhere.
#[test]
fn names_are_text_and_never_markup() {
    let Some(browser) = browser() else { return };
    let folder = tempfile::tempdir().unwrap();
    let names = [
        "<script>alert(1)</script>",
        "</script><img src=x onerror=alert(2)>",
        "\"'&amp;",
        "鶏 курица دجاجة 🐔",
    ];
    let mut table = "bird,age_d,weight_g,strain\n".to_owned();
    for (bird, name) in names.iter().enumerate() {
        for week in 0..14 {
            let age = f64::from(week) * 7.0;
            let size = 1700.0 + 40.0 * bird as f64;
            let weight =
                size * (-(-0.03 * (age - 60.0)).exp()).exp() * (1.0 + 0.004 * (age + size).sin());
            table += &format!(
                "\"{}\",{age},{weight:.1},\"<b>{}</b>\"\n",
                name.replace('"', "\"\""),
                bird % 2
            );
        }
    }
    let data = folder.path().join("names.csv");
    std::fs::write(&data, table).unwrap();
    let out = folder.path().to_str().unwrap();
    let made = program(&[
        "report",
        data.to_str().unwrap(),
        "--group",
        "strain",
        "--curve",
        "gompertz",
        "--out",
        out,
        "--quiet",
    ]);
    assert!(
        made.status.success(),
        "{}",
        String::from_utf8_lossy(&made.stderr)
    );
    let found = worked(&browser, &folder.path().join("report.html"));
    assert_eq!(found["errors"], serde_json::json!([]), "{found:#}");
    // The two of the page, and the two of this test.
    assert_eq!(found["scripts"], 4);
    assert_eq!(found["birdNames"][1], names[0]);
    assert_eq!(found["birds"], 4);
}

/// `view` in the background, ended when dropped.
struct Live {
    child: Child,
    port: u16,
    path: String,
}

impl Live {
    fn start(study: &Path) -> Self {
        let mut child = Command::new(env!("CARGO_BIN_EXE_pinfeather"))
            .args(["view", study.to_str().unwrap(), "--quiet"])
            .stdout(Stdio::piped())
            .spawn()
            .unwrap();
        let mut line = String::new();
        BufReader::new(child.stdout.take().unwrap())
            .read_line(&mut line)
            .unwrap();
        let rest = line.trim().strip_prefix("http://127.0.0.1:").unwrap();
        let (port, path) = rest.split_once('/').unwrap();
        Self {
            child,
            port: port.parse().unwrap(),
            path: format!("/{path}"),
        }
    }

    /// Status and body of a request with these headers.
    fn ask(&self, path: &str, headers: &str) -> (u16, String) {
        let mut stream = TcpStream::connect(("127.0.0.1", self.port)).unwrap();
        write!(
            stream,
            "GET {path} HTTP/1.1\r\n{headers}Connection: close\r\n\r\n"
        )
        .unwrap();
        let mut text = String::new();
        stream.read_to_string(&mut text).unwrap();
        let status = text.split(' ').nth(1).unwrap().parse().unwrap();
        let body = text.split_once("\r\n\r\n").map_or("", |(_, body)| body);
        (status, body.to_owned())
    }

    fn host(&self) -> String {
        format!("Host: 127.0.0.1:{}\r\n", self.port)
    }

    /// Waits until the version is another than `known`.
    fn changed_from(&self, known: &str) -> String {
        let began = Instant::now();
        loop {
            let (_, version) = self.ask(&format!("{}version", self.path), &self.host());
            if version != known {
                return version;
            }
            assert!(
                began.elapsed() < Duration::from_secs(60),
                "the page did not change"
            );
            std::thread::sleep(Duration::from_millis(200));
        }
    }
}

impl Drop for Live {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

#[test]
fn the_live_page_follows_the_study_and_refuses_strangers() {
    let folder = tempfile::tempdir().unwrap();
    let demo = Path::new(env!("CARGO_MANIFEST_DIR")).join("data-demo");
    for entry in std::fs::read_dir(demo).unwrap() {
        let entry = entry.unwrap();
        if entry.path().is_file() {
            std::fs::copy(entry.path(), folder.path().join(entry.file_name())).unwrap();
        }
    }
    // Weighings and targets are enough to see the page follow: the rest takes longer.
    let settings = folder.path().join("study.toml");
    let text = std::fs::read_to_string(&settings).unwrap();
    let weighed: String = text
        .lines()
        .filter(|line| {
            !["scans =", "chemistry =", "onset ="]
                .iter()
                .any(|key| line.starts_with(key))
        })
        .map(|line| format!("{line}\n"))
        .collect();
    std::fs::write(&settings, weighed).unwrap();
    let live = Live::start(folder.path());
    let ours = live.host();
    let (status, first) = live.ask(&live.path, &ours);
    assert_eq!(status, 200);
    assert!(first.contains("three invented lines"));

    // Another name for this machine, another site, another path, another method.
    assert_eq!(live.ask(&live.path, "Host: example.org\r\n").0, 403);
    assert_eq!(
        live.ask(&live.path, &format!("{ours}Origin: http://example.org\r\n"))
            .0,
        403
    );
    assert_eq!(
        live.ask(&live.path, &format!("{ours}Sec-Fetch-Site: cross-site\r\n"))
            .0,
        403
    );
    assert_eq!(live.ask("/", &ours).0, 404);
    assert_eq!(live.ask("/0123/", &ours).0, 404);

    // Saved with another name: the page shows it.
    let (_, version) = live.ask(&format!("{}version", live.path), &ours);
    let text = std::fs::read_to_string(&settings).unwrap();
    std::fs::write(
        &settings,
        text.replace("three invented lines", "four invented words"),
    )
    .unwrap();
    let version = live.changed_from(&version);
    assert!(
        live.ask(&live.path, &ours)
            .1
            .contains("four invented words")
    );

    // Saved with a fault: the fault stands above the page as it was.
    let weighings = folder.path().join("weighings.csv");
    let whole = std::fs::read_to_string(&weighings).unwrap();
    let row = whole.lines().nth(1).unwrap();
    let (before, _) = row.rsplit_once(',').unwrap();
    let faulty = whole.replacen(row, &format!("{before},heavy"), 1);
    std::fs::write(&weighings, faulty).unwrap();
    let version = live.changed_from(&version);
    let (_, faulty) = live.ask(&live.path, &ours);
    assert!(faulty.contains("cannot be read") && faulty.contains("heavy"));
    assert!(faulty.contains("four invented words"));

    // Mended: the fault is gone.
    std::fs::write(&weighings, whole).unwrap();
    live.changed_from(&version);
    assert!(!live.ask(&live.path, &ours).1.contains("cannot be read"));

    if let Some(browser) = browser() {
        let address = format!("http://127.0.0.1:{}{}", live.port, live.path);
        let dom = opened(&browser, &["--dump-dom"], &address);
        assert!(dom.contains("class=\"curve l"), "no curve was drawn");
        assert!(dom.contains("Last updated") && dom.contains("this page follows the study."));
    }
}
