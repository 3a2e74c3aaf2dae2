//! What a night on the bench throws at it: campaigns of faults, seeded and counted.
//!
//! Each campaign is a function that tries so many faults, holds what was left against what was known to be true, and
//! gives an [`Outcome`]. `cargo test` runs short forms; the example `steady-faults` runs any number, prints a line each,
//! and keeps what it printed for README's table.
//!
//! | module | what is thrown at what |
//! |---|---|
//! | [`kill`] | `kill -9` of the shipped program at any moment of a recording |
//! | [`torn`] | power cuts that tear and reorder what the disk had not confirmed |
//! | [`disk`] | disks that are full, read-only, taken away, or slow |
//! | [`line`](mod@line) | a line that flips, drops, repeats and inserts, and is cut anywhere |
//! | [`unplug`] | boards unplugged, renamed, reset, exchanged, swapped |
//! | [`time`] | the host's clocks set, asleep, and a month long |
//! | [`image`] | faults of the board, on its real image in the emulator |
//! | [`soak`] | three days of readings, for memory, files and findings |
//! | [`bad_input`] | bytes that anybody may have written, at every entrance |
//! | [`fuzz`] | the same entrances, fed by a fuzzer |
//! | [`bodies`] | the entrance of requests that change something |

pub mod bad_input;
pub mod bodies;
mod delays;
pub mod disk;
pub mod fuzz;
pub mod image;
mod in_process;
pub mod inputs;
pub mod kill;
pub mod line;
mod outcome;
pub mod record;
mod recording;
pub mod soak;
pub mod time;
pub mod torn;
pub mod unplug;
mod watched;

pub use outcome::Outcome;

/// The random numbers of a campaign: the same for the same seed on every machine.
#[must_use]
pub fn random(seed: u64) -> rand_chacha::ChaCha8Rng {
    rand::SeedableRng::seed_from_u64(seed)
}
