//! One board: its port, its conversation, its records.

use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use steadybench_protocol::{Configure, Hello, ToBoard};
use steadybench_virtual::VirtualBench;
use tokio::sync::{mpsc, oneshot};

use crate::clock::HostTime;
use crate::exit::Exit;
use crate::fault::Fault;
use crate::link::{Link, LinkEvent, SetUp};
use crate::live::{Analyst, Hub, LiveBoard};
use crate::port::{Connection, Incoming, Line, PortAddress, open, open_bench_again};
use crate::recorder::{BoardIntroduction, HostMarkKind, Record, RecordSink, Stamp, serial_digits};
use crate::stream::refusal_words;

use super::faults;
use super::frames::FrameCutter;
use super::guard::GuardOptions;
use super::showing::Showing;

/// A port that was lost is looked for this often.
const REOPEN_PERIOD: Duration = Duration::from_millis(500);

/// Records held back until it is known whose they are: the last ones of so many, some minutes' worth.
const HELD_MAX: usize = 16_384;

/// How a board is to measure and guard.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct BoardSettings {
    /// Rate, conversion time, range.
    pub configure: Configure,
    /// Limits of the guard.
    pub guard: GuardOptions,
}

/// What the operator wants of a board.
#[derive(Debug)]
pub enum Command {
    /// Mark this instant.
    Mark {
        /// When it was said.
        at: Stamp,
        /// As what.
        kind: HostMarkKind,
        /// The place, the load, or the note.
        label: String,
    },
    /// Close the supply relay again.
    Rearm,
    /// Stop, be set up anew and measure; what comes is held for the files of a run that are still to be made.
    Begin {
        /// How to measure and guard.
        settings: BoardSettings,
        /// Where the board's introduction goes once it measures.
        ready: oneshot::Sender<Result<BoardIntroduction, Fault>>,
    },
    /// Give what is held and all to come to the recorder, and the readings to the analyst.
    Record(RecordSink, Box<Analyst>),
    /// Stop measuring and let go of the recorder; then measure on as before with nothing recorded.
    Finish(oneshot::Sender<()>),
    /// Stop measuring; the station ends.
    Stop,
}

/// One board being served.
#[derive(Debug)]
pub struct Station {
    address: PortAddress,
    /// The USB serial number of the run's board, where its port has one.
    usb_serial: Option<String>,
    /// The virtual bench of the run, where its port is one.
    bench: Option<Arc<VirtualBench>>,
    settings: BoardSettings,
    start: Instant,
    line: Option<Line>,
    link: Link,
    cutter: FrameCutter,
    showing: Showing,
    sink: Option<RecordSink>,
    /// Records of a board that has not said yet who it is, or of a run whose files are not made yet.
    held: Option<Vec<Record>>,
    introduction: Option<BoardIntroduction>,
    refused_serial: Option<[u8; 8]>,
    reopen_at: Duration,
    /// The name its port had when it was opened last.
    port: String,
    stopping: bool,
}

impl Station {
    /// Opens the port and has the board measure. Nothing is written yet; records are held in memory until
    /// [`Self::record_to`].
    ///
    /// # Errors
    /// Whatever is wrong with the port or the board, with its remedy and its exit code.
    pub async fn bring_up(
        address: PortAddress,
        settings: BoardSettings,
        start: Instant,
        hub: Arc<Hub>,
    ) -> Result<Self, Fault> {
        let mut station = Self {
            showing: Showing::new(address.to_string(), Some(start), hub),
            address,
            usb_serial: None,
            bench: None,
            settings,
            start,
            line: None,
            link: Link::new(start.elapsed()),
            cutter: FrameCutter::default(),
            sink: None,
            held: Some(Vec::new()),
            introduction: None,
            refused_serial: None,
            reopen_at: Duration::ZERO,
            port: String::new(),
            stopping: false,
        };
        station.open_port().await?;
        station.converse().await?;
        Ok(station)
    }

