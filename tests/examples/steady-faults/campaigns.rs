//! The command line.

use std::io::Write as _;
use std::process::ExitCode;

use clap::Parser;
use steadybench_tests::faults::record::{self, Entry};
use steadybench_tests::faults::{
    Outcome, bad_input, disk, fuzz, image, kill, line, soak, time, torn, unplug,
};

/// Campaigns of faults against the shipped program and its parts.
#[derive(Debug, Parser)]
#[command(name = "steady-faults")]
struct Arguments {
    /// A campaign, `all` for each with its usual count, or `readme` to write README's table from the record.
    campaign: String,
    /// How many faults; the campaign's usual number when not given.
    #[arg(long)]
    count: Option<u64>,
    /// Draws everything that is drawn.
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// Keep the line for README's table.
    #[arg(long)]
    record: bool,
}

struct Campaign {
    name: &'static str,
    count: u64,
    run: fn(u64, u64) -> Outcome,
}

const CAMPAIGNS: &[Campaign] = &[
    Campaign {
        name: "kill",
        count: 300,
        run: |seed, count| kill::run(seed, count as u32, |done| show(u64::from(done), count)),
    },
    Campaign {
        name: "torn-writes",
        count: 10_000_000,
        run: |seed, count| torn::run(seed, count, |done| show(done, count)),
    },
    Campaign {
        name: "disk",
        count: 40,
        run: |seed, count| disk::run(seed, count as u32, |done| show(u64::from(done), count)),
    },
    Campaign {
        name: "line",
        count: 10_000_000,
        run: |seed, count| line::run(seed, count, |done| show(done, count)),
    },
    Campaign {
        name: "unplug",
        count: 200,
        run: |seed, count| unplug::run(seed, count as u32, |done| show(u64::from(done), count)),
    },
    Campaign {
        name: "time",
        count: 300,
        run: |seed, count| time::run(seed, count, 30.0, |done| show(done, count)),
    },
    Campaign {
        name: "board",
        count: 1,
        run: |_, _| image::run(),
    },
    Campaign {
        name: "soak",
        count: 72,
        run: |seed, count| soak::run(seed, count, |done| show(done, count)),
    },
    Campaign {
        name: "bad-input",
        count: 200_000,
        run: |seed, count| bad_input::run(seed, count, |done| show(done, count * 7)),
    },
    Campaign {
        name: "fuzz",
        count: 1_200,
        run: |seed, count| fuzz::run(seed, count, |done| show(done, 7)),
    },
];

fn show(done: u64, count: u64) {
    let _ = write!(std::io::stderr(), "\r{done} of {count} ");
}

pub(super) fn main() -> ExitCode {
    let arguments = Arguments::parse();
    if arguments.campaign == "readme" {
        return ended(record::write_readme());
    }
    let chosen: Vec<&Campaign> = CAMPAIGNS
        .iter()
        .filter(|campaign| arguments.campaign == campaign.name || arguments.campaign == "all")
        .collect();
    if chosen.is_empty() {
        let names: Vec<&str> = CAMPAIGNS.iter().map(|campaign| campaign.name).collect();
        return ended(Err(format!(
            "'{}' is no campaign; there are: {}, all, readme",
            arguments.campaign,
            names.join(", ")
        )));
    }
    let mut held = true;
    for campaign in chosen {
        let count = arguments.count.unwrap_or(campaign.count);
        let outcome = (campaign.run)(arguments.seed, count);
        let _ = write!(std::io::stderr(), "\r");
        println!("{outcome}");
        held &= outcome.holds();
        if arguments.record {
            let command = format!("{} --count {count} --seed {}", campaign.name, arguments.seed);
            let order: Vec<&str> = CAMPAIGNS.iter().map(|campaign| campaign.name).collect();
            if let Err(words) = record::keep(Entry { command, outcome }, &order) {
                return ended(Err(words));
            }
        }
    }
    if held {
        ExitCode::SUCCESS
    } else {
        ExitCode::FAILURE
    }
}

fn ended(outcome: Result<(), String>) -> ExitCode {
    match outcome {
        Ok(()) => ExitCode::SUCCESS,
        Err(words) => {
            let _ = writeln!(std::io::stderr(), "steady-faults: {words}");
            ExitCode::FAILURE
        }
    }
}
