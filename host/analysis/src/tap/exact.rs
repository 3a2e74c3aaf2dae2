//! Exact probabilities for a handful of taps.

use crate::statistics::binomial_at_least;

/// Comparison of two rates by the exact conditional test of Przyborowski and Wilenski (1940, Biometrika 31:313): the
/// chance that of all `here + elsewhere` events `here` or more fall into the exposure `here_s`, were the rates equal.
pub(super) fn rate_excess(here: u64, here_s: f64, elsewhere: u64, elsewhere_s: f64) -> f64 {
    let total_s = here_s + elsewhere_s;
    if here == 0 || total_s <= 0.0 {
        return 1.0;
    }
    binomial_at_least(here, here + elsewhere, (here_s / total_s).clamp(0.0, 1.0)).unwrap_or(1.0)
}

/// Taps without a hit after which a joint that answers each tap with probability `hit_probability` would have shown
/// itself with the given `confidence`.
pub(super) fn taps_to_clear(hit_probability: f64, confidence: f64) -> u64 {
    if hit_probability >= 1.0 {
        return 1;
    }
    ((1.0 - confidence).ln() / (1.0 - hit_probability).ln()).ceil() as u64
}

#[cfg(test)]
mod tests {
    use super::*;

    fn close(a: f64, b: f64, tolerance: f64) {
        assert!((a - b).abs() < tolerance, "{a} is not {b}");
    }

    /// Rule of three (Hanley and Lippman-Hand 1983, JAMA 249:1743): nothing in 59 taps clears 5 %, nothing in 29 10 %.
    #[test]
    fn taps_to_clear_agree_with_published_sample_sizes() {
        assert_eq!(taps_to_clear(0.05, 0.95), 59);
        assert_eq!(taps_to_clear(0.10, 0.95), 29);
        assert_eq!(taps_to_clear(0.5, 0.95), 5);
    }

    /// Six events against two in equal times: the chance of six or more heads in eight throws is 37/256.
    #[test]
    fn equal_times_make_the_rate_test_a_sign_test() {
        close(rate_excess(6, 10.0, 2, 10.0), 37.0 / 256.0, 1e-12);
        close(rate_excess(3, 1.0, 0, 9.0), 1e-3, 1e-12);
        close(rate_excess(0, 1.0, 5, 9.0), 1.0, 1e-12);
    }
}
