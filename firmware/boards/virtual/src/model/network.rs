//! The supply and both stages' inputs as an electrical network, solved exactly between one change and the next.
//!
//! A source with its resistance feeds two branches; each has a series resistance, a reservoir capacitor behind it, and
//! across the capacitor a draw (a current) and a leak (a conductance). While nothing is switched the network is linear,
//! and the source and the draws are sums of exponentials (a constant, a ripple, a motor's starting current): so every
//! current is a sum of exponentials too, and its mean over any window is known without stepping through time.
//!
//! What is left out: the inductance of leads. One microhenry against the 0.4 Ω here settles within 2.5 µs, a twentieth
//! of the chip's shortest conversion.

use num_complex::Complex64;

use super::decays::{Matrix, decays};

/// Branches of the network, one a channel.
pub(crate) const BRANCHES: usize = 2;

/// The fixed part of the network between two changes.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Network {
    /// Resistance of the source and of what both branches share, in ohms.
    pub source_ohm: f64,
    /// Whether source and branches are connected; one pole a branch, so that open branches do not feed each other.
    pub closed: bool,
    /// Resistance in series with each reservoir, in ohms; above zero.
    pub branch_ohm: [f64; BRANCHES],
    /// Each reservoir in farads.
    pub reservoir_f: [f64; BRANCHES],
    /// Conductance across each reservoir in siemens; above zero.
    pub leak_s: [f64; BRANCHES],
}

/// One exponential of what drives the network: `Re(amplitude × e^(rate × time))`, time counted in seconds from the
/// start of the span it is solved for.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Drive {
    /// Zero for a constant, imaginary for a ripple, negative for a decay; per second.
    pub rate: Complex64,
    /// Amplitude of the source in volts.
    pub source_v: Complex64,
    /// Amplitude of each draw in amperes.
    pub draw_a: [Complex64; BRANCHES],
}

/// One exponential of the answer.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Term {
    rate: Complex64,
    current_a: [Complex64; BRANCHES],
    node_v: [Complex64; BRANCHES],
    reservoir_v: [Complex64; BRANCHES],
}

/// The network's currents and voltages from one change to the next; times in seconds from the change.
#[derive(Clone, Debug, PartialEq)]
pub struct Solution {
    terms: Vec<Term>,
}

impl Network {
    fn conductance(&self) -> [f64; BRANCHES] {
        if self.closed {
            self.branch_ohm.map(|ohm| 1.0 / ohm)
        } else {
            [0.0; BRANCHES]
        }
    }

    /// What the source's voltage is divided by at the node both branches share.
    fn node_divisor(&self) -> f64 {
        1.0 + self.source_ohm * self.conductance().iter().sum::<f64>()
    }

    /// The reservoirs' own motion: `dv/dt = A v + …`.
    fn motion(&self) -> Matrix {
        let g = self.conductance();
        let shared = self.source_ohm / self.node_divisor();
        let entry = |row: usize, column: usize| {
            let own = if row == column {
                g[row] + self.leak_s[row]
            } else {
                0.0
            };
            (g[row] * shared * g[column] - own) / self.reservoir_f[row]
        };
        [[entry(0, 0), entry(0, 1)], [entry(1, 0), entry(1, 1)]]
    }

    /// Node voltage and currents that belong to reservoir voltages.
    fn term(&self, rate: Complex64, source_v: Complex64, reservoir_v: [Complex64; BRANCHES]) -> Term {
        let g = self.conductance();
        let node = (source_v + (reservoir_v[0] * g[0] + reservoir_v[1] * g[1]) * self.source_ohm)
            / self.node_divisor();
        Term {
            rate,
            current_a: [(node - reservoir_v[0]) * g[0], (node - reservoir_v[1]) * g[1]],
            node_v: if self.closed {
                [node; BRANCHES]
            } else {
                reservoir_v
            },
            reservoir_v,
        }
    }

    /// The answer to one exponential, long after its beginning.
    fn forced(&self, drive: &Drive) -> Term {
        let motion = self.motion();
        let g = self.conductance();
        let push = |k: usize| {
            (drive.source_v * (g[k] / self.node_divisor()) - drive.draw_a[k]) / self.reservoir_f[k]
        };
        let m = [
            [drive.rate - motion[0][0], Complex64::from(-motion[0][1])],
            [Complex64::from(-motion[1][0]), drive.rate - motion[1][1]],
        ];
        let (p, q) = (push(0), push(1));
        let determinant = m[0][0] * m[1][1] - m[0][1] * m[1][0];
        let v = [
            (m[1][1] * p - m[0][1] * q) / determinant,
            (m[0][0] * q - m[1][0] * p) / determinant,
        ];
        self.term(drive.rate, drive.source_v, v)
    }