    /// Asks who is there and has the board measure.
    async fn converse(&mut self) -> Result<(), Fault> {
        self.link = Link::new(self.now());
        loop {
            self.send_messages();
            let incoming = self.wait().await;
            self.take_incoming(incoming);
            while let Some(event) = self.link.next_event() {
                match event {
                    LinkEvent::Greeted { hello, .. } => self.meet(&hello)?,
                    LinkEvent::Started => return Ok(()),
                    other => return Err(faults::of_event(&self.address, &other)),
                }
            }
            if self.line.is_none() {
                return Err(Fault::new(
                    Exit::NoPort,
                    format!("port {}", self.address),
                    "it was closed before the board had answered",
                )
                .remedy("see that the board stays plugged in and nothing resets it, then try again"));
            }
        }
    }

    /// Has the board stop and waits until it has sent all it had, or the line is gone, or it is silent.
    async fn halt(&mut self) {
        if self.line.is_none() {
            return;
        }
        self.link.stop(self.now());
        while self.line.is_some() {
            self.send_messages();
            let incoming = self.wait().await;
            self.take_incoming(incoming);
            while let Some(event) = self.link.next_event() {
                match event {
                    LinkEvent::Stopped | LinkEvent::Silent { .. } | LinkEvent::OtherVersion(_) => return,
                    // A board that started anew meanwhile has stopped already.
                    LinkEvent::Greeted { .. } => return,
                    LinkEvent::Started | LinkEvent::Refused(_) => {}
                }
            }
        }
    }

    /// Begins anew on the same port, as for a new run: another stream, another acquaintance.
    async fn begin(&mut self, settings: BoardSettings) -> Result<BoardIntroduction, Fault> {
        self.halt().await;
        self.settings = settings;
        self.forget();
        self.held = Some(Vec::new());
        let begun = async {
            if self.line.is_none() {
                self.open_port().await?;
            } else {
                let (at, port) = (self.stamp(), self.port.clone());
                self.record(Record::Opened { at, port });
            }
            self.converse().await
        };
        if let Err(fault) = begun.await {
            self.stand_by(false).await;
            return Err(fault);
        }
        self.introduction.clone().ok_or_else(|| {
            Fault::new(
                Exit::Failed,
                format!("port {}", self.address),
                "the board did not introduce itself",
            )
        })
    }

    /// Goes on measuring with nothing recorded, from the beginning where `anew`. A board that does not answer is looked
    /// for as any that was unplugged.
    async fn stand_by(&mut self, anew: bool) {
        if anew {
            self.forget();
        }
        self.sink = None;
        self.showing.examine_by(None);
        self.held = None;
        let up = self.line.is_some() && anew && self.converse().await.is_ok();
        if !up {
            self.close_line();
            self.reopen_at = self.now() + REOPEN_PERIOD;
        }
        self.set_measuring(up);
    }

    /// Forgets the run before: its stream, its events, its board.
    fn forget(&mut self) {
        self.showing.forget();
        self.introduction = None;
        self.refused_serial = None;
    }

    /// Who the board is; `None` before it has said so.
    #[must_use]
    pub const fn introduction(&self) -> Option<&BoardIntroduction> {
        self.introduction.as_ref()
    }

    /// Its present state, for whoever watches.
    #[must_use]
    pub fn live(&self) -> Arc<Mutex<LiveBoard>> {
        self.showing.live()
    }

    /// Gives the records so far, and all to come, to the recorder; the readings to the analyst.
    pub fn record_to(&mut self, mut sink: RecordSink, analyst: Box<Analyst>) {
        sink.bring_events();
        self.sink = Some(sink);
        self.showing.examine_by(Some(analyst));
        self.release();
        self.set_measuring(true);
    }

