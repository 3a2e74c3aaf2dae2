//! What was recorded of one board, to quantities on a time line.
//!
//! [`Stream`] takes [`Record`](crate::recorder::Record)s and gives [`Output`]s. It is the only way from a wire to a number: live and in replay, for
//! the files and for the page, so that a recording read back gives what was seen. It holds no clock, no file and no
//! thread, and its memory does not grow.

mod board_clock;
mod happenings;
mod interpreter;
mod output;

pub(crate) use happenings::reason_words as refusal_words;
pub use interpreter::Stream;
pub use output::{Gap, GapCause, Happening, HappeningKind, MarkRow, MarkSource, Output, Reading, When};
