//! The job folder: made when missing, used by one program at a time, its runs numbered without reuse.

use std::fs::{File, OpenOptions, TryLockError};
use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::sync::Arc;

use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use crate::exit::Exit;
use crate::fault::Fault;

use super::files::{Disk, FileLayer, sync_folder_of};
use super::plan::RunKind;

const JOB_FILE: &str = "job.toml";
const LOCK_FILE: &str = ".steady-lock";
/// What becomes `job.toml` when it is whole.
const BEGUN_FILE: &str = ".steady-job.toml";
const RUNS_FOLDER: &str = "runs";
const INDEX_FILE: &str = "runs/index.csv";
const INDEX_HEADER: &str = "run,kind,started_utc\r\n";

/// What `job.toml` says. Everything in it is the operator's to fill in; this program only makes the first one.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Job {
    /// When the job was begun, RFC 3339.
    pub created_utc: String,
    /// What is being mended.
    #[serde(default)]
    pub unit: String,
    /// What is wrong with it, one line each.
    #[serde(default)]
    pub symptoms: Vec<String>,
    /// Its rails, such as `24 V`.
    #[serde(default)]
    pub rails: Vec<String>,
    /// What is printed beside its fuse, such as `T 1.6 A`.
    #[serde(default)]
    pub marked_fuse: String,
    /// What channels 1 and 2 are.
    #[serde(default)]
    pub channels: [String; 2],
    /// Where the thermistors sit.
    #[serde(default)]
    pub thermistors: [String; 2],
}

/// Makes a job folder that holds `job` and nothing else.
///
/// # Errors
/// [`Exit::Folder`] when there is a job already, when the folder holds other things, or when it cannot be written.
pub fn create_job(path: &Path, job: &Job) -> Result<(), Fault> {
    let disk = |error: &io::Error| folder_fault(path, error);
    if path.join(JOB_FILE).symlink_metadata().is_ok() {
        return Err(Fault::new(
            Exit::Folder,
            path.display().to_string(),
            "there is a job in it already",
        )
        .remedy("see it with `steady job show`, change its job.toml with an editor, or name a new folder"));
    }
    if !make_empty(path)? {
        return Err(holds_other_things(path, "name a new or an empty folder"));
    }
    let _lock = lock(path)?;
    let job = Job {
        created_utc: format!("{:.0}", Timestamp::now()),
        ..job.clone()
    };
    let text = toml::to_string(&job).map_err(|error| disk(&io::Error::other(error)))?;
    write_new(&path.join(JOB_FILE), &text).map_err(|error| disk(&error))
}

/// Makes a folder where there is none; says whether there is nothing visible in it.
fn make_empty(path: &Path) -> Result<bool, Fault> {
    match std::fs::read_dir(path) {
        Ok(entries) => {
            let names = entries.filter_map(Result::ok).map(|entry| entry.file_name());
            let mut visible = names.filter(|name| !name.as_encoded_bytes().starts_with(b"."));
            Ok(visible.next().is_none())
        }
        Err(error) if error.kind() == io::ErrorKind::NotFound => {
            std::fs::create_dir_all(path).map_err(|error| folder_fault(path, &error))?;
            Ok(true)
        }
        Err(error) => Err(folder_fault(path, &error)),
    }
}

fn holds_other_things(path: &Path, remedy: &str) -> Fault {
    Fault::new(
        Exit::Folder,
        path.display().to_string(),
        "it holds other things and no job.toml, so it is not a job folder",
    )
    .remedy(remedy)
}

/// A job folder that this program holds; no other can hold it while any clone lives.
#[derive(Clone, Debug)]
pub struct JobFolder {
    path: PathBuf,
    layer: Arc<dyn FileLayer>,
    _lock: Arc<File>,
}

