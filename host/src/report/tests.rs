//! Reports of recorded jobs.