    /// Serves the board until it is told to stop. Ends with the recorder's sink flushed.
    pub async fn run(mut self, mut commands: mpsc::Receiver<Command>) {
        loop {
            self.send_messages();
            let incoming = tokio::select! {
                command = commands.recv(), if !self.stopping => {
                    // Whoever could give commands is gone: so is the run.
                    let ended = self.obey(command.unwrap_or(Command::Stop)).await;
                    if ended { break } else { continue }
                }
                incoming = self.wait() => incoming,
            };
            self.take_incoming(incoming);
            if self.line.is_none() && !self.stopping {
                self.reopen().await;
            }
            let mut stopped = self.stopping && self.line.is_none();
            while let Some(event) = self.link.next_event() {
                stopped |= self.heed(event);
            }
            self.publish();
            if stopped {
                break;
            }
        }
        self.close_line();
        self.finish_recording();
        self.set_measuring(false);
    }

    /// Stops a board whose run is not going to begin.
    pub async fn dismiss(self) {
        let (sender, receiver) = mpsc::channel(1);
        drop(sender);
        self.run(receiver).await;
    }

    fn now(&self) -> Duration {
        self.start.elapsed()
    }

    fn stamp(&self) -> Stamp {
        HostTime::now(self.start).into()
    }

    async fn open_port(&mut self) -> Result<(), Fault> {
        let address = self.address.clone();
        let (usb_serial, bench) = (self.usb_serial.clone(), self.bench.clone());
        let opened = tokio::task::spawn_blocking(move || open_again(&address, usb_serial, bench)).await;
        let connection = opened
            .map_err(|error| Fault::new(Exit::Failed, "the opening of a port", error.to_string()))??;
        let port = connection.name.clone();
        self.port.clone_from(&port);
        if self.usb_serial.is_none() {
            self.usb_serial.clone_from(&connection.usb_serial);
        }
        self.bench.clone_from(&connection.bench);
        let line = Line::start(connection, self.start)
            .map_err(|error| Fault::new(Exit::Failed, format!("port {port}"), error.to_string()))?;
        self.line = Some(line);
        self.cutter = FrameCutter::default();
        let at = self.stamp();
        self.record(Record::Opened { at, port });
        Ok(())
    }

    /// Waits for the line or the link's deadline, whichever is first; `None` is the deadline. Cancelling it loses
    /// nothing.
    async fn wait(&mut self) -> Option<Incoming> {
        let now = self.now();
        match &mut self.line {
            Some(line) => {
                let deadline = self.link.next_deadline().saturating_sub(now);
                match tokio::time::timeout(deadline.min(Duration::from_secs(60)), line.next()).await {
                    Ok(Some(incoming)) => Some(incoming),
                    Ok(None) => Some(Incoming::Closed {
                        at: HostTime::now(self.start),
                        reason: "the line ended".into(),
                    }),
                    // A task that has taken much at once is told that there is nothing, to let others have their turn.
                    Err(_) => line.waiting(),
                }
            }
            None => {
                tokio::time::sleep(self.reopen_at.saturating_sub(now)).await;
                None
            }
        }
    }

    fn take_incoming(&mut self, incoming: Option<Incoming>) {
        // What has come and waits to be taken is no silence, however late this task is: until there is nothing more to
        // take, its time is that of what it takes.
        let mut now = self.now();
        match incoming {
            None => {}
            Some(Incoming::TimeSent { number, at }) => {
                now = Duration::from_nanos(at.monotonic_ns);
                let at = at.into();
                self.record(Record::TimeSent { number, at });
            }
            Some(Incoming::Bytes { at, bytes }) => {
                now = Duration::from_nanos(at.monotonic_ns);
                self.take_bytes(at, &bytes);
            }
            Some(Incoming::Closed { at, reason }) => {
                let rest = self.cutter.end();
                self.record_received(at, rest, false);
                self.lose_line(at, reason);
            }
        }
        if self.line.is_some() {
            self.link.tick(now);
        }
    }

    fn take_bytes(&mut self, at: HostTime, bytes: &[u8]) {
        let frames = self.cutter.take(bytes);
        self.link.receive(Duration::from_nanos(at.monotonic_ns), bytes);
        let key = self.link.took_key_message();
        self.record_received(at, frames, key);
    }

    fn record_received(&mut self, at: HostTime, bytes: Vec<u8>, key: bool) {
        if !bytes.is_empty() {
            self.record(Record::received(at, bytes, key));
        }
    }

