//! The bench through time: what is switched when, and the network's answer in between.

use std::cmp::{Ordering, Reverse};
use std::collections::BinaryHeap;

use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Exp1, StandardNormal};
use steadybench_protocol::Channel;

use super::drives::{drives, network};
use super::joint::JointPlan;
use super::network::BRANCHES;
use super::spans::Spans;
use super::thermal::Temperatures;
use super::truth::{JointTruth, LoadChange, TapTruth, Truth};
use super::unit::Unit;
use crate::chip::Totals;

/// Temperatures and slow wander are worked out anew this often, seconds.
const SLOW_STEP_S: f64 = 0.1;

/// Time constant of the draw's wander, seconds.
const WANDER_S: f64 = 5.0;

/// What happens at an instant.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Action {
    Slow,
    Relay(bool),
    Switch(bool),
    /// The charging resistors are bridged, in the given power-up.
    Bridge(u32),
    /// The stages begin to draw, in the given power-up.
    Draw(u32),
    /// The motors start, in the given power-up.
    MotorsStart(u32),
    MotorsStop(u32),
    Look {
        stage: usize,
        on: bool,
    },
    Tap(usize),
    JointByItself,
    Joint {
        event: usize,
        open: bool,
    },
    LeadByItself,
    Lead(bool),
}

#[derive(Clone, Copy, Debug, PartialEq)]
struct Scheduled {
    at_s: f64,
    number: u64,
    action: Action,
}

impl Eq for Scheduled {}

impl PartialOrd for Scheduled {
    fn partial_cmp(&self, other: &Self) -> Option<Ordering> {
        Some(self.cmp(other))
    }
}

impl Ord for Scheduled {
    fn cmp(&self, other: &Self) -> Ordering {
        self.at_s
            .total_cmp(&other.at_s)
            .then(self.number.cmp(&other.number))
    }
}

/// The unit, its supply and its surroundings. Its time is true time in seconds since the bench began.
#[derive(Debug)]
pub struct Bench {
    pub(super) unit: Unit,
    pub(super) now_s: f64,
    queue: BinaryHeap<Reverse<Scheduled>>,
    scheduled: u64,
    spans: Spans,
    charge_taken_c: f64,
    relay: bool,
    switch: bool,
    pub(super) lead_open: bool,
    /// Counts the power-ups, so that what was planned in one does not happen in the next.
    power_up: u32,
    pub(super) powered: bool,
    pub(super) bridged: [bool; BRANCHES],
    pub(super) drawing: bool,
    pub(super) motors_since_s: Option<f64>,
    pub(super) looking: [bool; BRANCHES],
    pub(super) wander_a: [f64; BRANCHES],
    pub(super) open_events: Vec<usize>,
    pub(super) temperatures: Temperatures,
    pub(super) truth: Truth,
    luck: ChaCha8Rng,
    slow_luck: ChaCha8Rng,
}

impl Bench {
    /// A bench that is switched off, everything as warm as the room. The unit is as it is: tolerances were drawn before.
    #[must_use]
    pub fn new(unit: Unit, seed: u64) -> Self {
        let stream = |number| {
            let mut random = ChaCha8Rng::seed_from_u64(seed);
            random.set_stream(number);
            random
        };
        let mut bench = Self {
            temperatures: Temperatures::cold(unit.room.at(0.0)),
            unit,
            now_s: 0.0,
            queue: BinaryHeap::new(),
            scheduled: 0,
            spans: Spans::new(),
            charge_taken_c: 0.0,
            relay: false,
            switch: false,
            lead_open: false,
            power_up: 0,
            powered: false,
            bridged: [false; BRANCHES],
            drawing: false,
            motors_since_s: None,
            looking: [false; BRANCHES],
            wander_a: [0.0; BRANCHES],
            open_events: Vec::new(),
            truth: Truth::default(),
            luck: stream(11),
            slow_luck: stream(12),
        };
        bench.solve();
        bench.schedule(SLOW_STEP_S, Action::Slow);
        for stage in 0..BRANCHES {
            // The two controllers look at their sensors at different times.
            let first_s = bench.unit.stages[stage].look_every_s * (0.3 + 0.5 * stage as f64);
            bench.schedule(first_s, Action::Look { stage, on: true });
        }
        bench.by_itself(bench.unit.joint_opens_per_hour, Action::JointByItself);
        bench.by_itself(bench.unit.supply.lead_opens_per_hour, Action::LeadByItself);
        bench
    }

