//! The noise of a slow series: white noise and two processes with a memory, and how to see through them.
//!
//! **Model.** The residual of a series on an even grid is `w + f + s`: `w` is white, `f` and `s` are first-order
//! Gauss-Markov processes (Ornstein-Uhlenbeck, sampled: AR(1) with `phi = exp(-step / time constant)`), one fast, one
//! slow. Air moving over a board, a thermostat and a reference's low-frequency noise all have memory, and one time
//! constant cannot stand for all of them: pretending it can makes intervals too narrow.
//!
//! **Method.** The covariance matrix `V` of this model is never formed. A Kalman filter whitens any column in one
//! pass (prediction error decomposition: Harvey 1989, *Forecasting, Structural Time Series Models and the Kalman
//! Filter*, section 3.4; from memory), skipping missing places, and the matching backward pass gives `V⁻¹ x`
//! (Durbin and Koopman 2012, *Time Series Analysis by State Space Methods*, section 4.4; from memory).
//!
//! **Assumptions.** Even grid with holes; Gaussian; the same noise from end to end.

/// Standard deviations and time constants of the three parts of the noise.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct NoiseModel {
    /// Standard deviation of one white reading of full weight, in the unit of the series.
    pub white_sd: f64,
    /// Standard deviations of the fast and the slow process, in the unit of the series.
    pub memory_sd: [f64; 2],
    /// Time constants of the fast and the slow process, in seconds.
    pub memory_s: [f64; 2],
}

impl NoiseModel {
    /// Variance of the mean of an endless series times its length: the two-sided spectral density at zero, in
    /// (unit of the series)² s.
    ///
    /// `var(mean) ≈ density / duration` once the duration is many slow time constants. For AR(1) this is the rule
    /// `n_eff = n (1 - ρ)/(1 + ρ)`.
    ///
    /// ```
    /// use steadybench_analysis::soak::NoiseModel;
    ///
    /// // AR(1) with ρ = 0.9, n = 100 at 1 s: 5.26 effective readings (the averaging rule τ = 1 + 2 Σ ρ^k).
    /// let memory_s = -1.0 / 0.9_f64.ln();
    /// let noise = NoiseModel { white_sd: 0.0, memory_sd: [1.0, 0.0], memory_s: [memory_s, 1.0] };
    /// assert!((100.0 / noise.density_at_zero(1.0) - 5.263).abs() < 1e-3);
    /// ```
    #[must_use]
    pub fn density_at_zero(&self, step_s: f64) -> f64 {
        let memory: f64 = (0..2)
            .map(|part| {
                let phi = (-step_s / self.memory_s[part]).exp();
                self.memory_sd[part].powi(2) * (1.0 + phi) / (1.0 - phi)
            })
            .sum();
        step_s * (self.white_sd.powi(2) + memory)
    }
}

/// The gains of the whitening filter for one noise model on one grid with its holes.
#[derive(Clone, Debug)]
pub struct Whitener {
    phi: [f64; 2],
    gain: Vec<[f64; 2]>,
    /// One over the standard deviation of the prediction error; zero where the series is missing.
    inverse_sd: Vec<f64>,
    log_determinant: f64,
}

/// What one place made of the weight and the variances it came from.
#[derive(Clone, Copy, Default)]
struct Settled {
    from: [f64; 4],
    error_variance: f64,
    gain: [f64; 2],
    inverse_sd: f64,
    log: f64,
}

impl Whitener {
    /// Gains for a grid of `weights.len()` places `step_s` apart. A weight of zero is a missing place; a place of
    /// weight `w` has white variance `white_sd² / w`.
    #[must_use]
    pub fn new(noise: &NoiseModel, step_s: f64, weights: &[f64]) -> Self {
        let phi = noise.memory_s.map(|time| (-step_s / time).exp());
        let variance = noise.memory_sd.map(|sd| sd * sd);
        let kick = [
            variance[0] * (1.0 - phi[0] * phi[0]),
            variance[1] * (1.0 - phi[1] * phi[1]),
        ];
        let white = noise.white_sd * noise.white_sd;
        let (mut p00, mut p01, mut p11) = (variance[0], 0.0, variance[1]);
        let mut gain = Vec::with_capacity(weights.len());
        let mut inverse_sd = Vec::with_capacity(weights.len());
        let mut log_determinant = 0.0;
        // The filter soon stands still to the last bit, and then every place costs what the one before did.
        let mut before = Settled::default();
        for &weight in weights {
            if weight > 0.0 {
                let from = [weight, p00, p01, p11];
                if before.from != from {
                    let error_variance = p00 + 2.0 * p01 + p11 + white / weight;
                    before = Settled {
                        from,
                        error_variance,
                        gain: [(p00 + p01) / error_variance, (p01 + p11) / error_variance],
                        inverse_sd: error_variance.sqrt().recip(),
                        log: error_variance.ln(),
                    };
                }
                let Settled {
                    error_variance,
                    gain: [k0, k1],
                    ..
                } = before;
                gain.push(before.gain);
                inverse_sd.push(before.inverse_sd);
                log_determinant += before.log;
                p00 -= k0 * k0 * error_variance;
                p01 -= k0 * k1 * error_variance;
                p11 -= k1 * k1 * error_variance;
            } else {
                gain.push([0.0; 2]);
                inverse_sd.push(0.0);
            }
            p00 = phi[0] * phi[0] * p00 + kick[0];
            p01 *= phi[0] * phi[1];
            p11 = phi[1] * phi[1] * p11 + kick[1];
        }
        Self {
            phi,
            gain,
            inverse_sd,
            log_determinant,
        }
    }