impl JobFolder {
    /// Opens a job folder, or makes one where there is nothing.
    ///
    /// # Errors
    /// [`Exit::Folder`] when another program records there, when the folder holds other things than a job, or when it
    /// cannot be written; [`Exit::Permission`] when this user may not; [`Exit::BadInput`] when `job.toml` is damaged.
    pub fn open_or_create(path: &Path) -> Result<Self, Fault> {
        let disk = |error: &io::Error| folder_fault(path, error);
        let is_new = make_empty(path)?;
        let job_file = path.join(JOB_FILE);
        if !is_new && !job_file.exists() {
            return Err(holds_other_things(path, "name a new or an empty folder to --job"));
        }
        let lock = lock(path)?;
        if !job_file.exists() {
            let job = Job {
                created_utc: format!("{:.0}", Timestamp::now()),
                ..Job::default()
            };
            let text = toml::to_string(&job).map_err(|error| disk(&io::Error::other(error)))?;
            write_new(&job_file, &text).map_err(|error| disk(&error))?;
        }
        read_job(path)?;
        let runs = path.join(RUNS_FOLDER);
        match std::fs::create_dir(&runs) {
            Ok(()) => sync_folder_of(&runs).map_err(|error| disk(&error))?,
            Err(error) if error.kind() == io::ErrorKind::AlreadyExists => refuse_link(&runs)?,
            Err(error) => return Err(disk(&error)),
        }
        Ok(Self {
            path: path.to_owned(),
            layer: Arc::new(Disk),
            _lock: Arc::new(lock),
        })
    }

    /// The same folder, whose runs go through `layer` to the disk: for tests that make it fail.
    #[must_use]
    pub fn through(mut self, layer: impl FileLayer + 'static) -> Self {
        self.layer = Arc::new(layer);
        self
    }

    /// The way to its disk.
    pub(super) fn layer(&self) -> &dyn FileLayer {
        &*self.layer
    }

    /// Where it is.
    #[must_use]
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Folders of its runs, oldest first.
    ///
    /// # Errors
    /// When the folder cannot be read.
    pub fn runs(&self) -> Result<Vec<PathBuf>, Fault> {
        run_folders(&self.path)
    }

    /// Takes the next run number for good and gives the run's folder, which is still to be made.
    pub(super) fn allot(&self, kind: RunKind, started: Timestamp) -> Result<(u32, PathBuf), Fault> {
        let disk = |error: io::Error| folder_fault(&self.path, &error);
        let index_file = self.path.join(INDEX_FILE);
        refuse_link(&index_file)?;
        // Bytes that a power cut left in it are passed over: the folders bear their numbers too.
        let index = match std::fs::read(&index_file) {
            Ok(bytes) => String::from_utf8_lossy(&bytes).into_owned(),
            Err(error) if error.kind() == io::ErrorKind::NotFound => String::new(),
            Err(error) => return Err(disk(error)),
        };
        let listed = index
            .lines()
            .filter_map(|line| line.split(',').next()?.parse().ok());
        let present = self.runs()?.into_iter().filter_map(|folder| number_of(&folder));
        let last: u32 = listed.chain(present).max().unwrap_or(0);
        let number = last.checked_add(1).ok_or_else(|| {
            Fault::new(
                Exit::Folder,
                self.path.display().to_string(),
                "its run numbers are used up",
            )
            .remedy("begin a new job folder")
        })?;

        // A line that was torn by a power cut ends here.
        let mut line = match index.as_bytes().last() {
            None => INDEX_HEADER.to_owned(),
            Some(b'\n') => String::new(),
            Some(_) => "\r\n".to_owned(),
        };
        line.push_str(&format!("{number},{},{started:.0}\r\n", kind.name()));
        let mut file = not_through_a_link(OpenOptions::new().create(true).append(true))
            .open(&index_file)
            .map_err(disk)?;
        file.write_all(line.as_bytes())
            .and_then(|()| file.sync_data())
            .and_then(|()| sync_folder_of(&index_file))
            .map_err(disk)?;
        let folder = self
            .path
            .join(RUNS_FOLDER)
            .join(format!("{number:04}-{}", kind.name()));
        Ok((number, folder))
    }
}

/// Reads `job.toml`.
///
/// # Errors
/// [`Exit::BadInput`] when it is missing or no job file.
pub fn read_job(folder: &Path) -> Result<Job, Fault> {
    let path = folder.join(JOB_FILE);
    let text = read_job_text(folder)?;
    toml::from_str(&text).map_err(|error| {
        Fault::new(
            Exit::BadInput,
            path.display().to_string(),
            error.to_string().trim_end().to_owned(),
        )
        .remedy("mend that line by hand; the runs are not touched by it")
    })
}

