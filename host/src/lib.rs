//! The host of the Steadybench recorder: what stands between a board's bytes and a finding on the bench.
//!
//! | module | what it holds |
//! |---|---|
//! | [`clock`] | board time to UTC, with a bound |
//! | [`commands`] | the command line of `steady`: one file each command |
//! | [`link`] | the conversation with a board, without input or output |
//! | [`calibrations`] | kept calibrations, applied when codes are read |
//! | [`units`] | codes to amperes, volts and degrees |
//! | [`stream`] | what was recorded of a board, to quantities on a time line; live and in replay |
//! | [`recorder`] | the only writer in a job folder |
//! | [`replay`] | the way of a reading with a file in place of the port |
//! | [`live`] | what can be seen of a board while it is recorded |
//! | [`collector`] | boards on lines, their records to the recorder, their state to whoever watches |
//! | [`window`] | any stretch of a run in columns, each with the extremes of every reading in it |
//! | [`web`] | the page, and the requests it answers |
//! | [`quantity`] | quantities as they are typed |
//! | [`port`] | where bytes come from and go to: serial devices, network sockets, virtual benches |
//! | [`cautions`] | cautions in their short form, shown where they matter |
//! | [`figures`] | how figures are written for programs: the same bytes on every machine |
//! | [`grid`] | rows of words in columns, for people |
//! | [`console`] | words for people, JSON for programs, progress only on a terminal |
//! | [`examine`] | one recording examined and told |
//! | [`export`] | a run's readings as one CSV or Parquet file |
//! | [`exit`] | what each exit code means |
//! | [`fault`] | what went wrong: the value, the rule it broke, the remedy |
//! | [`job`] | alterations, notes and closing of a job: rules and parsing |
//! | [`kept`] | files in the user's configuration folder |
//! | [`levels`] | the level of a value over a run, in bounded memory |
//! | [`references`] | runs of good units, kept to compare with |
//! | [`report`] | a job on one page that prints, and in tables |
//! | [`swap`] | the verdict on a swap or a lift, from the runs around it |
//! | [`table`] | the CSV of any meter, read in bounded memory |

pub mod calibrations;
pub mod cautions;
pub mod clock;
pub mod collector;
pub mod commands;
pub mod console;
pub mod examine;
pub mod exit;
pub mod export;
pub mod fault;
pub mod figures;
pub mod grid;
pub mod job;
pub mod kept;
pub mod levels;
pub mod link;
pub mod live;
pub mod port;
pub mod quantity;
pub mod recorder;
pub mod references;
pub mod replay;
pub mod report;
pub mod stream;
pub mod swap;
pub mod table;
pub mod units;
pub mod web;
pub mod window;

pub use console::Console;
pub use exit::Exit;
pub use fault::Fault;
