//! The hardware notes against their own formulas: every table that says how it was computed is computed again, the pins
//! are those of the image, and no link leads nowhere.
//!
//! A table is found by the comment `<!-- table: NAME -->` above it. A printed figure is right when it is the computed
//! one rounded to the digits it shows.

#![allow(clippy::unwrap_used)] // A test may stop at once.

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};

/// Shunt voltage at full scale and its step, wide and narrow range, volts: INA228 data sheet, TI SLYS021A.
const FULL_SCALE_V: [f64; 2] = [0.163_84, 0.040_96];
const STEP_V: [f64; 2] = [312.5e-9, 78.125e-9];

/// Noise-free bits of single conversions in the wide range: the same sheet, table 8-2.
const NOISE_FREE_BITS: [(f64, f64); 4] = [(150.0, 13.3), (280.0, 13.8), (540.0, 14.2), (4_120.0, 16.0)];

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("..")
}

fn notes() -> PathBuf {
    root().join("hardware-notes")
}

fn text_of(path: &Path) -> String {
    fs::read_to_string(path).unwrap_or_else(|error| panic!("{}: {error}", path.display()))
}

/// The cells of a table's rows, without its head and rule.
fn rows(page: &str, name: &str) -> Vec<Vec<String>> {
    let text = text_of(&notes().join(page));
    let mark = format!("<!-- table: {name} -->\n");
    let (_, table) = text
        .split_once(&mark)
        .unwrap_or_else(|| panic!("{page} has no table {name}"));
    let rows: Vec<Vec<String>> = table
        .lines()
        .take_while(|line| line.starts_with('|'))
        .skip(2)
        .map(|line| {
            line.trim_matches('|')
                .split('|')
                .map(|cell| cell.trim().replace('*', "").replace('−', "-"))
                .collect()
        })
        .collect();
    assert!(rows.len() > 1, "{page}: table {name} has lost its rows");
    rows
}

fn number(cell: &str) -> f64 {
    cell.parse()
        .unwrap_or_else(|_| panic!("`{cell}` is not a figure"))
}

/// Checks each figure of a row, in order, against the computed one.
fn check(row: &[String], computed: &[f64]) {
    assert_eq!(row.len(), computed.len(), "columns of {row:?}");
    for (cell, computed) in row.iter().zip(computed) {
        let decimals = cell.split_once('.').map_or(0, |(_, digits)| digits.len());
        // Whole numbers of four and more digits may be rounded to three: 5370 for 5369.
        let digits = cell.trim_start_matches('-').len();
        let trailing = cell.len() - cell.trim_end_matches('0').len();
        let coarse = if decimals == 0 && digits >= 4 {
            trailing.min(digits - 3)
        } else {
            0
        };
        let half_a_digit =
            0.5 * 10_f64.powi(i32::try_from(coarse).unwrap() - i32::try_from(decimals).unwrap());
        assert!(
            (number(cell) - computed).abs() <= half_a_digit * (1.0 + 1e-9),
            "the notes say {cell}, the formula {computed}, in row {row:?}"
        );
    }
}

fn noise_v(conversion_us: f64) -> f64 {
    let (_, bits) = NOISE_FREE_BITS
        .into_iter()
        .find(|(time, _)| *time == conversion_us)
        .unwrap_or_else(|| panic!("no noise figure for {conversion_us} µs"));
    2.0 * FULL_SCALE_V[0] / bits.exp2()
}

#[test]
fn shunts() {
    const START_A: f64 = 1.4;
    const OFFSET_V: f64 = 1e-6;
    for row in rows("shunts.md", "shunts") {
        let milliohm = number(&row[0]);
        let ohm = milliohm / 1e3;
        let [wide, narrow] = [0, 1].map(|range| (FULL_SCALE_V[range] / ohm, STEP_V[range] / ohm * 1e6));
        check(
            &row,
            &[
                milliohm,
                wide.0,
                wide.1,
                narrow.0,
                narrow.1,
                noise_v(540.0) / ohm * 1e3,
                OFFSET_V / ohm * 1e6,
                START_A * ohm * 1e3,
                START_A * START_A * ohm * 1e3,
                FULL_SCALE_V[0].powi(2) / ohm * 1e3,
            ],
        );
    }
}

