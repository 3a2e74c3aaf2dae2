//! Bytes that anybody may have written, at every entrance: what the fuzz targets begin with, altered at random.
//!
//! It needs no fuzzer and no nightly compiler: the corpora in the repository are fed through the same entrances, each
//! file as it is, cut at every byte, and altered `count` times. The page's entrance is the shipped program itself, which
//! has to answer the next request after each.

use std::io::{Read, Write};
use std::net::{SocketAddr, TcpStream};
use std::path::{Path, PathBuf};
use std::process::{Child, Stdio};
use std::time::Duration;

use rand::Rng;
use rand_chacha::ChaCha8Rng;
use steadybench_host::recorder::{Announcement, find_collector};
use steadybench_host::table::rows::Rows;

use super::in_process::wait;
use super::{Outcome, bodies, inputs, random};
use crate::program::steady;

/// A name, the folder of its corpus, and what takes its bytes.
type Entrance = (&'static str, &'static str, fn(&[u8]));

const ENTRANCES: [Entrance; 7] = [
    ("frames", "protocol/fuzz/corpus/deframer", inputs::frames),
    ("wire_log", "host/fuzz/corpus/wire_log", inputs::wire_log),
    (
        "wire_records",
        "host/fuzz/corpus/wire_records",
        inputs::wire_records,
    ),
    ("table", "host/fuzz/corpus/table", inputs::table),
    ("job", "host/fuzz/corpus/job", inputs::job),
    ("quantity", "host/fuzz/corpus/quantity", inputs::quantity),
    ("body", "host/fuzz/corpus/body", bodies::body),
];

/// Pieces that parsers stumble over.
const PIECES: [&[u8]; 16] = [
    b"\0",
    b"\xff\xfe",
    b"\xef\xbb\xbf",
    b"\"",
    b"\r",
    b"\n",
    b",,,,",
    b"NaN",
    b"-inf",
    b"1e999",
    b"=cmd|'/c x'!A0",
    b"[[",
    b"\xf0\x9f\x92\xa5",
    b"9999999999999999999",
    b"-0.0",
    b"../../..",
];

/// Feeds every entrance `count` altered inputs, and the hostile tables.
///
/// # Panics
/// When a corpus is missing, or an entrance panics: then its input is in the temporary folder under the name printed.
#[must_use]
pub fn run(seed: u64, count: u64, mut progress: impl FnMut(u64)) -> Outcome {
    let mut outcome = Outcome::new("bad-input", "hostile files, frames, quantities, requests");
    let mut random = random(seed);
    let mut fed = 0;
    for (name, folder, entrance) in ENTRANCES {
        let corpus = corpus(folder);
        outcome.require(!corpus.is_empty(), || format!("{name}: its corpus is empty"));
        for bytes in &corpus {
            for cut in (0..=bytes.len()).step_by((bytes.len() / 400).max(1)) {
                feed(name, entrance, &bytes[..cut], &mut outcome);
                fed += 1;
            }
        }
        for number in 0..count {
            let bytes = altered(&corpus, &mut random);
            feed(name, entrance, &bytes, &mut outcome);
            fed += 1;
            if number % 512 == 0 {
                progress(fed);
            }
        }
    }
    let tables = hostile_tables(&mut outcome);
    let requests = requests(count / 20, &mut random, &mut outcome);
    outcome.tried = format!(
        "{fed} files, frames and words at {} entrances; {tables} hostile tables; {requests} altered requests to the shipped program",
        ENTRANCES.len()
    );
    outcome.lost = "no panic; nothing that is not finite taken; every table read or refused with its line; the program answered and recorded on".into();
    outcome
}

fn corpus(folder: &str) -> Vec<Vec<u8>> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("..").join(folder);
    let mut files: Vec<PathBuf> = std::fs::read_dir(&folder)
        .unwrap_or_else(|error| panic!("{}: {error}", folder.display()))
        .map(|entry| entry.expect("an entry").path())
        .collect();
    files.sort();
    files
        .iter()
        .map(|file| std::fs::read(file).expect("a file of the corpus"))
        .collect()
}

fn feed(name: &str, entrance: fn(&[u8]), bytes: &[u8], outcome: &mut Outcome) {
    let fed = std::panic::catch_unwind(|| entrance(bytes));
    if fed.is_err() {
        let kept = std::env::temp_dir().join(format!("steady-faults-{name}.bin"));
        let _ = std::fs::write(&kept, bytes);
        outcome
            .violations
            .push(format!("{name} panics at what is kept in {}", kept.display()));
    }
}

