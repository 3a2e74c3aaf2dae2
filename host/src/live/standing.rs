//! What the examinations of a run say while it is recorded, as the page and other programs read it.

use schemars::JsonSchema;
use serde::Serialize;
use steadybench_analysis::fuse::{FuseCheck, FuseMarking, check};
use steadybench_analysis::power_up::{CaptureState, ChannelPowerUp, PowerUpFindings, PowerUpVerdict};
use steadybench_analysis::soak::{ChannelSoak, SoakStanding};
use steadybench_analysis::tap::{PlaceVerdict, TapFindings};
use steadybench_analysis::twins::{TwinFindings, TwinStanding};

use crate::references::{self, Reference};

use super::view::Figure;

/// The event `standing`: the places of a tap run, most suspect first.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
pub struct TapView {
    /// The run's number.
    pub run: u32,
    /// The board.
    pub board: String,
    /// The places.
    pub places: Vec<PlaceView>,
    /// Faults outside every tap's window.
    pub background_events: u64,
    /// Time observed outside every tap's window.
    pub background_s: f64,
    /// Innocent places seem to answer taps too, so taps were compared with taps.
    pub blow_disturbs: bool,
    /// How it stands, in a sentence.
    pub sentence: String,
}

/// One place of a tap run.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
pub struct PlaceView {
    /// The place.
    pub place: String,
    /// Taps there.
    pub taps: u64,
    /// Taps that an event followed.
    pub hits: u64,
    /// Share of taps that were hits.
    pub probability: Figure,
    /// Chance of so many hits if the place were innocent.
    pub p: f64,
    /// The same, corrected for the number of places: accused below 0.05.
    pub p_corrected: f64,
    /// `accused`, `suspect`, `cleared` or `not enough taps`.
    pub verdict: &'static str,
    /// Further taps without a hit that would clear the place; `null` if it had hits.
    pub taps_more: Option<u64>,
    /// The verdict in words.
    pub reason: String,
}

/// The event `soak`: where each channel is going.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
pub struct SoakView {
    /// The run's number.
    pub run: u32,
    /// The board.
    pub board: String,
    /// Seconds recorded so far.
    pub elapsed_s: f64,
    /// The channels that carry readings.
    pub channels: Vec<SoakChannelView>,
    /// Faults seen so far on both channels, as the detector judges them now.
    pub faults: u64,
    /// How it stands, in words.
    pub words: String,
}

impl SoakView {
    /// Of the channels' standing.
    #[must_use]
    pub fn of(run: u32, board: &str, elapsed_s: f64, standing: &[ChannelSoak], faults: u64) -> Self {
        let channels: Vec<SoakChannelView> = standing.iter().map(SoakChannelView::of).collect();
        let mut sentences: Vec<String> = channels
            .iter()
            .map(|channel| {
                let wait = channel.wait_min.map_or(String::new(), |minutes| {
                    format!(", wait {:.0} min", minutes.ceil())
                });
                format!("Channel {}: {}{wait}.", channel.channel, channel.word)
            })
            .collect();
        if channels.is_empty() {
            sentences.push("Not enough data yet.".to_owned());
        }
        if faults > 0 {
            let noun = if faults == 1 { "fault" } else { "faults" };
            sentences.push(format!("{faults} short {noun} so far."));
        }
        Self {
            run,
            board: board.to_owned(),
            elapsed_s,
            channels,
            faults,
            words: sentences.join(" "),
        }
    }
}

/// One channel of a soak.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
pub struct SoakChannelView {
    /// 1 or 2.
    pub channel: u8,
    /// `settled`, `settling`, `drifting`, `intermittent` or `not enough data`.
    pub word: &'static str,
    /// Minutes to wait: until settled, or until more can be said.
    pub wait_min: Option<f64>,
    /// The current that settling leads to.
    pub settled_a: Option<Figure>,
    /// What is still to go, positive when the current must still fall.
    pub to_go_a: Option<f64>,
    /// Drift in amperes per hour at constant room temperature.
    pub drift_a_per_h: Option<Figure>,
    /// Time constant of the settling in seconds.
    pub time_constant_s: Option<Figure>,
    /// Current per kelvin of temperature.
    pub temperature_slope_a_per_k: Option<Figure>,
    /// Standard deviation of a single reading about the slow course.
    pub reading_sd_a: f64,
    /// Why that word.
    pub reason: String,
    /// What was missing or taken for granted.
    pub notes: Vec<String>,
}

