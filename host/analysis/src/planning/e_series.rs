//! Preferred values of resistors (E series of IEC 60063; the E12 and E24 digits from memory).

/// E12 digits.
const E12: [f64; 12] = [1.0, 1.2, 1.5, 1.8, 2.2, 2.7, 3.3, 3.9, 4.7, 5.6, 6.8, 8.2];

/// Values shunts are also sold in beside the E12 series (common practice, no source).
const SHUNT_EXTRAS: [f64; 4] = [2.0, 2.5, 3.0, 5.0];

/// E12 values from `lowest` to `highest`, ascending; none for bounds that aren't positive and finite.
///
/// ```
/// use steadybench_analysis::planning::e12_between;
///
/// assert_eq!(e12_between(0.9, 2.0), [1.0, 1.2, 1.5, 1.8]);
/// ```
#[must_use]
pub fn e12_between(lowest: f64, highest: f64) -> Vec<f64> {
    series_between(&E12, lowest, highest)
}

/// Values shunts are sold in, from `lowest` to `highest` ohms, ascending.
#[must_use]
pub fn shunt_values_between(lowest: f64, highest: f64) -> Vec<f64> {
    let mut digits: Vec<f64> = E12.into_iter().chain(SHUNT_EXTRAS).collect();
    digits.sort_by(f64::total_cmp);
    series_between(&digits, lowest, highest)
}

fn series_between(digits: &[f64], lowest: f64, highest: f64) -> Vec<f64> {
    let sane = lowest.is_finite() && highest.is_finite() && lowest > 1e-12 && highest < 1e15;
    if !sane || lowest > highest {
        return Vec::new();
    }
    let decades = lowest.log10().floor() as i32..=highest.log10().floor() as i32;
    decades
        // Read as printed, each value is the nearest number to the decimal one; a product of 8.2 and 100 isn't.
        .flat_map(|decade| {
            digits
                .iter()
                .filter_map(move |digit| format!("{digit}e{decade}").parse::<f64>().ok())
        })
        .filter(|value| *value >= lowest * (1.0 - 1e-9) && *value <= highest * (1.0 + 1e-9))
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_step_is_about_a_twelfth_of_a_decade() {
        let values = e12_between(0.01, 1000.0);
        assert_eq!(values.len(), 61);
        for pair in values.windows(2) {
            let ratio = pair[1] / pair[0];
            assert!((1.15..1.27).contains(&ratio), "{pair:?}");
        }
    }

    #[test]
    fn values_are_the_printed_ones() {
        let values = e12_between(0.001, 1e6);
        for printed in [0.033, 0.082, 0.1, 820.0, 56_000.0, 1e6] {
            assert!(values.contains(&printed), "{printed}");
        }
    }

    #[test]
    fn nothing_for_nonsense() {
        for (low, high) in [
            (f64::NAN, 1.0),
            (0.0, 1.0),
            (2.0, 1.0),
            (1.0, f64::INFINITY),
            (-1.0, 1.0),
        ] {
            assert!(e12_between(low, high).is_empty());
        }
    }
}
