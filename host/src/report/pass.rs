//! One board's recording gone through: once for the marks, once for the findings and everything beside them, and a third
//! time, as far as it takes, for the windows that are drawn larger.

use std::path::Path;

use indicatif::ProgressBar;
use jiff::Timestamp;
use steadybench_analysis::power_up::ChannelPowerUp;
use steadybench_analysis::sample::{Mark, MarkKind};
use steadybench_protocol::Hello;

use crate::examine::{Examination, Findings, Kind, RunFolder, Settings};
use crate::fault::Fault;
use crate::live::sample_of;
use crate::replay::Replay;
use crate::stream::{Gap, HappeningKind, Output, Reading};

use super::content::{GapTold, HappeningTold, MarkTold, Window};
use super::trace::Trace;

/// Gaps and happenings listed at most; the rest are counted.
const LISTED_MAX: usize = 200;

/// Readings in a moment so long that a spinner or bar should move.
const TICK_READINGS: u64 = 1 << 16;

/// What one board's recording shows.
#[derive(Debug)]
pub(super) struct Seen {
    pub(super) examined_as: Kind,
    pub(super) findings: Findings,
    pub(super) hello: Option<Box<Hello>>,
    pub(super) marks: Vec<MarkTold>,
    pub(super) trace: Trace,
    pub(super) windows: Vec<Window>,
    pub(super) gaps: Vec<GapTold>,
    pub(super) gaps_more: u64,
    pub(super) happenings: Vec<HappeningTold>,
    pub(super) happenings_more: u64,
    pub(super) guard_tripped: bool,
    pub(super) begun_utc: Option<Timestamp>,
    pub(super) ended_utc: Option<Timestamp>,
    pub(super) utc_bound_s: Option<f64>,
    pub(super) readings: u64,
    pub(super) lost_readings: u64,
    pub(super) missing_readings: [u64; 2],
    pub(super) clock_rate_ppm: Option<[f64; 2]>,
}

/// What a board's recording is examined as, and its marks; the same for the report and for `findings.json`.
///
/// A run that was recorded for no question is examined for taps where taps are marked, as a soak where it is long, and
/// for faults else.
///
/// # Errors
/// When the recording cannot be read to its end.
pub(super) fn question(run: &RunFolder) -> Result<(Kind, Vec<Mark>), Fault> {
    /// A free run so long is a soak.
    const SOAK_US: i64 = 3_600_000_000;
    let marks = run.marks()?;
    let kind = run.kind().unwrap_or_else(|| {
        let survey = run.survey();
        let started: Option<Timestamp> = survey
            .opened
            .as_ref()
            .and_then(|opened| opened.run.started_utc.parse().ok());
        let length_us = started
            .zip(survey.recorded_until_utc())
            .map_or(0, |(from, to)| to.as_microsecond() - from.as_microsecond());
        let taps = marks.iter().any(|mark| mark.kind == MarkKind::Tap);
        if !taps && length_us >= SOAK_US {
            Kind::Soak
        } else {
            Kind::Tap
        }
    });
    Ok((kind, marks))
}