#[test]
fn readings_seen() {
    const OHM: f64 = 0.05;
    for row in rows("limits.md", "seen") {
        let (rate, conversion) = (number(&row[0]), number(&row[1]));
        let round = conversion + 100.0;
        let between = ((1e6 / rate / round).floor() + 1.0) * round;
        check(
            &row,
            &[
                rate,
                conversion,
                round,
                rate * conversion / 1e6 * 100.0,
                between - conversion,
                between + conversion,
                noise_v(conversion) * 1e6,
                noise_v(conversion) / OHM * 1e3,
            ],
        );
    }
}

#[test]
fn discharge() {
    for row in rows("cautions.md", "discharge") {
        let (volts, farad, ohm) = (number(&row[0]), number(&row[1]) / 1e6, number(&row[2]));
        let time_constant_s = ohm * farad;
        check(
            &row,
            &[
                volts,
                farad * 1e6,
                ohm,
                time_constant_s,
                time_constant_s * volts.ln(),
                volts * volts / ohm,
                0.5 * farad * volts * volts,
            ],
        );
    }
}

#[test]
fn input_filter() {
    const CHIP_INPUT_OHM: f64 = 92e3;
    for row in rows("wiring.md", "filter") {
        let (ohm, microfarad) = (number(&row[0]), number(&row[1]));
        let corner_hz = 1.0 / (std::f64::consts::TAU * 2.0 * ohm * microfarad / 1e6);
        check(
            &row,
            &[
                ohm,
                microfarad,
                -2.0 * ohm / (CHIP_INPUT_OHM + 2.0 * ohm) * 100.0,
                corner_hz / 1e3,
            ],
        );
        assert!(ohm <= 100.0, "the data sheet allows 100 Ω");
    }
}

#[test]
fn thermistors() {
    // Vishay application note 29089, appendix, for 10 kΩ and B25/85 = 3977 K.
    const CURVE: [f64; 4] = [-14.633_72, 4_791.842, -115_334.0, -3_730_535.0];
    const SERIES_OHM: f64 = 1e4;
    const REFERENCE_V: f64 = 3.3;
    for row in rows("thermistors.md", "thermistors") {
        let celsius = number(&row[0]);
        let kelvin = celsius + 273.15;
        let [a, b, c, d] = CURVE;
        let ohm = 1e4 * (a + b / kelvin + c / kelvin.powi(2) + d / kelvin.powi(3)).exp();
        let slope_per_k = -(b / kelvin.powi(2) + 2.0 * c / kelvin.powi(3) + 3.0 * d / kelvin.powi(4));
        let code = 4_096.0 * ohm / (ohm + SERIES_OHM);
        let power_w = REFERENCE_V.powi(2) * ohm / (ohm + SERIES_OHM).powi(2);
        check(
            &row,
            &[
                celsius,
                ohm,
                code,
                4_096.0 / (code * (4_096.0 - code)) / -slope_per_k,
                power_w * 1e3,
                power_w / 7e-3,
                power_w / 3e-3,
            ],
        );
    }
}

#[test]
fn uncertainty_budgets() {
    for name in ["budget as built", "budget calibrated"] {
        let rows = rows("calibration.md", name);
        let (parts, sums) = rows.split_at(rows.len() - 2);
        let mut variance = 0.0;
        for part in parts {
            let standard = number(&part[1]) / 3_f64.sqrt();
            check(&part[2..], &[standard]);
            variance += standard * standard;
        }
        check(&sums[0][2..], &[variance.sqrt()]);
        check(&sums[1][2..], &[2.0 * variance.sqrt()]);
    }
}

