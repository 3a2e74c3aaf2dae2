//! Bytes between the USB serial port and the library's link: three tasks, so that a wake-up does the work of one.

use embassy_futures::select::{Either, select};
use embassy_time::{Duration, Timer};
use embassy_usb::class::cdc_acm::{ControlChanged, Receiver, Sender};
use embassy_usb::driver::EndpointError;
use heapless::Vec;
use steadybench_protocol::frame::FRAME_BYTES_MAX;

use crate::port::{PACKET_BYTES, UsbDriver};
use crate::shared::{Shared, board_time};

/// The sending side goes round at least this often, whether or not the host takes what is sent.
const ALIVE: Duration = Duration::from_millis(100);

/// The port was opened, by another program for all the board knows.
fn opened(shared: &Shared) {
    shared.link.borrow_mut().opened();
    shared.reopened.set(true);
    shared.sent.signal(());
}

/// Notes when a host opens or closes the port.
pub(crate) async fn watch_line(line: ControlChanged<'static>, shared: &'static Shared) -> ! {
    let mut open = false;
    loop {
        line.control_changed().await;
        if line.dtr() != open {
            open = !open;
            if open {
                opened(shared);
            } else {
                shared.heard.set(false);
            }
            shared.wake_link.signal(());
        }
    }
}

/// Carries out what the host sends.
pub(crate) async fn receive(mut receiver: Receiver<'static, UsbDriver>, shared: &'static Shared) -> ! {
    let mut packet = [0; PACKET_BYTES];
    loop {
        receiver.wait_connection().await;
        while let Ok(count) = receiver.read_packet(&mut packet).await {
            shared.heard.set(true);
            let mut bytes = packet.get(..count).unwrap_or_default();
            loop {
                shared.sent.reset();
                shared
                    .link
                    .borrow_mut()
                    .bytes_in(&shared.station, board_time(), &mut bytes);
                shared.wake_link.signal(());
                if bytes.is_empty() {
                    break;
                }
                shared.sent.wait().await;
            }
        }
        // The cable was pulled, or the host set the bus up anew.
        shared.heard.set(false);
        opened(shared);
    }
}

/// Sends what there is to say while a host listens.
pub(crate) async fn send(mut sender: Sender<'static, UsbDriver>, shared: &'static Shared) -> ! {
    let mut stream = Stream::new();
    loop {
        shared.link_alive.set(true);
        if shared.reopened.replace(false) {
            stream = Stream::new();
        }
        let listening = sender.dtr() || shared.heard.get();
        if !(listening && stream.fill(shared)) {
            select(shared.wake_link.wait(), Timer::after(ALIVE)).await;
            continue;
        }
        if write(&mut sender, &stream.packet, shared).await.is_err() {
            stream = Stream::new();
            select(sender.wait_connection(), Timer::after(ALIVE)).await;
        }
    }
}

/// Writes a packet as soon as the host has taken the one before; given up when the port is opened anew meanwhile.
async fn write(
    sender: &mut Sender<'static, UsbDriver>,
    packet: &[u8],
    shared: &'static Shared,
) -> Result<(), EndpointError> {
    loop {
        match select(sender.write_packet(packet), Timer::after(ALIVE)).await {
            Either::First(result) => return result,
            Either::Second(()) => shared.link_alive.set(true),
        }
        if shared.reopened.get() {
            return Ok(());
        }
    }
}

/// Frames, cut into packets that are full as long as there is something to send.
struct Stream {
    frame: Vec<u8, FRAME_BYTES_MAX>,
    /// So much of the frame is in packets.
    cut: usize,
    packet: Vec<u8, PACKET_BYTES>,
}

impl Stream {
    /// Begins with a delimiter: what the user before left half sent ends there and spoils nothing behind it.
    fn new() -> Self {
        Self {
            frame: Vec::from_iter([0]),
            cut: 0,
            packet: Vec::new(),
        }
    }

    /// Makes the next packet; `false` when there is none to send.
    ///
    /// A full packet tells the host that more follows; where nothing does, an empty one tells it otherwise.
    fn fill(&mut self, shared: &Shared) -> bool {
        let end_owed = self.packet.is_full();
        self.packet.clear();
        let mut link = shared.link.borrow_mut();
        while !self.packet.is_full() {
            if self.cut == self.frame.len() {
                let Some(frame) = link.next_frame(&shared.station, board_time()) else {
                    break;
                };
                self.cut = 0;
                self.frame.clear();
                // A frame is no longer than the longest.
                let _ = self.frame.extend_from_slice(frame);
                shared.sent.signal(());
            }
            let rest = self.frame.get(self.cut..).unwrap_or_default();
            let count = rest.len().min(PACKET_BYTES - self.packet.len());
            // As much as there is room for.
            let _ = self
                .packet
                .extend_from_slice(rest.get(..count).unwrap_or_default());
            self.cut += count;
        }
        end_owed || !self.packet.is_empty()
    }
}
