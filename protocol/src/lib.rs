//! What crosses the wire between a Steadybench board and its host, and nothing else.
//!
//! The numbered specification is `SPEC.md` in this crate's folder; each of its items names the function or type here
//! that implements it. The layers, from the bytes up:
//!
//! | module | what it holds |
//! |---|---|
//! | [`frame`] | one message to one frame and back: postcard body, CRC-32/ISO-HDLC, COBS, zero delimiter |
//! | [`deframer`] | a stream of bytes, cut anywhere, to whole frames; damage costs the frames it touches |
//! | [`from_board`] | every message a board sends: one enum, [`FromBoard`] |
//! | [`readings`] | the block of readings, differenced on the wire, absolute in memory |
//! | [`to_board`] | every message a host sends: one enum, [`ToBoard`] |
//! | [`continuity`] | where a block stands in the run: in order, after a loss of so many readings, or repeated |
//! | [`quantities`] | board time and the chip settings both directions speak of |
//! | [`limits`] | every legal range, stated once |
//!
//! The crate is `no_std`, allocates nothing, and holds no `unsafe`.
//!
//! ```
//! use steadybench_protocol::{Deframer, FrameBuffer, ToBoard};
//!
//! let mut buffer = FrameBuffer::new();
//! let bytes = buffer.encode(&ToBoard::Start).expect("a frame buffer holds every message");
//!
//! let mut deframer = Deframer::new();
//! let mut input: &[u8] = bytes;
//! assert_eq!(deframer.next::<ToBoard>(&mut input), Some(Ok(ToBoard::Start)));
//! assert_eq!(deframer.next::<ToBoard>(&mut input), None);
//! ```

#![no_std]
#![forbid(unsafe_code)]

mod block_bytes;
pub mod continuity;
pub mod deframer;
pub mod frame;
pub mod from_board;
pub mod limits;
pub mod quantities;
pub mod readings;
mod stuffing;
pub mod to_board;

pub use continuity::{Continuity, Placement};
pub use deframer::{Deframer, FrameFault};
pub use frame::{EncodeError, FrameBuffer};
pub use from_board::{
    BoardName, ChannelDescription, DividerDescription, FirmwareVersion, FromBoard, GuardCause, GuardState,
    GuardTrip, Health, Hello, Mark, MarkEdge, MonitorState, RailCodes, Refusal, RefusalReason, ResetCause,
    SlowValues, ThermistorReading, TimeReply,
};
pub use quantities::{BoardTime, Channel, Command, ConversionTime, ShuntRange};
pub use readings::{BlockFull, ReadingsBlock};
pub use to_board::{Configure, GuardLimits, TimeRequest, ToBoard};

/// The version of the wire that this crate speaks; `SPEC.md`, section 7, says what forces it up.
pub const PROTOCOL_VERSION: u16 = 1;
