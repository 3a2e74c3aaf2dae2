//! The word that lets a request change something.

/// A new one: 128 random bits in hexadecimal digits.
///
/// # Errors
/// When the system gives no random bytes.
pub fn new_token() -> std::io::Result<String> {
    let mut bytes = [0_u8; 16];
    getrandom::fill(&mut bytes).map_err(|error| std::io::Error::other(error.to_string()))?;
    Ok(bytes.iter().map(|byte| format!("{byte:02x}")).collect())
}

/// Compares without saying by its duration where the first difference is.
pub(super) fn same(a: &str, b: &str) -> bool {
    let (a, b) = (a.as_bytes(), b.as_bytes());
    a.len() == b.len()
        && a.iter()
            .zip(b)
            .fold(0, |differences, (x, y)| differences | (x ^ y))
            == 0
}
