//! What went wrong, for the person at the bench.

use std::fmt;
use std::path::Path;

use serde::Serialize;

use crate::exit::Exit;

/// A command's failure: what it met, which rule that broke, and what to do about it.
///
/// ```
/// use steadybench_host::{Exit, Fault};
///
/// let fault = Fault::new(Exit::Usage, "a reading rate of 9000/s", "the board takes 100/s to 4000/s")
///     .remedy("choose --rate 4000 or less");
/// assert_eq!(
///     fault.to_string(),
///     "a reading rate of 9000/s: the board takes 100/s to 4000/s\n  remedy: choose --rate 4000 or less"
/// );
/// assert_eq!(fault.exit(), Exit::Usage);
/// ```
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Fault {
    /// The number that `steady` exits with.
    #[serde(serialize_with = "as_code")]
    exit: Exit,
    value: String,
    rule: String,
    remedy: Option<String>,
}

fn as_code<S: serde::Serializer>(exit: &Exit, serializer: S) -> Result<S::Ok, S::Error> {
    serializer.serialize_u8(exit.code())
}

impl Fault {
    /// A fault: `value` is what was met, `rule` is what it broke or what happened to it.
    #[must_use]
    pub fn new(exit: Exit, value: impl Into<String>, rule: impl Into<String>) -> Self {
        Self {
            exit,
            value: value.into(),
            rule: rule.into(),
            remedy: None,
        }
    }

    /// A wrong word on the command line.
    #[must_use]
    pub fn usage(value: impl Into<String>, rule: impl Into<String>) -> Self {
        Self::new(Exit::Usage, value, rule)
    }

    /// A file or folder that could not be read or written.
    #[must_use]
    pub fn file(exit: Exit, path: &Path, error: &std::io::Error) -> Self {
        let exit = if error.kind() == std::io::ErrorKind::PermissionDenied {
            Exit::Permission
        } else {
            exit
        };
        Self::new(exit, path.display().to_string(), plain_reason(error))
    }

    /// Says what to do about it.
    #[must_use]
    pub fn remedy(mut self, remedy: impl Into<String>) -> Self {
        self.remedy = Some(remedy.into());
        self
    }

    /// How the program is to end.
    #[must_use]
    pub const fn exit(&self) -> Exit {
        self.exit
    }
}

impl fmt::Display for Fault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}: {}", self.value, self.rule)?;
        match &self.remedy {
            Some(remedy) => write!(f, "\n  remedy: {remedy}"),
            None => Ok(()),
        }
    }
}

impl std::error::Error for Fault {}

/// The system's reason in words, without its error number where words say the same.
#[must_use]
pub fn plain_reason(error: &std::io::Error) -> String {
    use std::io::ErrorKind;
    match error.kind() {
        ErrorKind::NotFound => "there is no such file or folder".into(),
        ErrorKind::PermissionDenied => "this user may not open it".into(),
        ErrorKind::StorageFull => "the disk is full".into(),
        ErrorKind::ReadOnlyFilesystem => "the disk is mounted for reading only".into(),
        _ => error.to_string(),
    }
}
