//! A file, and what waits to be appended to it.

use std::collections::VecDeque;
use std::io::{self, ErrorKind};

use sha2::{Digest, Sha256};

use super::files::{AppendFile, Confirmation};

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
    /// How many times it was opened again.
    openings: u32,
    digest: Sha256,
    /// Bytes that the digest is of.
    digested: u64,
}

/// So many bytes of a file, as it is open at present, are to survive a power cut.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Claim {
    bytes: u64,
    openings: u32,
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
            openings: 0,
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
        self.append()?;
        self.confirm()
    }

    /// Appends what waits, as far as the disk takes it: it survives the program from then on.
    pub(super) fn append(&mut self) -> io::Result<()> {
        let outcome = self.reopen_if_stale().and_then(|()| self.write());
        self.note(outcome)
    }

    /// Has what was appended survive a power cut, too.
    pub(super) fn confirm(&mut self) -> io::Result<()> {
        match self.to_confirm() {
            Some((claim, confirmation)) => self.confirmed(claim, confirmation()),
            None => Ok(()),
        }
    }

    /// What has the bytes of the claim survive a power cut; `None` when all are confirmed, or there is no file at present.
    pub(super) fn to_confirm(&self) -> Option<(Claim, Confirmation)> {
        let claim = Claim {
            bytes: self.written,
            openings: self.openings,
        };
        (!self.stale && self.written > self.confirmed).then(|| (claim, self.file.confirmation()))
    }

    /// Takes what the disk said to a claim.
    pub(super) fn confirmed(&mut self, claim: Claim, outcome: io::Result<()>) -> io::Result<()> {
        // A file that was opened again meanwhile is as long as it said then, whatever was said of it before.
        if claim.openings != self.openings {
            return Ok(());
        }
        if outcome.is_ok() {
            self.let_go(claim.bytes);
        }
        self.note(outcome)
    }

    fn note(&mut self, outcome: io::Result<()>) -> io::Result<()> {
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

    /// Forgets what the disk has confirmed, up to `bytes` of the file.
    fn let_go(&mut self, bytes: u64) {
        let mut confirmed = bytes.saturating_sub(self.confirmed);
        self.confirmed += confirmed;
        self.held_bytes -= usize::try_from(confirmed).unwrap_or(self.held_bytes);
        // A piece of which the disk took a part stays without it.
        while let Some(first) = self.held.front_mut() {
            if confirmed < first.len() as u64 {
                first.drain(..usize::try_from(confirmed).unwrap_or(0));
                break;
            }
            confirmed -= first.len() as u64;
            self.held.pop_front();
        }
    }

    /// Takes the file up again where it ends now.
    fn reopen_if_stale(&mut self) -> io::Result<()> {
        if !self.stale {
            return Ok(());
        }
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
        self.openings += 1;
        self.stale = false;
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use std::sync::{Arc, Mutex, PoisonError};

    use super::*;

    /// A file whose disk may be gone, which it notices late, and which may come back shorter.
    #[derive(Clone, Default)]
    struct Removable(Arc<Mutex<(Vec<u8>, bool)>>);

    impl Removable {
        fn set<T>(&self, set: impl FnOnce(&mut (Vec<u8>, bool)) -> T) -> T {
            set(&mut self.0.lock().unwrap_or_else(PoisonError::into_inner))
        }
    }

    impl AppendFile for Removable {
        fn append(&mut self, bytes: &[u8]) -> io::Result<usize> {
            self.set(|(held, gone)| {
                if *gone && held.len() >= 7 {
                    return Err(io::Error::other("gone"));
                }
                // In part, as a disk may take it.
                let taken = bytes.len().min(3);
                held.extend_from_slice(&bytes[..taken]);
                Ok(taken)
            })
        }

        fn confirmation(&self) -> Confirmation {
            let disk = self.clone();
            Box::new(move || {
                if disk.set(|(_, gone)| *gone) {
                    return Err(io::Error::other("gone"));
                }
                Ok(())
            })
        }

        fn reopen(&mut self) -> io::Result<u64> {
            self.set(|(held, gone)| {
                if *gone {
                    Err(ErrorKind::NotFound.into())
                } else {
                    Ok(held.len() as u64)
                }
            })
        }
    }

    #[test]
    fn what_a_disk_lost_that_it_had_not_confirmed_is_appended_again() {
        let disk = Removable::default();
        let mut spool = Spool::new("a.csv", Box::new(disk.clone()));
        spool.push(b"0123".to_vec());
        spool.drain().unwrap();
        disk.set(|state| state.1 = true);
        spool.push(b"4567".to_vec());
        spool.push(b"89".to_vec());
        assert!(spool.drain().is_err());
        assert!(spool.drain().is_err());
        assert_eq!(spool.waiting_bytes(), 6);
        // It comes back with one of the bytes that it had taken and not confirmed.
        disk.set(|(held, gone)| {
            held.truncate(5);
            *gone = false;
        });
        spool.drain().unwrap();
        assert_eq!(disk.set(|(held, _)| held.clone()), b"0123456789");
        assert_eq!((spool.written_bytes(), spool.waiting_bytes()), (10, 0));
        let mut whole = Spool::new("a.csv", Box::new(Removable::default()));
        whole.push(b"0123456789".to_vec());
        whole.drain().unwrap();
        assert_eq!(spool.digest(), whole.digest());
    }

    #[test]
    fn what_is_appended_while_the_disk_confirms_waits_for_the_next_time() {
        let disk = Removable::default();
        let mut spool = Spool::new("a.csv", Box::new(disk.clone()));
        spool.push(b"0123".to_vec());
        spool.append().unwrap();
        let (claim, confirmation) = spool.to_confirm().unwrap();
        spool.push(b"45".to_vec());
        spool.append().unwrap();
        spool.confirmed(claim, confirmation()).unwrap();
        assert_eq!((spool.written_bytes(), spool.waiting_bytes()), (6, 2));

        // The disk goes away, and comes back without them: an answer from before says nothing of it.
        let (claim, _) = spool.to_confirm().unwrap();
        disk.set(|state| state.1 = true);
        spool.push(b"678".to_vec());
        assert!(spool.append().is_ok() && spool.confirm().is_err());
        disk.set(|(held, gone)| {
            held.truncate(4);
            *gone = false;
        });
        spool.append().unwrap();
        spool.confirmed(claim, Ok(())).unwrap();
        assert_eq!(spool.waiting_bytes(), 5);
        spool.confirm().unwrap();
        assert_eq!(disk.set(|(held, _)| held.clone()), b"012345678");
        assert_eq!((spool.written_bytes(), spool.waiting_bytes()), (9, 0));
    }

    #[test]
    fn another_file_in_its_place_is_not_written_on() {
        let disk = Removable::default();
        let mut spool = Spool::new("a.csv", Box::new(disk.clone()));
        spool.push(b"0123".to_vec());
        spool.drain().unwrap();
        disk.set(|state| state.1 = true);
        spool.push(b"4".to_vec());
        assert!(spool.drain().is_err());
        for other in [&b"01"[..], b"somebody else's words"] {
            disk.set(|state| *state = (other.to_vec(), false));
            let fault = spool.drain().unwrap_err();
            assert!(fault.to_string().contains("the file came back with"), "{fault}");
            assert_eq!(disk.set(|(held, _)| held.clone()), other);
        }
    }
}
