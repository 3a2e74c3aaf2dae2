//! What the shipped program costs while it records and its page is open: processor time, memory and wake-ups, for one board
//! and for several. The boards are virtual ones in another process, behind pseudo-terminals, so that none of their cost is
//! counted; the page is a connection that takes the live stream and asks for the whole run every two seconds.
//!
//! ```text
//! cargo build --release
//! cargo run --release -p steadybench-bench --example at-rest -- [--seconds 60] [--boards 1,2,4,8,16] [--rate 1000] [--no-page]
//! ```
//!
//! Of each row: percent of one core (user and system together, from the kernel's accounting), resident memory, context
//! switches a second, and readings lost; and per board more than the row before.

#![cfg(target_os = "linux")]
#![allow(clippy::unwrap_used)] // A measurement may stop at once.

use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpStream;
use std::process::{Child, Command, Stdio};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::time::{Duration, Instant};

use steadybench_bench::measure::Table;
use steadybench_tests::program::steady;
use steadybench_virtual::{BenchOptions, Scenario, VirtualBench};

/// What the kernel counts a process's time in (`getconf CLK_TCK`).
const TICKS_PER_S: f64 = 100.0;

/// Until everything that is learned or opened at the beginning is.
const WARM_UP: Duration = Duration::from_secs(15);

/// From one question for the whole run to the next.
const ASK_EVERY: Duration = Duration::from_secs(2);

struct Settings {
    measured: Duration,
    boards: Vec<usize>,
    rate: u32,
    page: bool,
}

fn main() {
    let words: Vec<String> = std::env::args().skip(1).collect();
    if let [what, count] = &words[..]
        && what == "be-boards"
    {
        return be_boards(count.parse().unwrap());
    }
    let after = |name: &str| {
        let place = words.iter().position(|word| word == name)?;
        words.get(place + 1).map(String::as_str)
    };
    let settings = Settings {
        measured: Duration::from_secs(after("--seconds").map_or(60, |word| word.parse().unwrap())),
        boards: after("--boards")
            .unwrap_or("1,2,4,8,16")
            .split(',')
            .map(|word| word.parse().unwrap())
            .collect(),
        rate: after("--rate").map_or(1_000, |word| word.parse().unwrap()),
        page: !words.iter().any(|word| word == "--no-page"),
    };
    println!(
        "a soak at {}/s and two channels, {}, {} s each after {} s",
        settings.rate,
        if settings.page {
            "page open"
        } else {
            "no page open"
        },
        settings.measured.as_secs(),
        WARM_UP.as_secs(),
    );
    println!(
        "boards   core %   resident MB   switches/s   readings      lost   per board more: core %   MB   switches/s   browser's share kB/s"
    );
    let mut first: Option<(usize, Row)> = None;
    let mut before: Option<(usize, Row)> = None;
    for boards in &settings.boards {
        let row = measure(*boards, &settings);
        let more = before.as_ref().map_or(String::new(), |(fewer, less)| {
            let each = |now: f64, then: f64| (now - then) / (boards - fewer) as f64;
            format!(
                "{:>24.2} {:>6.2} {:>10.0}",
                each(row.core_percent, less.core_percent),
                each(row.resident_mb, less.resident_mb),
                each(row.switches_per_s, less.switches_per_s),
            )
        });
        println!(
            "{boards:>6} {:>8.2} {:>13.1} {:>12.0} {:>10} {:>9} {more:>42} {:>10.0}",
            row.core_percent,
            row.resident_mb,
            row.switches_per_s,
            row.readings,
            row.lost,
            row.streamed_kb_per_s,
        );
        if first.is_none() {
            first = Some((*boards, row));
        }
        before = Some((*boards, row));
    }
    if let (Some(first), Some(last)) = (first, before) {
        sum_up(&settings, first, last);
    }
}