/// Goes through the recording of one board.
///
/// # Errors
/// When it cannot be read to its end.
pub(super) fn go_through(run: &RunFolder, log: &Path, bar: &ProgressBar) -> Result<Seen, Fault> {
    let (examined_as, marks) = question(run)?;
    let mut replay = Replay::open(log)?;
    let mut examination = Examination::begin(examined_as, &Settings::default(), &marks);
    let mut seen = Gathered::default();
    let (mut trace, mut period_us, mut chunks) = (None::<Trace>, 1000, 0);
    while let Some(output) = replay.next_output()? {
        match &output {
            Output::Board { hello, .. } => {
                period_us = hello.reading_period_us;
                seen.hello = Some(hello.clone());
            }
            Output::Reading(reading) => {
                seen.take_reading(reading);
                trace.get_or_insert_with(|| Trace::whole(period_us)).take(reading);
                if let Some(sample) = sample_of(reading) {
                    examination.push(&sample);
                }
            }
            Output::Gap(gap) => seen.take_gap(gap),
            Output::Happening(happening) => {
                seen.guard_tripped |= happening.kind == HappeningKind::GuardTrip;
                seen.take_happening(HappeningTold {
                    at_s: happening.when.elapsed_us.map(seconds),
                    utc: happening.when.utc.map(|instant| instant.utc),
                    kind: happening.kind,
                    channel: happening.channel,
                    detail: happening.detail.clone(),
                });
            }
            _ => {}
        }
        if replay.log().chunks != chunks {
            bar.inc(replay.log().chunks - chunks);
            chunks = replay.log().chunks;
        }
    }
    let findings = examination.finish();
    let windows = windows_of(&findings, log, period_us, bar)?;
    Ok(Seen {
        examined_as,
        findings,
        hello: seen.hello,
        marks: marks.into_iter().map(told_mark).collect(),
        trace: trace.unwrap_or_else(|| Trace::whole(period_us)),
        windows,
        gaps: seen.gaps,
        gaps_more: seen.gaps_more,
        happenings: seen.happenings,
        happenings_more: seen.happenings_more,
        guard_tripped: seen.guard_tripped,
        begun_utc: seen.begun_utc,
        ended_utc: seen.ended_utc,
        utc_bound_s: seen.utc_bound_s,
        readings: seen.readings,
        lost_readings: seen.lost_readings,
        missing_readings: seen.missing_readings,
        clock_rate_ppm: replay
            .stream()
            .clock()
            .rate_ppm()
            .map(|(rate, bound)| [rate, bound]),
    })
}

fn seconds(elapsed_us: i64) -> f64 {
    elapsed_us as f64 * 1e-6
}

fn told_mark(mark: Mark) -> MarkTold {
    MarkTold {
        at_s: mark.time_s,
        tap: mark.kind == MarkKind::Tap,
        label: mark.label,
    }
}

/// What is gathered on the way.
#[derive(Default)]
struct Gathered {
    hello: Option<Box<Hello>>,
    gaps: Vec<GapTold>,
    gaps_more: u64,
    happenings: Vec<HappeningTold>,
    happenings_more: u64,
    guard_tripped: bool,
    begun_utc: Option<Timestamp>,
    ended_utc: Option<Timestamp>,
    utc_bound_s: Option<f64>,
    readings: u64,
    lost_readings: u64,
    missing_readings: [u64; 2],
}

impl Gathered {
    fn take_reading(&mut self, reading: &Reading) {
        self.readings += 1;
        for (missing, current_a) in self.missing_readings.iter_mut().zip(reading.current_a) {
            *missing += u64::from(current_a.is_none());
        }
        if let Some(instant) = reading.when.utc {
            self.begun_utc.get_or_insert(instant.utc);
            self.ended_utc = Some(instant.utc);
            self.utc_bound_s = Some(self.utc_bound_s.unwrap_or(0.0).max(instant.bound_s));
        }
    }

    fn take_gap(&mut self, gap: &Gap) {
        self.lost_readings += gap.readings;
        if self.gaps.len() == LISTED_MAX {
            self.gaps_more += 1;
            return;
        }
        self.gaps.push(GapTold {
            from_s: gap.when.elapsed_us.map(seconds),
            duration_s: gap.duration_us as f64 * 1e-6,
            readings: gap.readings,
            cause: gap.cause,
        });
    }

    fn take_happening(&mut self, happening: HappeningTold) {
        if self.happenings.len() == LISTED_MAX {
            self.happenings_more += 1;
        } else {
            self.happenings.push(happening);
        }
    }
}

