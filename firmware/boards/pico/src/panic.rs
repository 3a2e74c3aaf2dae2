//! What happens when the program finds itself wrong: the supply relay opens at once, the reason goes to the log, the
//! chip starts anew. A processor fault stops the program instead; then the watchdog starts the chip anew, and its
//! reset lets the relay's pin float, which opens the relay too.

use core::panic::PanicInfo;

use embassy_rp::pac;

use crate::pins::SUPPLY_RELAY;

#[panic_handler]
fn panic(info: &PanicInfo<'_>) -> ! {
    pac::SIO.gpio_out(0).value_clr().write_value(1 << SUPPLY_RELAY);
    defmt::error!("{}", defmt::Display2Format(info));
    // Everything but the two oscillators (RP2040 data sheet, section 4.7), as the watchdog itself was set.
    pac::PSM.wdsel().write_value(pac::psm::regs::Wdsel(0x0001_fffc));
    pac::WATCHDOG.ctrl().write(|w| w.set_trigger(true));
    loop {
        cortex_m::asm::nop();
    }
}