/// The event `power_up`.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
pub struct PowerUpView {
    /// The run's number.
    pub run: u32,
    /// The board.
    pub board: String,
    /// The furthest of the channels': `armed`, `seen` or `frozen`.
    pub state: &'static str,
    /// When the first channel rose, in seconds of the run.
    pub switched_on_s: Option<f64>,
    /// How it stands, in words.
    pub words: String,
    /// The two channels.
    pub channels: Vec<PowerUpChannelView>,
    /// The comparison with kept runs of good units of this model (`job.toml`'s `unit`), in words; `null` where none are
    /// kept or nothing was switched on.
    pub known_good: Option<String>,
}

/// One channel of a power-up.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
pub struct PowerUpChannelView {
    /// 1 or 2.
    pub channel: u8,
    /// `armed` (waiting for the switch-on), `seen` (taking it) or `frozen` (the figures stand).
    pub state: &'static str,
    /// When the switch-on was noticed, in seconds of the run.
    pub since_s: Option<f64>,
    /// The peak; a lower bound where `peak_is_at_least`.
    pub peak_a: Option<Figure>,
    /// Whether the true peak may be higher.
    pub peak_is_at_least: bool,
    /// From the switch-on to the peak.
    pub time_to_peak_s: Option<f64>,
    /// I²t in A²s over the window from the switch-on.
    pub i2t_a2s: Option<Figure>,
    /// Charge in ampere seconds over the same window.
    pub charge_as: Option<Figure>,
    /// The settled current.
    pub settled_a: Option<Figure>,
    /// From the switch-on until it stays settled.
    pub settling_time_s: Option<f64>,
    /// The input ran out of range.
    pub clipped: bool,
    /// `normal`, `fault` or `not enough data`; `null` until it is frozen.
    pub verdict: Option<&'static str>,
    /// Why that word.
    pub reasons: Vec<String>,
    /// The fuse marked in `job.toml` against these figures; `null` where none is marked or nothing was switched on.
    pub fuse: Option<FuseView>,
}

/// A fuse against a power-up.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
pub struct FuseView {
    /// The verdict.
    pub verdict: String,
    /// Why, and what speaks besides.
    pub reasons: Vec<String>,
    /// What was taken for granted.
    pub assumptions: Vec<String>,
}

/// The event `twins`.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
pub struct TwinRunView {
    /// The run's number.
    pub run: u32,
    /// The board.
    pub board: String,
    /// Channel 1 minus channel 2; `null` when there are too few readings.
    pub difference_a: Option<Figure>,
    /// Channel 1 over channel 2; `null` when channel 2 carries next to nothing.
    pub ratio: Option<Figure>,
    /// Largest difference that counts as alike.
    pub margin_a: f64,
    /// `alike`, `differs` or `cannot say yet`.
    pub word: &'static str,
    /// Seconds of recording still needed to say.
    pub more_s: Option<f64>,
    /// Why that word.
    pub reason: String,
    /// What else was compared.
    pub beside: Vec<BesideView>,
    /// Seconds compared.
    pub duration_s: f64,
}

/// One thing beside the mean current of twins.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
pub struct BesideView {
    /// What it is, with its unit.
    pub what: String,
    /// On channel 1 and channel 2.
    pub value: [Option<f64>; 2],
    /// Whether the two differ.
    pub differs: bool,
    /// By which rule.
    pub reason: String,
}

fn figure(value: Option<f64>, low: Option<f64>, high: Option<f64>) -> Option<Figure> {
    let finite = |end: Option<f64>| end.filter(|end| end.is_finite());
    Some(Figure {
        value: finite(value)?,
        low: finite(low),
        high: finite(high),
    })
}

