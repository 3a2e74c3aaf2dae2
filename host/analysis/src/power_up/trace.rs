//! Full-rate readings of one channel with their times, and small fits on them.

/// Readings in order of time; missing ones are absent.
#[derive(Clone, Debug)]
pub(crate) struct Trace {
    times: Vec<f64>,
    values: Vec<f64>,
    reading_s: f64,
}

impl Trace {
    pub(crate) fn new(times: Vec<f64>, values: Vec<f64>) -> Self {
        let mut steps: Vec<f64> = times
            .windows(2)
            .map(|pair| pair[1] - pair[0])
            .filter(|step| *step > 0.0)
            .collect();
        let reading_s = if steps.is_empty() { 0.0 } else { median(&mut steps) };
        Self {
            times,
            values,
            reading_s,
        }
    }

    /// The same readings less a zero.
    pub(crate) fn less_zero(mut self, zero_a: f64) -> Self {
        for value in &mut self.values {
            *value -= zero_a;
        }
        self
    }

    pub(crate) fn len(&self) -> usize {
        self.times.len()
    }

    pub(crate) fn times(&self) -> &[f64] {
        &self.times
    }

    pub(crate) fn values(&self) -> &[f64] {
        &self.values
    }

    /// The time between readings, in seconds: the median, so that gaps don't count.
    pub(crate) fn reading_s(&self) -> f64 {
        self.reading_s
    }

    /// Index of the first reading at or after `time_s`, half a reading early to be safe against rounding.
    pub(crate) fn index_at(&self, time_s: f64) -> usize {
        let limit = time_s - 0.5 * self.reading_s;
        self.times.partition_point(|time| *time < limit)
    }

    /// Seconds missing between this reading and the next, beyond the usual interval.
    pub(crate) fn gap_after_s(&self, index: usize) -> f64 {
        match self.times.get(index + 1) {
            Some(next) if next - self.times[index] > 1.5 * self.reading_s => {
                next - self.times[index] - self.reading_s
            }
            _ => 0.0,
        }
    }
}

/// The median; sorts what it is given. `NaN` for nothing.
pub(crate) fn median(values: &mut [f64]) -> f64 {
    if values.is_empty() {
        return f64::NAN;
    }
    let middle = values.len() / 2;
    let even = values.len().is_multiple_of(2);
    let (below, upper, _) = values.select_nth_unstable_by(middle, f64::total_cmp);
    match below.iter().copied().max_by(f64::total_cmp) {
        Some(lower) if even => 0.5 * (lower + *upper),
        _ => *upper,
    }
}

/// A polynomial of degree 2 or less fitted by least squares to equally spaced readings.
#[derive(Clone, Copy, Debug)]
pub(crate) struct LocalFit {
    /// Coefficients in powers of the offset from the centre, counted in readings.
    pub(crate) coefficients: [f64; 3],
    /// Sum of the squares of what the fit leaves over.
    pub(crate) residual: f64,
    /// Readings used.
    pub(crate) count: usize,
}

impl LocalFit {
    pub(crate) fn at(&self, offset: f64) -> f64 {
        self.coefficients[0] + offset * (self.coefficients[1] + offset * self.coefficients[2])
    }

    /// Whether what is left over is no more than noise of standard deviation `sigma` makes.
    pub(crate) fn is_noise_only(&self, sigma: f64, degree: usize) -> bool {
        let freedom = self.count.saturating_sub(degree + 1) as f64;
        freedom > 0.0 && self.residual <= sigma * sigma * (freedom + 2.0 * (2.0 * freedom).sqrt())
    }
}

/// Fits `values[centre - half ..= centre + half]` with a straight line (`degree` 1) or a parabola (`degree` 2).
///
/// `None` where the window leaves the slice. The sums over odd powers vanish in a symmetric window, so the normal
/// equations fall apart into a two-by-two system and a quotient.
pub(crate) fn local_fit(values: &[f64], centre: usize, half: usize, degree: usize) -> Option<LocalFit> {
    let window = values.get(centre.checked_sub(half)?..=centre + half)?;
    let count = window.len();
    let (mut s2, mut s4) = (0.0, 0.0);
    let (mut y0, mut y1, mut y2) = (0.0, 0.0, 0.0);
    for (index, value) in window.iter().enumerate() {
        let offset = index as f64 - half as f64;
        let square = offset * offset;
        s2 += square;
        s4 += square * square;
        y0 += value;
        y1 += offset * value;
        y2 += square * value;
    }
    let number = count as f64;
    let slope = if s2 > 0.0 { y1 / s2 } else { 0.0 };
    let determinant = number * s4 - s2 * s2;
    let (level, curve) = if degree >= 2 && determinant > 0.0 {
        (
            (y0 * s4 - y2 * s2) / determinant,
            (number * y2 - s2 * y0) / determinant,
        )
    } else {
        (y0 / number, 0.0)
    };
    let mut fit = LocalFit {
        coefficients: [level, slope, curve],
        residual: 0.0,
        count,
    };
    fit.residual = window
        .iter()
        .enumerate()
        .map(|(index, value)| (value - fit.at(index as f64 - half as f64)).powi(2))
        .sum();
    Some(fit)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_parabola_is_found_exactly() {
        let values: Vec<f64> = (0..41)
            .map(|k| 3.0 + 0.5 * (f64::from(k) - 20.0) - 0.25 * (f64::from(k) - 20.0).powi(2))
            .collect();
        let fit = local_fit(&values, 20, 7, 2).unwrap();
        for (found, wanted) in fit.coefficients.iter().zip([3.0, 0.5, -0.25]) {
            assert!((found - wanted).abs() < 1e-9);
        }
        assert!(fit.residual < 1e-18);
        assert!(local_fit(&values, 3, 7, 2).is_none());
    }

    #[test]
    fn a_gap_is_seen_and_does_not_change_the_interval() {
        let trace = Trace::new(vec![0.0, 0.1, 0.2, 0.9, 1.0], vec![1.0; 5]);
        assert!((trace.reading_s() - 0.1).abs() < 1e-12);
        assert!((trace.gap_after_s(2) - 0.6).abs() < 1e-12);
        assert_eq!(trace.gap_after_s(4), 0.0);
        assert_eq!(trace.index_at(0.9), 3);
    }
}
