//! The virtual board in real time, on a thread of its own, behind a pseudo-terminal or a network port.
//!
//! The board's ticks follow the wall clock without ever being late: when the thread oversleeps, the missed ticks are run
//! at their own instants as soon as it wakes, because the microcontroller that is modelled was not asleep. What arrives
//! from the host is stamped with the instant it was found.

#[cfg(unix)]
mod pty;
mod tcp;

use std::io;
use std::net::SocketAddr;
use std::path::PathBuf;
use std::sync::mpsc::{Receiver, Sender, TryRecvError, channel};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::{self, JoinHandle};
use std::time::{Duration, Instant};

use steadybench_protocol::ResetCause;

use crate::board::{UnknownPlace, VirtualBoard};
use crate::scenario::Scenario;

/// While so many bytes wait for the host the board's own buffer fills.
const ROOM_BYTES: usize = 16 * 1024;

/// The thread looks at its commands at least this often.
const LONGEST_WAIT: Duration = Duration::from_millis(2);

/// What the host's end of the port is. Reading and writing never wait.
trait HostLine: Send {
    /// Where the host finds it.
    fn address(&self) -> PortName;
    /// Whether it can be found.
    fn is_present(&self) -> bool;
    /// Whether a host has it open.
    fn is_open(&mut self) -> bool;
    /// Takes what has come; 0 when nothing has.
    fn read(&mut self, buffer: &mut [u8]) -> usize;
    /// Gives what fits.
    fn write(&mut self, bytes: &[u8]) -> usize;
    /// Returns when something has come or after `longest`.
    fn wait(&mut self, longest: Duration);
    /// The cable is pulled.
    fn withdraw(&mut self);
    /// The cable is put back.
    fn restore(&mut self) -> io::Result<()>;
}

/// Where a host finds the port.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum PortName {
    /// A serial device.
    Device(PathBuf),
    /// A network port.
    Tcp(SocketAddr),
}

impl std::fmt::Display for PortName {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Device(path) => path.display().fmt(f),
            Self::Tcp(address) => write!(f, "tcp:{address}"),
        }
    }
}

/// Which specimen, and how fast.
#[derive(Clone, Debug, PartialEq)]
pub struct BenchOptions {
    /// Draws tolerances, noise and luck.
    pub seed: u64,
    /// Which of several boards of that seed, as two benches at once need them: told by its serial number alone.
    pub board_number: u8,
    /// Bench seconds in a second of the wall clock; 1 is real time. With another speed a host that compares the board's
    /// clock with its own finds it fast or slow by that factor, so to compress hours run [`VirtualBoard`] in process.
    pub speed: f64,
    /// A name for the device that stays when the cable is pulled and put back: a symbolic link, made and removed.
    pub device_link: Option<PathBuf>,
}

impl Default for BenchOptions {
    fn default() -> Self {
        Self {
            seed: 1,
            board_number: 0,
            speed: 1.0,
            device_link: None,
        }
    }
}

/// The bench's thread has ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
#[error("the virtual bench has stopped")]
pub struct BenchStopped;

type Task = Box<dyn FnOnce(&mut Live) + Send>;

/// A virtual board that runs by itself. Dropping it ends the bench and takes the port away.
#[derive(Debug)]
pub struct VirtualBench {
    tasks: Option<Sender<Task>>,
    thread: Option<JoinHandle<()>>,
    port: Arc<Mutex<PortName>>,
    pace: Pace,
}

/// Wall clock to bench time.
#[derive(Clone, Copy, Debug)]
struct Pace {
    begun: Instant,
    speed: f64,
}

impl Pace {
    fn bench_time(self, wall: Instant) -> Duration {
        wall.saturating_duration_since(self.begun).mul_f64(self.speed)
    }

    fn wall_time(self, bench: Duration) -> Duration {
        bench.div_f64(self.speed)
    }
}

impl VirtualBench {
    /// Starts a bench on a pseudo-terminal.
    ///
    /// ```
    /// # fn main() -> Result<(), Box<dyn std::error::Error>> {
    /// use steadybench_virtual::{BenchOptions, Scenario, VirtualBench};
    ///
    /// let bench = VirtualBench::on_pty(&Scenario::greenhouse(), &BenchOptions::default())?;
    /// println!("the board is at {}", bench.port());
    /// bench.tap("stage 2 bridge")??;
    /// # Ok(())
    /// # }
    /// ```
    ///
    /// # Errors
    /// When the system has no pseudo-terminal left, or the link's name is taken by something else.
    #[cfg(unix)]
    pub fn on_pty(scenario: &Scenario, options: &BenchOptions) -> io::Result<Self> {
        let line = pty::PtyLine::open(options.device_link.clone())?;
        Self::start(scenario, options, Box::new(line))
    }

    /// Starts a bench on a network port of this computer; port 0 takes a free one. One host at a time.
    ///
    /// # Errors
    /// When the port is taken.
    pub fn on_tcp(scenario: &Scenario, options: &BenchOptions, port: u16) -> io::Result<Self> {
        let line = tcp::TcpLine::listen(port)?;
        Self::start(scenario, options, Box::new(line))
    }

    fn start(scenario: &Scenario, options: &BenchOptions, line: Box<dyn HostLine>) -> io::Result<Self> {
        if !(options.speed.is_finite() && options.speed > 0.0) {
            return Err(io::Error::new(
                io::ErrorKind::InvalidInput,
                format!(
                    "a bench cannot run at speed {}: give a number above 0",
                    options.speed
                ),
            ));
        }
        let (tasks, waiting) = channel();
        let port = Arc::new(Mutex::new(line.address()));
        let pace = Pace {
            begun: Instant::now(),
            speed: options.speed,
        };
        let (scenario, shared) = (scenario.clone(), Arc::clone(&port));
        let (seed, number) = (options.seed, options.board_number);
        let thread = thread::Builder::new()
            .name("virtual bench".into())
            .spawn(move || {
                let board = VirtualBoard::new(&scenario, seed).numbered(number);
                Live::new(board, line, pace, shared).run(&waiting);
            })?;
        Ok(Self {
            tasks: Some(tasks),
            thread: Some(thread),
            port,
            pace,
        })
    }

