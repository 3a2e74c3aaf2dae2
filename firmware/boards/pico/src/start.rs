//! Why the chip started, how often, and under which identity: read once at the start.

use embassy_rp::Peri;
use embassy_rp::clocks::RoscRng;
use embassy_rp::flash::Flash;
use embassy_rp::pac;
use embassy_rp::peripherals::FLASH;
use embassy_rp::watchdog::Watchdog;
use steadybench_protocol::ResetCause;

use crate::pins::FLASH_BYTES;

/// Scratch register that counts the starts; it survives every reset but the loss of power and the reset pin, which
/// clear it. The boot ROM uses numbers 4 to 7 (RP2040 data sheet, section 2.8.1.1).
const COUNT: usize = 0;

/// Why the chip started. The chip cannot tell a brown-out from power applied.
pub(crate) fn reset_cause(watchdog: &Watchdog) -> ResetCause {
    if watchdog.reset_reason().is_some() {
        return ResetCause::Watchdog;
    }
    let cause = pac::VREG_AND_CHIP_RESET.chip_reset().read();
    if cause.had_run() || cause.had_psm_restart() {
        ResetCause::External
    } else if cause.had_por() {
        ResetCause::PowerOn
    } else {
        ResetCause::Unknown
    }
}

/// Counts this start and gives the count since power was applied.
pub(crate) fn count_start(watchdog: &mut Watchdog) -> u32 {
    let count = watchdog.get_scratch(COUNT).saturating_add(1);
    watchdog.set_scratch(COUNT, count);
    count
}

/// A number that tells this start from others: bits of the ring oscillator, which is good for that and for no secret.
pub(crate) fn boot_nonce() -> u32 {
    RoscRng.next_u32()
}

/// The flash chip's identity, which no two boards share. All zeros when the flash chip has none.
pub(crate) fn board_serial(flash: Peri<'static, FLASH>) -> [u8; 8] {
    let mut serial = [0; 8];
    let mut flash = Flash::<_, _, FLASH_BYTES>::new_blocking(flash);
    match flash.blocking_unique_id(&mut serial) {
        Ok(()) => serial,
        Err(_) => [0; 8],
    }
}
