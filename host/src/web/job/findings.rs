//! What was found in a run, in one line, from the `findings.json` that was kept when the run was closed.

use std::path::Path;

use serde_json::Value;

use crate::examine::words::{bounded, duration};
use crate::recorder::kept_findings;

/// The line of a board's recording; `None` where no findings are kept, or nobody can read them.
pub(super) fn line_of(board: &Path) -> Option<String> {
    let kept = kept_findings(board).ok()??;
    let file: Value = serde_json::from_slice(&kept).ok()?;
    words(file["examined_as"].as_str()?, &file["findings"])
}

fn words(examined_as: &str, found: &Value) -> Option<String> {
    match examined_as {
        "tap" => tap(found),
        "soak" => soak(found),
        "power-up" => power_up(found),
        "twins" => twins(found),
        _ => None,
    }
}

fn list(value: &Value) -> &[Value] {
    value.as_array().map_or(&[], Vec::as_slice)
}

fn figure(holder: &Value, [value, low, high]: [&str; 3], unit: &str) -> Option<String> {
    let value = holder[value].as_f64()?;
    Some(bounded(value, holder[low].as_f64(), holder[high].as_f64(), unit))
}

fn tap(found: &Value) -> Option<String> {
    let places = list(&found["locations"]);
    let of = |verdict: &str| -> Vec<String> {
        let those = places.iter().filter(|place| place["verdict"] == verdict);
        those
            .filter_map(|place| {
                let (label, hits, taps) = (place["label"].as_str()?, &place["hits"], &place["taps"]);
                Some(format!("{label} ({hits} of {taps} taps answered)"))
            })
            .collect()
    };
    let (accused, suspect, cleared) = (of("accused"), of("suspect"), of("cleared"));
    if !accused.is_empty() {
        return Some(format!("this joint: {}", accused.join(", ")));
    }
    if !suspect.is_empty() {
        return Some(format!("suspect, tap it more: {}", suspect.join(", ")));
    }
    Some(match (places.len(), cleared.len()) {
        (0, _) => "nothing was tapped".to_owned(),
        (places, cleared) => format!("no place accused; {cleared} of {places} cleared"),
    })
}

fn soak(found: &Value) -> Option<String> {
    let channels: Vec<String> = list(&found["drift"])
        .iter()
        .filter_map(|channel| {
            let word = channel["standing"]["word"].as_str()?.replace('-', " ");
            let settled = channel["settled_ci_A"].as_array().and_then(|ends| {
                let [low, high] = [ends.first()?.as_f64(), ends.get(1)?.as_f64()];
                Some(bounded(channel["settled_A"].as_f64()?, low, high, "A"))
            });
            let value = settled
                .filter(|_| word.starts_with("settle") || word.starts_with("settling"))
                .map_or(String::new(), |settled| format!(", {settled}"));
            Some(format!("channel {}: {word}{value}", channel["channel"]))
        })
        .collect();
    let faults = list(&found["short_events"])
        .iter()
        .filter(|event| event["kind"] != "nuisance" && event["kind"] != "load_change")
        .count();
    let faults = match faults {
        0 => String::new(),
        1 => "; 1 short fault".to_owned(),
        several => format!("; {several} short faults"),
    };
    let told = match channels.len() {
        0 => "not enough data".to_owned(),
        _ => channels.join("; "),
    };
    Some(told + &faults)
}

fn power_up(found: &Value) -> Option<String> {
    let channels: Vec<String> = list(&found["inrush"])
        .iter()
        .filter_map(|inrush| {
            let peak = inrush["peak_A"].as_f64()?;
            let least = if inrush["peak_is_at_least"] == true {
                "at least "
            } else {
                ""
            };
            let settled = figure(inrush, ["settled_A", "settled_low_A", "settled_high_A"], "A")
                .map_or("not settled".to_owned(), |settled| {
                    format!("settled at {settled}")
                });
            let peak = bounded(peak, None, None, "A");
            Some(format!(
                "channel {}: peak {least}{peak}, {settled}",
                inrush["channel"]
            ))
        })
        .collect();
    Some(match channels.len() {
        0 => "no switch-on was seen".to_owned(),
        _ => channels.join("; "),
    })
}

fn twins(found: &Value) -> Option<String> {
    let compare = &found["compare"];
    if compare.is_null() {
        return Some("not enough data".to_owned());
    }
    let word = compare["standing"]["word"].as_str()?.replace('-', " ");
    let difference = figure(compare, ["difference_A", "ci_low", "ci_high"], "A")?;
    let over = found["duration_s"]
        .as_f64()
        .map_or(String::new(), |length_s| format!(", over {}", duration(length_s)));
    Some(format!("{word}: difference {difference}{over}"))
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;

    #[test]
    fn each_kind_has_its_line() {
        let place = |label: &str, verdict: &str, hits: u32| json!({"label": label, "verdict": verdict, "hits": hits, "taps": 9});
        let tap = |places: Value| words("tap", &json!({ "locations": places })).unwrap();
        assert_eq!(
            tap(json!([place("J2", "cleared", 0), place("bridge", "accused", 8)])),
            "this joint: bridge (8 of 9 taps answered)"
        );
        assert_eq!(
            tap(json!([
                place("J2", "cleared", 0),
                place("J3", "not_enough_taps", 0)
            ])),
            "no place accused; 1 of 2 cleared"
        );
        assert_eq!(tap(json!([])), "nothing was tapped");
        let drift = json!([
            {"channel": 1, "standing": {"word": "settled"}, "settled_A": 0.09061, "settled_ci_A": [0.09041, 0.09085]},
            {"channel": 2, "standing": {"word": "not-enough-data", "more_min": 9.0}, "settled_A": null, "settled_ci_A": null},
        ]);
        assert_eq!(
            words(
                "soak",
                &json!({"drift": drift, "short_events": [{"kind": "dropout"}, {"kind": "nuisance"}]})
            )
            .unwrap(),
            "channel 1: settled, 90.61 mA (90.41 to 90.85 mA); channel 2: not enough data; 1 short fault"
        );
        let inrush = json!([{"channel": 1, "peak_A": 1.869, "peak_is_at_least": true, "settled_A": 0.0855,
            "settled_low_A": 0.0854, "settled_high_A": 0.0856}]);
        assert_eq!(
            words("power-up", &json!({ "inrush": inrush })).unwrap(),
            "channel 1: peak at least 1.87 A, settled at 85.500 mA (85.400 to 85.600 mA)"
        );
        assert_eq!(
            words("power-up", &json!({"inrush": []})).unwrap(),
            "no switch-on was seen"
        );
        let compare = json!({"difference_A": -0.1825, "ci_low": -0.1827, "ci_high": -0.1823, "standing": {"word": "differs"}});
        assert_eq!(
            words("twins", &json!({"compare": compare, "duration_s": 9.1})).unwrap(),
            "differs: difference -182.50 mA (-182.70 to -182.30 mA), over 9.1 s"
        );
        // Of another version, or damaged: no line, and no panic.
        assert_eq!(words("pressure", &json!({"drift": [3, null]})), None);
        assert_eq!(words("twins", &json!({"compare": 3})), None);
        // Too short for anything.
        for (kind, found) in [
            ("soak", json!({"drift": []})),
            ("twins", json!({"compare": null})),
        ] {
            assert_eq!(words(kind, &found).unwrap(), "not enough data");
        }
    }
}
