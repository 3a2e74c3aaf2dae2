//! The network's answers one after the other: the recent past, kept for questions about it.

use std::collections::VecDeque;

use super::network::{BRANCHES, Solution};
use crate::chip::Totals;

#[derive(Clone, Debug)]
struct Span {
    from_s: f64,
    solution: Solution,
}

/// Spans between two changes, the last one still going on.
#[derive(Clone, Debug)]
pub(crate) struct Spans {
    spans: VecDeque<Span>,
    history_s: f64,
    /// Of closed spans, by channel.
    totals: [Totals; BRANCHES],
    charge_c: [f64; BRANCHES],
}

impl Spans {
    pub(crate) const fn new() -> Self {
        Self {
            spans: VecDeque::new(),
            history_s: 60.0,
            totals: [Totals {
                shunt_vs: 0.0,
                product_v2s: 0.0,
            }; BRANCHES],
            charge_c: [0.0; BRANCHES],
        }
    }

    pub(crate) const fn keep(&mut self, seconds: f64) {
        self.history_s = seconds;
    }

    /// Begins a new span and closes the one before.
    pub(crate) fn begin(&mut self, now_s: f64, solution: Solution, shunt_ohm: [f64; BRANCHES]) {
        self.totals = std::array::from_fn(|branch| self.totals(branch, now_s, shunt_ohm[branch]));
        self.charge_c = std::array::from_fn(|branch| self.charge_c(branch, now_s));
        self.spans.push_back(Span {
            from_s: now_s,
            solution,
        });
    }

    /// Drops what is older than the history.
    pub(crate) fn forget(&mut self, now_s: f64) {
        let oldest_s = now_s - self.history_s;
        while self.spans.get(1).is_some_and(|span| span.from_s < oldest_s) {
            self.spans.pop_front();
        }
    }

    /// How far back the history reaches.
    pub(crate) fn begin_s(&self) -> Option<f64> {
        self.spans.front().map(|span| span.from_s)
    }

    pub(crate) fn reservoir_v(&self, now_s: f64) -> [f64; BRANCHES] {
        self.spans.back().map_or([0.0; BRANCHES], |span| {
            span.solution.reservoir_v(now_s - span.from_s)
        })
    }

    /// Charge since the bench began, in coulombs; `at_s` within the last span.
    pub(crate) fn charge_c(&self, branch: usize, at_s: f64) -> f64 {
        let open_c = self.spans.back().map_or(0.0, |span| {
            span.solution.charge_c(branch, 0.0, at_s - span.from_s)
        });
        self.charge_c[branch] + open_c
    }

    /// Sums at the chip's pins since the bench began; `at_s` within the last span.
    pub(crate) fn totals(&self, branch: usize, at_s: f64, shunt_ohm: f64) -> Totals {
        let closed = self.totals[branch];
        let Some(span) = self.spans.back() else {
            return closed;
        };
        let length_s = at_s - span.from_s;
        if length_s <= 0.0 {
            return closed;
        }
        let shunt_vs = span.solution.charge_c(branch, 0.0, length_s) * shunt_ohm;
        let rail_v = (span.solution.node_vs(branch, 0.0, length_s) - shunt_vs) / length_s;
        Totals {
            shunt_vs: closed.shunt_vs + shunt_vs,
            product_v2s: closed.product_v2s + shunt_vs * rail_v,
        }
    }

    /// Mean over a window of what `integral` integrates within one span; nothing is taken for what lies before the
    /// history.
    pub(crate) fn mean(&self, from_s: f64, to_s: f64, integral: impl Fn(&Solution, f64, f64) -> f64) -> f64 {
        let mut sum = 0.0;
        let mut end_s = to_s;
        let last = self.spans.partition_point(|span| span.from_s < to_s);
        for span in self.spans.range(..last).rev() {
            let begin_s = span.from_s.max(from_s);
            sum += integral(&span.solution, begin_s - span.from_s, end_s - span.from_s);
            if span.from_s <= from_s {
                break;
            }
            end_s = span.from_s;
        }
        sum / (to_s - from_s)
    }
}
