//! Runs of good units, kept to compare with: one file for each model of unit in the user's configuration folder.
//!
//! | module | what it holds |
//! |---|---|
//! | [`store`] | where the files are, how they are read, written and never lost |
//! | [`steady`] | the level a run settled at, with its uncertainty and the instrument's |
//! | [`words`] | a comparison as a page for a person |
//!
//! A file is TOML: which runs were kept, and what good units were like, as figures. The runs themselves are not needed any
//! more.

pub mod steady;
pub mod store;
pub mod words;

use serde::{Deserialize, Serialize};
use steadybench_analysis::power_up::{
    LikenessVerdict, PowerUpFindings, PowerUpLikeness, PowerUpReference, PowerUpVerdict, ReferenceTolerance,
};
use steadybench_analysis::soak::SoakStanding;
use steadybench_analysis::steady::{SteadyLikeness, SteadyReference, SteadyRun, SteadyTolerance};

use crate::examine::Findings;
use crate::exit::Exit;
use crate::fault::Fault;

/// What is known of good units of one model.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Reference {
    /// The model, as the operator calls it.
    pub model: String,
    /// The runs that were kept, in the order they were.
    pub kept: Vec<KeptRun>,
    /// Their power-ups.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub power_up: Option<PowerUpReference>,
    /// Their steady states.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub steady: Option<SteadyReference>,
}

/// A run that was kept.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct KeptRun {
    /// As what.
    pub what: What,
    /// Folder name of the run.
    pub run: String,
    /// When it was recorded, RFC 3339.
    pub started_utc: String,
    /// The board that recorded it.
    pub board_serial: String,
    /// When it was kept, RFC 3339.
    pub kept_utc: String,
}

/// What of a run is compared.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, clap::ValueEnum)]
#[serde(rename_all = "kebab-case")]
pub enum What {
    /// The switch-on.
    PowerUp,
    /// What it settles at.
    Steady,
}

impl What {
    /// In words.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::PowerUp => "power-up",
            Self::Steady => "steady state",
        }
    }
}

/// A run beside the good ones of a model.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Likeness {
    /// The model of the good ones.
    pub model: String,
    /// How it compares.
    #[serde(flatten)]
    pub of: LikenessOf,
}

/// How a run compares.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(untagged)]
pub enum LikenessOf {
    /// Switch-ons.
    PowerUp {
        /// Channel by channel.
        power_up_likeness: PowerUpLikeness,
    },
    /// Steady states.
    Steady {
        /// Channel by channel.
        steady_likeness: SteadyLikeness,
        /// What the figures do not hold.
        remarks: Vec<String>,
    },
}

impl Likeness {
    /// The channels that differ.
    #[must_use]
    pub fn differing(&self) -> Vec<u8> {
        let entries: Vec<(u8, LikenessVerdict)> = match &self.of {
            LikenessOf::PowerUp { power_up_likeness } => power_up_likeness
                .channels
                .iter()
                .map(|entry| (entry.channel, entry.verdict))
                .collect(),
            LikenessOf::Steady { steady_likeness, .. } => steady_likeness
                .channels
                .iter()
                .map(|entry| (entry.channel, entry.verdict))
                .collect(),
        };
        let differing = entries
            .into_iter()
            .filter(|(_, verdict)| *verdict == LikenessVerdict::Differs);
        differing.map(|(channel, _)| channel).collect()
    }
}

impl Reference {
    /// A model of which nothing is known.
    #[must_use]
    pub const fn new(model: String) -> Self {
        Self {
            model,
            kept: Vec::new(),
            power_up: None,
            steady: None,
        }
    }

    /// Whether this run was kept as this before.
    #[must_use]
    pub fn has(&self, run: &KeptRun) -> bool {
        self.kept.iter().any(|kept| {
            kept.what == run.what
                && kept.started_utc == run.started_utc
                && kept.board_serial == run.board_serial
        })
    }

