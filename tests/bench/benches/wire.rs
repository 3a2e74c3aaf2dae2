//! Decoding, recording, and the room that a recording takes. Run by `cargo bench -p steadybench-bench --bench wire`.

use std::hint::black_box;
use std::io::Write;
use std::process::{Command, Stdio};

use steadybench_bench::material::Material;
use steadybench_bench::measure::{Table, medians};
use steadybench_host::link::Receiver;
use steadybench_host::live::{Detection, Hub, LiveBoard};
use steadybench_host::recorder::{FullRate, JobFolder, Recorder};
use steadybench_host::stream::Stream;

/// What full-speed USB carries by bulk transfers at most, in bytes a second: 19 packets of 64 bytes a frame of 1 ms (USB
/// 2.0, section 5.8.4, table 5-9).
const USB_BYTES_PER_S: f64 = 1_216_000.0;

/// Seconds of the stream that is measured.
const SECONDS: u32 = 300;

fn main() -> anyhow::Result<()> {
    let mut table = Table::begin("cargo bench -p steadybench-bench --bench wire");
    let material = Material::new(1000, SECONDS);
    let bytes = material.bytes();
    decode(&mut table, &bytes);
    ingest(&mut table, &material, bytes.len());
    for rate in [1000, 4000] {
        size(&mut table, rate)?;
    }
    table.end()
}

fn times_usb(bytes: usize, time: std::time::Duration) -> f64 {
    bytes as f64 / time.as_secs_f64() / USB_BYTES_PER_S
}

/// Bytes to placed readings, against a loop that only undoes COBS and verifies the checksum.
fn decode(table: &mut Table, bytes: &[u8]) {
    let crc = crc::Crc::<u32, crc::Table<16>>::new(&crc::CRC_32_ISO_HDLC);
    let mut ours = || {
        let mut receiver = Receiver::new();
        let mut input = bytes;
        while let Some(received) = receiver.next(&mut input) {
            black_box(received);
        }
        assert_eq!(receiver.counts().damaged, 0);
    };
    let mut bare = || {
        let mut checked = [0; 512];
        let mut rest = bytes;
        while let Some(end) = memchr::memchr(0, rest) {
            let length = cobs::decode(&rest[..end], &mut checked).map_or(0, |report| report.frame_size());
            let (body, sum) = checked[..length].split_at(length - 4);
            assert_eq!(crc.checksum(body).to_le_bytes(), sum);
            rest = &rest[end + 1..];
        }
    };
    let [ours, bare] = medians([&mut ours, &mut bare]);
    table.row(
        "decoding, times full-speed USB",
        &format!("{:.0}", times_usb(bytes.len(), ours)),
        "400",
    );
    table.row(
        "decoding, times as long as COBS and CRC alone",
        &format!("{:.2}", ours.as_secs_f64() / bare.as_secs_f64()),
        "2",
    );
}

/// All that a reading goes through in the collector, as its station has it: decoded, timed, in amperes, into the live view,
/// through the detector, and through the recorder to wire.log and minutes.csv; on one core, as processor time.
fn ingest(table: &mut Table, material: &Material, bytes: usize) {
    let whole = || {
        collect(material).expect("the recorder works in a fresh folder");
    };
    let streamed = || {
        let mut stream = Stream::new();
        for record in &material.records {
            stream.take(record, &mut |output| drop(black_box(output)));
        }
    };
    let live = || {
        let (mut stream, hub) = (Stream::new(), Hub::new(0));
        let mut live = LiveBoard::new("bench".into());
        for record in &material.records {
            stream.take(record, &mut |output| live.take(&output, &hub));
        }
        black_box(&live);
    };
    let detected = || {
        let (mut stream, mut detection) = (Stream::new(), Detection::default());
        for record in &material.records {
            let mut found = |detected| drop(black_box(detected));
            stream.take(record, &mut |output| detection.take(&output, &mut found));
            detection.settle(&mut found);
        }
    };
    let [whole, streamed, live, detected] =
        medians([&mut { whole }, &mut { streamed }, &mut { live }, &mut {
            detected
        }]);
    table.row(
        "ingest, everything on, times full-speed USB",
        &format!("{:.1}", times_usb(bytes, whole)),
        "100",
    );
    let nanoseconds = |time: std::time::Duration| time.as_secs_f64() * 1e9 / material.instants() as f64;
    let [whole, streamed, live, detected] = [whole, streamed, live, detected].map(nanoseconds);
    table.row(
        "a reading instant of it: decoded and timed; live view; detector; recorder, ns",
        &format!(
            "{streamed:.0}; {:.0}; {:.0}; {:.0}",
            live - streamed,
            detected - streamed,
            whole - live - detected + streamed,
        ),
        "",
    );
}

