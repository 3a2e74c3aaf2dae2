//! A connection whose far end has to take what is written to it: one that takes nothing for long is given up, so that
//! nobody can hold connections by not reading.

use std::io;
use std::pin::Pin;
use std::task::{Context, Poll};
use std::time::Duration;

use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::time::{Instant, Sleep, sleep};

pub(super) struct Patient<S> {
    stream: S,
    patience: Duration,
    waiting: Option<Pin<Box<Sleep>>>,
}

impl<S> Patient<S> {
    pub(super) const fn new(stream: S, patience: Duration) -> Self {
        Self {
            stream,
            patience,
            waiting: None,
        }
    }

    fn watched<T>(&mut self, context: &mut Context<'_>, outcome: Poll<io::Result<T>>) -> Poll<io::Result<T>> {
        if outcome.is_ready() {
            self.waiting = None;
            return outcome;
        }
        let until = Instant::now() + self.patience;
        let waiting = self.waiting.get_or_insert_with(|| {
            let mut timer = Box::pin(sleep(Duration::ZERO));
            timer.as_mut().reset(until);
            timer
        });
        match waiting.as_mut().poll(context) {
            Poll::Ready(()) => Poll::Ready(Err(io::ErrorKind::TimedOut.into())),
            Poll::Pending => Poll::Pending,
        }
    }
}

impl<S: AsyncRead + Unpin> AsyncRead for Patient<S> {
    fn poll_read(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        buffer: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_read(context, buffer)
    }
}

impl<S: AsyncWrite + Unpin> AsyncWrite for Patient<S> {
    fn poll_write(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        bytes: &[u8],
    ) -> Poll<io::Result<usize>> {
        let outcome = Pin::new(&mut self.stream).poll_write(context, bytes);
        self.watched(context, outcome)
    }

    fn poll_flush(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        let outcome = Pin::new(&mut self.stream).poll_flush(context);
        self.watched(context, outcome)
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        let outcome = Pin::new(&mut self.stream).poll_shutdown(context);
        self.watched(context, outcome)
    }
}

#[cfg(test)]
mod tests {
    use tokio::io::AsyncWriteExt;

    use super::*;

    #[tokio::test]
    async fn a_far_end_that_takes_nothing_is_given_up() {
        let (near, _far) = tokio::io::duplex(64);
        let mut patient = Patient::new(near, Duration::from_millis(50));
        patient.write_all(&[0; 64]).await.unwrap();
        let error = patient.write_all(&[0; 64]).await.unwrap_err();
        assert_eq!(error.kind(), io::ErrorKind::TimedOut);
    }
}