    /// Solves the network from reservoir voltages `initial_v` under the sum of `drives`.
    #[must_use]
    pub fn solve(&self, initial_v: [f64; BRANCHES], drives: &[Drive]) -> Solution {
        let mut terms: Vec<Term> = drives.iter().map(|drive| self.forced(drive)).collect();
        let rest: [f64; BRANCHES] = std::array::from_fn(|k| {
            initial_v[k] - terms.iter().map(|term| term.reservoir_v[k].re).sum::<f64>()
        });
        for (rate, voltages) in decays(self.motion(), rest) {
            terms.push(self.term(
                Complex64::from(rate),
                Complex64::ZERO,
                voltages.map(Complex64::from),
            ));
        }
        Solution { terms }
    }
}

impl Term {
    fn grown(&self, time_s: f64) -> Option<Complex64> {
        // A decay by e^-45 is below the resolution of the sum it belongs to.
        (self.rate.re * time_s > -45.0).then(|| (self.rate * time_s).exp())
    }

    /// The integral of `e^(rate × time)` from `from_s` to `to_s`.
    fn integral(&self, from_s: f64, to_s: f64) -> Complex64 {
        if self.rate == Complex64::ZERO {
            return Complex64::from(to_s - from_s);
        }
        let half = self.rate * ((to_s - from_s) / 2.0);
        // About the middle, so that a slow exponential over a short window loses no digits.
        let shape = if half.norm_sqr() < 1e-8 {
            (Complex64::ONE + half * half / 6.0) * (to_s - from_s)
        } else {
            half.sinh() * 2.0 / self.rate
        };
        (self.rate * f64::midpoint(from_s, to_s)).exp() * shape
    }

    fn lives(&self, time_s: f64) -> bool {
        self.rate.re * time_s > -45.0
    }
}

impl Solution {
    /// Current of a branch in amperes.
    #[must_use]
    pub fn current_a(&self, branch: usize, time_s: f64) -> f64 {
        self.sum(time_s, |term| term.current_a[branch])
    }

    /// Voltage of a branch's end towards the source, in volts: the shared node, or the reservoir when open.
    #[must_use]
    pub fn node_v(&self, branch: usize, time_s: f64) -> f64 {
        self.sum(time_s, |term| term.node_v[branch])
    }

    /// Voltages of the reservoirs.
    #[must_use]
    pub fn reservoir_v(&self, time_s: f64) -> [f64; BRANCHES] {
        std::array::from_fn(|branch| self.sum(time_s, |term| term.reservoir_v[branch]))
    }

    /// Charge through a branch in coulombs.
    #[must_use]
    pub fn charge_c(&self, branch: usize, from_s: f64, to_s: f64) -> f64 {
        self.integral(from_s, to_s, |term| term.current_a[branch])
    }

    /// Integral of [`Self::node_v`] in volt-seconds.
    #[must_use]
    pub fn node_vs(&self, branch: usize, from_s: f64, to_s: f64) -> f64 {
        self.integral(from_s, to_s, |term| term.node_v[branch])
    }

    fn sum(&self, time_s: f64, amplitude: impl Fn(&Term) -> Complex64) -> f64 {
        self.terms
            .iter()
            .filter_map(|term| Some((amplitude(term) * term.grown(time_s)?).re))
            .sum()
    }

