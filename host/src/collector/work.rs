//! The session's task: begins and ends runs, one order at a time.

use std::sync::Arc;
use std::time::{Duration, Instant};

use jiff::Timestamp;
use steadybench_protocol::Configure;
use steadybench_protocol::limits::{READING_PERIOD_MAX_US, READING_PERIOD_MIN_US};
use tokio::sync::mpsc;
use tokio::task::JoinHandle;

use crate::clock::HostTime;
use crate::exit::Exit;
use crate::fault::Fault;
use crate::live::view::RunView;
use crate::live::{WhenBehind, start_analyst};
use crate::recorder::{BoardIntroduction, HostMarkKind, JobFolder, Recorder, RunKind, RunPlan, read_job};

use super::control::{Order, RunNow, Shared};
use super::session::{Ended, Plan, RunFacts, RunRequest, ask, lock};
use super::station::{BoardSettings, Command};

/// Readings per second of a power-up that is not asked for otherwise: the fastest there is.
const POWER_UP_RATE_HZ: u32 = 4_000;

pub(super) struct Work {
    shared: Arc<Shared>,
    plan: Plan,
    job: JobFolder,
    recorder: Option<Recorder>,
}

impl Work {
    pub(super) const fn new(shared: Arc<Shared>, plan: Plan, job: JobFolder) -> Self {
        Self {
            shared,
            plan,
            job,
            recorder: None,
        }
    }

    /// Obeys until the session ends.
    pub(super) async fn run(mut self, mut orders: mpsc::Receiver<Order>, stations: Vec<JoinHandle<()>>) {
        loop {
            let time = self.time_left();
            let order = tokio::select! {
                order = orders.recv() => order,
                () = tokio::time::sleep(time), if time < Duration::MAX => {
                    self.time_is_over().await;
                    continue;
                }
            };
            match order {
                Some(Order::Begin { request, reply }) => {
                    let _ = reply.send(self.begin(&request).await);
                }
                Some(Order::Stop { reply }) => {
                    let outcome = match self.recorder {
                        Some(_) => self.finish("somebody asked for it").await,
                        None => Err(Fault::usage("the run", "none is being recorded")),
                    };
                    let _ = reply.send(outcome);
                }
                Some(Order::End { reason, reply }) => {
                    self.stop_stations(stations).await;
                    let noted = self.note_boards();
                    let _ = reply.send(self.close_recorder(&reason, noted).await);
                    return;
                }
                None => {
                    // Whoever could give orders is gone.
                    self.stop_stations(stations).await;
                    let noted = self.note_boards();
                    let _ = self.close_recorder("the program ended", noted).await;
                    return;
                }
            }
        }
    }

    fn time_left(&self) -> Duration {
        let now = lock(&self.shared.now);
        let left = now.run.as_ref().and_then(|run| run.facts().left);
        // A timer that is set for years serves nobody.
        left.filter(|left| left.as_secs() < u64::from(u32::MAX))
            .unwrap_or(Duration::MAX)
    }

    async fn time_is_over(&mut self) {
        const REASON: &str = "the time given is over";
        let ends_session = lock(&self.shared.now)
            .run
            .as_ref()
            .is_some_and(|run| run.ends_session);
        if ends_session {
            // Whoever started the session closes it, and the run with it.
            if let Some(run) = &mut lock(&self.shared.now).run {
                run.duration = None;
            }
            self.shared.end.send_if_modified(|end| {
                end.get_or_insert(REASON);
                true
            });
        } else if let Err(fault) = self.finish(REASON).await {
            tracing::error!("{fault}");
        }
    }

    /// The first run, of boards that are measuring already and hold what they have read.
    pub(super) async fn begin_first(&mut self, boards: Vec<BoardIntroduction>) -> Result<(), Fault> {
        let (plan, duration) = (self.plan.run.clone(), self.plan.duration);
        self.record(&plan, boards, duration, true).await.map(|_| ())
    }

    /// Boards that hold what they have read let it go.
    pub(super) async fn stand_by(&mut self) {
        self.each_station(Command::Finish).await;
    }

    async fn begin(&mut self, request: &RunRequest) -> Result<RunFacts, Fault> {
        let (plan, settings) = self.plan_of(request)?;
        if self.recorder.is_some() {
            self.finish("the next run begins").await?;
        }
        let answers: Vec<_> = self
            .shared
            .commands
            .iter()
            .map(|commands| {
                let commands = commands.clone();
                tokio::spawn(async move { ask(&commands, |ready| Command::Begin { settings, ready }).await })
            })
            .collect();
        let mut boards = Vec::new();
        let mut first_fault = None;
        for answer in answers {
            let died = || Fault::new(Exit::Failed, "a board's task", "it has ended");
            match answer.await.ok().flatten().unwrap_or_else(|| Err(died())) {
                Ok(introduction) => boards.push(introduction),
                Err(fault) => {
                    first_fault.get_or_insert(fault);
                }
            }
        }
        let begun = match first_fault {
            None => self.record(&plan, boards, request.duration, false).await,
            Some(fault) => Err(fault),
        };
        if begun.is_err() {
            self.stand_by().await;
        }
        begun
    }

