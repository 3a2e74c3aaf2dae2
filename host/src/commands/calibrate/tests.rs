use super::*;
use crate::recorder::testing::hello;

#[test]
fn a_page_tells_where_it_is_kept_what_was_off_and_what_is_left() {
    let mut calibration = store::as_built(&hello(1), jiff::civil::date(2026, 3, 1));
    calibration.reference = "bench meter, 0.1 %".to_owned();
    let channel = &mut calibration.channels[0];
    (channel.current_gain, channel.current_gain_uncertainty) = (1.004, Some(6e-4));
    let setting = MonitorSetting {
        range: ShuntRange::Wide,
        conversion_time_us: 540,
        averages: 1,
    };
    let budget = channel
        .current_budget(&setting, CodeReading::single(32_000.0), 25.0)
        .unwrap();
    let mut found = found(
        calibration,
        vec![Residual {
            what: "runs/0003-free".to_owned(),
            unit: "A",
            reference: 1.0,
            before: -0.004,
            after: 0.0,
        }],
        vec![budget],
    );
    found.kept_in = "0707070707070707.toml".to_owned();
    let page = words::of(&found);
    assert!(
        page.starts_with("Board 0707070707070707, calibrated 2026-03-01 against bench meter, 0.1 %\n"),
        "{page}"
    );
    for part in [
        "kept in 0707070707070707.toml",
        "runs/0003-free  1.0000 A   -4.00 mA  0 A",
        "proves nothing",
        "the zero of channel 1 was not measured",
        "measured gain",
        "noise of one reading",
    ] {
        assert!(page.contains(part), "{part}: {page}");
    }
    assert!(!page.contains("is read by its calibration"), "{page}");
}
