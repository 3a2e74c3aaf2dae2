//! Regression on columns seen through the noise, with weak normal priors, and the evidence for each choice of columns.
//!
//! **Model.** `y = X b + noise`, `b_j ~ N(0, s_j²)`. With the columns whitened (see [`super::noise`]) the posterior of
//! `b` is normal with precision `X'V⁻¹X + diag(1/s_j²)`, and the logarithm of the marginal likelihood is closed form
//! (Rasmussen and Williams 2006, *Gaussian Processes for Machine Learning*, section 2.7; from memory). The evidence
//! carries its own penalty for every column that the data do not ask for.

use nalgebra::{Cholesky, DMatrix, DVector, Dyn};

use super::noise::Whitener;

/// A column of the regression and the prior standard deviation of its coefficient.
#[derive(Clone, Debug)]
pub(crate) struct Column {
    pub(crate) values: Vec<f64>,
    pub(crate) prior_sd: f64,
}

/// Dot products of whitened columns, made when first asked for: `x_i' V⁻¹ x_j` and `x_i' V⁻¹ y`.
#[derive(Clone, Debug)]
pub(crate) struct Gram {
    whitener: Whitener,
    present: f64,
    series: Vec<f64>,
    square: f64,
    white: Vec<Option<Vec<f64>>>,
    with_series: Vec<f64>,
    products: Vec<Vec<f64>>,
}

impl Gram {
    /// For one series and one noise; `present` counts the places that are there.
    pub(crate) fn new(whitener: Whitener, present: usize, series: &[f64]) -> Self {
        let mut white = Vec::new();
        whitener.whiten(series, &mut white);
        Self {
            square: dot(&white, &white),
            whitener,
            present: present as f64,
            series: white,
            white: Vec::new(),
            with_series: Vec::new(),
            products: Vec::new(),
        }
    }

    fn prepare(&mut self, columns: &[Column], chosen: &[usize]) {
        for &number in chosen {
            if number >= self.white.len() {
                self.white.resize(number + 1, None);
                self.with_series.resize(number + 1, f64::NAN);
                self.products.resize(number + 1, Vec::new());
            }
            if self.white[number].is_none() {
                let mut out = Vec::new();
                self.whitener.whiten(&columns[number].values, &mut out);
                self.with_series[number] = dot(&out, &self.series);
                self.white[number] = Some(out);
            }
        }
    }

    fn product(&mut self, row: usize, column: usize) -> f64 {
        let (high, low) = (row.max(column), row.min(column));
        let known = &mut self.products[high];
        if known.len() <= low {
            known.resize(low + 1, f64::NAN);
        }
        if known[low].is_nan()
            && let (Some(left), Some(right)) = (&self.white[high], &self.white[low])
        {
            known[low] = dot(left, right);
        }
        known[low]
    }

    /// The fit with the columns `chosen`, or `None` when the precision is not positive definite.
    pub(crate) fn fit(&mut self, columns: &[Column], chosen: &[usize]) -> Option<LinearFit> {
        self.prepare(columns, chosen);
        let count = chosen.len();
        let mut precision = DMatrix::zeros(count, count);
        let mut right = DVector::zeros(count);
        let mut log_prior = 0.0;
        for row in 0..count {
            let prior_sd = columns[chosen[row]].prior_sd;
            right[row] = self.with_series[chosen[row]];
            for column in 0..=row {
                let product = self.product(chosen[row], chosen[column]);
                precision[(row, column)] = product;
                precision[(column, row)] = product;
            }
            precision[(row, row)] += prior_sd.powi(-2);
            log_prior -= prior_sd.ln();
        }
        let cholesky = precision.cholesky()?;
        let mean = cholesky.solve(&right);
        let log_precision = 2.0 * cholesky.l_dirty().diagonal().iter().map(|d| d.ln()).sum::<f64>();
        let misfit = self.square - right.dot(&mean);
        let constant = self.present * (2.0 * std::f64::consts::PI).ln();
        let log_evidence =
            log_prior - 0.5 * (self.whitener.log_determinant() + log_precision + misfit + constant);
        log_evidence.is_finite().then_some(LinearFit {
            mean,
            cholesky,
            log_evidence,
        })
    }
}

/// Coefficients of the chosen columns, in their order.
#[derive(Clone, Debug)]
pub(crate) struct LinearFit {
    /// Posterior means.
    pub(crate) mean: DVector<f64>,
    cholesky: Cholesky<f64, Dyn>,
    /// Logarithm of the probability of the series given the columns and the noise.
    pub(crate) log_evidence: f64,
}

impl LinearFit {
    /// Posterior variance of the combination `Σ w_j b_j`.
    pub(crate) fn variance_of(&self, weights: &DVector<f64>) -> f64 {
        self.cholesky.solve(weights).dot(weights)
    }

    /// Posterior variance of coefficient `index`.
    pub(crate) fn variance(&self, index: usize) -> f64 {
        let mut unit = DVector::zeros(self.mean.len());
        unit[index] = 1.0;
        self.variance_of(&unit)
    }
}

/// Sum of products in four running sums, which the compiler keeps in vector registers.
pub(crate) fn dot(left: &[f64], right: &[f64]) -> f64 {
    let mut sums = [0.0; 4];
    let (left4, left_rest) = left.as_chunks::<4>();
    let (right4, right_rest) = right.as_chunks::<4>();
    for (l, r) in left4.iter().zip(right4) {
        for k in 0..4 {
            sums[k] += l[k] * r[k];
        }
    }
    sums.iter().sum::<f64>() + left_rest.iter().zip(right_rest).map(|(l, r)| l * r).sum::<f64>()
}
