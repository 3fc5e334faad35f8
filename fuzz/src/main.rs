//! Runs the targets on random bytes, counts, and keeps what fails.

use std::collections::BTreeMap;
use std::io::Write;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::sync::Mutex;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::{Duration, Instant};

use peak_alloc::PeakAlloc;
use pinfeather_fuzz::{AS_PROGRAM, TARGETS, Target, end, folder, remove_folder};

#[global_allocator]
static MEMORY: PeakAlloc = PeakAlloc;

const MOST_TIME: Duration = Duration::from_secs(10);
const MOST_MB: f32 = 1024.0;

/// What runs now: when it began in milliseconds (0: nothing), target and bytes.
static BEGAN_MS: AtomicU64 = AtomicU64::new(0);
static RUNNING: Mutex<(&str, Vec<u8>)> = Mutex::new(("", Vec::new()));
/// Where the last panic was and what it said.
static PANIC: Mutex<String> = Mutex::new(String::new());

struct Options {
    seconds: Option<u64>,
    executions: Option<u64>,
    seed: u64,
    targets: Vec<&'static Target>,
}

fn main() -> ExitCode {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    if arguments.first().is_some_and(|first| first == AS_PROGRAM) {
        return ExitCode::from(pinfeather::cli::run(std::env::args_os().skip(1)));
    }
    std::panic::set_hook(Box::new(|panic| {
        if let Ok(mut kept) = PANIC.lock() {
            *kept = panic.to_string().replace('\n', " ");
        }
    }));
    if let [flag, file] = arguments.as_slice()
        && flag == "--replay"
    {
        return replay(Path::new(file));
    }
    if !counts_memory() {
        eprintln!("the counter of memory does not count");
        return ExitCode::from(2);
    }
    let Some(options) = options(&arguments) else {
        eprintln!("expected [--seconds N | --executions N] [--seed N] [GROUP or TARGET ...]");
        return ExitCode::from(2);
    };
    let began = Instant::now();
    watch(began);
    let mut findings = 0;
    for target in &options.targets {
        findings += fuzz(target, &options, began);
    }
    end();
    remove_folder();
    ExitCode::from(u8::from(findings > 0))
}

fn options(arguments: &[String]) -> Option<Options> {
    let mut options = Options {
        seconds: None,
        executions: None,
        seed: 1,
        targets: Vec::new(),
    };
    let mut arguments = arguments.iter();
    while let Some(argument) = arguments.next() {
        match argument.as_str() {
            "--seconds" => options.seconds = Some(arguments.next()?.parse().ok()?),
            "--executions" => options.executions = Some(arguments.next()?.parse().ok()?),
            "--seed" => options.seed = arguments.next()?.parse().ok()?,
            name => {
                let named = TARGETS
                    .iter()
                    .filter(|target| target.name == name || target.group == name);
                let before = options.targets.len();
                options.targets.extend(named);
                if options.targets.len() == before {
                    return None;
                }
            }
        }
    }
    if options.targets.is_empty() {
        options.targets.extend(TARGETS);
    }
    (options.seconds.is_some() != options.executions.is_some()).then_some(options)
}

/// Ends the process where one execution does not end; the file is kept first.
fn watch(began: Instant) {
    std::thread::spawn(move || {
        loop {
            std::thread::sleep(Duration::from_millis(500));
            let since = BEGAN_MS.load(Ordering::Relaxed);
            if since > 0 && began.elapsed() > Duration::from_millis(since) + 30 * MOST_TIME {
                if let Ok(running) = RUNNING.lock() {
                    keep(running.0, &running.1, "did not end in 300 s");
                }
                std::process::exit(1);
            }
        }
    });
}

fn fuzz(target: &Target, options: &Options, zero: Instant) -> u32 {
    let share = options.targets.len() as u64;
    let time = options
        .seconds
        .map(|seconds| Duration::from_millis(1000 * seconds / share));
    let most = options
        .executions
        .map_or(u64::MAX, |executions| executions / share);
    let began = Instant::now();
    let mut told = began;
    let mut seed = options.seed ^ 0x5851_f42d_4c95_7f2d;
    let mut next = || {
        seed = seed.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = seed;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    };
    let (mut done, mut longest, mut most_mb) = (0_u64, Duration::ZERO, 0.0_f32);
    let mut findings: BTreeMap<String, u64> = BTreeMap::new();
    while done < most && time.is_none_or(|time| began.elapsed() < time) {
        let data: Vec<u8> = (0..8 + next() % 56)
            .flat_map(|_| next().to_le_bytes())
            .collect();
        if let Ok(mut running) = RUNNING.lock() {
            running.0 = target.name;
            running.1.clone_from(&data);
        }
        BEGAN_MS.store(zero.elapsed().as_millis() as u64 + 1, Ordering::Relaxed);
        let (finding, took, mb) = once(target, &data);
        BEGAN_MS.store(0, Ordering::Relaxed);
        done += 1;
        longest = longest.max(took);
        most_mb = most_mb.max(mb);
        if let Some(finding) = finding {
            // One file for each place; numbers in its words would make every one new.
            let place: String = finding
                .chars()
                .filter(|c| !c.is_ascii_digit())
                .take(90)
                .collect();
            let count = findings.entry(place).or_default();
            *count += 1;
            if *count == 1 {
                keep(target.name, &data, &finding);
            }
        }
        if told.elapsed() > Duration::from_secs(60) {
            told = Instant::now();
            report(target, done, began, longest, most_mb, &findings);
        }
    }
    report(target, done, began, longest, most_mb, &findings);
    findings.len() as u32
}

