//! The unit on the bench and what feeds it: every parameter of the model, in one place.
//!
//! [`Unit::vent_controller`] is the project's own example, a greenhouse vent controller for 24 V with two like
//! motor-driver stages. Its figures are estimates of what such a unit has (from memory, no source); what was taken
//! from a data sheet says so.

use rand::Rng;
use rand_distr::{Distribution, StandardNormal};

use super::network::BRANCHES;
use super::thermal::{Room, ThermalParts};

/// One component of the bench supply's ripple.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Ripple {
    /// Multiple of the mains frequency; a full-wave rectifier ripples at twice the mains.
    pub harmonic: f64,
    /// Amplitude in volts.
    pub amplitude_v: f64,
}

/// The bench supply, its leads, and the relay that the board's guard opens.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Supply {
    /// Voltage at no load.
    pub volts: f64,
    /// Internal resistance and the shared leads, ohms.
    pub source_ohm: f64,
    /// Mains frequency in hertz.
    pub mains_hz: f64,
    /// Ripple of the supply.
    pub ripple: [Ripple; 2],
    /// From driving the relay to its contacts being closed, seconds.
    pub relay_operate_s: f64,
    /// From letting the relay go to its contacts being open, seconds.
    pub relay_release_s: f64,
    /// How often an hour a bad lead opens by itself for a moment.
    pub lead_opens_per_hour: f64,
}

/// One motor-driver stage with its shunt. Its input charges the reservoir through a resistor that a transistor then
/// bridges, if the reservoir has come up.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Stage {
    /// Reservoir in farads.
    pub reservoir_f: f64,
    /// Leads, bridging transistor and equivalent series resistance, without the shunt, ohms.
    pub branch_ohm: f64,
    /// Charging resistor in ohms.
    pub precharge_ohm: f64,
    /// The charging resistor is bridged so long after switch-on, seconds.
    pub bridge_after_s: f64,
    /// The stage begins to draw so long after switch-on, seconds.
    pub draw_after_s: f64,
    /// Bleeder, or a short, across the reservoir, ohms.
    pub across_ohm: f64,
    /// Draw at rest and 25 °C in amperes.
    pub rest_a: f64,
    /// What a fault adds to the draw, amperes.
    pub excess_a: f64,
    /// How fast the fault's share grows, amperes an hour.
    pub excess_a_per_hour: f64,
    /// Draw's rise with the stage's temperature, per kelvin from 25 °C.
    pub draw_per_k: f64,
    /// Slow random wander of the draw, amperes rms, with a time constant of five seconds.
    pub wander_a: f64,
    /// Draw of the turning motor, amperes.
    pub motor_a: f64,
    /// Draw of the motor at its start, amperes.
    pub motor_start_a: f64,
    /// Time constant from start to turning, seconds.
    pub motor_start_s: f64,
    /// Frequency of the motor's pulse width modulation in hertz.
    pub pulse_hz: f64,
    /// What the modulation leaves in the draw while the motor turns, amplitude in amperes.
    pub pulse_a: f64,
    /// Length of the controller's periodic look at its sensors, seconds.
    pub look_s: f64,
    /// What a look adds to the draw, amperes.
    pub look_a: f64,
    /// A look every so many seconds.
    pub look_every_s: f64,
    /// Shunt in ohms, its tolerance included.
    pub shunt_ohm: f64,
    /// Shunt's temperature coefficient, per kelvin from 25 °C.
    pub shunt_per_k: f64,
}

/// When the vents move: both motors turn together.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Programme {
    /// First move, seconds after switch-on.
    pub first_s: f64,
    /// From one move to the next, seconds.
    pub every_s: f64,
    /// Length of a move, seconds.
    pub lasts_s: f64,
}

/// A place a person taps.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Place {
    /// Its name.
    pub name: &'static str,
    /// How likely a tap there opens stage 2's joint, 0 to 1.
    pub joint_hit: f64,
    /// How likely a tap there opens the supply's lead, 0 to 1.
    pub lead_hit: f64,
}

