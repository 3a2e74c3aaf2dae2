//! Quantities as they are typed: a number and a unit.

use std::time::Duration;

/// Reads a quantity of the unit `unit`, with a prefix from micro to kilo: `500mA`, `2 A`, `1.5kΩ`.
///
/// # Errors
/// In words, when it is not a finite number followed by the unit.
///
/// ```
/// use steadybench_host::quantity::parse;
///
/// assert_eq!(parse("500mA", "A"), Ok(0.5));
/// assert_eq!(parse("2 A", "A"), Ok(2.0));
/// assert!(parse("2", "A").is_err());
/// assert!(parse("2V", "A").is_err());
/// ```
pub fn parse(text: &str, unit: &str) -> Result<f64, String> {
    let wrong = || format!("`{text}` is not a quantity in {unit}; write it like 500m{unit} or 2{unit}");
    let number = text.trim().strip_suffix(unit).ok_or_else(wrong)?.trim_end();
    let (number, factor) = match number.chars().last() {
        Some('m') => (&number[..number.len() - 1], 1e-3),
        Some(micro @ ('u' | 'µ' | 'μ')) => (&number[..number.len() - micro.len_utf8()], 1e-6),
        Some('k') => (&number[..number.len() - 1], 1e3),
        _ => (number, 1.0),
    };
    let value: f64 = number.trim().parse().map_err(|_| wrong())?;
    if value.is_finite() {
        Ok(value * factor)
    } else {
        Err(wrong())
    }
}

/// Reads a duration: `500ms`, `90s`, `10min` or `10m`, `12h`, and sums such as `1h30min`.
///
/// # Errors
/// In words, when it is none.
///
/// ```
/// use std::time::Duration;
/// use steadybench_host::quantity::parse_duration;
///
/// assert_eq!(parse_duration("1h30min"), Ok(Duration::from_secs(5400)));
/// assert_eq!(parse_duration("1h30m"), Ok(Duration::from_secs(5400)));
/// assert_eq!(parse_duration("500 ms"), Ok(Duration::from_millis(500)));
/// assert!(parse_duration("90").is_err());
/// ```
pub fn parse_duration(text: &str) -> Result<Duration, String> {
    let wrong = || format!("`{text}` is not a duration; write it like 90s, 10min, 12h or 1h30min");
    let mut rest = text.trim();
    let mut seconds = 0.0;
    if rest.is_empty() {
        return Err(wrong());
    }
    while !rest.is_empty() {
        let digits = rest
            .find(|c: char| !c.is_ascii_digit() && c != '.')
            .ok_or_else(wrong)?;
        let (number, after) = rest.split_at(digits);
        let after = after.trim_start();
        let letters = after
            .find(|c: char| !c.is_ascii_alphabetic())
            .unwrap_or(after.len());
        let (unit, after) = after.split_at(letters);
        let factor = match unit {
            "ms" => 1e-3,
            "s" => 1.0,
            "min" | "m" => 60.0,
            "h" => 3600.0,
            "d" => 86_400.0,
            _ => return Err(wrong()),
        };
        seconds += number.parse::<f64>().map_err(|_| wrong())? * factor;
        rest = after.trim_start();
    }
    Duration::try_from_secs_f64(seconds).map_err(|_| wrong())
}
