//! How well a figure is known: a budget of its sources after JCGM 100.
//!
//! # Model and formula
//! A quantity f of several inputs xᵢ, each with standard uncertainty u(xᵢ) and sensitivity cᵢ = ∂f/∂xᵢ:
//! u² = Σ(cᵢ·u(xᵢ))², effective degrees of freedom u⁴ ÷ Σ((cᵢ·u(xᵢ))⁴/νᵢ) (Welch–Satterthwaite, cut to a whole number), and
//! expanded uncertainty U = k·u with k from Student's t. A known half-width a becomes a/√3 where every value within is as
//! likely (a tolerance), a/√6 where the middle is likelier (a sum of two tolerances), a/√2 where the ends are (a cycle), and
//! a divided by its coverage factor where a certificate states one.
//!
//! # Source
//! JCGM 100:2008, *Evaluation of measurement data: Guide to the expression of uncertainty in measurement*, clauses 4.2, 4.3,
//! 5.1.2, G.4.1, G.6.4.
//!
//! # Assumptions
//! Inputs independent of one another: what moves together is one component. Only first-order terms: a sensitivity that
//! changes much within its input's uncertainty needs more than this.
//!
//! # "Not enough data"
//! Few readings show as few degrees of freedom, a larger k and so a wider interval; the effective degrees of freedom are
//! taken as 1 at least. A negative or unknown uncertainty, an unknown sensitivity and degrees of freedom that are not above 0
//! are refused with the name of their source. A source that is left out cannot be noticed: a budget of none says ±0.
//!
//! # Validation
//! The end-gauge example H.1 of the guide, to its printed digits (`tests/end_gauge.rs`); properties below.
#![doc = include_str!("../../docs/validation/uncertainty.md")]

mod budget;
mod component;
mod table;

pub use budget::{Budget, Expanded, UncertaintyError};
pub use component::{Component, Distribution, Evaluation};
pub use table::{BudgetRow, engineering, with_uncertainty};
