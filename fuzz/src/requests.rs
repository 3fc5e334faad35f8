//! Requests to the live page, over the loopback address, of a `view` that runs beside.

use std::io::{BufRead, BufReader, Read, Write};
use std::net::{Shutdown, TcpStream};
use std::process::{Child, Command, Stdio};
use std::sync::{Mutex, OnceLock};
use std::time::Duration;

use arbitrary::{Result, Unstructured};

use crate::mutate::mutated;
use crate::numerics::weighings;
use crate::readers::written;

/// The first argument with which the harness is the program itself.
pub const AS_PROGRAM: &str = "--as-program";

struct Served {
    child: Child,
    port: u16,
    path: String,
}

impl Drop for Served {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

fn serve() -> Served {
    let table = written(
        "served.csv",
        weighings(7, 2, 1, &[1.0, 20.0, 50.0, 80.0, 110.0, 140.0]).as_bytes(),
    );
    let mut child = Command::new(std::env::current_exe().expect("this program"))
        .args([
            AS_PROGRAM,
            "view",
            table.to_str().expect("a plain path"),
            "--quiet",
        ])
        .args(["--curve", "gompertz", "--level", "bird"])
        .stdout(Stdio::piped())
        .spawn()
        .expect("this program as pinfeather");
    let mut line = String::new();
    BufReader::new(child.stdout.take().expect("piped"))
        .read_line(&mut line)
        .expect("an address");
    let rest = line
        .trim()
        .strip_prefix("http://127.0.0.1:")
        .expect("an address")
        .to_owned();
    let (port, path) = rest.split_once('/').expect("an address");
    Served {
        child,
        port: port.parse().expect("a port"),
        path: format!("/{path}"),
    }
}

/// Ends the page that this process has started.
pub fn end() {
    if let Some(served) = SERVED.get() {
        *served
            .lock()
            .unwrap_or_else(std::sync::PoisonError::into_inner) = None;
    }
}

static SERVED: OnceLock<Mutex<Option<Served>>> = OnceLock::new();

/// Requests.
pub(crate) fn requests(data: &[u8]) {
    let served = SERVED.get_or_init(|| Mutex::new(Some(serve())));
    let mut served = served
        .lock()
        .unwrap_or_else(std::sync::PoisonError::into_inner);
    if let Some(served) = served.as_mut() {
        let _ = try_requests(&mut Unstructured::new(data), served);
    }
}

fn try_requests(u: &mut Unstructured, served: &mut Served) -> Result<()> {
    let (port, path) = (served.port, served.path.clone());
    let name = *u.choose(&["", "version", "now/", "../", "%2e%2e/"])?;
    let method = *u.choose(&[
        "GET", "GET", "GET", "HEAD", "POST", "OPTIONS", "CONNECT", "get",
    ])?;
    let extra = *u.choose(&[
        "",
        "Content-Length: 5000\r\n",
        "Content-Length: 18446744073709551615\r\n",
        "Transfer-Encoding: chunked\r\n",
        "Origin: http://example.org\r\n",
        "Expect: 100-continue\r\n",
        "Connection: keep-alive, upgrade\r\nUpgrade: h2c\r\n",
        "Sec-Fetch-Site: cross-site\r\n",
        "Range: bytes=0-1\r\n",
    ])?;
    let head = format!(
        "{method} {path}{name} HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\nAccept: */*\r\n{extra}\r\n"
    );
    let bytes = mutated(u, head.as_bytes(), b"Host: example.org\r\nX: y\r\n")?;
    let limit = Some(Duration::from_secs(15));
    let mut stream = TcpStream::connect(("127.0.0.1", port)).expect("the page is served");
    stream.set_read_timeout(limit).expect("a limit");
    stream.set_write_timeout(limit).expect("a limit");
    let _ = stream.write_all(&bytes);
    let _ = stream.shutdown(Shutdown::Write);
    let mut answer = Vec::new();
    let _ = stream.read_to_end(&mut answer);
    let ended = served.child.try_wait().expect("its state");
    assert!(ended.is_none(), "the page has ended: {ended:?}");
    let answer = String::from_utf8_lossy(&answer);
    assert!(
        answer.is_empty() || answer.starts_with("HTTP/1."),
        "{answer:.80}"
    );
    assert!(
        answer.matches("HTTP/1.1 ").count() <= 1 || answer.starts_with("HTTP/1.1 100"),
        "{answer:.200}"
    );
    if answer.starts_with("HTTP/1.1 200") {
        let sent = String::from_utf8_lossy(&bytes).to_ascii_lowercase();
        // What stands after the first empty line is no header.
        let sent = sent.replace("\r\n", "\n");
        let (sent, _) = sent.split_once("\n\n").unwrap_or((&sent, ""));
        assert!(
            sent.contains(&path[..]) && sent.contains(&format!("127.0.0.1:{port}")),
            "{sent:.300}"
        );
        assert!(
            !sent
                .lines()
                .any(|line| line == "origin: http://example.org"),
            "{sent:.300}"
        );
    }
    Ok(())
}