/// One of the corpus, altered a few times.
fn altered(corpus: &[Vec<u8>], random: &mut ChaCha8Rng) -> Vec<u8> {
    let mut bytes = corpus[random.random_range(0..corpus.len())].clone();
    for _ in 0..random.random_range(1..6) {
        let at = random.random_range(0..=bytes.len());
        let end = (at + random.random_range(0..64)).min(bytes.len());
        match random.random_range(0..7) {
            0 if at < bytes.len() => bytes[at] ^= 1 << random.random_range(0..8),
            1 if at < bytes.len() => bytes[at] = random.random(),
            2 => drop(bytes.drain(at..end)),
            3 => {
                let again = bytes[at..end].to_vec();
                bytes.splice(at..at, again);
            }
            4 => {
                let piece = PIECES[random.random_range(0..PIECES.len())];
                bytes.splice(at..end.min(at + piece.len()), piece.iter().copied());
            }
            5 => bytes.truncate(at),
            _ => {
                // A part of another one.
                let other = &corpus[random.random_range(0..corpus.len())];
                let from = random.random_range(0..=other.len());
                let to = (from + random.random_range(0..256)).min(other.len());
                bytes.splice(at..at, other[from..to].iter().copied());
            }
        }
    }
    bytes
}

/// Tables as an enemy or a bad day would write them; each is read or refused with its line. Gives how many.
fn hostile_tables(outcome: &mut Outcome) -> usize {
    let utf16 = |text: &str, mark: [u8; 2], bytes: fn(u16) -> [u8; 2]| {
        [mark.to_vec(), text.encode_utf16().flat_map(bytes).collect()].concat()
    };
    let plain = "t_s,ch1_A\n0,1\n1,2\n2,3\n3,4\n";
    let cases: [(&str, Vec<u8>, Result<usize, &str>); 15] = [
        (
            "a byte order mark",
            [b"\xef\xbb\xbf", plain.as_bytes()].concat(),
            Ok(4),
        ),
        (
            "UTF-16, little end first",
            utf16(plain, [0xff, 0xfe], u16::to_le_bytes),
            Ok(4),
        ),
        (
            "UTF-16, big end first",
            utf16(plain, [0xfe, 0xff], u16::to_be_bytes),
            Ok(4),
        ),
        (
            "UTF-16 without a mark",
            plain.encode_utf16().flat_map(u16::to_le_bytes).collect(),
            Err("line 1"),
        ),
        (
            "mixed line ends",
            b"t_s,ch1_A\r\n0,1\n1,2\r\n2,3\n3,4\r\n".to_vec(),
            Ok(4),
        ),
        (
            "carriage returns alone",
            plain.replace('\n', "\r").into_bytes(),
            Ok(4),
        ),
        (
            "NaN, infinities and overloads",
            b"t_s,ch1_A\n0,1\n1,NaN\n2,inf\n3,OL\n4,-inf\n".to_vec(),
            Ok(5),
        ),
        (
            "a time that is NaN",
            b"t_s,ch1_A\n0,1\n1,2\nNaN,3\n3,4\n4,4\n".to_vec(),
            Err("line 4"),
        ),
        (
            "a formula among the values",
            b"t_s,ch1_A\n0,1\n1,2\n2,3\n3,=1+1\n4,4\n".to_vec(),
            Err("line 5"),
        ),
        (
            "a formula in a note",
            b"t_s,ch1_A,note\n0,1,x\n1,2,\"=cmd|'/c x'!A0\"\n2,3,+1\n3,4,@x\n".to_vec(),
            Ok(4),
        ),
        (
            "a word among the values",
            b"t_s,ch1_A\n0,1\n1,2\n2,3\n3,oops\n".to_vec(),
            Err("line 5"),
        ),
        (
            "time running back",
            b"t_s,ch1_A\n0,1\n1,2\n2,3\n1,4\n".to_vec(),
            Err("line 5"),
        ),
        (
            "zero bytes",
            b"t_s,ch1_A\n0,1\n1,2\n2,3\n\0\0\0\0\n".to_vec(),
            Err("line 5"),
        ),
        (
            "a field of 64 MB",
            [plain.as_bytes(), b"4,", &vec![b'7'; 64 << 20]].concat(),
            Err("line 6"),
        ),
        (
            "a quotation mark never closed",
            [plain.as_bytes(), b"4,\"", "5,5\n".repeat(1 << 20).as_bytes()].concat(),
            Err("line 6"),
        ),
    ];
    for (what, bytes, wanted) in &cases {
        let found = count_rows(bytes.clone());
        let as_wanted = match (&found, wanted) {
            (Ok(found), Ok(wanted)) => found == wanted,
            (Err(words), Err(line)) => words.contains(line),
            _ => false,
        };
        outcome.require(as_wanted, || {
            format!("{what}: {found:?}, and {wanted:?} is wanted")
        });
    }
    cases.len()
}

fn count_rows(bytes: Vec<u8>) -> Result<usize, String> {
    let mut rows = Rows::open(std::io::Cursor::new(bytes), None, None).map_err(|fault| fault.to_string())?;
    let mut count = 0;
    while rows.next_sample().map_err(|fault| fault.to_string())?.is_some() {
        count += 1;
    }
    Ok(count)
}

