//! The whole examination of a finished soak: from cells to findings.

use super::SoakSettings;
use super::cells::Cells;
use super::channel::{Channel, Search, search};
use super::findings::{ChannelSoak, SoakEvent, SoakEventKind, SoakFindings, SoakGap};
use super::grid::Grid;
use super::intermittents::Departure;
use super::settling::Effort;
use super::verdict;

pub(crate) fn examine(cells: &Cells, settings: &SoakSettings) -> SoakFindings {
    let Some(grid) = Grid::new(cells) else {
        return SoakFindings {
            events: Vec::new(),
            drift: Vec::new(),
            gaps: Vec::new(),
            duration_s: 0.0,
        };
    };
    let mut channels: Vec<Channel> = (0..2)
        .filter(|&number| {
            grid.current_a[number]
                .iter()
                .filter(|value| value.is_finite())
                .count()
                >= 2
        })
        .map(|number| Channel::new(&grid, number, cells.resolution_a(number)))
        .collect();
    let first_pass = search(&channels, grid.step_s);
    for (channel, found) in channels.iter_mut().zip(&first_pass) {
        channel.mask(&found.departures);
        channel.fit(&grid, Effort::MIDDLE);
        channel.find_shifts(&grid, Effort::MIDDLE);
        channel.take_trend_off(&grid, Effort::MIDDLE);
    }
    let searches = search(&channels, grid.step_s);
    for (channel, found) in channels.iter_mut().zip(&searches) {
        channel.mask(&found.departures);
        channel.fit(&grid, Effort::FULL);
        if channel.weigh_shifts(&grid, Effort::FULL) {
            channel.fit(&grid, Effort::FULL);
        }
    }
    let mut events = departures_as_events(&grid, &channels, &searches);
    events.extend(shifts_as_events(&grid, &channels));
    events.sort_by(|left, right| left.start_s.total_cmp(&right.start_s));
    let drift: Vec<ChannelSoak> = channels
        .iter()
        .map(|channel| verdict::judge(&grid, channel, &events, settings))
        .collect();
    SoakFindings {
        events,
        drift,
        gaps: gaps(&grid, &channels),
        duration_s: grid.len() as f64 * grid.step_s,
    }
}

/// A quick look while the soak runs: no search for events or shifts, outlying readings left out.
pub(crate) fn standing(cells: &Cells, settings: &SoakSettings) -> Vec<ChannelSoak> {
    let Some(grid) = Grid::new(cells) else {
        return Vec::new();
    };
    let mut out = Vec::new();
    for number in 0..2 {
        if grid.current_a[number]
            .iter()
            .filter(|value| value.is_finite())
            .count()
            >= 2
        {
            let mut channel = Channel::new(&grid, number, cells.resolution_a(number));
            channel.mask_outliers();
            channel.fit(&grid, Effort::QUICK);
            out.push(verdict::judge(&grid, &channel, &[], settings));
        }
    }
    out
}

fn departures_as_events(grid: &Grid, channels: &[Channel], searches: &[Search]) -> Vec<SoakEvent> {
    let mut events = Vec::new();
    for (index, (channel, found)) in channels.iter().zip(searches).enumerate() {
        for (number, departure) in found.departures.iter().enumerate() {
            let fault = if departure.size < 0.0 {
                SoakEventKind::Dropout
            } else {
                SoakEventKind::Spike
            };
            let kind = match channels.get(1 - index).filter(|_| channels.len() == 2) {
                Some(other) => {
                    let image = searches[1 - index].images[number];
                    if is_common(departure, channel.level(), image, other.level()) {
                        SoakEventKind::Nuisance
                    } else {
                        fault
                    }
                }
                None => fault,
            };
            events.push(SoakEvent {
                channel: channel.number as u8 + 1,
                start_s: grid.time_s(departure.first),
                end_s: grid.time_s(departure.end),
                kind,
                size_a: departure.size,
                score: departure.z.abs(),
            });
        }
    }
    events
}

/// Whether both channels changed by the same share of their current, rather than this one alone.
///
/// Two hypotheses are compared by likelihood: the other channel shows the same share (give or take a fifth, because
/// loads answer a voltage differently), or it shows nothing. A change far larger here than there stays a fault.
fn is_common(departure: &Departure, level: f64, image: (f64, f64), other_level: f64) -> bool {
    if level == 0.0 || other_level == 0.0 {
        return false;
    }
    let share = departure.size / level;
    let share_sd = (share / departure.z).abs();
    let (other, other_sd) = (image.0 / other_level, (image.1 / other_level).abs());
    if !other_sd.is_finite() {
        return false;
    }
    let spread = share_sd * share_sd + other_sd * other_sd + (0.2 * share).powi(2);
    let common = -0.5 * (share - other).powi(2) / spread - 0.5 * spread.ln();
    let alone = -0.5 * (other / other_sd).powi(2) - other_sd.ln();
    // Supplies dip far more often than they surge, and units fail more often than supplies dip.
    let doubt = if share < 0.0 { 1.0 } else { 3.0 };
    common > alone + doubt && (share - other).abs() < 3.5 * spread.sqrt()
}

fn shifts_as_events(grid: &Grid, channels: &[Channel]) -> Vec<SoakEvent> {
    let mut events = Vec::new();
    let near = |a: usize, b: usize| a.abs_diff(b) as f64 * grid.step_s < 10.0;
    for (index, channel) in channels.iter().enumerate() {
        let mut released = vec![false; channel.shifts.len()];
        for (number, shift) in channel.shifts.iter().enumerate() {
            if released[number] {
                continue;
            }
            let back = (number + 1..channel.shifts.len()).find(|&later| {
                !released[later] && (channel.shifts[later].size + shift.size).abs() < 0.3 * shift.size.abs()
            });
            let end_s = back.map_or_else(
                || grid.time_s(grid.len() - 1) + grid.step_s,
                |later| grid.time_s(channel.shifts[later].place),
            );
            if let Some(later) = back {
                released[later] = true;
            }
            let common = channels.len() == 2
                && channels[1 - index].shifts.iter().any(|other| {
                    let (here, there) = (
                        shift.size / channel.level(),
                        other.size / channels[1 - index].level(),
                    );
                    near(other.place, shift.place) && (here - there).abs() < 0.3 * here.abs().max(there.abs())
                });
            events.push(SoakEvent {
                channel: channel.number as u8 + 1,
                start_s: grid.time_s(shift.place),
                end_s,
                kind: if common {
                    SoakEventKind::LoadChange
                } else {
                    SoakEventKind::Step
                },
                size_a: shift.size,
                score: shift.z.abs(),
            });
        }
    }
    events
}

/// Stretches of ten places or more without a reading.
fn gaps(grid: &Grid, channels: &[Channel]) -> Vec<SoakGap> {
    let mut gaps = Vec::new();
    for channel in channels {
        let mut from = None;
        for (index, value) in grid.current_a[channel.number].iter().enumerate() {
            match (value.is_finite(), from) {
                (false, None) => from = Some(index),
                (true, Some(first)) => {
                    if index - first >= 10 {
                        gaps.push(SoakGap {
                            channel: channel.number as u8 + 1,
                            start_s: grid.time_s(first),
                            end_s: grid.time_s(index),
                        });
                    }
                    from = None;
                }
                _ => {}
            }
        }
    }
    gaps
}