/// The text of `job.toml`.
///
/// # Errors
/// [`Exit::BadInput`] when it is missing, or is a link.
pub fn read_job_text(folder: &Path) -> Result<String, Fault> {
    let path = folder.join(JOB_FILE);
    refuse_link(&path)?;
    std::fs::read_to_string(&path).map_err(|error| {
        let fault = Fault::file(Exit::BadInput, &path, &error);
        if error.kind() == io::ErrorKind::NotFound {
            fault.remedy("name a job folder, or begin one with `steady job new FOLDER`")
        } else {
            fault
        }
    })
}

/// Refuses a file or folder of a job that is a link: it may lead anywhere, and a job may come from anybody.
fn refuse_link(path: &Path) -> Result<(), Fault> {
    if !path.is_symlink() {
        return Ok(());
    }
    let rule = "it is a link, and what it leads to is not this job's";
    Err(Fault::new(Exit::BadInput, path.display().to_string(), rule)
        .remedy("put the file or folder itself there"))
}

/// Has an opening fail when a link stands there: between a look and an opening somebody may put one.
fn not_through_a_link(options: &mut OpenOptions) -> &mut OpenOptions {
    #[cfg(unix)]
    std::os::unix::fs::OpenOptionsExt::custom_flags(options, rustix::fs::OFlags::NOFOLLOW.bits() as i32);
    options
}

/// Folders of a job's runs, oldest first.
///
/// # Errors
/// When the folder cannot be read, or is a link.
pub fn run_folders(job: &Path) -> Result<Vec<PathBuf>, Fault> {
    let runs = job.join(RUNS_FOLDER);
    refuse_link(&runs)?;
    let entries = match std::fs::read_dir(&runs) {
        Ok(entries) => entries,
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(Vec::new()),
        Err(error) => return Err(Fault::file(Exit::BadInput, &runs, &error)),
    };
    let mut folders: Vec<(u32, PathBuf)> = entries
        .filter_map(Result::ok)
        .filter(|entry| entry.file_type().is_ok_and(|kind| kind.is_dir()))
        .filter_map(|entry| Some((number_of(&entry.path())?, entry.path())))
        .collect();
    folders.sort();
    Ok(folders.into_iter().map(|(_, folder)| folder).collect())
}

/// The number that a run's folder begins with.
fn number_of(folder: &Path) -> Option<u32> {
    folder.file_name()?.to_str()?.split('-').next()?.parse().ok()
}

fn lock(path: &Path) -> Result<File, Fault> {
    let disk = |error: io::Error| folder_fault(path, &error);
    let lock_file = path.join(LOCK_FILE);
    refuse_link(&lock_file)?;
    let file = not_through_a_link(OpenOptions::new().create(true).truncate(false).write(true))
        .open(&lock_file)
        .map_err(disk)?;
    match file.try_lock() {
        Ok(()) => Ok(file),
        Err(TryLockError::WouldBlock) => Err(Fault::new(
            Exit::Folder,
            path.display().to_string(),
            "another program records in this job folder",
        )
        .remedy(
            "stop it first, or give several --port to one `steady collect`, or name another folder to --job",
        )),
        Err(TryLockError::Error(error)) => Err(disk(error)),
    }
}

/// Whether some program holds the folder.
pub(super) fn is_locked(path: &Path) -> bool {
    File::open(path.join(LOCK_FILE))
        .is_ok_and(|file| matches!(file.try_lock(), Err(TryLockError::WouldBlock)))
}

/// Writes `job.toml` so that it is there whole or not at all, whenever the power goes. The folder's lock is held, and
/// there is no such file.
fn write_new(path: &Path, text: &str) -> io::Result<()> {
    let begun = path.with_file_name(BEGUN_FILE);
    // One that a power cut left; a link that somebody put there goes too, and what it leads to stays.
    let _ = std::fs::remove_file(&begun);
    let mut file = OpenOptions::new().write(true).create_new(true).open(&begun)?;
    file.write_all(text.as_bytes())?;
    file.sync_all()?;
    std::fs::rename(&begun, path)?;
    sync_folder_of(path)
}

pub(super) fn folder_fault(path: &Path, error: &io::Error) -> Fault {
    Fault::file(Exit::Folder, path, error).remedy("free some space or name another folder to --job")
}