    /// Records, or holds back until it is known whose it is.
    fn record(&mut self, record: Record) {
        match &mut self.held {
            Some(held) => {
                if held.len() < HELD_MAX || !record.may_be_lost() {
                    held.push(record);
                }
            }
            None => self.commit(record),
        }
    }

    fn commit(&mut self, record: Record) {
        let found = self.showing.take(&record);
        if let Some(sink) = &mut self.sink {
            sink.push(record);
        }
        self.showing.tell(found, self.sink.as_mut());
    }

    /// The run is over: what the detector has under way is told as it stands, and the recorder has all there is.
    fn finish_recording(&mut self) {
        let Some(sink) = &mut self.sink else { return };
        self.showing.finish(sink);
        // The recorder may have to wait for its disk.
        tokio::task::block_in_place(|| sink.finish());
    }

    fn release(&mut self) {
        for record in self.held.take().unwrap_or_default() {
            self.commit(record);
        }
    }

    fn send_messages(&mut self) {
        while let Some(message) = self.link.next_message() {
            let Some(line) = &self.line else { continue };
            let is_time_request = matches!(message, ToBoard::TimeRequest(_));
            let body = postcard::to_stdvec(&message).unwrap_or_default();
            // A line that takes no more has a far end that does not read; the link's time-out deals with it.
            if line.send(message) && !is_time_request {
                let at_ns = self.stamp().monotonic_ns;
                self.record(Record::Sent { at_ns, body });
            }
        }
    }

    /// Takes up the acquaintance: the first board of the port is the run's, any other is refused.
    fn meet(&mut self, hello: &Hello) -> Result<(), Fault> {
        if let Some(known) = &self.introduction
            && known.hello.board_serial != hello.board_serial
        {
            return Err(faults::another_board(&known.hello, hello));
        }
        let guard = self
            .settings
            .guard
            .limits(&with_settings(hello, &self.settings.configure))?;
        // Who it is is known from here on; its first recorded hello comes later.
        self.lock_live().serial = serial_digits(hello);
        self.introduction.get_or_insert_with(|| BoardIntroduction {
            port: self.address.to_string(),
            hello: with_settings(hello, &self.settings.configure),
            guard: self.settings.guard.words(),
        });
        let set_up = SetUp {
            configure: self.settings.configure,
            guard,
        };
        self.link.set_up(self.now(), set_up);
        Ok(())
    }

    /// Obeys the operator; true when the station is to end at once.
    async fn obey(&mut self, command: Command) -> bool {
        let now = self.now();
        match command {
            Command::Mark { at, kind, label } => {
                // A mark is the run's, whatever stands on the port.
                self.commit(Record::HostMark { at, kind, label });
                self.publish();
            }
            Command::Rearm => self.link.command(now, ToBoard::Rearm),
            Command::Begin { settings, ready } => {
                let begun = self.begin(settings).await;
                if let Err(Ok(_)) = ready.send(begun) {
                    // Whoever asked is gone, and no files are going to be made.
                    self.stand_by(true).await;
                }
            }
            Command::Record(sink, analyst) => self.record_to(sink, analyst),
            Command::Finish(done) => {
                self.halt().await;
                self.finish_recording();
                self.sink = None;
                self.showing.examine_by(None);
                let _ = done.send(());
                self.stand_by(true).await;
            }
            Command::Stop => {
                self.stopping = true;
                if self.line.is_none() || self.held.is_some() && self.sink.is_some() {
                    return true;
                }
                self.link.stop(now);
            }
        }
        false
    }

