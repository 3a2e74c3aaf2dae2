//! Every legal range of the wire, stated once; checks, messages and test generators take them from here.

/// Measuring channels of a board.
pub const CHANNELS: usize = 2;

/// Readings per channel that one block holds at most.
pub const READINGS_PER_BLOCK_MAX: usize = 32;

/// A block is closed when it spans this much board time, in microseconds, so that a slow rate is not a late one.
pub const BLOCK_SPAN_US: u32 = 20_000;

/// Shortest reading period in microseconds: 4000 readings a second.
pub const READING_PERIOD_MIN_US: u32 = 250;

/// Longest reading period in microseconds: 100 readings a second.
pub const READING_PERIOD_MAX_US: u32 = 10_000;

/// Lowest shunt voltage code: 20-bit two's complement. A code at either end means that the input is saturated.
pub const CURRENT_CODE_MIN: i32 = -(1 << 19);

/// Highest shunt voltage code. A code at either end means that the input is saturated.
pub const CURRENT_CODE_MAX: i32 = (1 << 19) - 1;

/// Highest rail voltage code; the register is 20 bits wide and never negative.
pub const RAIL_CODE_MAX: u32 = (1 << 19) - 1;

/// Highest code of the thermistors' converter: 12 bits.
pub const THERMISTOR_CODE_MAX: u16 = (1 << 12) - 1;

/// Most readings in a row that an over-current limit may wait for; at the fastest rate this is 10 ms.
pub const OVER_CURRENT_READINGS_MAX: u8 = 40;

/// Shortest host silence, in milliseconds, that the guard may be told to act on.
pub const HOST_SILENT_MIN_MS: u32 = 500;

/// Longest host silence, in milliseconds, that the guard may be told to act on: one hour.
pub const HOST_SILENT_MAX_MS: u32 = 3_600_000;

/// Bytes of a board's name.
pub const BOARD_NAME_BYTES_MAX: usize = 32;
