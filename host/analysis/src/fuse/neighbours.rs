//! The ratings beside the one asked about, each with its word.

use serde::{Deserialize, Serialize};

use super::check::{FuseCheck, FuseFinding, check};
use super::ratings::preferred_ratings_a;

/// One rating and what it would do.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct FuseNeighbour {
    /// Rated current, in amperes.
    pub rating_a: f64,
    /// What a fuse of that rating would do in the same place.
    pub finding: FuseFinding,
}

/// Checks the preferred ratings around the fuse: `reach` below and above, and itself if it is a preferred one.
///
/// ```
/// use steadybench_analysis::fuse::{FuseCheck, Measured, neighbours, parse_marking};
///
/// let asked = FuseCheck { running_a: Some(Measured::exactly(0.5)), ..FuseCheck::new(parse_marking("T1AL")?) };
/// let table = neighbours(&asked, 2);
/// let ratings: Vec<f64> = table.iter().map(|row| row.rating_a).collect();
/// assert_eq!(ratings, [0.63, 0.8, 1.0, 1.25, 1.6]);
/// # Ok::<(), steadybench_analysis::fuse::MarkingError>(())
/// ```
#[must_use]
pub fn neighbours(input: &FuseCheck, reach: usize) -> Vec<FuseNeighbour> {
    let ratings = preferred_ratings_a();
    let asked = input.fuse.rating_a;
    let below = ratings.partition_point(|rating| *rating < asked * (1.0 - 1e-6));
    let above = ratings.partition_point(|rating| *rating <= asked * (1.0 + 1e-6));
    ratings[below.saturating_sub(reach)..(above + reach).min(ratings.len())]
        .iter()
        .map(|&rating_a| {
            let mut input = input.clone();
            input.fuse.rating_a = rating_a;
            FuseNeighbour {
                rating_a,
                finding: check(&input),
            }
        })
        .collect()
}
