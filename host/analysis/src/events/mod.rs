//! Events on two channels, found as the readings come: dropouts, spikes, latched steps, chatter, and what only looks like
//! them.
//!
//! # Use
//! [`EventDetector::push`] takes a reading, [`EventDetector::next_update`] gives the news, [`EventDetector::mark`] takes
//! the operator's mark of a switched load, before or after the fact. Readings are worked on some 20 ms at a time, or when
//! [`EventDetector::settle`] asks for it. The same code runs in the collector and off line; the
//! order in which readings come is all that matters, so a recording examined later gives the events it gave live.
//!
//! # Model
//! A reading is level + ripple + noise + event. Per channel:
//!
//! 1. **Ripple** (mains ripple at the mains frequency and its multiples; a motor's commutator) is removed by tracked
//!    oscillators (`line`). Their start comes from a spectrum of the last second (`spectrum`).
//! 2. **Time scales** (`scale`): for windows of w = 1, 2, 4, … readings up to [`EventSettings::longest_scale_s`], the mean
//!    over the window minus the mean over the p readings before it. Of p = w, 4w, 16w, 64w (at most 0.5 s) the one with
//!    the least scatter is used: a long baseline suits white noise, a short one wandering noise.
//! 3. **Spread and tail** of each of these statistics are learned from the recording (`tail`): the standard score of a
//!    value is read off a normal-score plot, extended beyond the last quantile known with that quantile's slope. Besides,
//!    a value must exceed what the load does in three seconds of ten (`extremes`): telegraph noise of a processor is not
//!    an event. Readings during an event are not learned, unless events come so often (0.4 per second) that they must be
//!    the load's own doing. The spread is never taken below half a converter step unless the noise dithers the converter.
//! 4. **Threshold**: the score that Gaussian noise passes so seldom that all scales, signs and channels together bring
//!    [`EventSettings::false_alarms_per_hour`]. For a window w at rate f that is
//!    `z = Φ⁻¹(1 − F / (4 · scales · 3600 · f / w))`.
//! 5. **Excursion**: after the threshold is passed, onset by maximum likelihood for a change of mean (Hinkley 1970,
//!    Biometrika 57:1), end when means over half the detecting window are back within half the departure for 50 ms. What
//!    is still away after [`EventSettings::latch_s`] is a latched step, and the new level is the reference from then on. A
//!    return to the level before a step is the step's end and no event of its own, unless the contact breaks again on
//!    the way.
//!
//! # What is judged harmless
//! - Both channels change alike *in proportion to their currents*: a load, or the supply. An image of up to
//!   [`EventSettings::image_share`] is a fault and its image. The share is the least-squares gain of one channel's
//!   departures on the other's over the same readings, with its uncertainty.
//! - One reading, on both channels *in proportion to their noise*: an interference click.
//! - Within [`EventSettings::command_tolerance_s`] of a mark: the operator's load.
//! - The other channel changed the other way at the same instant, by more in amperes and by half as much again in
//!   proportion: the image of the other's fault through the common source, whose resistance drops less when one stage
//!   draws less. A current divider never gives an image larger than its cause.
//! - Swings both ways of the level: ringing (microphonics). Alike and at regular intervals (four or more): a load that
//!   switches itself (`rhythm`, to four thousandths of the period; `regular`, to three hundredths from three seconds on).
//!   Its first changes are reported as what they look like, for nobody can know better, and taken back once the rhythm
//!   is known. With the rail moving the same way: supply or lead.
//!
//! # Bounds
//! An event is first reported within 50 ms of data after the reading that gave it away, and revised when more is known.
//! [`EventDetector::glimpse`] says sooner what it looks like, for a sound at the bench; it changes nothing that is reported.
//! Memory is bounded (a second of running sums and spectra per channel). Work per reading is a few look-ups per scale;
//! readings at which nothing happens are taken a block at a time (`calm`), to the same result.
//! [`Event::score`] is minus the common logarithm of the false alarms per hour that the learned noise brings at that
//! strength: 3 means one in 1000 hours. [`Event::size_uncertainty_a`] is the learned spread of a mean over as many readings.
//!
//! # Assumptions, and when there is not enough data
//! Noise is stationary over a minute or so and not correlated for longer than the scales. The first 2.5 s teach and bring
//! no events; in the first ten seconds the thresholds are higher. After a gap of more than 10 ms nothing before it is
//! compared with what comes after it. Events shallower than the threshold at every scale are not seen: for white noise of
//! standard deviation σ, a departure over n readings must reach about 6 σ/√n.
//!
//! # Validation
//! Simulations with known events in this module's tests; labelled recordings of four kinds of load with F1, precision,
//! false alarms per hour and recall by strength: see DEVELOPERS.md, "Scoring".
//!
//! ```
//! use steadybench_analysis::events::{EventDetector, EventKind, EventSettings};
//! use steadybench_analysis::sample::Sample;
//!
//! let mut detector = EventDetector::new(EventSettings::default());
//! let mut random = 1_u32;
//! for index in 0..12_000_u32 {
//!     random = random.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
//!     let noise_a = 2e-4 * (f64::from(random >> 8) / f64::from(1_u32 << 24) - 0.5);
//!     let open = (9_000..9_020).contains(&index);
//!     let current_a = [if open { 0.05 } else { 0.25 + noise_a }, 0.25 - noise_a];
//!     detector.push(&Sample { current_a, ..Sample::missing_at(f64::from(index) * 0.001) });
//! }
//! detector.finish();
//! let event = detector.next_update().ok_or("nothing found")?.event().clone();
//! assert_eq!((event.channel, event.kind), (1, EventKind::Dropout));
//! assert!((event.start_s - 9.0).abs() < 0.002 && (event.size_a + 0.2).abs() < 0.01);
//! # Ok::<(), &str>(())
//! ```
#![doc = include_str!("../../docs/validation/events.md")]

mod calm;
mod channel;
mod detector;
mod extremes;
mod glimpse;
mod judge;
mod line;
mod model;
mod rail;
mod regular;
mod report;
mod rhythm;
mod ring;
mod running;
mod scale;
mod settings;
mod shape;
mod spacing;
mod spectrum;
mod tail;

pub use detector::EventDetector;
pub use model::{Event, EventKind, EventUpdate};
pub use settings::EventSettings;

#[cfg(test)]
mod tests;