    /// The unit with its tolerances.
    #[must_use]
    pub const fn unit(&self) -> &Unit {
        &self.unit
    }

    /// Bench time in seconds.
    #[must_use]
    pub const fn now_s(&self) -> f64 {
        self.now_s
    }

    /// The temperatures now.
    #[must_use]
    pub const fn temperatures(&self) -> &Temperatures {
        &self.temperatures
    }

    /// What has happened.
    #[must_use]
    pub const fn truth(&self) -> &Truth {
        &self.truth
    }

    /// What has happened, to be added to or taken.
    pub const fn truth_mut(&mut self) -> &mut Truth {
        &mut self.truth
    }

    /// Keeps the currents of the last `seconds` for questions about the past; 60 unless told.
    pub const fn keep_history(&mut self, seconds: f64) {
        self.spans.keep(seconds);
    }

    /// Drives the supply relay, or lets it go; its contacts follow.
    pub fn drive_relay(&mut self, closed: bool, at_s: f64) {
        let delay_s = if closed {
            self.unit.supply.relay_operate_s
        } else {
            self.unit.supply.relay_release_s
        };
        self.schedule(at_s + delay_s, Action::Relay(closed));
    }

    /// Switches the bench supply.
    pub fn switch_supply(&mut self, on: bool, at_s: f64) {
        self.schedule(at_s, Action::Switch(on));
    }

    /// Taps a place, by its position among [`Unit::places`].
    pub fn tap(&mut self, place: usize, at_s: f64) {
        self.schedule(at_s, Action::Tap(place));
    }

    /// Mean current of a channel over a window in amperes; `None` when the window reaches back further than the
    /// history, ends in the future, or is empty.
    #[must_use]
    pub fn current_a(&self, channel: Channel, from_s: f64, to_s: f64) -> Option<f64> {
        let known = to_s > from_s && to_s <= self.now_s && self.spans.begin_s()? <= from_s;
        known.then(|| self.mean_current_a(channel.index(), from_s, to_s))
    }

    /// Mean current without the question whether it is known.
    pub(crate) fn mean_current_a(&self, branch: usize, from_s: f64, to_s: f64) -> f64 {
        self.spans.mean(from_s, to_s, |solution, from_s, to_s| {
            solution.charge_c(branch, from_s, to_s)
        })
    }

    /// Mean rail voltage behind the shunt over a window.
    pub(crate) fn mean_rail_v(&self, branch: usize, from_s: f64, to_s: f64) -> f64 {
        let shunt_ohm = self.shunt_ohm(branch);
        self.spans.mean(from_s, to_s, |solution, from_s, to_s| {
            solution.node_vs(branch, from_s, to_s) - solution.charge_c(branch, from_s, to_s) * shunt_ohm
        })
    }

    /// The shunt as warm as it is.
    pub(crate) fn shunt_ohm(&self, branch: usize) -> f64 {
        let stage = &self.unit.stages[branch];
        stage.shunt_ohm * (1.0 + stage.shunt_per_k * (self.temperatures.room_c - 25.0))
    }

    pub(crate) fn totals(&self, branch: usize, at_s: f64) -> Totals {
        self.spans.totals(branch, at_s, self.shunt_ohm(branch))
    }

