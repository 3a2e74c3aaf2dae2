//! The bytes of a body as a message of their own, so that the protocol's own frame can be made of them.

use serde::ser::SerializeTuple;
use serde::{Serialize, Serializer};

/// A body as it came.
#[derive(Clone, Copy, Debug)]
pub(super) struct Body<'a>(pub(super) &'a [u8]);

impl Serialize for Body<'_> {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        // In postcard a tuple has no length in front, and a byte is itself.
        let mut tuple = serializer.serialize_tuple(self.0.len())?;
        for byte in self.0 {
            tuple.serialize_element(byte)?;
        }
        tuple.end()
    }
}
