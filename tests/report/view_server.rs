//! The live page (`view`) against callers that mean harm and files that change under it; on the
//! loopback address only, with bounded counts and times.

use std::fmt::Write as _;
use std::io::{BufRead, BufReader, Read, Write};
use std::net::{Shutdown, TcpStream};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

/// Weighings of this number of birds at nine ages on a Gompertz curve; birds differ in size.
fn weighings(birds: u32) -> String {
    let mut table = "bird,age_d,weight_g\n".to_owned();
    for bird in 0..birds {
        for week in 0..9 {
            let age_d = f64::from(week) * 14.0;
            let size = 1600.0 + 11.0 * f64::from(bird);
            let off = 1.0 + 0.01 * (age_d + size).sin();
            let weight = size * (-3.7 * (-0.03 * age_d).exp()).exp() * off;
            let _ = writeln!(table, "{bird},{age_d},{weight:.1}");
        }
    }
    table
}

/// `view` in the background, ended when dropped.
struct Live {
    child: Child,
    port: u16,
    path: String,
}

impl Live {
    fn start(study: &Path, options: &[&str]) -> Self {
        let mut child = Command::new(env!("CARGO_BIN_EXE_pinfeather"))
            .args(["view", study.to_str().unwrap(), "--quiet"])
            .args(options)
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

    /// A small flock, for tests that do not change it.
    fn small(folder: &Path) -> Self {
        let table = folder.join("weights.csv");
        std::fs::write(&table, weighings(4)).unwrap();
        Self::start(&table, &["--curve", "gompertz", "--level", "bird"])
    }

    fn connected(&self) -> TcpStream {
        let stream = TcpStream::connect(("127.0.0.1", self.port)).unwrap();
        let limit = Some(Duration::from_secs(60));
        stream.set_read_timeout(limit).unwrap();
        stream.set_write_timeout(limit).unwrap();
        stream
    }

    /// All that comes back for these bytes, with nothing more to follow.
    fn sent(&self, bytes: &[u8]) -> String {
        let mut stream = self.connected();
        // Refused before it has all been sent, or answered and closed with some of it unread.
        let _ = stream.write_all(bytes);
        let _ = stream.shutdown(Shutdown::Write);
        let mut answer = Vec::new();
        let _ = stream.read_to_end(&mut answer);
        String::from_utf8_lossy(&answer).into_owned()
    }

    fn request(&self, first_line: &str, headers: &str) -> String {
        format!(
            "{first_line} HTTP/1.1\r\nHost: 127.0.0.1:{}\r\n{headers}\r\n",
            self.port
        )
    }

    fn got(&self, name: &str) -> String {
        let answer = self.sent(
            self.request(&format!("GET {}{name}", self.path), "")
                .as_bytes(),
        );
        assert!(answer.starts_with("HTTP/1.1 200"), "{name}: {answer:.80}");
        let (_, body) = answer.split_once("\r\n\r\n").unwrap();
        body.to_owned()
    }

    /// The page, once it is of another version than `known`.
    fn changed_from(&self, known: &mut String) -> String {
        let began = Instant::now();
        while self.got("version") == *known {
            assert!(
                began.elapsed() < Duration::from_secs(120),
                "the page did not change"
            );
            std::thread::sleep(Duration::from_millis(100));
        }
        *known = self.got("version");
        self.got("")
    }
}

impl Drop for Live {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// The status of an answer, 0 where the connection was closed without one.
fn status(answer: &str) -> u16 {
    answer
        .strip_prefix("HTTP/1.")
        .and_then(|rest| rest.split(' ').nth(1)?.parse().ok())
        .unwrap_or(0)
}

#[test]
fn a_body_that_never_comes_delays_nobody() {
    let folder = tempfile::tempdir().unwrap();
    let live = Live::small(folder.path());
    let lengths = [
        "5000",
        "1000000000000",
        "18446744073709551615",
        "18446744073709551616",
        "-1",
        "0x10",
        "5, 7",
    ];
    let mut held = Vec::new();
    for method in ["GET", "POST", "PUT"] {
        for path in ["/", live.path.as_str()] {
            for length in lengths {
                let headers = format!("Content-Length: {length}\r\n");
                let mut stream = live.connected();
                let head = live.request(&format!("{method} {path}"), &headers);
                write!(stream, "{head}ab").unwrap();
                held.push(stream);
            }
            let mut stream = live.connected();
            let head = live.request(
                &format!("{method} {path}"),
                "Transfer-Encoding: chunked\r\n",
            );
            write!(stream, "{head}ffffffffffffffff\r\nab").unwrap();
            held.push(stream);
        }
    }
    let began = Instant::now();
    assert!(live.got("").contains("class=\"sub\""));
    // The heads may take 5 s, so that this answer did not wait for one of them.
    assert!(began.elapsed() < Duration::from_secs(4));
    drop(held);
    assert!(live.got("").contains("class=\"sub\""));
}

#[test]
fn many_and_slow_connections_delay_nobody_and_end() {
    let folder = tempfile::tempdir().unwrap();
    let live = Live::small(folder.path());
    let held: Vec<TcpStream> = (0..400)
        .map(|n| {
            let mut stream = live.connected();
            if n % 2 == 0 {
                // The oldest of them have been closed.
                let _ = write!(stream, "GET {} HTTP/1.1\r\nX-{n}: ", live.path);
            }
            stream
        })
        .collect();
    assert!(live.got("").contains("class=\"sub\""));
    let mut slow = live.connected();
    let began = Instant::now();
    write!(slow, "GET {} HTTP/1.1\r\nHost: 127", live.path).unwrap();
    let mut answer = Vec::new();
    let _ = slow.read_to_end(&mut answer);
    assert_ne!(status(&String::from_utf8_lossy(&answer)), 200);
    assert!(began.elapsed() < Duration::from_secs(30), "5 s are allowed");
    drop(held);
    assert!(live.got("").contains("class=\"sub\""));
}

/// Endless heads, other protocols and random bytes.
fn noise(live: &Live) -> Vec<Vec<u8>> {
    let get = format!("GET {}", live.path);
    let long = "a".repeat(200_000);
    let mut all: Vec<Vec<u8>> = vec![
        live.request(&get, &format!("X: {long}\r\n")).into(),
        live.request(&format!("GET /{long}"), "").into(),
        live.request(&get, &"X: y\r\n".repeat(10_000)).into(),
        b"PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n".into(),
        b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03".into(),
        Vec::new(),
    ];
    let mut seed = 7_u64;
    for n in 0..200 {
        let bytes = (0..n).map(|_| {
            seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
            (seed >> 56) as u8
        });
        all.push(bytes.collect());
    }
    all
}

#[test]
fn what_is_no_request_for_the_page_gets_none() {
    let folder = tempfile::tempdir().unwrap();
    let live = Live::small(folder.path());
    let page = live.path.clone();
    let head = |first: &str, headers: &str| live.request(first, headers);
    let host = format!("Host: 127.0.0.1:{}", live.port);
    let mut attempts: Vec<(u16, Vec<u8>)> = vec![
        (404, head("GET /", "").into()),
        (404, head(&format!("GET {page}../../etc/passwd"), "").into()),
        (
            404,
            head(&format!("GET {page}%2e%2e/%2e%2e/etc/passwd"), "").into(),
        ),
        (404, head("GET /..%5c..%5cweights.csv", "").into()),
        (404, head(&format!("GET /.{page}"), "").into()),
        (
            403,
            head(
                &format!("GET http://{host}{page}").replace("Host: ", ""),
                "",
            )
            .into(),
        ),
        (
            403,
            head(&format!("GET {page}"), &format!("{host}\r\n")).into(),
        ),
        (403, format!("GET {page} HTTP/1.1\r\n\r\n").into()),
        (
            403,
            format!(
                "GET {page} HTTP/1.1\r\nHost: rebound.example:{}\r\n\r\n",
                live.port
            )
            .into(),
        ),
        (403, head(&format!("GET {page}"), "Origin: null\r\n").into()),
        (405, head(&format!("POST {page}"), "").into()),
        (405, head(&format!("DELETE {page}"), "").into()),
        (405, head(&format!("OPTIONS {page}"), "").into()),
        (
            400,
            format!("GET {page} HTTP/1.1\r\n{host}\r\n folded: yes\r\n\r\n").into(),
        ),
        (
            400,
            format!(
                "GET {page} HTTP/1.1\r\nHost : 127.0.0.1:{}\r\n\r\n",
                live.port
            )
            .into(),
        ),
        (400, format!("GET {page} HTTP/9.9\r\n{host}\r\n\r\n").into()),
        (400, format!("GET {page}\r\n{host}\r\n\r\n").into()),
        (
            400,
            head(
                &format!("GET {page}"),
                "Content-Length: 3\r\nContent-Length: 30\r\n",
            )
            .into(),
        ),
    ];
    attempts.extend(noise(&live).into_iter().map(|bytes| (0, bytes)));
    for (expected, bytes) in attempts {
        let answer = live.sent(&bytes);
        let found = status(&answer);
        let shown = String::from_utf8_lossy(&bytes);
        if expected == 0 {
            // Closed, or refused in words.
            assert!(found == 0 || found >= 400, "{found}: {shown:.300}");
        } else {
            assert_eq!(found, expected, "{shown:.300}");
        }
        assert!(!answer.contains("class=\"sub\""), "{shown:.300}");
    }
    // Two requests in one: the second gets no answer.
    let both = [
        head(&format!("GET {page}version"), "Content-Length: 4\r\n"),
        head(&format!("GET {page}"), ""),
    ]
    .concat();
    assert_eq!(live.sent(both.as_bytes()).matches("HTTP/1.1 ").count(), 1);
    let answer = live.sent(head(&format!("HEAD {page}"), "").as_bytes());
    assert!(status(&answer) == 200 && answer.ends_with("\r\n\r\n"));
    assert!(live.got("").contains("class=\"sub\""));
}

#[test]
fn every_file_that_the_page_is_made_from_is_followed() {
    let folder = tempfile::tempdir().unwrap();
    let put = |name: &str, bytes: &[u8]| {
        let path = folder.path().join(name);
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        std::fs::write(path, bytes).unwrap();
    };
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let card = std::fs::read(root.join("models/curves/gompertz.toml")).unwrap();
    let population =
        std::fs::read(root.join("models/populations/invented_body_weight.toml")).unwrap();
    let mut book = rust_xlsxwriter::Workbook::new();
    let sheet = book.add_worksheet();
    sheet.set_name("Birds").unwrap();
    sheet.write_row(0, 0, ["bird", "strain"]).unwrap();
    for bird in 0..4 {
        sheet
            .write_row(1 + bird, 0, [bird.to_string().as_str(), "Alder"])
            .unwrap();
    }
    let book = book.save_to_buffer().unwrap();
    put(
        "study.toml",
        b"name = \"followed\"\n[tables]\nweighings = \"deep/er/weights.csv\"\nbirds = \"book.xlsx#Birds\"\n",
    );
    let table = weighings(4);
    let files: [(&str, &[u8]); 5] = [
        ("study/deep/er/weights.csv", table.as_bytes()),
        ("study/book.xlsx", &book),
        ("cards/mine.toml", &card),
        ("population.toml", &population),
        ("study/models/corrections/fat.toml", b"not yet\n"),
    ];
    for (name, bytes) in files {
        put(name, bytes);
    }
    std::fs::rename(
        folder.path().join("study.toml"),
        folder.path().join("study/study.toml"),
    )
    .unwrap();
    let beside = |name: &str| folder.path().join(name).to_str().unwrap().to_owned();
    let live = Live::start(
        &folder.path().join("study"),
        &[
            "--curve",
            "gompertz",
            "--level",
            "bird",
            "--cards",
            &beside("cards"),
            "--population",
            &beside("population.toml"),
        ],
    );
    let mut version = live.got("version");
    for (name, bytes) in files {
        put(name, b"\"broken");
        let page = live.changed_from(&mut version);
        // A study without scans looks into no equation in its folder; a file that the call
        // names is read.
        let read = !name.ends_with("fat.toml");
        assert_eq!(page.contains("cannot be read"), read, "{name}");
        put(name, bytes);
        let page = live.changed_from(&mut version);
        assert!(!page.contains("cannot be read"), "{name}");
    }
}

#[test]
fn a_study_saved_half_way_does_not_replace_the_page() {
    let folder = tempfile::tempdir().unwrap();
    let table = folder.path().join("weights.csv");
    std::fs::write(&table, weighings(6)).unwrap();
    let live = Live::start(&table, &["--curve", "gompertz", "--level", "bird"]);
    let mut version = live.got("version");
    let first = live.got("");
    assert!(first.contains("6 birds") && first.contains("Last updated"));

    std::fs::write(&table, weighings(2)).unwrap();
    let kept = live.changed_from(&mut version);
    assert!(kept.contains("6 birds") && kept.contains("fewer records than before"));
    assert!(kept.contains("birds: 2, before 6"), "{kept:.3000}");
    let now = live.got("now/");
    assert!(now.contains("2 birds") && now.contains("shows the study as it is now"));

    std::fs::write(&table, weighings(7)).unwrap();
    let grown = live.changed_from(&mut version);
    assert!(grown.contains("7 birds") && !grown.contains("fewer records"));
    assert!(live.got("now/").contains("7 birds"));
}
