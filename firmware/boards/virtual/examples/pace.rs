//! How much faster than real time the virtual board runs in process, on one core.

use std::time::{Duration, Instant};

use steadybench_protocol::{Configure, ConversionTime, FrameBuffer, ShuntRange, ToBoard};
use steadybench_virtual::{Scenario, VirtualBoard};

fn main() -> Result<(), Box<dyn std::error::Error>> {
    for (reading_period_us, bench_s) in [(10_000, 2_000), (1_000, 600), (250, 120)] {
        let mut board = VirtualBoard::new(&Scenario::greenhouse(), 1);
        let mut frame = FrameBuffer::new();
        let settings = ToBoard::Configure(Configure {
            reading_period_us,
            conversion_time: ConversionTime::Us150,
            shunt_range: ShuntRange::Millivolts164,
        });
        board.advance(Duration::from_millis(100), frame.encode(&settings)?);
        board.advance(Duration::from_millis(200), frame.encode(&ToBoard::Start)?);
        let begun = Instant::now();
        let mut bytes = 0;
        for second in 1..=bench_s {
            bytes += board.advance(Duration::from_secs(second), &[]).len();
        }
        let taken_s = begun.elapsed().as_secs_f64();
        println!(
            "{} readings a second on each channel: {:.0} bench seconds in a second, {:.1} kB a bench second",
            1_000_000 / reading_period_us,
            bench_s as f64 / taken_s,
            bytes as f64 / bench_s as f64 / 1e3,
        );
    }
    Ok(())
}