/// Requests to the shipped program, altered, each followed by a question that it has to answer. Gives how many.
fn requests(count: u64, random: &mut ChaCha8Rng, outcome: &mut Outcome) -> u64 {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let job = folder.path().join("job");
    let mut child = steady()
        .args([
            "collect",
            "--port",
            "virtual:greenhouse",
            "--full-rate",
            "never",
            "--job",
        ])
        .arg(&job)
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .expect("steady starts");
    let up = wait(Duration::from_secs(60), || find_collector(&job).is_ok());
    assert!(up, "the program says where it listens");
    let collector = find_collector(&job).expect("it is there");
    let seeds = request_seeds(&collector);
    let mut tried = 0;
    for number in 0..count {
        let request = altered(&seeds, random);
        // Nobody but the operator ends the program, and an altered request may be a right one.
        if holds(&request, b"/v1/end") {
            continue;
        }
        tried += 1;
        send(collector.address, &request);
        if number % 16 == 0 && !is_alive(&mut child, &collector) {
            outcome.violations.push(format!(
                "after request {number} the program does not answer: {:?}",
                String::from_utf8_lossy(&request)
            ));
            break;
        }
    }
    outcome.require(is_alive(&mut child, &collector), || {
        "the program does not answer any more".into()
    });
    let asked = std::process::Command::new("kill")
        .args(["-INT", &child.id().to_string()])
        .status();
    assert!(
        asked.is_ok_and(|status| status.success()),
        "a program can be interrupted"
    );
    let code = child.wait().expect("steady ends").code();
    outcome.require(code == Some(0), || {
        format!("after {tried} requests it ends with {code:?}")
    });
    tried
}

fn holds(bytes: &[u8], word: &[u8]) -> bool {
    bytes.windows(word.len()).any(|window| window == word)
}

fn request_seeds(collector: &Announcement) -> Vec<Vec<u8>> {
    let Announcement { address, token } = collector;
    let head = |line: &str| {
        format!(
            "{line} HTTP/1.1\r\nHost: {address}\r\nAuthorization: Bearer {token}\r\nX-Steady-Token: {token}\r\n"
        )
    };
    let post = |path: &str, body: &str| {
        format!(
            "{}Content-Type: application/json\r\nContent-Length: {}\r\n\r\n{body}",
            head(&format!("POST {path}")),
            body.len()
        )
    };
    let live = "Connection: Upgrade\r\nUpgrade: websocket\r\nSec-WebSocket-Version: 13\r\nSec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==\r\n\r\n";
    let mut seeds: Vec<String> = [
        "/v1/status",
        "/",
        "/v1/state",
        "/v1/window?from_s=0&to_s=1e9&columns=1000",
        "/v1/events.json",
        "/v1/runs",
        "/v1/runs/1",
        "/v1/job",
        "/v1/openapi.json",
        "/%2e%2e/%2e%2e/etc/passwd",
    ]
    .map(|path| head(&format!("GET {path}")) + "\r\n")
    .into();
    seeds.push(head("GET /v1/live") + live);
    seeds.extend([
        post("/v1/marks", r#"{"kind":"tap","label":"stage 2 bridge"}"#),
        post(
            "/v1/marks",
            r#"{"kind":"note","label":"=1+1","more":[[[[[[[[]]]]]]]]}"#,
        ),
        post("/v1/place", r#"{"place":"stage 1 fuse"}"#),
        post("/v1/notes", r#"{"kind":"note","text":"smells of burnt varnish"}"#),
        post("/v1/alterations", r#"{"kind":"link","what":"over F1","why":""}"#),
        post("/v1/alterations/1/restored", r#"{"remark":""}"#),
        post("/v1/runs", r#"{"kind":"tap","for_s":2.5,"rate_hz":1000}"#),
        post("/v1/rearm", ""),
        post("/v1/stop", ""),
    ]);
    seeds.into_iter().map(String::into_bytes).collect()
}

fn send(address: SocketAddr, request: &[u8]) {
    let Ok(mut stream) = TcpStream::connect_timeout(&address, Duration::from_secs(5)) else {
        return;
    };
    let _ = stream.set_read_timeout(Some(Duration::from_millis(3)));
    let _ = stream.write_all(request);
    let mut answer = [0; 512];
    // What it says to nonsense is its own affair; that it says something to the next question is not.
    let _ = stream.read(&mut answer);
}

fn is_alive(child: &mut Child, collector: &Announcement) -> bool {
    if !matches!(child.try_wait(), Ok(None)) {
        return false;
    }
    let Ok(mut stream) = TcpStream::connect_timeout(&collector.address, Duration::from_secs(5)) else {
        return false;
    };
    let _ = stream.set_read_timeout(Some(Duration::from_secs(10)));
    let question = &request_seeds(collector)[0];
    let mut answer = [0; 12];
    stream.write_all(question).is_ok()
        && stream.read_exact(&mut answer).is_ok()
        && answer.starts_with(b"HTTP/1.1 ")
}