/// The windows that are worth drawing larger.
fn windows_of(
    findings: &Findings,
    log: &Path,
    period_us: u32,
    bar: &ProgressBar,
) -> Result<Vec<Window>, Fault> {
    let wanted = match findings {
        Findings::PowerUp(found) => switch_on(&found.inrush).into_iter().collect(),
        Findings::Tap(found) => {
            let of_places = found.accused().filter_map(|place| {
                let hit = found
                    .faults()
                    .find(|event| event.place.as_deref() == Some(place.label.as_str()))?;
                let title = format!("a tap on {}", place.label);
                Some(around(
                    title,
                    hit.event.channel,
                    hit.event.start_s,
                    hit.event.end_s,
                ))
            });
            let mut wanted: Vec<Wanted> = of_places.take(WINDOWS_MAX).collect();
            if wanted.is_empty() {
                let strongest = found
                    .faults()
                    .max_by(|a, b| a.event.score.total_cmp(&b.event.score));
                wanted.extend(strongest.map(|found| {
                    let event = &found.event;
                    around(
                        "the strongest fault".into(),
                        event.channel,
                        event.start_s,
                        event.end_s,
                    )
                }));
            }
            wanted
        }
        Findings::Soak(found) => {
            let mut short: Vec<_> = found.short_events.iter().collect();
            short.sort_by(|a, b| b.score.total_cmp(&a.score));
            let mut wanted: Vec<Wanted> = short
                .into_iter()
                .take(WINDOWS_MAX)
                .map(|event| around("a short fault".into(), event.channel, event.start_s, event.end_s))
                .collect();
            wanted.sort_by_key(|wanted| wanted.from_us);
            wanted
        }
        Findings::Twins(_) => Vec::new(),
    };
    fill(wanted, log, period_us, bar)
}

/// Windows drawn at most for one recording.
const WINDOWS_MAX: usize = 3;

struct Wanted {
    title: String,
    channel: Option<u8>,
    from_us: i64,
    to_us: i64,
}

/// A window with as much before an event as it lasts, and a little more behind.
fn around(what: String, channel: u8, start_s: f64, end_s: f64) -> Wanted {
    let length_s = (end_s - start_s).clamp(0.02, 0.4);
    Wanted {
        title: format!("{what}, {start_s:.3} s after the run's first reading"),
        channel: Some(channel),
        from_us: ((start_s - 0.5 * length_s) * 1e6).max(0.0) as i64,
        to_us: ((start_s + 2.0 * length_s) * 1e6) as i64,
    }
}

/// The first moments after the switch-on: until the currents have settled, and no longer than a glance takes in.
fn switch_on(found: &[ChannelPowerUp]) -> Option<Wanted> {
    let onset_s = found
        .iter()
        .filter_map(|channel| channel.onset_s)
        .reduce(f64::min)?;
    let settled = found.iter().filter_map(|channel| channel.settling_time_s);
    let length_s = (1.5 * settled.fold(0.1, f64::max)).clamp(0.05, 1.0);
    Some(Wanted {
        title: format!(
            "the first {} after the switch-on",
            crate::examine::words::duration(length_s)
        ),
        channel: None,
        from_us: ((onset_s - 0.1 * length_s) * 1e6).max(0.0) as i64,
        to_us: ((onset_s + length_s) * 1e6) as i64,
    })
}

fn fill(wanted: Vec<Wanted>, log: &Path, period_us: u32, bar: &ProgressBar) -> Result<Vec<Window>, Fault> {
    let Some(end_us) = wanted.iter().map(|window| window.to_us).max() else {
        return Ok(Vec::new());
    };
    let mut windows: Vec<Window> = wanted
        .into_iter()
        .map(|window| Window {
            title: window.title,
            channel: window.channel,
            trace: Trace::between(window.from_us, window.to_us, period_us),
        })
        .collect();
    let mut replay = Replay::open(log)?;
    let mut readings = 0_u64;
    while let Some(output) = replay.next_output()? {
        let Output::Reading(reading) = output else {
            continue;
        };
        for window in &mut windows {
            window.trace.take(&reading);
        }
        if reading.when.elapsed_us.is_some_and(|at_us| at_us > end_us) {
            break;
        }
        readings += 1;
        if readings.is_multiple_of(TICK_READINGS) {
            bar.tick();
        }
    }
    Ok(windows)
}