    /// Lets time pass until `to_s`; never backwards.
    pub fn advance(&mut self, to_s: f64) {
        while let Some(Reverse(next)) = self.queue.peek()
            && next.at_s <= to_s
        {
            let Scheduled { at_s, action, .. } = *next;
            self.queue.pop();
            self.now_s = self.now_s.max(at_s);
            if self.act(action) {
                self.solve();
            }
        }
        self.now_s = self.now_s.max(to_s);
    }

    fn schedule(&mut self, at_s: f64, action: Action) {
        self.scheduled += 1;
        self.queue.push(Reverse(Scheduled {
            at_s: at_s.max(self.now_s),
            number: self.scheduled,
            action,
        }));
    }

    fn by_itself(&mut self, per_hour: f64, action: Action) {
        if per_hour > 0.0 {
            let waits: f64 = Exp1.sample(&mut self.luck);
            self.schedule(self.now_s + waits * 3_600.0 / per_hour, action);
        }
    }

    /// Carries out an action; `true` when the network's drive or shape may have changed.
    fn act(&mut self, action: Action) -> bool {
        let now_s = self.now_s;
        match action {
            Action::Slow => self.slow(),
            Action::Relay(closed) => {
                self.relay = closed;
                self.power_changed();
            }
            Action::Switch(on) => {
                self.switch = on;
                self.power_changed();
            }
            Action::Bridge(power_up) if power_up == self.power_up => {
                let reservoir_v = self.reservoir_v();
                let enough_v = 0.9 * self.unit.supply.volts;
                self.bridged = reservoir_v.map(|volts| volts > enough_v);
            }
            Action::Draw(power_up) if power_up == self.power_up => self.drawing = true,
            Action::MotorsStart(power_up) if power_up == self.power_up => {
                self.motors(true);
                if let Some(programme) = self.unit.programme {
                    self.schedule(now_s + programme.lasts_s, Action::MotorsStop(power_up));
                    self.schedule(now_s + programme.every_s, Action::MotorsStart(power_up));
                }
            }
            Action::MotorsStop(power_up) if power_up == self.power_up => self.motors(false),
            Action::Bridge(_) | Action::Draw(_) | Action::MotorsStart(_) | Action::MotorsStop(_) => {
                return false;
            }
            Action::Look { stage, on } => {
                self.looking[stage] = on;
                let look_s = self.unit.stages[stage].look_s;
                let next_s = if on {
                    look_s
                } else {
                    self.unit.stages[stage].look_every_s - look_s
                };
                self.schedule(now_s + next_s, Action::Look { stage, on: !on });
            }
            Action::Tap(place) => {
                self.tapped(place);
                return false;
            }
            Action::JointByItself => {
                self.disturb_joint(None);
                self.by_itself(self.unit.joint_opens_per_hour, Action::JointByItself);
                return false;
            }
            Action::Joint { event, open } => {
                self.open_events.retain(|other| *other != event);
                if open {
                    self.open_events.push(event);
                }
            }
            Action::LeadByItself => {
                self.disturb_lead();
                self.by_itself(self.unit.supply.lead_opens_per_hour, Action::LeadByItself);
                return false;
            }
            Action::Lead(open) => self.lead_open = open,
        }
        true
    }

    fn power_changed(&mut self) {
        let powered = self.relay && self.switch;
        if powered == self.powered {
            return;
        }
        self.powered = powered;
        self.truth.power.push((self.now_s, powered));
        self.power_up += 1;
        self.bridged = [false; BRANCHES];
        // A stage that loses its supply stops drawing at once, so that its reservoir is left to the bleeder.
        self.drawing = false;
        self.motors(false);
        if powered {
            let [first, _] = self.unit.stages;
            self.schedule(self.now_s + first.bridge_after_s, Action::Bridge(self.power_up));
            self.schedule(self.now_s + first.draw_after_s, Action::Draw(self.power_up));
            if let Some(programme) = self.unit.programme {
                self.schedule(self.now_s + programme.first_s, Action::MotorsStart(self.power_up));
            }
        }
    }