/// Everything on the bench but the board.
#[derive(Clone, Debug, PartialEq)]
pub struct Unit {
    /// What feeds it.
    pub supply: Supply,
    /// Stage 1 on channel 1, stage 2 on channel 2.
    pub stages: [Stage; BRANCHES],
    /// When the vents move; never, where there is none.
    pub programme: Option<Programme>,
    /// Where heat goes.
    pub thermal: ThermalParts,
    /// The room.
    pub room: Room,
    /// The places to tap, in the order a person goes through them.
    pub places: Vec<Place>,
    /// How often an hour stage 2's joint opens by itself.
    pub joint_opens_per_hour: f64,
}

const fn place(name: &'static str, joint_hit: f64, lead_hit: f64) -> Place {
    Place {
        name,
        joint_hit,
        lead_hit,
    }
}

impl Unit {
    /// The greenhouse vent controller in good order, all parts at their nominal values.
    #[must_use]
    pub fn vent_controller() -> Self {
        let stage = Stage {
            reservoir_f: 1e-3,
            branch_ohm: 0.25,
            precharge_ohm: 12.0,
            bridge_after_s: 0.08,
            draw_after_s: 0.12,
            across_ohm: 10_000.0,
            rest_a: 0.085,
            excess_a: 0.0,
            excess_a_per_hour: 0.0,
            draw_per_k: 2.5e-3,
            wander_a: 40e-6,
            motor_a: 0.55,
            motor_start_a: 1.4,
            motor_start_s: 0.06,
            pulse_hz: 4_000.0,
            pulse_a: 0.03,
            look_s: 0.02,
            look_a: 4e-3,
            look_every_s: 2.0,
            shunt_ohm: 0.05,
            shunt_per_k: 50e-6,
        };
        Self {
            supply: Supply {
                volts: 24.0,
                source_ohm: 0.1,
                mains_hz: 50.0,
                ripple: [
                    Ripple {
                        harmonic: 2.0,
                        amplitude_v: 1.5e-3,
                    },
                    Ripple {
                        harmonic: 4.0,
                        amplitude_v: 0.4e-3,
                    },
                ],
                relay_operate_s: 6e-3,
                relay_release_s: 3e-3,
                lead_opens_per_hour: 0.0,
            },
            stages: [stage; BRANCHES],
            programme: Some(Programme {
                first_s: 60.0,
                every_s: 120.0,
                lasts_s: 6.0,
            }),
            thermal: ThermalParts {
                stage_j_per_k: 45.0,
                case_j_per_k: 250.0,
                stage_to_case_k_per_w: 4.0,
                case_to_room_k_per_w: 3.0,
                heating_share: 0.8,
                thermistor_lag_s: 15.0,
            },
            room: Room {
                mean_c: 21.0,
                cycle_k: 0.8,
                cycle_s: 2_700.0,
                day_k: 1.5,
            },
            places: vec![
                place("input connector", 0.0, 0.0),
                place("supply lead", 0.0, 0.0),
                place("stage 1 bridge", 0.0, 0.0),
                place("stage 2 reservoir", 0.0, 0.0),
                place("stage 2 bridge", 0.0, 0.0),
                place("relay sockets", 0.0, 0.0),
            ],
            joint_opens_per_hour: 0.0,
        }
    }

    /// Draws the tolerances of parts: like stages are never equal. Shunts ±1 %, reservoirs ±10 %, draws ±1.5 %, pulse
    /// frequencies ±2 %, mains ±0.1 % (common practice, no source).
    pub fn draw_tolerances(&mut self, random: &mut impl Rng) {
        let mut spread = |value: &mut f64, share: f64| {
            let drawn: f64 = StandardNormal.sample(random);
            *value *= 1.0 + share * (drawn / 2.0).clamp(-1.0, 1.0);
        };
        spread(&mut self.supply.mains_hz, 1e-3);
        for stage in &mut self.stages {
            spread(&mut stage.shunt_ohm, 0.01);
            spread(&mut stage.reservoir_f, 0.1);
            spread(&mut stage.rest_a, 0.015);
            spread(&mut stage.motor_a, 0.015);
            spread(&mut stage.pulse_hz, 0.02);
            spread(&mut stage.look_every_s, 0.01);
            spread(&mut stage.precharge_ohm, 0.05);
        }
    }
}
