//! Swap and lift: does the fault sit in the part, in the place, or in a joint that the work disturbed?
//!
//! # Model
//! Before the work the suspect place shows something that a healthy place (the other channel, or a known-good run) does not.
//! That difference is the symptom. Afterwards each place is asked how much of the symptom it shows: share 1 is all of it,
//! share 0 is none. A place is *sick* when the whole interval of its share lies above ½, *healthy* when it lies below, and
//! *undecided* otherwise. Then:
//!
//! | Work | suspect place | other place | put back | Verdict |
//! |---|---|---|---|---|
//! | parts swapped | healthy | sick | | follows the part |
//! | | sick | healthy | | stays with the place |
//! | | healthy | healthy | | gone when disturbed: suspect a joint |
//! | | sick | sick | | cannot say: a second fault, or something common |
//! | part lifted | sick | | | stays with the place |
//! | | healthy | | sick | follows the part |
//! | | healthy | | healthy | gone when disturbed: suspect a joint |
//! | | healthy | | not yet | cannot say: put it back and measure again |
//! | joint disturbed | sick | | | stays with the place |
//! | | healthy | | | gone when disturbed: suspect a joint |
//!
//! A lifted leg that takes the symptom away has proved nothing yet, for lifting it moved its joint too: only the symptom's
//! return accuses the part.
//!
//! # Formula
//! Levels (a current, a temperature, a ripple): the share is (after − healthy)/(before − healthy), its interval Fieller's
//! with Student's t. Each level carries, besides its own uncertainty, the repeatability from run to run. Events: the share
//! is the ratio of the rates after and before, its interval exact ([`crate::statistics::compare_rates`]).
//!
//! # Source
//! E. C. Fieller, *Journal of the Royal Statistical Society B* 16 (1954) 175 (from memory); the reasoning of swapping is
//! common practice, no source.
//!
//! # How often it is wrong
//! Each interval leaves half of the stated error rate on its wrong side and a verdict rests on at most two, so a wrong
//! verdict comes at most at the stated rate, 5 % unless set otherwise. So it does when there was no symptom to begin with.
//! The rate is reached only by a fault that is half here and half there; of 600 simulated repairs of a fault in one place
//! none or one was judged wrong (`cargo test -p steadybench-analysis wrong_verdicts -- --nocapture` prints the shares).
//!
//! # Assumptions
//! Both runs were made alike: warmed up, same supply, same programme; what differs from run to run is in
//! [`Settings::repeatability`], best found by repeating a run without touching anything. Events come independently, so a
//! burst counts once. A fault made of equal parts of both cannot be told and is not.
//!
//! # "Not enough data"
//! [`Verdict::CannotSay`] gives the reason, and how many times longer the run afterwards would have to be if the figures stay
//! as they are. Where the run before was too short no length helps; then it says so.
//!
//! # Validation
//! Simulated repairs of known truth (this folder's tests): wrong verdicts are counted and must stay within the rate.
#![doc = include_str!("../../docs/validation/swap.md")]

mod evidence;
mod judge;

pub use evidence::{Alteration, Evidence, Settings, SwapError, Trial};
pub use judge::{Finding, Reason, Standing, Verdict, judge};

#[cfg(test)]
mod simulation;
