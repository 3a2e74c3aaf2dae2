//! What is on the bench, what is wrong with it, and what the person there does.

use std::fmt;

use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use steadybench_protocol::Channel;

use crate::chip::ChipParts;
use crate::model::thermistor::ThermistorFault;
use crate::model::{Bench, Unit};
use crate::world::BusFault;

/// Position in [`Unit::places`] of stage 2's marginal joint.
const STAGE_2_BRIDGE: usize = 4;

/// Position of the place next to it, which shakes it a little.
const STAGE_2_RESERVOIR: usize = 3;

/// Position of the supply's lead.
const SUPPLY_LEAD: usize = 1;

/// When the bench supply is switched on.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum SwitchOn {
    /// Nobody does: the program that owns the bench will.
    Never,
    /// So many seconds after the board began its first run, so that the switch-on is in the record.
    AfterRunBegins(f64),
    /// So many seconds after the bench began.
    AfterStart(f64),
}

/// A person who taps the places in turn and presses the foot switch with each tap.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Tapping {
    /// First tap, seconds after the supply was switched on.
    pub first_s: f64,
    /// From one tap to the next, seconds.
    pub every_s: f64,
    /// Share of taps with the foot switch pressed, 0 to 1.
    pub marked: f64,
}

/// One virtual bench, by name.
///
/// ```
/// use steadybench_virtual::Scenario;
///
/// let scenario: Scenario = "greenhouse".parse()?;
/// assert_eq!(scenario.name, "greenhouse");
/// assert!("glasshouse".parse::<Scenario>().unwrap_err().to_string().contains("greenhouse-healthy"));
/// # Ok::<(), steadybench_virtual::UnknownScenario>(())
/// ```
#[derive(Clone, Debug, PartialEq)]
pub struct Scenario {
    /// What `--port virtual:NAME` says.
    pub name: &'static str,
    /// One line on what is there to find.
    pub description: &'static str,
    /// The unit and its surroundings before tolerances are drawn.
    pub unit: Unit,
    /// When the supply is switched on.
    pub switch_on: SwitchOn,
    /// Whether somebody taps.
    pub tapping: Option<Tapping>,
    /// Faults of the two monitor buses.
    pub bus_faults: [BusFault; 2],
    /// Faults of the two thermistors.
    pub thermistor_faults: [ThermistorFault; 2],
    /// The chip of this channel loses its settings so many times an hour.
    pub chip_resets_per_hour: Option<(Channel, f64)>,
    /// Error of the board's crystal in ppm; drawn within ±30 where it is not given.
    pub crystal_ppm: Option<f64>,
}

/// There is no scenario of that name.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("there is no virtual bench {name:?}; there are: {}", Names)]
pub struct UnknownScenario {
    name: String,
}

struct Names;

impl fmt::Display for Names {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (at, scenario) in Scenario::all().iter().enumerate() {
            let comma = if at == 0 { "" } else { ", " };
            write!(f, "{comma}{}", scenario.name)?;
        }
        Ok(())
    }
}

impl std::str::FromStr for Scenario {
    type Err = UnknownScenario;

    fn from_str(name: &str) -> Result<Self, UnknownScenario> {
        Self::all()
            .into_iter()
            .find(|scenario| scenario.name == name)
            .ok_or_else(|| UnknownScenario { name: name.into() })
    }
}

impl Scenario {
    /// The unit in good order, switched on a second after the run begins.
    #[must_use]
    pub fn healthy() -> Self {
        Self {
            name: "greenhouse-healthy",
            description: "both stages alike, every joint sound",
            unit: Unit::vent_controller(),
            switch_on: SwitchOn::AfterRunBegins(1.0),
            tapping: None,
            bus_faults: [BusFault::None; 2],
            thermistor_faults: [ThermistorFault::None; 2],
            chip_resets_per_hour: None,
            crystal_ppm: None,
        }
    }

    /// The unit as it came in: stage 2 draws too much, and through a joint that opens under taps.
    #[must_use]
    pub fn greenhouse() -> Self {
        let mut scenario = Self {
            name: "greenhouse",
            description: "stage 2 draws 0.18 A too much, through a joint that opens when it is tapped",
            ..Self::healthy()
        };
        scenario.unit.stages[1].excess_a = 0.18;
        scenario.unit.places[STAGE_2_BRIDGE].joint_hit = 0.75;
        scenario.unit.places[STAGE_2_RESERVOIR].joint_hit = 0.1;
        scenario
    }