impl TapView {
    /// Of a tap run's findings.
    #[must_use]
    pub fn of(run: u32, board: &str, findings: &TapFindings) -> Self {
        let places: Vec<PlaceView> = findings
            .locations
            .iter()
            .map(|place| PlaceView {
                place: place.label.clone(),
                taps: place.taps,
                hits: place.hits,
                probability: Figure {
                    value: place.hit_probability,
                    low: Some(place.hit_probability_low),
                    high: Some(place.hit_probability_high),
                },
                p: place.p_value,
                p_corrected: place.p_value_corrected,
                verdict: match place.verdict {
                    PlaceVerdict::Accused => "accused",
                    PlaceVerdict::Suspect => "suspect",
                    PlaceVerdict::Cleared => "cleared",
                    PlaceVerdict::NotEnoughTaps => "not enough taps",
                },
                taps_more: place.more_taps_to_clear,
                reason: place.reason.clone(),
            })
            .collect();
        Self {
            run,
            board: board.to_owned(),
            sentence: sentence(&places),
            places,
            background_events: findings.background_events,
            background_s: findings.background_s,
            blow_disturbs: findings.blow_disturbs,
        }
    }
}

/// How a tap run stands, in a sentence.
fn sentence(places: &[PlaceView]) -> String {
    let of = |verdict: &str| -> Vec<&str> {
        let those = places.iter().filter(|place| place.verdict == verdict);
        those.map(|place| place.place.as_str()).collect()
    };
    let (accused, suspect, open) = (of("accused"), of("suspect"), of("not enough taps"));
    if places.is_empty() {
        "No place has been tapped yet.".to_owned()
    } else if !accused.is_empty() {
        format!(
            "It answers at {}: more hits than chance explains.",
            accused.join(" and ")
        )
    } else if !suspect.is_empty() {
        format!(
            "Tap {} more: hits, but chance may explain them.",
            suspect.join(" and ")
        )
    } else if !open.is_empty() {
        let most = places
            .iter()
            .filter_map(|place| place.taps_more)
            .max()
            .unwrap_or(0);
        format!("No hit yet; {most} more taps without one would clear the place that needs most.")
    } else {
        "Every place tapped is cleared.".to_owned()
    }
}

impl SoakChannelView {
    /// Of one channel's standing.
    #[must_use]
    pub fn of(channel: &ChannelSoak) -> Self {
        let (word, wait_min) = match channel.standing {
            SoakStanding::Settled => ("settled", None),
            SoakStanding::Settling { wait_min } => ("settling", Some(wait_min)),
            SoakStanding::Drifting => ("drifting", None),
            SoakStanding::Intermittent => ("intermittent", None),
            SoakStanding::NotEnoughData { more_min } => ("not enough data", Some(more_min)),
        };
        let ends = |range: Option<[f64; 2]>| (range.map(|ends| ends[0]), range.map(|ends| ends[1]));
        let (settled_low, settled_high) = ends(channel.settled_ci_a);
        let (tau_low, tau_high) = ends(channel.settle_tau_range_s);
        let slope = channel.temperature_slope.as_ref();
        Self {
            channel: channel.channel,
            word,
            wait_min: wait_min.filter(|minutes| minutes.is_finite()),
            settled_a: figure(channel.settled_a, settled_low, settled_high),
            to_go_a: channel.to_go_a,
            drift_a_per_h: figure(channel.slope_per_h, channel.ci_low, channel.ci_high),
            time_constant_s: figure(channel.settle_tau_s, tau_low, tau_high),
            temperature_slope_a_per_k: slope
                .and_then(|slope| figure(Some(slope.value), Some(slope.low), Some(slope.high))),
            reading_sd_a: channel.reading_sd_a,
            reason: channel.reason.clone(),
            notes: channel.notes.clone(),
        }
    }
}

impl PowerUpView {
    /// Of the capture's state and, for what was switched on, the findings.
    #[must_use]
    pub fn of(
        run: u32,
        board: &str,
        states: [CaptureState; 2],
        findings: Option<&PowerUpFindings>,
        fuse: Option<&FuseMarking>,
        reference: Option<&Reference>,
    ) -> Self {
        let channels: Vec<PowerUpChannelView> = states
            .into_iter()
            .zip(1..)
            .map(|(state, number)| {
                let found = findings.and_then(|findings| findings.channel(number));
                PowerUpChannelView::of(number, state, found, fuse)
            })
            .collect();
        let is = |state: &str| channels.iter().any(|channel| channel.state == state);
        let (state, words) = if is("frozen") {
            ("frozen", "The switch-on is taken; the figures stand.")
        } else if is("seen") {
            ("seen", "Switched on; taking the inrush.")
        } else {
            ("armed", "Armed: switch the unit's supply on.")
        };
        Self {
            run,
            board: board.to_owned(),
            state,
            switched_on_s: channels
                .iter()
                .filter_map(|channel| channel.since_s)
                .reduce(f64::min),
            words: words.to_owned(),
            known_good: findings
                .zip(reference)
                .filter(|_| state == "frozen")
                .map(
                    |(findings, reference)| match reference.compare_power_up(findings) {
                        Ok(likeness) => references::words::of(&likeness),
                        Err(fault) => fault.to_string(),
                    },
                ),
            channels,
        }
    }
}

