//! From a bouncing contact to a mark with its first instant.

use steadybench_protocol::{BoardTime, MarkEdge};

/// Time in microseconds that a contact must rest before its move counts. Common practice, no source: the contacts of
/// small switches bounce for 1 to 5 ms.
pub const REST_US: u64 = 10_000;

/// A debounced switch: no timer of its own, so both levels and time come in.
///
/// The move is stamped with the first edge, however long the contact bounces afterwards.
///
/// ```
/// use steadybench_firmware::foot_switch::FootSwitch;
/// use steadybench_protocol::{BoardTime, MarkEdge};
///
/// let at = |ms: u64| BoardTime::from_micros(ms * 1_000);
/// let mut switch = FootSwitch::new();
/// for (ms, pressed) in [(100, true), (101, false), (102, true)] {
///     switch.level(pressed, at(ms));
/// }
/// assert_eq!(switch.settled(at(111)), None);
/// assert_eq!(switch.settled(at(112)), Some((MarkEdge::Pressed, at(100))));
/// ```
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct FootSwitch {
    /// The level last reported.
    reported: bool,
    /// The level now.
    level: bool,
    /// First edge away from the reported level, and the last edge of all.
    moved: Option<(BoardTime, BoardTime)>,
}

impl FootSwitch {
    /// A switch that is let go.
    #[must_use]
    pub const fn new() -> Self {
        Self {
            reported: false,
            level: false,
            moved: None,
        }
    }

    /// Takes the level found at an edge, or at any other time; `now` must not go back. The same level again is no move.
    pub fn level(&mut self, pressed: bool, now: BoardTime) {
        if pressed == self.level {
            return;
        }
        self.level = pressed;
        let first = self.moved.map_or(now, |(first, _)| first);
        self.moved = Some((first, now));
    }

    /// Gives the move that has come to rest by `now`, and when it began; at most one until the next move.
    pub fn settled(&mut self, now: BoardTime) -> Option<(MarkEdge, BoardTime)> {
        let (first, last) = self.moved?;
        if now.micros_since(last)? < REST_US {
            return None;
        }
        self.moved = None;
        if self.level == self.reported {
            return None;
        }
        self.reported = self.level;
        let edge = if self.level {
            MarkEdge::Pressed
        } else {
            MarkEdge::Released
        };
        Some((edge, first))
    }
}
