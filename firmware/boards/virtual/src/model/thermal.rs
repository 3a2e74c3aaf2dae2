//! Heat: from the stages into the case, from the case into the room, and into the two thermistors.
//!
//! Two nodes with a heat capacity each, between them and to the room a thermal resistance: the simplest network that
//! has a fast and a slow time constant, as a warming unit has. The room is given from outside.

use super::decays::decays;

/// Capacities and resistances. The figures of a scenario are estimates for a unit of 0.4 kg in a plastic case (from
/// memory, no source).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ThermalParts {
    /// Heat capacity of the stages with their heat sink, joules a kelvin.
    pub stage_j_per_k: f64,
    /// Heat capacity of the case, joules a kelvin.
    pub case_j_per_k: f64,
    /// From stages to case, kelvins a watt.
    pub stage_to_case_k_per_w: f64,
    /// From case to room, kelvins a watt.
    pub case_to_room_k_per_w: f64,
    /// Share of the electrical power that heats the stages; the motors take the rest away.
    pub heating_share: f64,
    /// Time constant of a thermistor in air, seconds (15 s: Vishay document 29049, NTCLE100E3).
    pub thermistor_lag_s: f64,
}

/// The room's temperature in degrees Celsius: a mean, the heating's cycle, and the day.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Room {
    /// Mean.
    pub mean_c: f64,
    /// Amplitude of the heating's cycle.
    pub cycle_k: f64,
    /// Length of the heating's cycle in seconds.
    pub cycle_s: f64,
    /// Amplitude of the day's course.
    pub day_k: f64,
}

impl Room {
    /// The temperature at a bench time.
    #[must_use]
    pub fn at(&self, time_s: f64) -> f64 {
        let turn = std::f64::consts::TAU * time_s;
        self.mean_c + self.cycle_k * (turn / self.cycle_s).sin() + self.day_k * (turn / 86_400.0).sin()
    }
}

/// The temperatures now, in degrees Celsius.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Temperatures {
    /// The stages.
    pub stage_c: f64,
    /// The case near the stages: where thermistor 1 is.
    pub case_c: f64,
    /// The room: where thermistor 2 is.
    pub room_c: f64,
    /// The two thermistors themselves, which lag.
    pub thermistor_c: [f64; 2],
}

impl Temperatures {
    /// Everything as warm as the room.
    #[must_use]
    pub const fn cold(room_c: f64) -> Self {
        Self {
            stage_c: room_c,
            case_c: room_c,
            room_c,
            thermistor_c: [room_c; 2],
        }
    }

    /// The temperatures `step_s` seconds later, with `power_w` watts of electrical power meanwhile.
    #[must_use]
    pub fn after(&self, parts: &ThermalParts, step_s: f64, power_w: f64, room_c: f64) -> Self {
        let heat_w = power_w * parts.heating_share;
        let case_end = room_c + heat_w * parts.case_to_room_k_per_w;
        let stage_end = case_end + heat_w * parts.stage_to_case_k_per_w;
        let inner = 1.0 / parts.stage_to_case_k_per_w;
        let outer = 1.0 / parts.case_to_room_k_per_w;
        let motion = [
            [-inner / parts.stage_j_per_k, inner / parts.stage_j_per_k],
            [inner / parts.case_j_per_k, -(inner + outer) / parts.case_j_per_k],
        ];
        let (mut stage_c, mut case_c) = (stage_end, case_end);
        for (rate, [stage, case]) in decays(motion, [self.stage_c - stage_end, self.case_c - case_end]) {
            let left = (rate * step_s).exp();
            stage_c += stage * left;
            case_c += case * left;
        }
        let caught_up = -(-step_s / parts.thermistor_lag_s).exp_m1();
        let [near, far] = self.thermistor_c;
        Self {
            stage_c,
            case_c,
            room_c,
            thermistor_c: [
                near + (case_c - near) * caught_up,
                far + (room_c - far) * caught_up,
            ],
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const PARTS: ThermalParts = ThermalParts {
        stage_j_per_k: 40.0,
        case_j_per_k: 250.0,
        stage_to_case_k_per_w: 4.0,
        case_to_room_k_per_w: 3.0,
        heating_share: 1.0,
        thermistor_lag_s: 15.0,
    };

    fn warm(parts: &ThermalParts, step_s: f64, steps: u32, power_w: f64) -> Temperatures {
        (0..steps).fold(Temperatures::cold(20.0), |now, _| {
            now.after(parts, step_s, power_w, 20.0)
        })
    }

    #[test]
    fn the_step_does_not_change_the_course() {
        let fine = warm(&PARTS, 0.1, 6_000, 5.0);
        let coarse = warm(&PARTS, 60.0, 10, 5.0);
        assert!((fine.stage_c - coarse.stage_c).abs() < 1e-9);
        assert!((fine.case_c - coarse.case_c).abs() < 1e-9);
    }

    /// In the end every watt crosses both resistances.
    #[test]
    fn the_end_is_ohms_law_for_heat() {
        let end = warm(&PARTS, 60.0, 1_000, 5.0);
        assert!((end.case_c - (20.0 + 5.0 * 3.0)).abs() < 1e-6);
        assert!((end.stage_c - (20.0 + 5.0 * 7.0)).abs() < 1e-6);
        assert!((end.thermistor_c[0] - end.case_c).abs() < 1e-6);
    }

    /// With hardly any capacity in the stages the case is a single node with one time constant, resistance times
    /// capacity: 63.2 % of the rise after one, as a thermal time constant is defined (IEC 60539-1).
    #[test]
    fn a_single_node_has_the_textbook_time_constant() {
        let parts = ThermalParts {
            stage_j_per_k: 1e-6,
            ..PARTS
        };
        let now = warm(&parts, 750.0 / 100.0, 100, 5.0);
        let share = (now.case_c - 20.0) / 15.0;
        assert!((share - (1.0 - (-1.0_f64).exp())).abs() < 1e-4, "{share}");
    }

    /// Both time constants are the roots of the characteristic equation of the two-node network.
    #[test]
    fn both_time_constants_are_the_roots_of_the_network() {
        let inner = 1.0 / (PARTS.stage_to_case_k_per_w * PARTS.stage_j_per_k);
        let back = 1.0 / (PARTS.stage_to_case_k_per_w * PARTS.case_j_per_k);
        let outer = 1.0 / (PARTS.case_to_room_k_per_w * PARTS.case_j_per_k);
        let (sum, product) = (inner + back + outer, inner * outer);
        let slow = (sum - (sum * sum - 4.0 * product).sqrt()) / 2.0;
        // Late in the cooling only the slow one is left.
        let hot = warm(&PARTS, 60.0, 1_000, 5.0);
        let later = hot.after(&PARTS, 3_000.0, 0.0, 20.0);
        let latest = later.after(&PARTS, 500.0, 0.0, 20.0);
        let rate = ((later.case_c - 20.0) / (latest.case_c - 20.0)).ln() / 500.0;
        assert!((rate / slow - 1.0).abs() < 1e-6, "{rate} {slow}");
    }
}
