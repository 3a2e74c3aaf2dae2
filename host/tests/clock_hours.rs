//! The clock map against simulated hours: crystals that drift, lopsided delays, stalls, steps of the host's clock, and
//! sleep. The truth is known, so the stated bound can be held to account.

use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use steadybench_host::clock::{ClockMap, Exchange, HostTime};
use steadybench_protocol::BoardTime;

/// UTC of the simulated start: 2026-09-21T13:46:40Z.
const START_UTC_NS: i64 = 1_790_000_000_000_000_000;

/// What one simulated hour is made of.
struct Hour {
    crystal_ppm: f64,
    warming_ppm: f64,
    warming_s: f64,
    cycle_ppm: f64,
    cycle_s: f64,
    least_delay_s: [f64; 2],
    jitter_s: f64,
    stall_share: f64,
    step: Option<(f64, f64)>,
    sleep: Option<(f64, f64)>,
}

impl Hour {
    fn draw(random: &mut ChaCha8Rng) -> Self {
        let step_sizes = [7_200.0, -7_200.0, 1.0, -0.3, 0.02, -0.004];
        Self {
            crystal_ppm: random.random_range(-50.0..50.0),
            warming_ppm: random.random_range(-2.0..2.0),
            warming_s: random.random_range(300.0..1_200.0),
            cycle_ppm: random.random_range(0.0..0.5),
            cycle_s: random.random_range(900.0..3_600.0),
            least_delay_s: [random.random_range(50e-6..1e-3), random.random_range(50e-6..1e-3)],
            jitter_s: random.random_range(20e-6..500e-6),
            stall_share: random.random_range(0.0..0.2),
            step: random.random_bool(0.4).then(|| {
                (
                    random.random_range(60.0..3_500.0),
                    step_sizes[random.random_range(0..step_sizes.len())],
                )
            }),
            sleep: random
                .random_bool(0.2)
                .then(|| (random.random_range(60.0..2_000.0), 1_200.0)),
        }
    }

    /// Board seconds at `true_s` seconds, the integral of the crystal's rate.
    fn board_s(&self, true_s: f64) -> f64 {
        let warming = self.warming_ppm * self.warming_s * (1.0 - (-true_s / self.warming_s).exp());
        let turn = std::f64::consts::TAU / self.cycle_s;
        let cycle = self.cycle_ppm / turn * (1.0 - (turn * true_s).cos());
        17.0 + true_s + 1e-6 * (self.crystal_ppm * true_s + warming + cycle)
    }

    fn host(&self, true_s: f64) -> HostTime {
        let stepped = self
            .step
            .filter(|(at, _)| true_s >= *at)
            .map_or(0.0, |(_, size)| size);
        let asleep = self
            .sleep
            .map_or(0.0, |(at, length)| (true_s - at).clamp(0.0, length));
        HostTime {
            utc_ns: START_UTC_NS + ((true_s + stepped) * 1e9) as i64,
            monotonic_ns: ((true_s - asleep) * 1e9) as u64,
        }
    }

    fn delay_s(&self, way: usize, random: &mut ChaCha8Rng) -> f64 {
        let jitter = -self.jitter_s * (1.0 - random.random::<f64>()).ln();
        let stall = if random.random_bool(self.stall_share) {
            random.random_range(0.0..0.15)
        } else {
            0.0
        };
        self.least_delay_s[way] + jitter + stall
    }

    /// Whether the bound held at every second, UTC never ran backwards, and a step was reported if there was one.
    fn bound_holds(&self, random: &mut ChaCha8Rng) -> bool {
        let mut map = ClockMap::new();
        let mut latest = None;
        let mut steps = 0;
        let mut true_s = 0.0;
        while true_s < 3_600.0 {
            if self
                .sleep
                .is_some_and(|(at, length)| (at..at + length).contains(&true_s))
            {
                true_s += 1.0;
                continue;
            }
            let arrives_s = true_s + self.delay_s(0, random);
            let leaves_s = arrives_s + random.random_range(20e-6..300e-6);
            let back_s = leaves_s + self.delay_s(1, random);
            let board = |s: f64| BoardTime::from_micros((self.board_s(s) * 1e6) as u64);
            let step = map.take(&Exchange {
                host_send: self.host(true_s),
                board_receive: board(arrives_s),
                board_send: board(leaves_s),
                host_receive: self.host(back_s),
            });
            steps += usize::from(step.is_some());
            // A reading that the board took a while ago, and one from just now.
            for age_s in [1.5, 0.0] {
                let when_s = back_s - age_s;
                let Some(instant) = map.utc(board(when_s)).filter(|_| when_s > 0.0) else {
                    continue;
                };
                let truth_ns = i128::from(START_UTC_NS) + (when_s * 1e9) as i128;
                let error_s = (instant.utc.as_nanosecond() - truth_ns) as f64 * 1e-9;
                // The stamps' resolution is 1 µs.
                if error_s.abs() > instant.bound_s + 2e-6 {
                    return false;
                }
                if age_s == 0.0 {
                    if latest.is_some_and(|before| instant.utc <= before) {
                        return false;
                    }
                    latest = Some(instant.utc);
                }
            }
            true_s = back_s + 1.0;
        }
        let noticeable = self.step.is_some_and(|(_, size)| size.abs() > 0.3);
        !noticeable || steps == 1
    }
}

/// The requirement is 99 % of hours; each hour counts only if its every second held.
#[test]
fn bound_holds_in_at_least_99_of_100_simulated_hours() {
    let held = (0..1_000_u64)
        .filter(|seed| {
            let mut random = ChaCha8Rng::seed_from_u64(*seed);
            Hour::draw(&mut random).bound_holds(&mut random)
        })
        .count();
    println!("the bound held throughout {held} of 1000 simulated hours");
    assert!(
        held >= 990,
        "the bound held throughout {held} of 1000 simulated hours only"
    );
}

/// The bound must also be of use: with delays of 0.2 ms to 0.4 ms it is a millisecond at most once the map has settled.
#[test]
fn bound_is_small_on_a_quiet_host() {
    let hour = Hour {
        crystal_ppm: 23.0,
        warming_ppm: 1.0,
        warming_s: 600.0,
        cycle_ppm: 0.0,
        cycle_s: 1_000.0,
        least_delay_s: [200e-6, 400e-6],
        jitter_s: 100e-6,
        stall_share: 0.02,
        step: None,
        sleep: None,
    };
    let mut random = ChaCha8Rng::seed_from_u64(7);
    let mut map = ClockMap::new();
    for second in 0..900 {
        let sent = f64::from(second);
        let arrives = sent + hour.delay_s(0, &mut random);
        let back = arrives + hour.delay_s(1, &mut random);
        let board = |s: f64| BoardTime::from_micros((hour.board_s(s) * 1e6) as u64);
        map.take(&Exchange {
            host_send: hour.host(sent),
            board_receive: board(arrives),
            board_send: board(arrives),
            host_receive: hour.host(back),
        });
    }
    let now = BoardTime::from_micros((hour.board_s(900.0) * 1e6) as u64);
    let instant = map.utc(now).expect("a map after 900 exchanges");
    assert!(instant.bound_s < 1e-3, "{} s", instant.bound_s);
    let (rate_ppm, bound_ppm) = map.rate_ppm().expect("a rate after 900 s");
    // The host runs slow against a board that is 23 ppm fast, and about 0.5 ppm more in the mean of its warming up.
    assert!(
        (rate_ppm + 23.5).abs() < bound_ppm + 0.6 && bound_ppm < 1.5,
        "{rate_ppm} ± {bound_ppm}"
    );
}