    fn integral(&self, from_s: f64, to_s: f64, amplitude: impl Fn(&Term) -> Complex64) -> f64 {
        self.terms
            .iter()
            .filter(|term| term.lives(from_s))
            .map(|term| (amplitude(term) * term.integral(from_s, to_s)).re)
            .sum()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn constant(source_v: f64, draw_a: [f64; 2]) -> Drive {
        Drive {
            rate: Complex64::ZERO,
            source_v: source_v.into(),
            draw_a: draw_a.map(Complex64::from),
        }
    }

    fn single(ohm: f64, farad: f64) -> Network {
        Network {
            source_ohm: 0.0,
            closed: true,
            branch_ohm: [ohm, ohm],
            reservoir_f: [farad, farad],
            leak_s: [1e-12, 1e-12],
        }
    }

    /// Integral of the square by Simpson's rule, over `n` steps.
    fn i2t(solution: &Solution, end_s: f64, n: u32) -> f64 {
        let h = end_s / f64::from(n);
        let square = |k: u32| solution.current_a(0, f64::from(k) * h).powi(2);
        let inner: f64 = (1..n)
            .map(|k| square(k) * if k % 2 == 1 { 4.0 } else { 2.0 })
            .sum();
        h / 3.0 * (square(0) + inner + square(n))
    }

    /// Closed form of the charging of a capacitor: `i = V/R e^(-t/RC)`, `I2t = V²C/2R`, `Q = CV`. The two worked
    /// examples were computed from it: 12 V, 0.5 Ω, 1000 µF; 325 V, 10 Ω, 100 µF.
    #[test]
    fn the_inrush_of_one_branch_is_the_closed_form() {
        for (volt, ohm, farad, peak_a, tau_s, i2t_a2s) in [
            (12.0, 0.5, 1e-3, 24.0, 0.5e-3, 0.144),
            (325.0, 10.0, 1e-4, 32.5, 1e-3, 0.528),
        ] {
            let solution = single(ohm, farad).solve([0.0; 2], &[constant(volt, [0.0; 2])]);
            assert!((solution.current_a(0, 0.0) - peak_a).abs() < 1e-9 * peak_a);
            let after_tau = solution.current_a(0, tau_s) / peak_a;
            assert!((after_tau - (-1.0_f64).exp()).abs() < 1e-9, "{after_tau}");
            let sum = i2t(&solution, 20.0 * tau_s, 4_000);
            assert!((sum - i2t_a2s).abs() < 5e-4 * i2t_a2s.max(1.0), "{sum}");
            let charge = solution.charge_c(0, 0.0, 30.0 * tau_s);
            assert!((charge - farad * volt).abs() < 1e-6 * charge, "{charge}");
            // After 1, 2, 3, 4, 5 and 7 time constants.
            for (constants, share) in [
                (1.0, 0.6321),
                (2.0, 0.8647),
                (3.0, 0.9502),
                (5.0, 0.9933),
                (7.0, 0.9991),
            ] {
                let filled = solution.reservoir_v(constants * tau_s)[0] / volt;
                assert!((filled - share).abs() < 6e-5, "{filled}");
            }
        }
    }

    /// Four-step Runge-Kutta of the same equations, by plain circuit laws, as an independent way to the answer.
    #[test]
    fn unequal_branches_with_ripple_agree_with_small_steps() {
        let network = Network {
            source_ohm: 0.2,
            closed: true,
            branch_ohm: [0.35, 0.5],
            reservoir_f: [1.1e-3, 0.8e-3],
            leak_s: [1e-3, 0.2],
        };
        let omega = 628.0;
        let drives = [
            constant(24.0, [0.1, 0.3]),
            Drive {
                rate: Complex64::new(0.0, omega),
                source_v: Complex64::new(0.05, 0.0),
                draw_a: [Complex64::ZERO; 2],
            },
            Drive {
                rate: Complex64::new(-50.0, 0.0),
                source_v: Complex64::ZERO,
                draw_a: [Complex64::ZERO, Complex64::new(1.2, 0.0)],
            },
        ];
        let solution = network.solve([3.0, 9.0], &drives);
        let currents = |t: f64, v: [f64; 2]| {
            let source = 24.0 + 0.05 * (omega * t).cos();
            // Node law: (source - node)/Rs = sum (node - v)/R.
            let weights = [1.0 / 0.2, 1.0 / 0.35, 1.0 / 0.5];
            let node =
                (source * weights[0] + v[0] * weights[1] + v[1] * weights[2]) / weights.iter().sum::<f64>();
            [(node - v[0]) / 0.35, (node - v[1]) / 0.5]
        };
        let slope = |t: f64, v: [f64; 2]| {
            let i = currents(t, v);
            let draw = [0.1, 0.3 + 1.2 * (-50.0 * t).exp()];
            [
                (i[0] - draw[0] - 1e-3 * v[0]) / 1.1e-3,
                (i[1] - draw[1] - 0.2 * v[1]) / 0.8e-3,
            ]
        };
        let (mut v, h) = ([3.0, 9.0], 1e-6);
        let mut charge = [0.0; 2];
        let steps = 20_000;
        for step in 0..steps {
            let t = f64::from(step) * h;
            let before = currents(t, v);
            let at = |v: [f64; 2], k: [f64; 2], h: f64| [v[0] + h * k[0], v[1] + h * k[1]];
            let k1 = slope(t, v);
            let k2 = slope(t + h / 2.0, at(v, k1, h / 2.0));
            let k3 = slope(t + h / 2.0, at(v, k2, h / 2.0));
            let k4 = slope(t + h, at(v, k3, h));
            for k in 0..2 {
                v[k] += h / 6.0 * (k1[k] + 2.0 * k2[k] + 2.0 * k3[k] + k4[k]);
            }
            let after = currents(t + h, v);
            for k in 0..2 {
                charge[k] += h * f64::midpoint(before[k], after[k]);
            }
        }
        let end = f64::from(steps) * h;
        for k in 0..2 {
            assert!((solution.reservoir_v(end)[k] - v[k]).abs() < 1e-6);
            assert!((solution.current_a(k, end) - currents(end, v)[k]).abs() < 1e-5);
            let exact = solution.charge_c(k, 0.0, end);
            assert!(
                (exact - charge[k]).abs() < 1e-6 * charge[k].abs(),
                "{exact} {}",
                charge[k]
            );
        }
    }

    #[test]
    fn an_open_branch_carries_nothing_and_bleeds() {
        let network = Network {
            closed: false,
            leak_s: [1e-3, 1e-3],
            ..single(0.3, 1e-3)
        };
        let solution = network.solve([24.0, 20.0], &[constant(24.0, [0.0; 2])]);
        assert_eq!(solution.charge_c(0, 0.0, 1.0).to_bits(), 0.0_f64.to_bits());
        let left = solution.reservoir_v(1.0);
        assert!((left[0] - 24.0 * (-1.0_f64).exp()).abs() < 1e-9);
        assert!((left[1] - 20.0 * (-1.0_f64).exp()).abs() < 1e-9);
    }
}
