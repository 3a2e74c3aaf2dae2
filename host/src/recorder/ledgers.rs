//! Appends to `alterations.csv` and `notes.csv`: one row at a time, under a lock of their own, so that a note can be made
//! while a run is recorded, and by two programs at once.

use std::fs::{File, OpenOptions, TryLockError};
use std::io::{self, Write};
use std::path::Path;
use std::time::{Duration, Instant};

use jiff::Timestamp;

use crate::exit::Exit;
use crate::fault::Fault;
use crate::job::ledger::LedgerFile;
use crate::job::{AlterationKind, Alterations, NoteKind, Notes, State, alterations, notes};

use super::job::{folder_fault, read_job};

/// Another lock than the recording's: a recording holds its folder for hours, a row is written in milliseconds.
const LOCK_FILE: &str = ".steady-notes-lock";

/// How long to wait for another program to finish its row.
const PATIENCE: Duration = Duration::from_secs(5);

/// Longest text of these files that is read; one that somebody filled otherwise is no notebook.
const MOST_BYTES: u64 = 16 << 20;

/// Reads the alterations of a job; none when there is no such file.
///
/// # Errors
/// [`Exit::BadInput`] when the file cannot be read, or is a link.
pub fn read_alterations(job: &Path) -> Result<Alterations, Fault> {
    Ok(Alterations::read(&read(job, &alterations::FILE)?))
}

/// Reads the notes of a job; none when there is no such file.
///
/// # Errors
/// [`Exit::BadInput`] when the file cannot be read, or is a link.
pub fn read_notes(job: &Path) -> Result<Notes, Fault> {
    Ok(Notes::read(&read(job, &notes::FILE)?))
}

/// Writes down that something was altered; gives its number.
///
/// # Errors
/// When the folder is no job or cannot be written.
pub fn add_alteration(job: &Path, kind: AlterationKind, what: &str, why: &str) -> Result<u32, Fault> {
    append(job, &alterations::FILE, |text| {
        let number = Alterations::read(text).next_number();
        let cells = [&number.to_string(), &now(), "made", kind.name(), what, why];
        Ok((number, alterations::FILE.appended(text, &cells)))
    })
}

/// Writes down that alteration `number` was put back, or is kept.
///
/// # Errors
/// [`Exit::Usage`] when there is no such alteration, when it was put back before, or when it is to be kept and no reason
/// is given.
pub fn settle_alteration(job: &Path, number: u32, kept: bool, words: &str) -> Result<(), Fault> {
    let value = format!("alteration {number}");
    if kept && words.trim().is_empty() {
        return Err(
            Fault::usage(value, "it is to be kept, and no reason is given").remedy("add --why REASON")
        );
    }
    append(job, &alterations::FILE, |text| {
        let all = Alterations::read(text);
        let state = all.get(number).map(|made| &made.state);
        match state {
            None => {
                let numbers: Vec<String> = all.made.iter().map(|made| made.number.to_string()).collect();
                let there_are = if numbers.is_empty() {
                    "none".to_owned()
                } else {
                    numbers.join(", ")
                };
                return Err(
                    Fault::usage(value.clone(), "there is no such alteration in this job")
                        .remedy(format!("there are: {there_are}")),
                );
            }
            Some(State::Restored { .. }) => {
                return Err(Fault::usage(value.clone(), "it was put back before")
                    .remedy("write down the new alteration with `steady job alter`"));
            }
            Some(State::Open | State::Kept { .. } | State::Lasting) => {}
        }
        let event = if kept { "kept" } else { "restored" };
        let cells = [&number.to_string(), &now(), event, "", "", words];
        Ok(((), alterations::FILE.appended(text, &cells)))
    })
}

/// Writes a note.
///
/// # Errors
/// When the folder is no job or cannot be written.
pub fn add_note(job: &Path, kind: NoteKind, text: &str) -> Result<(), Fault> {
    append(job, &notes::FILE, |before| {
        Ok(((), notes::FILE.appended(before, &[&now(), kind.name(), text])))
    })
}

/// To the millisecond, as runs are dated: which of the two came first decides a swap.
fn now() -> String {
    format!("{:.3}", Timestamp::now())
}

/// Appends what `made` makes of the file's text, under the lock.
fn append<T>(
    job: &Path,
    ledger: &LedgerFile,
    made: impl FnOnce(&str) -> Result<(T, String), Fault>,
) -> Result<T, Fault> {
    read_job(job)?;
    let _lock = lock(job)?;
    let (value, added) = made(&read(job, ledger)?)?;
    let path = job.join(ledger.name);
    let disk = |error: io::Error| folder_fault(&path, &error);
    let mut options = OpenOptions::new();
    options.create(true).append(true);
    // Between the look at the file and its opening somebody may have put a link there.
    #[cfg(unix)]
    std::os::unix::fs::OpenOptionsExt::custom_flags(&mut options, rustix::fs::OFlags::NOFOLLOW.bits() as i32);
    let mut file = options.open(&path).map_err(disk)?;
    file.write_all(added.as_bytes())
        .and_then(|()| file.sync_all())
        .map_err(disk)?;
    Ok(value)
}