/// Takes the material as a station does; gives the bytes of wire.log.
fn collect(material: &Material) -> anyhow::Result<u64> {
    let place = tempfile::tempdir()?;
    let job = JobFolder::open_or_create(&place.path().join("job"))?;
    let boards = vec![material.introduction()];
    let (recorder, mut sinks) = Recorder::start(job, &material.plan(FullRate::Never), boards)?;
    let sink = &mut sinks[0];
    sink.bring_events();
    let (mut stream, hub) = (Stream::new(), Hub::new(0));
    let (mut live, mut detection) = (LiveBoard::new("bench".into()), Detection::default());
    for record in &material.records {
        let mut found = Vec::new();
        stream.take(record, &mut |output| {
            live.take(&output, &hub);
            detection.take(&output, &mut |detected| found.push(detected));
        });
        detection.settle(&mut |detected| found.push(detected));
        sink.push_and_wait(record.clone());
        for detected in found {
            live.take_event(&detected, &hub);
            sink.push_event(detected);
        }
    }
    let summary = recorder.close("the material is used up")?;
    Ok(std::fs::metadata(summary.folder.join("wire.log"))?.len())
}

/// Records into a fresh folder; gives the bytes of wire.log.
fn record(material: &Material, full_rate: FullRate) -> anyhow::Result<u64> {
    let place = tempfile::tempdir()?;
    let job = JobFolder::open_or_create(&place.path().join("job"))?;
    let boards = vec![material.introduction()];
    let (recorder, mut sinks) = Recorder::start(job, &material.plan(full_rate), boards)?;
    for record in &material.records {
        sinks[0].push_and_wait(record.clone());
    }
    let summary = recorder.close("the material is used up")?;
    Ok(std::fs::metadata(summary.folder.join("wire.log"))?.len())
}

/// The room of wire.log, all it holds, against FLAC on the codes alone, as 24-bit stereo.
fn size(table: &mut Table, rate: u32) -> anyhow::Result<()> {
    let material = Material::new(rate, SECONDS);
    let instants = material.instants() as f64;
    let log = record(&material, FullRate::Never)? as f64;
    table.row(
        &format!("wire.log at {rate}/s, bytes a reading instant of both channels"),
        &format!("{:.2}", log / instants),
        "",
    );
    let Some(flac) = flac(&material.codes, rate)? else {
        eprintln!("NOT COMPARED: there is no program `flac` here");
        return Ok(());
    };
    table.row(
        &format!("wire.log at {rate}/s, times flac -8 of the codes alone"),
        &format!("{:.3}", log / flac),
        "1.05",
    );
    Ok(())
}

fn flac(codes: &[i32], rate: u32) -> anyhow::Result<Option<f64>> {
    let raw: Vec<u8> = codes
        .iter()
        .flat_map(|code| code.to_le_bytes().into_iter().take(3))
        .collect();
    let mut command = Command::new("flac");
    command
        .args([
            "-8",
            "--silent",
            "--stdout",
            "--force-raw-format",
            "--endian=little",
            "--sign=signed",
        ])
        .args(["--channels=2", "--bps=24", &format!("--sample-rate={rate}"), "-"])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::null());
    let mut child = match command.spawn() {
        Ok(child) => child,
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => return Ok(None),
        Err(error) => return Err(error.into()),
    };
    let mut input = child.stdin.take().expect("it was piped");
    let writer = std::thread::spawn(move || input.write_all(&raw));
    let output = child.wait_with_output()?;
    writer.join().expect("the writer does not panic")?;
    anyhow::ensure!(output.status.success(), "flac refused the codes");
    Ok(Some(output.stdout.len() as f64))
}
