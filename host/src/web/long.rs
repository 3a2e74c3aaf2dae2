//! Long answers, sent in pieces.
//!
//! glibc's allocator learns from large blocks that are given back, and then keeps as much in reserve for every thread
//! (mallopt(3), `M_MMAP_THRESHOLD` and `M_TRIM_THRESHOLD`). An answer of some megabytes in one block, asked for all night,
//! costs that many times over; pieces below the threshold it begins with cost nothing that stays.

use std::convert::Infallible;
use std::io;

use axum::body::Body;
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use futures_util::stream;
use serde::Serialize;

/// Bytes of a piece.
const PIECE_BYTES: usize = 1 << 16;

/// An answer as JSON.
pub(super) struct LongJson<T>(pub(super) T);

impl<T: Serialize> IntoResponse for LongJson<T> {
    fn into_response(self) -> Response {
        let mut pieces = Pieces::default();
        if let Err(error) = serde_json::to_writer(&mut pieces, &self.0) {
            return (StatusCode::INTERNAL_SERVER_ERROR, error.to_string()).into_response();
        }
        let length = pieces.length();
        let body = Body::from_stream(stream::iter(pieces.done.into_iter().map(Ok::<_, Infallible>)));
        let headers = [
            (header::CONTENT_TYPE, "application/json".to_owned()),
            (header::CONTENT_LENGTH, length.to_string()),
        ];
        (headers, body).into_response()
    }
}

#[derive(Default)]
struct Pieces {
    done: Vec<Vec<u8>>,
}

impl Pieces {
    fn length(&self) -> usize {
        self.done.iter().map(Vec::len).sum()
    }
}

impl io::Write for Pieces {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let full = self.done.last().is_none_or(|open| open.len() == PIECE_BYTES);
        if full {
            self.done.push(Vec::with_capacity(PIECE_BYTES));
        }
        let Some(open) = self.done.last_mut() else {
            return Ok(0);
        };
        let taken = bytes.len().min(PIECE_BYTES - open.len());
        open.extend_from_slice(&bytes[..taken]);
        Ok(taken)
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[tokio::test]
    async fn what_is_sent_in_pieces_is_what_was_to_be_sent() {
        for count in [0, 1, 20_000, 200_000] {
            let numbers: Vec<u32> = (0..count).collect();
            let whole = serde_json::to_vec(&numbers).unwrap();
            let response = LongJson(numbers).into_response();
            assert_eq!(
                response.headers()[header::CONTENT_LENGTH],
                whole.len().to_string()
            );
            assert_eq!(response.headers()[header::CONTENT_TYPE], "application/json");
            let body = axum::body::to_bytes(response.into_body(), usize::MAX)
                .await
                .unwrap();
            assert_eq!(body, whole);
        }
    }
}
