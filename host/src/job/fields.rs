//! `job.toml` looked through for keys that mean nothing: a misspelt one would be passed over in silence.

use super::ledger::{Mistake, plain};

/// The keys there are.
const KEYS: [&str; 7] = [
    "created_utc",
    "unit",
    "symptoms",
    "rails",
    "marked_fuse",
    "channels",
    "thermistors",
];

/// Keys of `job.toml` that this program does not know, each with its line.
///
/// ```
/// use steadybench_host::job::fields::unknown_keys;
///
/// let told = unknown_keys("unit = \"vent controller\"\nsymptons = [\"stage 2 stops\"]\n");
/// assert_eq!(
///     told[0].to_string(),
///     "job.toml, line 2: `symptons` is no key of a job\n  remedy: write one of created_utc, unit, symptoms, rails, \
///      marked_fuse, channels, thermistors"
/// );
/// ```
#[must_use]
pub fn unknown_keys(text: &str) -> Vec<Mistake> {
    let Ok(table) = text.parse::<toml::Table>() else {
        return Vec::new();
    };
    table
        .keys()
        .filter(|key| !KEYS.contains(&key.as_str()))
        .map(|key| {
            let is_its_line = |line: &str| line.trim_start_matches(['[', '"', ' ']).starts_with(key.as_str());
            Mistake {
                file: "job.toml",
                line: 1 + text.lines().position(is_its_line).unwrap_or(0) as u64,
                rule: format!("`{}` is no key of a job", plain(key)),
                remedy: format!("write one of {}", KEYS.join(", ")),
            }
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::recorder::Job;

    #[test]
    fn every_key_of_a_job_is_known() {
        let text = toml::to_string(&Job::default()).unwrap();
        assert_eq!(unknown_keys(&text), []);
        assert_eq!(text.parse::<toml::Table>().unwrap().len(), KEYS.len());
    }
}