/// `pins.rs` names a peripheral in each field, so a table of another wiring cannot pass.
#[test]
fn pins_are_those_of_the_image() {
    let image = text_of(&root().join("firmware/boards/pico/src/pins.rs"));
    let fields = [
        ("monitor_1", vec![4, 5], "monitor chip 1"),
        ("monitor_2", vec![6, 7], "monitor chip 2"),
        ("supply_relay", vec![14], "guard relay"),
        ("foot_switch", vec![15], "foot switch"),
        ("lamp", vec![25], "lamp"),
        ("thermistor_1", vec![26], "thermistor 1"),
        ("thermistor_2", vec![27], "thermistor 2"),
    ];
    let table = rows("wiring.md", "pins");
    let mut told = BTreeSet::new();
    for (field, pins, words) in fields {
        let start = format!("            {field}: ");
        let wired = image
            .lines()
            .find_map(|line| line.strip_prefix(&start))
            .unwrap_or_else(|| panic!("pins.rs has no {field}"));
        for pin in pins {
            assert!(
                wired.contains(&format!("PIN_{pin},")) || wired.contains(&format!("PIN_{pin})")),
                "{field} is wired to {wired}, the notes say {pin}"
            );
            let row = table
                .iter()
                .find(|row| row[0] == pin.to_string())
                .unwrap_or_else(|| panic!("wiring.md does not tell of GPIO {pin}"));
            assert!(row[2].contains(words), "GPIO {pin} is for {words}: {row:?}");
            told.insert(pin);
        }
    }
    assert_eq!(
        told.len(),
        table.len(),
        "wiring.md tells of a pin that is not checked"
    );
    assert!(image.contains("[50_000; CHANNELS]"), "the notes say 50 mΩ");
    assert!(image.contains("MONITOR_ADDRESS: u8 = 0x40"), "the notes say 40h");
}

fn files(folder: &Path, extension: &str) -> Vec<PathBuf> {
    let mut files: Vec<PathBuf> = fs::read_dir(folder)
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .filter(|path| path.extension().is_some_and(|found| found == extension))
        .collect();
    files.sort();
    assert!(!files.is_empty(), "{} has no .{extension}", folder.display());
    files
}

/// A heading as the address within a page that the usual renderers make of it.
fn anchor(heading: &str) -> String {
    heading
        .trim_start_matches('#')
        .trim()
        .to_lowercase()
        .chars()
        .filter_map(|letter| match letter {
            ' ' => Some('-'),
            '-' => Some('-'),
            other => other.is_alphanumeric().then_some(other),
        })
        .collect()
}

#[test]
fn links_lead_somewhere_and_every_page_sends_to_the_cautions() {
    let mut drawn = BTreeSet::new();
    for page in files(&notes(), "md") {
        let text = text_of(&page);
        let name = page.file_name().unwrap().to_string_lossy().into_owned();
        let targets: Vec<&str> = text
            .split("](")
            .skip(1)
            .map(|rest| rest.split(')').next().unwrap())
            .collect();
        let opening: String = text.lines().take(6).collect();
        assert!(
            name == "cautions.md" || opening.contains("](cautions.md)"),
            "{name} does not begin with the cautions"
        );
        for target in targets {
            let (file, place) = target.split_once('#').unwrap_or((target, ""));
            let path = if file.is_empty() {
                page.clone()
            } else {
                notes().join(file)
            };
            assert!(path.exists(), "{name} links to {target}, which is not there");
            if !place.is_empty() {
                assert!(
                    text_of(&path)
                        .lines()
                        .any(|line| line.starts_with('#') && anchor(line) == place),
                    "{name} links to {target}; no such heading"
                );
            }
            if file.starts_with("drawings/") {
                drawn.insert(path);
            }
        }
    }
    for drawing in files(&notes().join("drawings"), "svg") {
        assert!(drawn.contains(&drawing), "{} is on no page", drawing.display());
    }
}

/// Drawings must survive a grey printer: every colour is a grey, and what is written is text.
#[test]
fn drawings_are_grey_and_their_words_are_text() {
    for path in files(&notes().join("drawings"), "svg") {
        let drawing = text_of(&path);
        assert!(
            drawing.contains("<title>") && drawing.contains("<text"),
            "{}",
            path.display()
        );
        assert!(
            !drawing.contains("<image") && !drawing.contains("href"),
            "{}",
            path.display()
        );
        for paint in ["fill: ", "stroke: "] {
            for colour in drawing.split(paint).skip(1) {
                let colour = colour.split([';', ' ']).next().unwrap();
                let grey = match colour.strip_prefix('#') {
                    Some(digits) if digits.len() == 3 => {
                        digits.bytes().all(|digit| digit == digits.as_bytes()[0])
                    }
                    Some(digits) => {
                        digits.len() == 6 && digits[..2] == digits[2..4] && digits[2..4] == digits[4..]
                    }
                    None => colour == "none",
                };
                assert!(grey, "{}: {paint}{colour}", path.display());
            }
        }
    }
}