fn report(
    target: &Target,
    done: u64,
    began: Instant,
    longest: Duration,
    mb: f32,
    findings: &BTreeMap<String, u64>,
) {
    let _ = writeln!(
        std::io::stderr(),
        "{}: {done} executions in {} s, the longest {:.2} s of work, at most {mb:.1} MB, {} kinds of findings in {}",
        target.name,
        began.elapsed().as_secs(),
        longest.as_secs_f64(),
        findings.len(),
        findings.values().sum::<u64>()
    );
}

fn once(target: &Target, data: &[u8]) -> (Option<String>, Duration, f32) {
    MEMORY.reset_peak_usage();
    let before = MEMORY.current_usage_as_mb();
    let (began, worked) = (Instant::now(), worked());
    let result = catch_unwind(AssertUnwindSafe(|| (target.run)(data)));
    let took = match (worked, self::worked()) {
        (Some(before), Some(now)) => now.saturating_sub(before),
        _ => began.elapsed(),
    };
    let mb = MEMORY.peak_usage_as_mb() - before;
    let finding = if result.is_err() {
        PANIC.lock().map_or(None, |panic| Some(panic.clone()))
    } else if took > MOST_TIME {
        Some(format!("took {:.1} s", took.as_secs_f64()))
    } else if mb > MOST_MB {
        Some(format!("took {mb:.0} MB"))
    } else {
        None
    };
    (finding, took, mb)
}

/// Whether the bound on memory can be trusted.
fn counts_memory() -> bool {
    MEMORY.reset_peak_usage();
    let before = MEMORY.current_usage();
    drop(std::hint::black_box(vec![1_u8; 64 << 20]));
    MEMORY.peak_usage() - before >= 64 << 20
}

/// Time that this process has worked, where the system says so: the clock goes on while others do.
fn worked() -> Option<Duration> {
    let stat = std::fs::read_to_string("/proc/self/stat").ok()?;
    let (_, rest) = stat.rsplit_once(')')?;
    let ticks = |place| rest.split_whitespace().nth(place)?.parse::<u64>().ok();
    // utime and stime, in hundredths of a second (proc(5), fields 14 and 15).
    Some(Duration::from_millis(10 * (ticks(11)? + ticks(12)?)))
}

fn keep(target: &str, data: &[u8], finding: &str) {
    let sum = data.iter().fold(0xcbf2_9ce4_8422_2325_u64, |sum, byte| {
        (sum ^ u64::from(*byte)).wrapping_mul(0x0100_0000_01b3)
    });
    let file =
        PathBuf::from(env!("CARGO_MANIFEST_DIR")).join(format!("failures/{target}-{sum:016x}"));
    let kept = std::fs::write(&file, data);
    let _ = writeln!(
        std::io::stderr(),
        "FINDING {target}: {finding}\n  {} {kept:?}",
        file.display()
    );
}

fn replay(file: &Path) -> ExitCode {
    let name = file
        .file_name()
        .and_then(|name| name.to_str())
        .unwrap_or("");
    let target = TARGETS.iter().find(|target| {
        name.rsplit_once('-')
            .is_some_and(|(before, _)| before == target.name)
    });
    let (Some(target), Ok(data)) = (target, std::fs::read(file)) else {
        eprintln!("{}: expected a file of fuzz/failures", file.display());
        return ExitCode::from(2);
    };
    let (finding, took, mb) = once(target, &data);
    eprintln!(
        "{:.2} s of work, {mb:.1} MB; the files are left in {}: {}",
        took.as_secs_f64(),
        folder().display(),
        finding.as_deref().unwrap_or("no finding")
    );
    end();
    ExitCode::from(u8::from(finding.is_some()))
}
