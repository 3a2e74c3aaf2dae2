//! Preferred rated currents.

/// R10 steps from 1 to below 10 (seen in the rating columns of makers' sheets, 0.2 to 10 A).
const STEPS: [f64; 10] = [1.0, 1.25, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0, 6.3, 8.0];

/// The preferred ratings from 32 mA to 10 A, in amperes, ascending.
///
/// The steps are those of the R10 series; below 0.2 A the individual values are from memory.
///
/// ```
/// let ratings = steadybench_analysis::fuse::preferred_ratings_a();
/// assert!(ratings.contains(&3.15) && ratings.contains(&0.032) && ratings.last() == Some(&10.0));
/// ```
#[must_use]
pub fn preferred_ratings_a() -> Vec<f64> {
    let mut ratings: Vec<f64> = [(-2, 100.0), (-1, 10.0), (0, 1.0)]
        .into_iter()
        .flat_map(|(_, divisor)| STEPS.map(|step| (step / divisor * 1e6_f64).round() / 1e6))
        // The series' 0.0315 is marked 32 mA.
        .map(|rating| {
            if (rating - 0.0315).abs() < 1e-9 {
                0.032
            } else {
                rating
            }
        })
        .filter(|rating| *rating >= 0.0319)
        .collect();
    ratings.push(10.0);
    ratings
}

/// The neighbours of a rating in the preferred series: the next below and the next above.
#[must_use]
pub fn neighbours_a(rating_a: f64) -> (Option<f64>, Option<f64>) {
    let ratings = preferred_ratings_a();
    let below = ratings
        .iter()
        .copied()
        .rfind(|rating| *rating < rating_a * (1.0 - 1e-6));
    let above = ratings
        .iter()
        .copied()
        .find(|rating| *rating > rating_a * (1.0 + 1e-6));
    (below, above)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_series_is_the_printed_one() {
        let ratings = preferred_ratings_a();
        for printed in [
            0.032, 0.04, 0.05, 0.063, 0.08, 0.1, 0.125, 0.16, 0.2, 0.25, 0.315, 0.4, 0.5, 0.63, 0.8, 1.0,
            1.25, 10.0,
        ] {
            assert!(ratings.contains(&printed), "{printed}");
        }
        assert_eq!(ratings.len(), 26);
        assert!(ratings.is_sorted());
    }

    #[test]
    fn neighbours_step_by_one() {
        assert_eq!(neighbours_a(1.6), (Some(1.25), Some(2.0)));
        assert_eq!(neighbours_a(0.032), (None, Some(0.04)));
        assert_eq!(neighbours_a(10.0), (Some(8.0), None));
    }
}
