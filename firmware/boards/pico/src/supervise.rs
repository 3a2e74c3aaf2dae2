//! The lamp, and the watchdog that is fed only while both loops go round.

use embassy_rp::gpio::{Level, Output};
use embassy_rp::watchdog::Watchdog;
use embassy_time::{Duration, Timer};
use steadybench_firmware::Access;

use crate::shared::{Shared, board_time};

/// Between two looks; a quarter of the lamp's shortest blink.
const INTERVAL: Duration = Duration::from_millis(20);

/// Both loops must go round within this time. The sampler takes 10 ms at its slowest, the link 100 ms.
const LIMIT: Duration = Duration::from_millis(500);

pub(crate) async fn attend(mut lamp: Output<'static>, mut watchdog: Watchdog, shared: &'static Shared) -> ! {
    watchdog.pause_on_debug(true);
    watchdog.start(LIMIT);
    loop {
        let now = board_time();
        lamp.set_level(Level::from(shared.station.with(|station| station.lamp_lit(now))));
        if shared.sampler_alive.get() && shared.link_alive.get() {
            shared.sampler_alive.set(false);
            shared.link_alive.set(false);
            watchdog.feed(LIMIT);
        }
        Timer::after(INTERVAL).await;
    }
}
