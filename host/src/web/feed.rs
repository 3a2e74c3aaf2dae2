//! The state twenty times a second, made once for all who watch, and not at all when nobody does.

use std::time::{Duration, Instant};

use jiff::Timestamp;

use crate::collector::{RunFacts, SessionControl};
use crate::live::StandingView;
use crate::live::view::{BoardView, StateView, TroubleView, TwinsView};
use crate::recorder::{RunKind, read_job};

/// From one state to the next.
const PERIOD: Duration = Duration::from_millis(50);

/// `job.toml` is looked at again after so many states: somebody may have named the channels.
const STATES_PER_NAMES: u32 = 100;

/// Publishes until the session is over.
pub(super) async fn feed(control: SessionControl) {
    let mut tick = tokio::time::interval(PERIOD);
    tick.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Skip);
    let mut names: [String; 2] = Default::default();
    let mut states = 0;
    let mut trouble = None;
    loop {
        tick.tick().await;
        tell_trouble(&control, &mut trouble);
        if control.hub().watchers() == 0 {
            continue;
        }
        if states % STATES_PER_NAMES == 0 {
            names = read_job(control.job()).map_or_else(|_| Default::default(), |job| job.channels);
        }
        states = states.wrapping_add(1);
        let state = state(&control, &names, true);
        control
            .hub()
            .publish_numbered("state", |sequence| StateView { sequence, ..state });
    }
}

fn tell_trouble(control: &SessionControl, before: &mut Option<String>) {
    let now = control.recorder().trouble;
    if now == *before {
        return;
    }
    let words = match &now {
        Some(trouble) => format!(
            "the disk does not take the recording ({trouble}); it is kept in memory as long as there is room"
        ),
        None => "the disk takes the recording again".to_owned(),
    };
    control.hub().publish(
        "trouble",
        &TroubleView {
            board: None,
            kind: "disk",
            over: now.is_none(),
            words,
        },
    );
    *before = now;
}

/// How everything stands now; the event's number is still to come. `takes` the columns of the trace, so that the next has
/// what follows.
pub(super) fn state(control: &SessionControl, names: &[String; 2], takes: bool) -> StateView {
    let at = Instant::now();
    let run = control.run();
    let mut boards = control.each_board(|board| {
        if takes {
            board.take_view(at)
        } else {
            board.view(at)
        }
    });
    let standing = control.standing();
    for board in &mut boards {
        name(board, names);
        say_findings(board, run.as_ref(), &standing);
    }
    StateView {
        sequence: 0,
        utc: format!("{:.3}", Timestamp::now()),
        recording: run.is_some(),
        run: run.as_ref().map(|run| run.number),
        kind: run.as_ref().map(|run| run.kind.name()),
        left_s: run
            .as_ref()
            .and_then(|run| run.left)
            .map(|left| left.as_secs_f64()),
        place: control.place(),
        boards,
    }
}

fn name(board: &mut BoardView, names: &[String; 2]) {
    for (channel, name) in board.channels.iter_mut().zip(names) {
        if !name.is_empty() {
            channel.name.clone_from(name);
        }
    }
}

/// Where an examination has a word, it goes before the eye's.
fn say_findings(board: &mut BoardView, run: Option<&RunFacts>, standing: &StandingView) {
    let Some(run) = run else { return };
    match run.kind {
        RunKind::Soak => {
            let Some(soak) = standing.soak.iter().find(|soak| soak.board == board.serial) else {
                return;
            };
            for found in &soak.channels {
                let channel = &mut board.channels[usize::from(found.channel == 2)];
                let alarmed = matches!(channel.state, "no reading" | "clipped" | "intermittent");
                if !alarmed && found.word != "not enough data" {
                    channel.state = found.word;
                    channel.reason.clone_from(&found.reason);
                }
            }
        }
        RunKind::Twins => {
            let found = standing.twins.iter().find(|twins| twins.board == board.serial);
            if let Some(found) = found
                && let Some(difference_a) = found.difference_a
            {
                board.twins = Some(TwinsView {
                    difference_a,
                    ratio: found.ratio,
                    word: found.word,
                    reason: found.reason.clone(),
                });
            }
        }
        RunKind::Tap | RunKind::PowerUp | RunKind::Free => {}
    }
}