    fn plan_of(&self, request: &RunRequest) -> Result<(RunPlan, BoardSettings), Fault> {
        let asked = request
            .rate_hz
            .or((request.kind == RunKind::PowerUp).then_some(POWER_UP_RATE_HZ));
        let configure = match asked {
            None => self.plan.run.configure,
            Some(rate_hz) => {
                let rates = 1_000_000 / READING_PERIOD_MAX_US..=1_000_000 / READING_PERIOD_MIN_US;
                if !rates.contains(&rate_hz) {
                    return Err(Fault::usage(
                        format!("a rate of {rate_hz} readings a second"),
                        format!("the board takes {} to {}", rates.start(), rates.end()),
                    ));
                }
                let reading_period_us = (1_000_000 + rate_hz / 2) / rate_hz;
                Configure {
                    reading_period_us,
                    conversion_time: Configure::quietest_conversion(reading_period_us),
                    ..self.plan.run.configure
                }
            }
        };
        let plan = RunPlan {
            kind: request.kind,
            configure,
            ..self.plan.run.clone()
        };
        let settings = BoardSettings {
            configure,
            ..self.plan.settings
        };
        Ok((plan, settings))
    }

    /// Makes the run's files and gives every board its entrance to them.
    async fn record(
        &mut self,
        plan: &RunPlan,
        boards: Vec<BoardIntroduction>,
        duration: Option<Duration>,
        ends_session: bool,
    ) -> Result<RunFacts, Fault> {
        let count = boards.len();
        let (recorder, sinks) = Recorder::start(self.job.clone(), plan, boards)?;
        let job = read_job(self.job.path()).unwrap_or_default();
        let (hub, standing) = (Arc::clone(&self.shared.hub), Arc::clone(&self.shared.standing));
        let entrances = start_analyst(
            recorder.number(),
            plan.kind,
            count,
            &job,
            hub,
            standing,
            WhenBehind::Miss,
        )
        .map_err(|error| Fault::new(Exit::Failed, "the examination's thread", error.to_string()))?;
        let run = RunNow {
            number: recorder.number(),
            kind: plan.kind,
            folder: recorder.folder().to_owned(),
            started: Timestamp::now(),
            begun: Instant::now(),
            duration,
            ends_session: ends_session && duration.is_some(),
            recorder: recorder.status(),
        };
        let facts = run.facts();
        for ((commands, sink), analyst) in self.shared.commands.iter().zip(sinks).zip(entrances) {
            let _ = commands.send(Command::Record(sink, Box::new(analyst))).await;
        }
        let place = {
            let mut now = lock(&self.shared.now);
            now.run = Some(run);
            now.place.clone()
        };
        self.recorder = Some(recorder);
        if !place.is_empty() {
            let at = HostTime::now(self.shared.start).into();
            for commands in &self.shared.commands {
                let (kind, label) = (HostMarkKind::Place, place.clone());
                let _ = commands.send(Command::Mark { at, kind, label }).await;
            }
        }
        self.tell("began", &facts, None);
        Ok(facts)
    }

    /// Ends the run; the boards measure on.
    async fn finish(&mut self, reason: &str) -> Result<(), Fault> {
        let noted = self.note_boards();
        self.each_station(Command::Finish).await;
        self.close_recorder(reason, noted).await
    }

    async fn each_station(&self, command: fn(tokio::sync::oneshot::Sender<()>) -> Command) {
        let done: Vec<_> = self
            .shared
            .commands
            .iter()
            .map(|commands| {
                let commands = commands.clone();
                tokio::spawn(async move { ask(&commands, command).await })
            })
            .collect();
        for one in done {
            let _ = one.await;
        }
    }

    /// What is known of the boards at the run's end, before they are set up for what comes next.
    fn note_boards(&self) -> (bool, bool) {
        let mut noted = (false, false);
        for board in &self.shared.boards {
            let board = lock(board);
            noted.0 |= board.guard_tripped;
            noted.1 |= board.another_board;
        }
        noted
    }

    /// Stops every board; their ports are closed.
    pub(super) async fn stop_stations(&self, stations: Vec<JoinHandle<()>>) {
        for commands in &self.shared.commands {
            // A station that has ended needs no telling.
            let _ = commands.send(Command::Stop).await;
        }
        for station in stations {
            let _ = station.await;
        }
    }

    async fn close_recorder(&mut self, reason: &str, noted: (bool, bool)) -> Result<(), Fault> {
        let Some(recorder) = self.recorder.take() else {
            return Ok(());
        };
        let (guard_tripped, another_board) = noted;
        let words = reason.to_owned();
        let summary = tokio::task::spawn_blocking(move || recorder.close(&words))
            .await
            .map_err(|error| Fault::new(Exit::Failed, "the recorder", error.to_string()));
        // Until its files are closed the run is not over.
        let facts = {
            let mut now = lock(&self.shared.now);
            now.run.take().map(|run| run.facts())
        };
        let summary = summary??;
        keep_findings_of(summary.folder.clone());
        lock(&self.shared.now).ended.push(Ended {
            summary,
            guard_tripped,
            another_board,
        });
        if let Some(facts) = facts {
            self.tell("ended", &facts, Some(reason.to_owned()));
        }
        Ok(())
    }

    fn tell(&self, what: &'static str, facts: &RunFacts, reason: Option<String>) {
        self.shared.hub.publish(
            "run",
            &RunView {
                what,
                run: facts.number,
                kind: facts.kind.name(),
                started_utc: format!("{:.3}", facts.started),
                reason,
            },
        );
    }
}

/// Examines a closed run beside what goes on, and keeps what was found. Nobody waits for it but the program's end; what
/// cannot be kept now is made by the report.
fn keep_findings_of(run: std::path::PathBuf) {
    drop(tokio::task::spawn_blocking(move || {
        if let Err(fault) = crate::report::findings_file::keep_run(&run) {
            tracing::warn!("{fault}");
        }
    }));
}