impl PowerUpChannelView {
    fn of(
        channel: u8,
        state: CaptureState,
        found: Option<&ChannelPowerUp>,
        fuse: Option<&FuseMarking>,
    ) -> Self {
        let (state, since_s) = match state {
            CaptureState::Waiting => ("armed", None),
            CaptureState::Capturing { since_s } => ("seen", Some(since_s)),
            CaptureState::Captured { since_s } => ("frozen", Some(since_s)),
        };
        let found = found.filter(|_| since_s.is_some());
        let get = |value: fn(&ChannelPowerUp) -> Option<f64>| found.and_then(value);
        Self {
            channel,
            state,
            since_s,
            peak_a: figure(get(|f| f.peak_a), get(|f| f.peak_low_a), get(|f| f.peak_high_a)),
            peak_is_at_least: found.is_some_and(|found| found.peak_is_at_least),
            time_to_peak_s: get(|f| f.time_to_peak_s),
            i2t_a2s: figure(
                get(|f| f.i2t_a2s),
                get(|f| f.i2t_low_a2s),
                get(|f| f.i2t_high_a2s),
            ),
            charge_as: figure(
                get(|f| f.charge_as),
                get(|f| f.charge_low_as),
                get(|f| f.charge_high_as),
            ),
            settled_a: figure(
                get(|f| f.settled_a),
                get(|f| f.settled_low_a),
                get(|f| f.settled_high_a),
            ),
            settling_time_s: get(|f| f.settling_time_s),
            clipped: found.is_some_and(|found| found.clipped),
            verdict: found
                .filter(|_| state == "frozen")
                .map(|found| match found.verdict {
                    PowerUpVerdict::Normal => "normal",
                    PowerUpVerdict::Fault => "fault",
                    PowerUpVerdict::NotEnoughData => "not enough data",
                }),
            reasons: found.map_or(Vec::new(), |found| found.reasons.clone()),
            fuse: found
                .zip(fuse)
                .filter(|_| state == "frozen")
                .map(|(found, marking)| FuseView::of(found, marking)),
        }
    }
}

impl FuseView {
    fn of(found: &ChannelPowerUp, marking: &FuseMarking) -> Self {
        let finding = check(&FuseCheck::new(*marking).with_power_up(found));
        let word = serde_json::to_value(finding.verdict).ok();
        Self {
            verdict: word
                .and_then(|word| word.as_str().map(str::to_owned))
                .unwrap_or_default(),
            reasons: finding.reasons,
            assumptions: finding.assumptions,
        }
    }
}

impl TwinRunView {
    /// Of a comparison's findings.
    #[must_use]
    pub fn of(run: u32, board: &str, findings: &TwinFindings) -> Self {
        let compare = &findings.compare;
        let (word, more_s) = match compare.standing {
            TwinStanding::Alike => ("alike", None),
            TwinStanding::Differs => ("differs", None),
            TwinStanding::CannotSayYet { more_s } => ("cannot say yet", Some(more_s)),
        };
        let finite = |value: f64| value.is_finite().then_some(value);
        Self {
            run,
            board: board.to_owned(),
            difference_a: figure(compare.difference_a, compare.ci_low, compare.ci_high),
            ratio: compare
                .ratio
                .as_ref()
                .and_then(|ratio| figure(Some(ratio.value), Some(ratio.low), Some(ratio.high))),
            margin_a: compare.margin_a,
            word,
            more_s: more_s.and_then(finite),
            reason: compare.reason.clone(),
            beside: findings
                .beside
                .iter()
                .map(|beside| BesideView {
                    what: beside.what.clone(),
                    value: beside.value.map(finite),
                    differs: beside.differs,
                    reason: beside.reason.clone(),
                })
                .collect(),
            duration_s: findings.duration_s,
        }
    }
}
