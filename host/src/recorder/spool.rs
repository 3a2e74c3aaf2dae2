//! A file, and what waits to be appended to it.

use std::collections::VecDeque;
use std::io;

use sha2::{Digest, Sha256};

use super::files::AppendFile;

/// Appends in order, keeps what the disk does not take, and tries again.
pub(super) struct Spool {
    name: &'static str,
    file: Box<dyn AppendFile>,
    waiting: VecDeque<Vec<u8>>,
    /// Bytes of the first one waiting that are in the file.
    begun: usize,
    waiting_bytes: usize,
    unsynced: bool,
    digest: Sha256,
    written_bytes: u64,
}

impl Spool {
    pub(super) fn new(name: &'static str, file: Box<dyn AppendFile>) -> Self {
        Self {
            name,
            file,
            waiting: VecDeque::new(),
            begun: 0,
            waiting_bytes: 0,
            unsynced: false,
            digest: Sha256::new(),
            written_bytes: 0,
        }
    }

    pub(super) const fn name(&self) -> &'static str {
        self.name
    }

    pub(super) const fn waiting_bytes(&self) -> usize {
        self.waiting_bytes
    }

    pub(super) const fn written_bytes(&self) -> u64 {
        self.written_bytes
    }

    /// SHA-256 of what is in the file, in hexadecimal digits.
    pub(super) fn digest(&self) -> String {
        let digest = self.digest.clone().finalize();
        digest.iter().map(|byte| format!("{byte:02x}")).collect()
    }

    pub(super) fn push(&mut self, bytes: Vec<u8>) {
        if !bytes.is_empty() {
            self.waiting_bytes += bytes.len();
            self.waiting.push_back(bytes);
        }
    }

    /// Appends what waits, as far as the disk takes it, and has it survive a power cut.
    pub(super) fn drain(&mut self) -> io::Result<()> {
        while let Some(first) = self.waiting.front() {
            let rest = &first[self.begun..];
            let written = match self.file.append(rest) {
                Ok(0) => return Err(io::ErrorKind::WriteZero.into()),
                Ok(written) => written,
                Err(error) if error.kind() == io::ErrorKind::Interrupted => continue,
                Err(error) => return Err(error),
            };
            self.digest.update(&rest[..written]);
            self.written_bytes += written as u64;
            self.waiting_bytes -= written;
            self.begun += written;
            self.unsynced = true;
            if self.begun == first.len() {
                self.waiting.pop_front();
                self.begun = 0;
            }
        }
        if self.unsynced {
            self.file.sync()?;
            self.unsynced = false;
        }
        Ok(())
    }
}
