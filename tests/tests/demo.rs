//! README's first command, as a user meets it: `steady demo`, with nothing plugged in. It takes about a minute, most of it
//! the virtual bench's own time.

use serde_json::Value;
use steadybench_tests::program::steady;

#[test]
fn the_demo_finds_the_joint_and_then_finds_none() {
    let folder = tempfile::tempdir().unwrap();
    let job = folder.path().join("job");
    let output = steady()
        .args(["demo", "--json", "--job"])
        .arg(&job)
        .output()
        .unwrap();
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{said}");
    let shown: Vec<Value> = serde_json::Deserializer::from_slice(&output.stdout)
        .into_iter()
        .collect::<Result<_, _>>()
        .unwrap();
    let [power_up, twins, taps, twins_again, taps_again, soak] = &shown[..] else {
        panic!("six runs, and not {}", shown.len());
    };

    // Each stage fills its reservoir through what the supply, the leads and the shunt resist.
    for channel in power_up["findings"]["inrush"].as_array().unwrap() {
        let peak_a = channel["peak_A"].as_f64().unwrap();
        assert!((1.5..2.2).contains(&peak_a), "{channel}");
    }
    assert_eq!(twins["findings"]["compare"]["standing"]["word"], "differs");
    assert_eq!(twins_again["findings"]["compare"]["standing"]["word"], "alike");

    // Whether five taps are enough to accuse is luck; that another place is accused would be a fault.
    let places = taps["findings"]["locations"].as_array().unwrap();
    assert_eq!(places[0]["label"], "stage 2 bridge", "{places:#?}");
    assert!(places[0]["hits"].as_u64() >= Some(1), "{places:#?}");
    assert!(
        places[1..].iter().all(|place| place["accused"] == false),
        "{places:#?}"
    );

    let places = taps_again["findings"]["locations"].as_array().unwrap();
    assert_eq!(places.len(), 6, "{places:#?}");
    for place in places {
        assert_eq!(
            (&place["taps"], &place["hits"]),
            (&10.into(), &0.into()),
            "{place}"
        );
        assert_eq!(place["verdict"], "cleared", "{place}");
    }
    for channel in soak["findings"]["drift"].as_array().unwrap() {
        assert_eq!(channel["verdict"], "none", "{channel}");
    }

    let report = std::fs::read_to_string(job.join("report.html")).unwrap();
    assert!(report.contains("stage 2 bridge"));
}