    /// Logarithm of the determinant of `V` over the places that are present.
    #[must_use]
    pub fn log_determinant(&self) -> f64 {
        self.log_determinant
    }

    /// Whitens `column` into `out`: afterwards the dot product of two whitened columns is `x' V⁻¹ y`.
    ///
    /// Values of `column` at missing places are not looked at.
    pub fn whiten(&self, column: &[f64], out: &mut Vec<f64>) {
        out.clear();
        out.reserve(column.len());
        let (mut a0, mut a1) = (0.0, 0.0);
        for ((&value, gain), &inverse_sd) in column.iter().zip(&self.gain).zip(&self.inverse_sd) {
            if inverse_sd > 0.0 {
                let error = value - a0 - a1;
                out.push(error * inverse_sd);
                a0 += gain[0] * error;
                a1 += gain[1] * error;
            } else {
                out.push(0.0);
            }
            a0 *= self.phi[0];
            a1 *= self.phi[1];
        }
    }

    /// `V⁻¹ column`, zero at missing places.
    pub fn inverse_apply(&self, column: &[f64], out: &mut Vec<f64>) {
        self.whiten(column, out);
        let (mut r0, mut r1) = (0.0, 0.0);
        for index in (0..out.len()).rev() {
            let inverse_sd = self.inverse_sd[index];
            r0 *= self.phi[0];
            r1 *= self.phi[1];
            if inverse_sd > 0.0 {
                let gain = self.gain[index];
                let value = out[index] * inverse_sd - gain[0] * r0 - gain[1] * r1;
                out[index] = value;
                r0 += value;
                r1 += value;
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use nalgebra::{DMatrix, DVector};

    fn covariance(noise: &NoiseModel, step_s: f64, weights: &[f64]) -> (Vec<usize>, DMatrix<f64>) {
        let present: Vec<usize> = (0..weights.len()).filter(|&k| weights[k] > 0.0).collect();
        let matrix = DMatrix::from_fn(present.len(), present.len(), |row, column| {
            let apart = step_s * (present[row] as f64 - present[column] as f64).abs();
            let memory: f64 = (0..2)
                .map(|k| noise.memory_sd[k].powi(2) * (-apart / noise.memory_s[k]).exp())
                .sum();
            memory
                + if row == column {
                    noise.white_sd.powi(2) / weights[present[row]]
                } else {
                    0.0
                }
        });
        (present, matrix)
    }

    /// The filter against the covariance matrix written out and inverted by nalgebra.
    #[test]
    fn filter_equals_the_matrix_written_out() {
        let noise = NoiseModel {
            white_sd: 0.7,
            memory_sd: [1.1, 2.0],
            memory_s: [3.0, 25.0],
        };
        let mut weights = vec![1.0; 40];
        weights[7] = 0.0;
        weights[20] = 0.25;
        weights[30] = 0.0;
        let column: Vec<f64> = (0..40)
            .map(|k| (f64::from(k * k) * 0.37).sin() * 3.0 + 1.0)
            .collect();
        let (present, matrix) = covariance(&noise, 2.0, &weights);
        let whitener = Whitener::new(&noise, 2.0, &weights);
        let vector = DVector::from_iterator(present.len(), present.iter().map(|&k| column[k]));
        let cholesky = matrix.cholesky().unwrap();
        let expected = cholesky.solve(&vector);
        let log_determinant = 2.0 * cholesky.l().diagonal().iter().map(|d| d.ln()).sum::<f64>();
        let mut applied = Vec::new();
        whitener.inverse_apply(&column, &mut applied);
        for (position, &k) in present.iter().enumerate() {
            assert!((applied[k] - expected[position]).abs() < 1e-10, "place {k}");
        }
        assert_eq!(applied[7], 0.0);
        let mut white = Vec::new();
        whitener.whiten(&column, &mut white);
        let quadratic: f64 = white.iter().map(|w| w * w).sum();
        assert!((quadratic - vector.dot(&expected)).abs() < 1e-9);
        assert!((whitener.log_determinant() - log_determinant).abs() < 1e-9);
    }
}
