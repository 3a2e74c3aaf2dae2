//! All boards brought up together, or none.

use std::sync::Arc;
use std::time::Instant;

use crate::exit::Exit;
use crate::fault::Fault;
use crate::live::Hub;

use super::session::Plan;
use super::station::Station;

pub(super) async fn bring_up_all(plan: &Plan, start: Instant, hub: &Arc<Hub>) -> Result<Vec<Station>, Fault> {
    let tasks: Vec<_> = plan
        .ports
        .iter()
        .map(|address| {
            let (address, settings, hub) = (address.clone(), plan.settings, Arc::clone(hub));
            tokio::spawn(Station::bring_up(address, settings, start, hub))
        })
        .collect();
    let mut stations: Vec<Station> = Vec::new();
    let mut first_fault = None;
    for task in tasks {
        let outcome = task
            .await
            .unwrap_or_else(|error| Err(Fault::new(Exit::Failed, "a board's task", error.to_string())));
        match outcome {
            Ok(station) => stations.push(station),
            Err(fault) => {
                first_fault.get_or_insert(fault);
            }
        }
    }
    if first_fault.is_none() {
        first_fault = met_twice(&stations);
    }
    match first_fault {
        None => Ok(stations),
        Some(fault) => {
            for station in stations {
                station.dismiss().await;
            }
            Err(fault)
        }
    }
}

fn met_twice(stations: &[Station]) -> Option<Fault> {
    let known: Vec<_> = stations.iter().filter_map(Station::introduction).collect();
    known.iter().enumerate().find_map(|(position, one)| {
        let other = known[..position]
            .iter()
            .find(|other| other.hello.board_serial == one.hello.board_serial)?;
        Some(
            Fault::usage(
                format!("ports {} and {}", other.port, one.port),
                "the same board answers on both",
            )
            .remedy("give each board once to --port"),
        )
    })
}