/// The figures that README has.
fn sum_up(settings: &Settings, (fewest, least): (usize, Row), (most, row): (usize, Row)) {
    let mut table = Table::begin(&format!(
        "cargo run --release -p steadybench-bench --example at-rest -- --seconds {}",
        settings.measured.as_secs()
    ));
    let name = |boards| format!("program at rest, {boards} of two channels at {}/s", settings.rate);
    table.row(
        &format!(
            "{}, page open: share of a core, resident",
            name(format!("{fewest} board"))
        ),
        &format!("{:.1} %, {:.0} MB", least.core_percent, least.resident_mb),
        "3 %, 60 MB",
    );
    if most > fewest {
        let each = |last: f64, first: f64| (last - first) / (most - fewest) as f64;
        table.row(
            &format!("each board more, of {most}"),
            &format!(
                "{:.1} %, {:.1} MB",
                each(row.core_percent, least.core_percent),
                each(row.resident_mb, least.resident_mb)
            ),
            "2 %, 5 MB",
        );
        table.row(
            &format!("{}: readings lost", name(format!("{most} boards"))),
            &format!("{} of {}", row.lost, row.readings),
            "0",
        );
    }
    table.end().unwrap();
}

/// Holds so many boards until nobody is at the other end any more.
fn be_boards(count: u64) {
    let benches: Vec<VirtualBench> = (1..=count)
        .map(|seed| {
            let options = BenchOptions {
                seed,
                ..BenchOptions::default()
            };
            VirtualBench::on_pty(&"greenhouse-healthy".parse::<Scenario>().unwrap(), &options).unwrap()
        })
        .collect();
    for bench in &benches {
        println!("{}", bench.port());
    }
    let _ = std::io::stdin().read(&mut [0]);
}

#[derive(Clone, Copy)]
struct Row {
    core_percent: f64,
    resident_mb: f64,
    switches_per_s: f64,
    readings: u64,
    lost: u64,
    streamed_kb_per_s: f64,
}

/// A process that ends with its measurement.
struct Ending(Child);

