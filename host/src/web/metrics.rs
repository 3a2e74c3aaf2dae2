//! `/metrics`: what a shop's monitoring reads, in the OpenMetrics text format (version 1.0, which Prometheus reads).

use std::sync::atomic::AtomicU64;

use axum::extract::State;
use axum::http::header;
use axum::response::IntoResponse;
use prometheus_client::encoding::EncodeLabelSet;
use prometheus_client::encoding::text::encode;
use prometheus_client::metrics::counter::Counter;
use prometheus_client::metrics::family::Family;
use prometheus_client::metrics::gauge::Gauge;
use prometheus_client::registry::{Registry, Unit};

use crate::live::LiveBoard;

use super::app::App;

/// Media type of the answer.
pub(super) const CONTENT_TYPE: &str = "application/openmetrics-text; version=1.0.0; charset=utf-8";

type Value = Gauge<f64, AtomicU64>;

#[derive(Clone, Debug, PartialEq, Eq, Hash, EncodeLabelSet)]
struct Board {
    board: String,
}

#[derive(Clone, Debug, PartialEq, Eq, Hash, EncodeLabelSet)]
struct Channel {
    board: String,
    channel: u8,
}

#[derive(Default)]
struct Metrics {
    readings: Family<Board, Counter>,
    lost: Family<Board, Counter>,
    damaged: Family<Board, Counter>,
    measuring: Family<Board, Gauge>,
    clock_bound: Family<Board, Value>,
    guard_tripped: Family<Board, Gauge>,
    guard_armed: Family<Board, Gauge>,
    current: Family<Channel, Value>,
    rail: Family<Channel, Value>,
    temperature: Family<Channel, Value>,
    run: Gauge,
    waiting: Gauge,
    trouble: Gauge,
    watchers: Gauge,
}

pub(super) async fn metrics(State(app): State<App>) -> impl IntoResponse {
    let metrics = Metrics::default();
    app.control.each_board(|board| metrics.take(board));
    let recorder = app.control.recorder();
    let number = app.control.run().map_or(0, |run| run.number);
    metrics.run.set(i64::from(number));
    metrics
        .waiting
        .set(i64::try_from(recorder.waiting_bytes).unwrap_or(i64::MAX));
    metrics.trouble.set(i64::from(recorder.trouble.is_some()));
    metrics
        .watchers
        .set(i64::try_from(app.control.hub().watchers()).unwrap_or(i64::MAX));
    ([(header::CONTENT_TYPE, CONTENT_TYPE)], metrics.text())
}

impl Metrics {
    fn take(&self, board: &LiveBoard) {
        let of = Board {
            board: board.serial.clone(),
        };
        self.readings.get_or_create(&of).inc_by(board.readings);
        self.lost.get_or_create(&of).inc_by(board.lost_readings);
        self.damaged.get_or_create(&of).inc_by(board.damaged_frames);
        self.measuring.get_or_create(&of).set(i64::from(board.measuring));
        self.guard_tripped
            .get_or_create(&of)
            .set(i64::from(board.guard == "tripped"));
        self.guard_armed
            .get_or_create(&of)
            .set(i64::from(board.guard == "armed"));
        if let Some(bound_s) = board.utc_bound_s {
            self.clock_bound.get_or_create(&of).set(bound_s);
        }
        for channel in [0, 1] {
            let of = Channel {
                board: board.serial.clone(),
                channel: channel as u8 + 1,
            };
            // What was not read is not there, rather than zero.
            for (family, value) in [
                (&self.current, board.current_a[channel]),
                (&self.rail, board.rail_v[channel]),
                (&self.temperature, board.temperature_c[channel]),
            ] {
                if let Some(value) = value {
                    family.get_or_create(&of).set(value);
                }
            }
        }
    }

    fn text(self) -> String {
        let mut registry = Registry::with_prefix("steadybench");
        let all = &mut registry;
        all.register("readings", "Reading instants of the present run", self.readings);
        all.register("lost_readings", "Reading instants that never arrived", self.lost);
        all.register("damaged_frames", "Frames that came damaged", self.damaged);
        all.register("measuring", "Whether the board measures", self.measuring);
        all.register_with_unit(
            "clock_bound",
            "How far the readings' UTC may be off",
            Unit::Seconds,
            self.clock_bound,
        );
        all.register(
            "guard_tripped",
            "Whether the guard has opened its relay",
            self.guard_tripped,
        );
        all.register("guard_armed", "Whether the guard watches", self.guard_armed);
        all.register_with_unit("current", "Mean over half a second", Unit::Amperes, self.current);
        all.register_with_unit("rail", "Rail behind the shunt", Unit::Volts, self.rail);
        all.register_with_unit("temperature", "Thermistor", Unit::Celsius, self.temperature);
        all.register("run", "Number of the run being recorded, 0 in standby", self.run);
        all.register_with_unit(
            "waiting",
            "What the disk has not taken yet",
            Unit::Bytes,
            self.waiting,
        );
        all.register(
            "disk_trouble",
            "Whether the disk refuses the recording",
            self.trouble,
        );
        all.register("watchers", "Who watch the live stream", self.watchers);
        let mut text = String::new();
        // Writing to a string cannot fail.
        let _ = encode(&mut text, &registry);
        text
    }
}