    /// Keeps the switch-on of a good unit.
    ///
    /// # Errors
    /// When the run itself shows a fault, or lacks a figure; nothing is kept then.
    pub fn keep_power_up(&mut self, run: KeptRun, findings: &PowerUpFindings) -> Result<(), Fault> {
        let faulty = |verdict| verdict == PowerUpVerdict::Fault;
        if let Some(channel) = findings.inrush.iter().find(|entry| faulty(entry.verdict)) {
            return Err(not_good(&run, channel.channel, &channel.reasons.join("; ")));
        }
        let unfit = |error: &dyn std::fmt::Display| {
            Fault::new(Exit::BadInput, run.run.clone(), error.to_string()).remedy("nothing is kept")
        };
        match &mut self.power_up {
            Some(kept) => kept.add(findings).map_err(|error| unfit(&error))?,
            none => *none = Some(PowerUpReference::new(findings).map_err(|error| unfit(&error))?),
        }
        self.kept.push(run);
        Ok(())
    }

    /// Keeps the steady state of a good unit.
    ///
    /// # Errors
    /// When the run itself shows a fault or has not settled, or no channel has a level that is known well enough; nothing is
    /// kept then.
    pub fn keep_steady(&mut self, run: KeptRun, findings: &Findings, level: SteadyRun) -> Result<(), Fault> {
        if let Findings::Soak(soak) = findings {
            for channel in &soak.course.drift {
                if matches!(
                    channel.standing,
                    SoakStanding::Drifting | SoakStanding::Intermittent | SoakStanding::Settling { .. }
                ) {
                    return Err(not_good(&run, channel.channel, &channel.reason));
                }
            }
        }
        if level.channels.is_empty() {
            return Err(Fault::new(
                Exit::BadInput,
                run.run,
                "no channel has a steady current in it, so nothing is kept",
            )
            .remedy("leave out the warming-up with --skip, or record longer"));
        }
        let tolerance = SteadyTolerance::default();
        for entry in &level.channels {
            let margin_a = (tolerance.share * entry.mean_a.abs()).max(tolerance.floor_a);
            if 2.0 * entry.standard_uncertainty_a > margin_a {
                let reason = "its current is known to no better than what would matter between units; it warms up, or \
                              wanders";
                return Err(not_good(&run, entry.channel, reason)
                    .remedy("nothing is kept; leave out the warming-up with --skip, or record longer"));
            }
        }
        self.steady.get_or_insert_default().runs.push(level);
        self.kept.push(run);
        Ok(())
    }

    /// Compares a switch-on.
    ///
    /// # Errors
    /// When no switch-on is kept for the model.
    pub fn compare_power_up(&self, findings: &PowerUpFindings) -> Result<Likeness, Fault> {
        let Some(kept) = &self.power_up else {
            return Err(self.nothing_kept(What::PowerUp));
        };
        Ok(Likeness {
            model: self.model.clone(),
            of: LikenessOf::PowerUp {
                power_up_likeness: kept.compare(findings, &ReferenceTolerance::default()),
            },
        })
    }

    /// Compares a steady state; `remarks` are what its figures do not hold.
    ///
    /// # Errors
    /// When no steady state is kept for the model, or a kept figure cannot be.
    pub fn compare_steady(
        &self,
        run: &SteadyRun,
        tolerance: &SteadyTolerance,
        remarks: Vec<String>,
    ) -> Result<Likeness, Fault> {
        let Some(kept) = &self.steady else {
            return Err(self.nothing_kept(What::Steady));
        };
        let steady_likeness = kept
            .compare(run, tolerance)
            .map_err(|error| Fault::new(Exit::BadInput, self.model.clone(), error.to_string()))?;
        Ok(Likeness {
            model: self.model.clone(),
            of: LikenessOf::Steady {
                steady_likeness,
                remarks,
            },
        })
    }

    fn nothing_kept(&self, what: What) -> Fault {
        Fault::usage(
            format!("--reference {:?}", self.model),
            format!("no {} of a good unit is kept for this model", what.words()),
        )
        .remedy("record one and keep it: steady reference keep RUN --model MODEL")
    }
}

fn not_good(run: &KeptRun, channel: u8, reason: &str) -> Fault {
    Fault::new(
        Exit::BadInput,
        run.run.clone(),
        format!("channel {channel} of it is no example of a good unit: {reason}"),
    )
    .remedy("nothing is kept; keep a run of a unit that is in order")
}