impl Drop for Ending {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

fn measure(count: usize, settings: &Settings) -> Row {
    let mut boards = Ending(
        Command::new(std::env::current_exe().unwrap())
            .args(["be-boards", &count.to_string()])
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .unwrap(),
    );
    let ports: Vec<String> = BufReader::new(boards.0.stdout.take().unwrap())
        .lines()
        .take(count)
        .map(Result::unwrap)
        .collect();
    let folder = tempfile::tempdir().unwrap();
    let mut command = steady();
    command
        .args(["collect", "--as", "soak", "--listen", "127.0.0.1:0"])
        .args(["--rate", &settings.rate.to_string()])
        .arg("--job")
        .arg(folder.path().join("job"))
        .stdout(Stdio::null())
        .stderr(Stdio::piped());
    for port in &ports {
        command.args(["--port", port]);
    }
    let mut program = Ending(command.spawn().unwrap());
    let mut said = BufReader::new(program.0.stderr.take().unwrap()).lines();
    let link = said
        .find_map(|line| line.ok().filter(|line| line.contains("#token=")))
        .expect("the program prints its link");
    // Whatever else it says has to be taken from it.
    std::thread::spawn(move || said.for_each(drop));
    let address = link
        .split("http://")
        .nth(1)
        .and_then(|rest| rest.split('/').next())
        .unwrap()
        .to_owned();

    let over = Arc::new(AtomicBool::new(false));
    let streamed = Arc::new(AtomicU64::new(0));
    let page: Vec<_> = if settings.page {
        watch(&address, &over, &streamed)
    } else {
        Vec::new()
    };
    std::thread::sleep(WARM_UP);
    let pid = program.0.id();
    let (used_before, switched_before, streamed_before) =
        (used_s(pid), switches(pid), streamed.load(Ordering::Relaxed));
    let begun = Instant::now();
    std::thread::sleep(settings.measured);
    let took_s = begun.elapsed().as_secs_f64();
    let row = Row {
        core_percent: (used_s(pid) - used_before) / took_s * 100.0,
        resident_mb: resident_mb(pid),
        switches_per_s: (switches(pid) - switched_before) / took_s,
        readings: counted(&address, "steadybench_readings_total"),
        lost: counted(&address, "steadybench_lost_readings_total"),
        streamed_kb_per_s: (streamed.load(Ordering::Relaxed) - streamed_before) as f64 / 1e3 / took_s,
    };
    over.store(true, Ordering::Relaxed);
    for thread in page {
        let _ = thread.join();
    }
    row
}

/// What an open page does: takes the stream, and asks for the whole run now and then.
fn watch(
    address: &str,
    over: &Arc<AtomicBool>,
    streamed: &Arc<AtomicU64>,
) -> Vec<std::thread::JoinHandle<()>> {
    let (stream_of, asked_of) = (address.to_owned(), address.to_owned());
    let (over, over_too, streamed) = (Arc::clone(over), Arc::clone(over), Arc::clone(streamed));
    vec![
        std::thread::spawn(move || {
            let mut stream = requested(&stream_of, "/v1/live");
            let mut taken = [0; 65_536];
            while !over.load(Ordering::Relaxed) {
                match stream.read(&mut taken) {
                    Ok(0) | Err(_) => break,
                    Ok(count) => streamed.fetch_add(count as u64, Ordering::Relaxed),
                };
            }
        }),
        std::thread::spawn(move || {
            while !over_too.load(Ordering::Relaxed) {
                let _ = answered(&asked_of, "/v1/window?columns=1200");
                std::thread::sleep(ASK_EVERY);
            }
        }),
    ]
}

fn requested(address: &str, path: &str) -> TcpStream {
    let mut stream = TcpStream::connect(address).unwrap();
    stream.set_read_timeout(Some(Duration::from_secs(5))).unwrap();
    write!(
        stream,
        "GET {path} HTTP/1.1\r\nHost: {address}\r\nConnection: close\r\n\r\n"
    )
    .unwrap();
    stream
}

fn answered(address: &str, path: &str) -> String {
    let mut text = String::new();
    let _ = requested(address, path).read_to_string(&mut text);
    text
}

/// The sum of a counter over all boards.
fn counted(address: &str, name: &str) -> u64 {
    answered(address, "/metrics")
        .lines()
        .filter(|line| line.starts_with(name))
        .filter_map(|line| line.rsplit(' ').next()?.parse::<u64>().ok())
        .sum()
}

/// Processor time of a process, user and system, in seconds (proc(5), `/proc/PID/stat`).
fn used_s(pid: u32) -> f64 {
    let stat = std::fs::read_to_string(format!("/proc/{pid}/stat")).unwrap();
    let fields: Vec<&str> = stat.rsplit(") ").next().unwrap().split(' ').collect();
    let ticks = |place: usize| fields[place].parse::<f64>().unwrap();
    (ticks(11) + ticks(12)) / TICKS_PER_S
}

fn status_numbers(path: &str, name: &str) -> f64 {
    let status = std::fs::read_to_string(path).unwrap_or_default();
    status
        .lines()
        .filter(|line| line.starts_with(name))
        .filter_map(|line| line.split_whitespace().nth(1)?.parse::<f64>().ok())
        .sum()
}

fn resident_mb(pid: u32) -> f64 {
    status_numbers(&format!("/proc/{pid}/status"), "VmRSS:") / 1024.0
}

/// Context switches of all threads that there are.
fn switches(pid: u32) -> f64 {
    std::fs::read_dir(format!("/proc/{pid}/task"))
        .unwrap()
        .filter_map(Result::ok)
        .map(|task| {
            let path = task.path().join("status").display().to_string();
            status_numbers(&path, "voluntary_ctxt_switches:")
                + status_numbers(&path, "nonvoluntary_ctxt_switches:")
        })
        .sum()
}