    /// Every scenario, the demo's first.
    #[must_use]
    pub fn all() -> Vec<Self> {
        let named = |name, description, change: &dyn Fn(&mut Self)| {
            let mut scenario = Self {
                name,
                description,
                ..Self::healthy()
            };
            change(&mut scenario);
            scenario
        };
        let mut cracked = Self::greenhouse();
        cracked.name = "greenhouse-cracked-joint";
        cracked.description = "the same, and a person taps the places in turn with a foot on the switch";
        cracked.tapping = Some(Tapping {
            first_s: 10.0,
            every_s: 4.0,
            marked: 0.95,
        });
        vec![
            Self::greenhouse(),
            cracked,
            Self::healthy(),
            named(
                "greenhouse-tapped-healthy",
                "every joint sound, and a person taps the places in turn",
                &|s| {
                    s.tapping = Some(Tapping {
                        first_s: 10.0,
                        every_s: 4.0,
                        marked: 0.95,
                    });
                },
            ),
            named(
                "greenhouse-unpowered",
                "the supply stays off: what a zero is taken from",
                &|s| {
                    s.switch_on = SwitchOn::Never;
                },
            ),
            named(
                "greenhouse-shorted-stage",
                "stage 2 has a short of 0.8 Ω across its reservoir",
                &|s| {
                    s.unit.stages[1].across_ohm = 0.8;
                },
            ),
            named(
                "greenhouse-drifting",
                "stage 2's draw grows by 12 mA an hour and does not settle",
                &|s| {
                    s.unit.stages[1].excess_a_per_hour = 12e-3;
                },
            ),
            named(
                "greenhouse-intermittent",
                "stage 2's joint opens by itself, 30 times an hour",
                &|s| {
                    s.unit.joint_opens_per_hour = 30.0;
                },
            ),
            named(
                "greenhouse-loose-lead",
                "the supply's lead opens now and then, and when it is tapped",
                &|s| {
                    s.unit.supply.lead_opens_per_hour = 20.0;
                    s.unit.places[SUPPLY_LEAD].lead_hit = 0.6;
                },
            ),
            named(
                "greenhouse-open-thermistor",
                "thermistor 1 has a broken lead",
                &|s| {
                    s.thermistor_faults[0] = ThermistorFault::Open;
                },
            ),
            named("greenhouse-shorted-thermistor", "thermistor 1 is shorted", &|s| {
                s.thermistor_faults[0] = ThermistorFault::Shorted;
            }),
            named(
                "greenhouse-absent-monitor",
                "channel 2's monitor chip is missing",
                &|s| {
                    s.bus_faults[1] = BusFault::Absent;
                },
            ),
            named(
                "greenhouse-wrong-monitor",
                "channel 2's monitor is a sister chip",
                &|s| {
                    // The 16-bit sister INA238 (Linux drivers/hwmon/ina238.c has its registers; the identity from memory).
                    s.bus_faults[1] = BusFault::WrongChip {
                        manufacturer_id: 0x5449,
                        device_id: 0x2381,
                    };
                },
            ),
            named(
                "greenhouse-stuck-bus",
                "channel 2's monitor bus is held low for ever",
                &|s| {
                    s.bus_faults[1] = BusFault::Stuck { recoveries: None };
                },
            ),
            named(
                "greenhouse-restarting-monitor",
                "channel 1's monitor loses its settings 60 times an hour",
                &|s| {
                    s.chip_resets_per_hour = Some((Channel::One, 60.0));
                },
            ),
        ]
    }

    /// Draws everything that differs from one specimen to the next.
    pub(crate) fn specimen(&self, seed: u64) -> Specimen {
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        let mut unit = self.unit.clone();
        unit.draw_tolerances(&mut random);
        let chips = [ChipParts::draw(&mut random), ChipParts::draw(&mut random)];
        let drawn_ppm = random.random_range(-30.0..=30.0);
        Specimen {
            bench: Bench::new(unit, seed),
            chips,
            crystal_ppm: self.crystal_ppm.unwrap_or(drawn_ppm),
        }
    }
}

/// One specimen of bench and board.
#[derive(Debug)]
pub(crate) struct Specimen {
    pub(crate) bench: Bench,
    pub(crate) chips: [ChipParts; 2],
    pub(crate) crystal_ppm: f64,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_scenario_is_found_by_its_name_and_described_in_one_line() {
        let all = Scenario::all();
        for scenario in &all {
            assert_eq!(scenario.name.parse::<Scenario>().as_ref(), Ok(scenario));
            assert!(!scenario.description.is_empty() && !scenario.description.contains('\n'));
            assert!(scenario.name.len() <= 31, "{}", scenario.name);
        }
        assert_eq!(all[0].name, "greenhouse");
    }

    #[test]
    fn the_places_are_the_ones_meant() {
        let places = Unit::vent_controller().places;
        assert_eq!(places[STAGE_2_BRIDGE].name, "stage 2 bridge");
        assert_eq!(places[STAGE_2_RESERVOIR].name, "stage 2 reservoir");
        assert_eq!(places[SUPPLY_LEAD].name, "supply lead");
    }

    #[test]
    fn a_specimen_depends_on_the_seed_and_nothing_else() {
        let scenario = Scenario::greenhouse();
        assert_eq!(
            scenario.specimen(3).bench.unit(),
            scenario.specimen(3).bench.unit()
        );
        assert_ne!(
            scenario.specimen(3).bench.unit(),
            scenario.specimen(4).bench.unit()
        );
    }
}
