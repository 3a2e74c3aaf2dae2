//! Statistics every finding rests on: each function is one textbook method, with its source and its limits.
//!
//! | Question | Function | Page |
//! |---|---|---|
//! | centre and spread of a list, or of a stream | [`moments()`], [`RunningMoments`] | [`mod@moments`] |
//! | robust centre and spread | [`median`], [`median_absolute_deviation`], [`quantile()`] | [`mod@quantile`] |
//! | does a reading remember the last one | [`autocorrelation()`], [`autocorrelations`] | [`mod@autocorrelation`] |
//! | a mean with an honest bound | [`mean_under_autocorrelation`], [`batch_means`] | [`effective_size`] |
//! | how many events per hour, and how many at most | [`poisson_rate_interval`], [`poisson_upper_limit`] | [`counts`] |
//! | hits out of taps | [`clopper_pearson`], [`binomial_at_least`] | [`counts`] |
//! | do two tables of hits differ | [`fisher_exact`] | [`fisher`] |
//! | one of many places looks bad | [`holm`], [`bonferroni`], [`sidak`] | [`multiple`] |
//! | is there a trend, and how steep | [`mann_kendall`], [`theil_sen`], [`fit_line`] | [`trend`], [`mod@line`] |
//! | where will it settle | [`fit_settling`], [`fit_saturating`] | [`exponential`] |
//! | near enough to be alike | [`equivalence()`] | [`mod@equivalence`] |
//!
//! Two rules hold throughout. A value that is not finite is refused by name ([`StatisticsError::NotFinite`]); only
//! [`RunningMoments`], which sits in the stream, skips it and counts the skip. And where the data cannot carry an
//! answer the answer is an error that says what is missing, never a number with a hidden caveat.

pub mod autocorrelation;
mod bounded;
pub mod counts;
pub mod distributions;
pub mod effective_size;
pub mod equivalence;
mod error;
pub mod exponential;
pub mod fisher;
pub mod line;
pub mod moments;
pub mod multiple;
pub mod quantile;
#[cfg(test)]
pub(crate) mod testing;
pub mod trend;

pub use autocorrelation::{autocorrelation, autocorrelations};
pub use bounded::Bounded;
pub use counts::{
    RateComparison, binomial_at_least, binomial_at_most, binomial_two_sided, clopper_pearson, compare_rates,
    poisson_at_least, poisson_at_most, poisson_interval, poisson_rate_interval, poisson_upper_limit,
};
pub use distributions::{
    normal_quantile, normal_two_sided_p, student_t_coverage_factor, student_t_quantile, student_t_two_sided_p,
};
pub use effective_size::{
    IntegratedTime, MeanEstimate, batch_means, effective_size_ar1, integrated_time, lag_one_unbiased,
    mean_under_autocorrelation,
};
pub use equivalence::{Equivalence, equivalence};
pub use error::StatisticsError;
pub use exponential::{SaturatingFit, SettlingFit, fit_saturating, fit_settling};
pub use fisher::{FisherExact, fisher_exact};
pub use line::{LineFit, fit_line};
pub use moments::{Moments, RunningMoments, moments};
pub use multiple::{bonferroni, holm, sidak};
pub use quantile::{median, median_absolute_deviation, quantile};
pub use trend::{MannKendall, TheilSen, mann_kendall, mann_kendall_autocorrelated, theil_sen};
