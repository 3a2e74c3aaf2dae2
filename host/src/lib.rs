//! The host of the Steadybench recorder: what stands between a board's bytes and a finding on the bench.
//!
//! | module | what it holds |
//! |---|---|
//! | [`clock`] | board time to UTC, with a bound |
//! | [`commands`] | the command line of `steady`: one file each command |
//! | [`port`] | where bytes come from and go to: serial devices, network sockets, virtual benches |
//! | [`console`] | words for people, JSON for programs, progress only on a terminal |
//! | [`examine`] | one recording examined and told |
//! | [`exit`] | what each exit code means |
//! | [`fault`] | what went wrong: the value, the rule it broke, the remedy |
//! | [`table`] | the CSV of any meter, read in bounded memory |

pub mod clock;
pub mod commands;
pub mod console;
pub mod examine;
pub mod exit;
pub mod fault;
pub mod port;
pub mod table;

pub use console::Console;
pub use exit::Exit;
pub use fault::Fault;
