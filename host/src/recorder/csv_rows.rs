//! Rows of the CSV files: RFC 4180, one header row, names with units, points for decimals, UTC in RFC 3339.
//!
//! A missing reading is a blank cell. Readings that never arrived are one row of blank cells at the instant of the
//! first of them, with their number in `lost_readings`; so a chart breaks its line there, and a sum counts them.

use steadybench_protocol::MarkEdge;

use super::decimal::{Instants, put_decimal, put_integer, put_padded};
use crate::live::{Detected, event_name};
use crate::stream::{Gap, Happening, MarkRow, MarkSource, Reading, When};
use crate::units::Units;

/// End of a row, by RFC 4180, section 2.1.
pub(super) const ROW_END: &str = "\r\n";

/// Header of `readings.csv`.
pub(crate) const READINGS_HEADER: &str = "utc,elapsed_s,reading,lost_readings,late,ch1_current_a,ch2_current_a,\
    ch1_rail_v,ch1_rail_lowest_v,ch1_rail_highest_v,ch2_rail_v,ch2_rail_lowest_v,ch2_rail_highest_v,\
    ch1_temperature_c,ch2_temperature_c,ch1_chip_c,ch2_chip_c\r\n";

/// Header of `events.csv`.
pub(super) const EVENTS_HEADER: &str = "utc,elapsed_s,event,number,channel,duration_s,size_a,size_uncertainty_a,\
    lost_readings,detail\r\n";

/// Header of `marks.csv`.
pub(super) const MARKS_HEADER: &str = "utc,elapsed_s,mark,edge,number,label\r\n";

/// Decimals of temperatures: a step of a thermistor's code is some 0.03 K, of the chip's own 0.008 K.
pub(super) const TEMPERATURE_DECIMALS: usize = 4;

/// Writing to a string cannot fail; this says so in one place.
macro_rules! put {
    ($text:expr, $($what:tt)*) => { let _ = std::fmt::Write::write_fmt($text, format_args!($($what)*)); };
}
pub(super) use put;

/// The two first cells, each followed by a comma.
pub(super) fn put_when(text: &mut String, when: When) {
    if let Some(instant) = when.utc {
        put!(text, "{:.6}", instant.utc);
    }
    put_after_utc(text, when);
}

fn put_after_utc(text: &mut String, when: When) {
    text.push(',');
    if let Some(elapsed_us) = when.elapsed_us {
        put_seconds(text, elapsed_us);
    }
    text.push(',');
}

/// Microseconds as seconds, exactly.
pub(super) fn put_seconds(text: &mut String, micros: i64) {
    let sign = if micros < 0 { "-" } else { "" };
    let micros = micros.unsigned_abs();
    text.push_str(sign);
    put_integer(text, micros / 1_000_000);
    text.push('.');
    put_padded(text, micros % 1_000_000, 6);
}

/// A cell of a number, blank when missing, preceded by a comma.
pub(super) fn put_value(text: &mut String, value: Option<f64>, decimals: usize) {
    text.push(',');
    if let Some(value) = value {
        put_decimal(text, value, decimals);
    }
}

/// A row of `readings.csv`; `instants` is kept from row to row.
pub(crate) fn put_reading(text: &mut String, reading: &Reading, units: &Units, instants: &mut Instants) {
    if let Some(instant) = reading.when.utc {
        instants.put(text, instant.utc);
    }
    put_after_utc(text, reading.when);
    put_integer(text, reading.index);
    text.push_str(if reading.late { ",,1" } else { ",,0" });
    for (current_a, scale) in reading.current_a.iter().zip(&units.channels) {
        put_value(text, *current_a, scale.current_decimals());
    }
    match &reading.slow {
        None => text.push_str(",,,,,,,,,,"),
        Some(slow) => {
            for (rail_v, scale) in slow.rail_v.iter().zip(&units.channels) {
                for position in 0..3 {
                    put_value(text, rail_v.map(|rail_v| rail_v[position]), scale.rail_decimals());
                }
            }
            for celsius in slow.temperature_c.iter().chain(&slow.chip_c) {
                put_value(text, *celsius, TEMPERATURE_DECIMALS);
            }
        }
    }
    text.push_str(ROW_END);
}

/// The row of `readings.csv` that stands for readings that never arrived.
pub(crate) fn put_gap_in_readings(text: &mut String, gap: &Gap) {
    put_when(text, gap.when);
    if let Some(first_index) = gap.first_index {
        put!(text, "{first_index},{}", gap.readings);
    } else {
        text.push(',');
    }
    let columns = READINGS_HEADER.split(',').count();
    text.extend(std::iter::repeat_n(',', columns - 4));
    text.push_str(ROW_END);
}

/// The row of `events.csv` that states a gap.
pub(super) fn put_gap(text: &mut String, gap: &Gap) {
    put_when(text, gap.when);
    text.push_str("gap,,,");
    put_seconds(text, i64::try_from(gap.duration_us).unwrap_or(i64::MAX));
    text.push_str(",,,");
    if gap.first_index.is_some() {
        put!(text, "{}", gap.readings);
    }
    text.push(',');
    put_text(text, gap.cause.words());
    text.push_str(ROW_END);
}

/// A row of `events.csv`.
pub(super) fn put_happening(text: &mut String, happening: &Happening) {
    put_when(text, happening.when);
    put!(text, "{},,", happening.kind.name());
    if let Some(channel) = happening.channel {
        put!(text, "{channel}");
    }
    text.push_str(",,,,,");
    put_text(text, &happening.detail);
    text.push_str(ROW_END);
}

/// A row of `events.csv` for an event in the readings. A later row of the same number supersedes an earlier one.
pub(super) fn put_event(text: &mut String, detected: &Detected, units: &Units) {
    let event = &detected.event;
    put_when(text, detected.when);
    put!(text, "{},{},{},", event_name(event.kind), event.id, event.channel);
    put_seconds(text, ((event.end_s - event.start_s) * 1e6).round() as i64);
    let decimals = units.channels[usize::from(event.channel == 2)].current_decimals();
    put_value(text, Some(event.size_a), decimals);
    put_value(text, Some(event.size_uncertainty_a), decimals);
    text.push_str(",,");
    put_text(text, &event.reason);
    text.push_str(ROW_END);
}

/// A row of `marks.csv`.
pub(super) fn put_mark(text: &mut String, mark: &MarkRow) {
    put_when(text, mark.when);
    match mark.source {
        MarkSource::FootSwitch { number, edge } => {
            let edge = match edge {
                MarkEdge::Pressed => "pressed",
                MarkEdge::Released => "released",
            };
            put!(text, "foot_switch,{edge},{number},");
        }
        MarkSource::Operator(kind) => {
            put!(text, "{},,,", kind.name());
        }
    }
    put_text(text, &mark.label);
    text.push_str(ROW_END);
}

/// A cell of words, quoted where RFC 4180, section 2.6, asks for it. A cell that a spreadsheet would take for a formula
/// gets an apostrophe before it: a label may come from anybody who may post a mark.
pub(crate) fn put_text(text: &mut String, words: &str) {
    let formula = words.starts_with(['=', '+', '-', '@', '\t', '\r']);
    let quoted = formula || words.contains([',', '"', '\r', '\n']);
    if !quoted {
        text.push_str(words);
        return;
    }
    text.push('"');
    if formula {
        text.push('\'');
    }
    for letter in words.chars() {
        if letter == '"' {
            text.push('"');
        }
        text.push(letter);
    }
    text.push('"');
}