    /// Where a host finds the board now; a device's name may change when the cable is pulled and put back, unless it
    /// was given a link.
    #[must_use]
    pub fn port(&self) -> PortName {
        self.port.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    /// Bench time at an instant of the wall clock.
    #[must_use]
    pub fn bench_time(&self, wall: Instant) -> Duration {
        self.pace.bench_time(wall)
    }

    /// Lends the board to `task` on the bench's thread, at the present instant, and gives its answer. When it returns, the
    /// port is there or not, as the cable is.
    ///
    /// # Errors
    /// [`BenchStopped`] when the thread has ended.
    pub fn with<R: Send + 'static>(
        &self,
        task: impl FnOnce(&mut VirtualBoard) -> R + Send + 'static,
    ) -> Result<R, BenchStopped> {
        let (answer, answered) = channel();
        let tasks = self.tasks.as_ref().ok_or(BenchStopped)?;
        tasks
            .send(Box::new(move |live| {
                let given = task(&mut live.board);
                // A name that was given up may be another device's by now, and nobody may be told it.
                live.follow_cable();
                // Nobody waits any more when the caller is gone.
                let _ = answer.send(given);
            }))
            .map_err(|_| BenchStopped)?;
        answered.recv().map_err(|_| BenchStopped)
    }

    /// Taps a place now, with the foot switch pressed.
    ///
    /// # Errors
    /// [`BenchStopped`]; inside, [`UnknownPlace`].
    pub fn tap(&self, place: &str) -> Result<Result<(), UnknownPlace>, BenchStopped> {
        let place = place.to_owned();
        self.with(move |board| {
            let now = board.now();
            board.tap(&place, now)?;
            board.press_foot_switch(now);
            Ok(())
        })
    }

    /// Switches the bench supply now.
    ///
    /// # Errors
    /// [`BenchStopped`].
    pub fn switch_supply(&self, on: bool) -> Result<(), BenchStopped> {
        self.with(move |board| board.switch_supply(on, board.now()))
    }

    /// Pulls the cable now; the port goes away.
    ///
    /// # Errors
    /// [`BenchStopped`].
    pub fn unplug(&self) -> Result<(), BenchStopped> {
        self.with(VirtualBoard::unplug)
    }

    /// Puts the cable back now; the port is there again when this returns, or as soon as the system has one to give.
    ///
    /// # Errors
    /// [`BenchStopped`].
    pub fn plug_in(&self) -> Result<(), BenchStopped> {
        self.with(VirtualBoard::plug_in)
    }

    /// Starts the board anew now.
    ///
    /// # Errors
    /// [`BenchStopped`].
    pub fn reboot(&self, cause: ResetCause) -> Result<(), BenchStopped> {
        self.with(move |board| board.reboot(cause))
    }
}

impl Drop for VirtualBench {
    fn drop(&mut self) {
        self.tasks = None;
        if let Some(thread) = self.thread.take() {
            // A bench that panicked has said so already.
            let _ = thread.join();
        }
    }
}

/// The thread's own state.
struct Live {
    board: VirtualBoard,
    line: Box<dyn HostLine>,
    pace: Pace,
    port: Arc<Mutex<PortName>>,
    /// What the host has not taken yet.
    sent: Vec<u8>,
}

impl Live {
    fn new(board: VirtualBoard, line: Box<dyn HostLine>, pace: Pace, port: Arc<Mutex<PortName>>) -> Self {
        Self {
            board,
            line,
            pace,
            port,
            sent: Vec::new(),
        }
    }

    fn run(mut self, tasks: &Receiver<Task>) {
        loop {
            loop {
                match tasks.try_recv() {
                    Ok(task) => {
                        self.turn();
                        task(&mut self);
                    }
                    Err(TryRecvError::Empty) => break,
                    Err(TryRecvError::Disconnected) => return,
                }
            }
            self.turn();
            self.follow_cable();
            self.line.wait(self.time_to_wait());
        }
    }

    /// Brings the board up to the present, with what has come in.
    fn turn(&mut self) {
        let open = self.line.is_open();
        self.board.set_port_open(open);
        let mut buffer = [0; 512];
        let count = if self.board.takes_input() {
            self.line.read(&mut buffer)
        } else {
            0
        };
        let now = self.pace.bench_time(Instant::now());
        let came = buffer.get(..count).unwrap_or_default();
        self.board.advance_into(now, came, &mut self.sent, ROOM_BYTES);
        if open {
            let taken = self.line.write(&self.sent);
            self.sent.drain(..taken);
        } else {
            self.sent.clear();
        }
    }

    /// Takes the port away or brings it back, as the cable is; one that was lost otherwise comes back too.
    fn follow_cable(&mut self) {
        let plugged_in = self.board.plugged_in();
        if self.line.is_present() && !plugged_in {
            self.line.withdraw();
            self.sent.clear();
        } else if !self.line.is_present() && plugged_in && self.line.restore().is_ok() {
            *self.port.lock().unwrap_or_else(PoisonError::into_inner) = self.line.address();
        }
    }

    fn time_to_wait(&self) -> Duration {
        let now = self.pace.bench_time(Instant::now());
        self.board
            .next_wake()
            .map_or(LONGEST_WAIT, |next| self.pace.wall_time(next.saturating_sub(now)))
            .min(LONGEST_WAIT)
    }
}