    fn motors(&mut self, on: bool) {
        if self.motors_since_s.is_some() != on {
            self.motors_since_s = on.then_some(self.now_s);
            self.truth.loads.push(LoadChange {
                at_s: self.now_s,
                motors_on: on,
            });
        }
    }

    fn tapped(&mut self, place: usize) {
        let (joint_luck, lead_luck): (f64, f64) = (self.luck.random(), self.luck.random());
        let (joint_hit, lead_hit) = self.unit.places.get(place).map_or((false, false), |place| {
            (joint_luck < place.joint_hit, lead_luck < place.lead_hit)
        });
        let tap = self.truth.taps.len();
        self.truth.taps.push(TapTruth {
            at_s: self.now_s,
            place,
            hit: joint_hit || lead_hit,
        });
        if joint_hit {
            self.disturb_joint(Some(tap));
        }
        if lead_hit {
            self.disturb_lead();
        }
    }

    fn disturb_joint(&mut self, tap: Option<usize>) {
        let plan = JointPlan::draw(&mut self.luck);
        let now_s = self.now_s;
        let begin_s = now_s + plan.openings.first().map_or(0.0, |(begin_s, _)| *begin_s);
        // What was still going on ends with the new disturbance.
        for event in std::mem::take(&mut self.open_events) {
            self.schedule(begin_s, Action::Joint { event, open: false });
            self.open_events.push(event);
            if let Some(truth) = self.truth.joint.get_mut(event) {
                truth.openings.retain(|(from_s, _)| *from_s < begin_s);
                if let Some((_, end_s)) = truth.openings.last_mut() {
                    *end_s = end_s.min(begin_s);
                }
            }
        }
        let event = self.truth.joint.len();
        let openings: Vec<(f64, f64)> = plan
            .openings
            .iter()
            .map(|(from_s, to_s)| (now_s + from_s, now_s + to_s))
            .collect();
        for (from_s, to_s) in &openings {
            self.schedule(*from_s, Action::Joint { event, open: true });
            self.schedule(*to_s, Action::Joint { event, open: false });
        }
        self.truth.joint.push(JointTruth {
            kind: plan.kind,
            share_left: plan.share_left,
            openings,
            tap,
        });
    }

    fn disturb_lead(&mut self) {
        let from_s = self.now_s + self.luck.random_range(0.005..0.06);
        let to_s = from_s + self.luck.random_range(0.5e-3..3e-3);
        self.schedule(from_s, Action::Lead(true));
        self.schedule(to_s, Action::Lead(false));
        self.truth.lead_gaps.push((from_s, to_s));
    }

    fn slow(&mut self) {
        let charge_c = (0..BRANCHES)
            .map(|branch| self.spans.charge_c(branch, self.now_s))
            .sum::<f64>();
        let power_w = self.unit.supply.volts * (charge_c - self.charge_taken_c) / SLOW_STEP_S;
        self.charge_taken_c = charge_c;
        let room_c = self.unit.room.at(self.now_s);
        self.temperatures = self
            .temperatures
            .after(&self.unit.thermal, SLOW_STEP_S, power_w, room_c);
        for (wander_a, stage) in self.wander_a.iter_mut().zip(&self.unit.stages) {
            let step = SLOW_STEP_S / WANDER_S;
            let kick: f64 = StandardNormal.sample(&mut self.slow_luck);
            *wander_a += -*wander_a * step + stage.wander_a * (2.0 * step).sqrt() * kick;
        }
        self.spans.forget(self.now_s);
        self.schedule(self.now_s + SLOW_STEP_S, Action::Slow);
    }

    fn reservoir_v(&self) -> [f64; BRANCHES] {
        self.spans.reservoir_v(self.now_s)
    }

    /// Closes the span until now and solves the network from here.
    fn solve(&mut self) {
        let network = network(self);
        let solution = network.solve(self.reservoir_v(), &drives(self, network.closed));
        let shunt_ohm = std::array::from_fn(|branch| self.shunt_ohm(branch));
        self.spans.begin(self.now_s, solution, shunt_ohm);
    }
}
