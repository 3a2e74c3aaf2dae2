//! A file, and what waits to be appended to it.

use std::collections::VecDeque;
use std::io::{self, ErrorKind};

use sha2::{Digest, Sha256};

use super::files::AppendFile;

/// Appends in order, keeps what is not proved to be on the disk, and tries again.
///
/// Bytes are let go only when the disk has confirmed them. A disk that was taken away and comes back may have lost what it
/// had taken and not confirmed; this is then appended again.
pub(super) struct Spool {
    name: &'static str,
    file: Box<dyn AppendFile>,
    /// Pieces from the last confirmed byte on.
    held: VecDeque<Vec<u8>>,
    /// Bytes confirmed in all.
    confirmed: u64,
    /// Bytes in the file, as far as it has said.
    written: u64,
    held_bytes: usize,
    /// The file failed in a way that the same handle may not recover from.
    stale: bool,
    digest: Sha256,
    /// Bytes that the digest is of.
    digested: u64,
}

impl Spool {
    pub(super) fn new(name: &'static str, file: Box<dyn AppendFile>) -> Self {
        Self {
            name,
            file,
            held: VecDeque::new(),
            confirmed: 0,
            written: 0,
            held_bytes: 0,
            stale: false,
            digest: Sha256::new(),
            digested: 0,
        }
    }

    pub(super) const fn name(&self) -> &'static str {
        self.name
    }

    /// Bytes that the disk has not confirmed.
    pub(super) const fn waiting_bytes(&self) -> usize {
        self.held_bytes
    }

    pub(super) const fn written_bytes(&self) -> u64 {
        self.written
    }

    /// SHA-256 of what is in the file, in hexadecimal digits.
    pub(super) fn digest(&self) -> String {
        let digest = self.digest.clone().finalize();
        digest.iter().map(|byte| format!("{byte:02x}")).collect()
    }

    pub(super) fn push(&mut self, bytes: Vec<u8>) {
        if !bytes.is_empty() {
            self.held_bytes += bytes.len();
            self.held.push_back(bytes);
        }
    }

    /// Appends what waits, as far as the disk takes it, and has it survive a power cut.
    pub(super) fn drain(&mut self) -> io::Result<()> {
        if self.stale {
            self.reopen()?;
        }
        let outcome = self.write().and_then(|()| self.confirm());
        if let Err(error) = &outcome {
            // A full disk gets room again under the same handle; one that is gone comes back as another.
            self.stale = !matches!(error.kind(), ErrorKind::StorageFull | ErrorKind::QuotaExceeded);
        }
        outcome
    }

    fn write(&mut self) -> io::Result<()> {
        let mut at = self.written - self.confirmed;
        for piece in &self.held {
            let mut begun = usize::try_from(at).unwrap_or(usize::MAX).min(piece.len());
            at -= begun as u64;
            while begun < piece.len() {
                let taken = match self.file.append(&piece[begun..]) {
                    Ok(0) => return Err(ErrorKind::WriteZero.into()),
                    Ok(taken) => taken,
                    Err(error) if error.kind() == ErrorKind::Interrupted => continue,
                    Err(error) => return Err(error),
                };
                // What is appended a second time is in the digest already.
                let known = usize::try_from(self.digested - self.written)
                    .unwrap_or(usize::MAX)
                    .min(taken);
                self.digest.update(&piece[begun + known..begun + taken]);
                self.digested += (taken - known) as u64;
                self.written += taken as u64;
                begun += taken;
            }
        }
        Ok(())
    }

    fn confirm(&mut self) -> io::Result<()> {
        if self.written == self.confirmed {
            return Ok(());
        }
        self.file.sync()?;
        self.confirmed = self.written;
        self.held.clear();
        self.held_bytes = 0;
        Ok(())
    }

    /// Takes the file up again where it ends now.
    fn reopen(&mut self) -> io::Result<()> {
        let length = self.file.reopen()?;
        if length < self.confirmed || length > self.written {
            return Err(io::Error::new(
                ErrorKind::InvalidData,
                format!(
                    "the file came back with {length} bytes and had {} to {}",
                    self.confirmed, self.written
                ),
            ));
        }
        self.written = length;
        self.stale = false;
        Ok(())
    }
}