    /// Acts on what became of the conversation; true when the station is to end.
    fn heed(&mut self, event: LinkEvent) -> bool {
        match event {
            LinkEvent::Greeted { hello, goes_on } => self.greeted(&hello, goes_on),
            LinkEvent::Started => self.set_measuring(true),
            LinkEvent::Stopped => return true,
            LinkEvent::Refused(refusal) if self.link.is_running() => {
                let words = format!(
                    "{:?} was refused: {}",
                    refusal.command,
                    refusal_words(refusal.reason)
                );
                self.lock_live().say(&words);
            }
            LinkEvent::OtherVersion(_) | LinkEvent::Silent { .. } | LinkEvent::Refused(_) => {
                if self.stopping {
                    return true;
                }
                let reason = faults::of_event(&self.address, &event)
                    .to_string()
                    .replace('\n', ";");
                let at = HostTime::now(self.start);
                self.lose_line(at, reason);
            }
        }
        false
    }

    fn greeted(&mut self, hello: &Hello, goes_on: bool) {
        let mut known = self.introduction.as_ref().map(|known| known.hello.board_serial);
        if self.sink.is_none() && known != Some(hello.board_serial) {
            // Nothing is recorded, so whichever board stands here is the one that is shown.
            self.forget();
            known = Some(hello.board_serial);
        }
        if known == Some(hello.board_serial) {
            self.refused_serial = None;
            self.lock_live().another_board = false;
            self.release();
            if goes_on {
                self.set_measuring(true);
            } else if let Err(fault) = self.meet(hello) {
                self.lock_live().say(&fault.to_string());
            }
            return;
        }
        // Nothing of another board is let into the run.
        self.held = Some(Vec::new());
        self.close_line();
        self.reopen_at = self.now() + REOPEN_PERIOD;
        if self.refused_serial != Some(hello.board_serial) {
            self.refused_serial = Some(hello.board_serial);
            if let Some(known) = &self.introduction {
                let reason = faults::another_board(&known.hello, hello)
                    .to_string()
                    .replace('\n', ";");
                let at = self.stamp();
                self.commit(Record::Closed { at, reason });
            }
        }
        self.lock_live().another_board = true;
    }

    fn lose_line(&mut self, at: HostTime, reason: String) {
        let was_known = self.held.is_none();
        self.close_line();
        self.reopen_at = self.now() + REOPEN_PERIOD;
        if was_known {
            let at = at.into();
            self.commit(Record::Closed { at, reason });
        }
        // Until the board has said who it is again, what comes may be another's.
        if self.sink.is_some() {
            self.held = Some(Vec::new());
        }
        self.set_measuring(false);
    }

    fn close_line(&mut self) {
        if let Some(line) = self.line.take() {
            // Closing waits for both threads, up to the time-out of a read.
            tokio::task::block_in_place(|| drop(line));
        }
    }

    async fn reopen(&mut self) {
        if self.now() < self.reopen_at {
            return;
        }
        self.reopen_at = self.now() + REOPEN_PERIOD;
        if self.open_port().await.is_ok() {
            self.link.opened(self.now());
        }
    }

    fn lock_live(&self) -> std::sync::MutexGuard<'_, LiveBoard> {
        self.showing.lock_live()
    }

    fn set_measuring(&self, measuring: bool) {
        self.lock_live().measuring = measuring;
    }

    fn publish(&self) {
        self.showing.publish();
    }
}

/// Opens the port; one that was open before by its USB serial number first, since its device may have another name now,
/// and another board's the one it had.
fn open_again(
    address: &PortAddress,
    usb_serial: Option<String>,
    bench: Option<Arc<VirtualBench>>,
) -> Result<Connection, Fault> {
    if let Some(bench) = bench {
        return open_bench_again(bench);
    }
    match usb_serial.map(|number| open(&PortAddress::UsbSerial(number))) {
        Some(Ok(connection)) => Ok(connection),
        Some(Err(_)) | None => open(address),
    }
}

/// The hello as it will be once the board is configured: limits are in the codes of the range asked for.
pub(super) fn with_settings(hello: &Hello, configure: &Configure) -> Hello {
    let mut hello = hello.clone();
    hello.reading_period_us = configure.reading_period_us;
    for channel in &mut hello.channels {
        channel.conversion_time = configure.conversion_time;
        channel.shunt_range = configure.shunt_range;
        channel.current_step_pv = configure.shunt_range.step_pv();
    }
    hello
}