fn read(job: &Path, ledger: &LedgerFile) -> Result<String, Fault> {
    let path = job.join(ledger.name);
    let refuse = |rule: &str, remedy: &str| {
        Err(Fault::new(Exit::BadInput, path.display().to_string(), rule).remedy(remedy))
    };
    match path.symlink_metadata() {
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(String::new()),
        Err(error) => return Err(Fault::file(Exit::BadInput, &path, &error)),
        Ok(metadata) if !metadata.is_file() => {
            return refuse(
                "it is a link or a folder, and what it leads to is not this job's",
                "put the file itself there",
            );
        }
        Ok(metadata) if metadata.len() > MOST_BYTES => {
            return refuse(
                "it is larger than 16 MB",
                "it is no notebook of a job: put it elsewhere",
            );
        }
        Ok(_) => {}
    }
    let bytes = std::fs::read(&path).map_err(|error| Fault::file(Exit::BadInput, &path, &error))?;
    String::from_utf8(bytes).or_else(|error| {
        let line = 1 + error.as_bytes()[..error.utf8_error().valid_up_to()]
            .iter()
            .filter(|&&byte| byte == b'\n')
            .count();
        refuse(
            &format!("line {line} is not UTF-8"),
            "save it from the editor as UTF-8, with commas",
        )
    })
}

fn lock(job: &Path) -> Result<File, Fault> {
    let disk = |error: io::Error| folder_fault(job, &error);
    let file = OpenOptions::new()
        .create(true)
        .truncate(false)
        .write(true)
        .open(job.join(LOCK_FILE))
        .map_err(disk)?;
    let begun = Instant::now();
    loop {
        match file.try_lock() {
            Ok(()) => return Ok(file),
            Err(TryLockError::WouldBlock) if begun.elapsed() < PATIENCE => {
                std::thread::sleep(Duration::from_millis(20));
            }
            Err(TryLockError::WouldBlock) => {
                return Err(Fault::new(
                    Exit::Folder,
                    job.display().to_string(),
                    "another program has been writing in its notebook for 5 s",
                )
                .remedy("try again; if it stays so, end that program"));
            }
            Err(TryLockError::Error(error)) => return Err(disk(error)),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::job::{Job, create_job};
    use super::*;

    fn job() -> tempfile::TempDir {
        let folder = tempfile::tempdir().unwrap();
        create_job(folder.path(), &Job::default()).unwrap();
        folder
    }

    #[test]
    fn an_alteration_is_made_restored_and_kept() {
        let folder = job();
        let job = folder.path();
        assert_eq!(
            add_alteration(
                job,
                AlterationKind::CutTrack,
                "cut track, at R12",
                "for the shunt"
            )
            .unwrap(),
            1
        );
        assert_eq!(
            add_alteration(job, AlterationKind::Link, "over F1", "").unwrap(),
            2
        );
        settle_alteration(job, 1, false, "bridged").unwrap();
        let again = settle_alteration(job, 1, false, "").unwrap_err();
        assert_eq!(again.exit(), Exit::Usage);
        assert!(
            settle_alteration(job, 2, true, " ")
                .unwrap_err()
                .to_string()
                .contains("no reason")
        );
        let missing = settle_alteration(job, 9, false, "").unwrap_err().to_string();
        assert!(missing.contains("there are: 1, 2"), "{missing}");
        settle_alteration(job, 2, true, "the holder is burnt; a new one is ordered").unwrap();
        let all = read_alterations(job).unwrap();
        assert!(all.mistakes.is_empty() && all.open().next().is_none());
        assert_eq!(all.made[0].what, "cut track, at R12");
        assert!(matches!(&all.made[1].state, State::Kept { reason, .. } if reason.contains("ordered")));
    }

    #[test]
    fn many_at_once_lose_nothing() {
        let folder = job();
        let job = folder.path();
        std::thread::scope(|scope| {
            for writer in 0..4 {
                scope.spawn(move || {
                    for row in 0..10 {
                        let what = format!("link {writer}.{row}");
                        add_alteration(job, AlterationKind::Link, &what, "").unwrap();
                    }
                });
            }
        });
        let all = read_alterations(job).unwrap();
        assert!(all.mistakes.is_empty());
        let numbers: Vec<u32> = all.made.iter().map(|made| made.number).collect();
        assert_eq!(numbers, (1..=40).collect::<Vec<_>>());
    }

    #[cfg(unix)]
    #[test]
    fn a_link_is_not_followed_out_of_the_job() {
        let folder = job();
        let elsewhere = tempfile::NamedTempFile::new().unwrap();
        std::os::unix::fs::symlink(elsewhere.path(), folder.path().join("notes.csv")).unwrap();
        for fault in [
            add_note(folder.path(), NoteKind::Note, "to somebody else's file").unwrap_err(),
            read_notes(folder.path()).unwrap_err(),
        ] {
            assert_eq!(fault.exit(), Exit::BadInput);
            assert!(fault.to_string().contains("it is a link"), "{fault}");
        }
        assert_eq!(std::fs::read(elsewhere.path()).unwrap(), b"");
    }

    #[test]
    fn a_file_of_another_encoding_is_told_by_its_line() {
        let folder = job();
        std::fs::write(
            folder.path().join("notes.csv"),
            b"utc,kind,text\n,note,10 k\xd8\n",
        )
        .unwrap();
        let fault = read_notes(folder.path()).unwrap_err().to_string();
        assert!(fault.contains("line 2 is not UTF-8"), "{fault}");
        assert_eq!(
            add_note(&folder.path().join("none"), NoteKind::Note, "x")
                .unwrap_err()
                .exit(),
            Exit::BadInput
        );
    }
}
