use std::io::{ErrorKind, Read, Write};
use std::net::TcpStream;
use std::time::{Duration, Instant};

use steadybench_protocol::{Deframer, FromBoard, ToBoard};
use steadybench_virtual::{BenchOptions, PortName, Scenario, VirtualBench};

use crate::host::{decode, frame, ms};

/// Long enough for a busy machine; nothing here asserts how long anything took.
const PATIENCE: Duration = Duration::from_secs(20);

/// Reads until a message of the wanted kind has come.
fn until<T>(port: &mut impl Read, deframer: &mut Deframer, wanted: impl Fn(&FromBoard) -> Option<T>) -> T {
    let begun = Instant::now();
    let mut buffer = [0; 4_096];
    while begun.elapsed() < PATIENCE {
        match port.read(&mut buffer) {
            Ok(count) => {
                if let Some(found) = decode(deframer, &buffer[..count]).iter().find_map(&wanted) {
                    return found;
                }
            }
            Err(error) if matches!(error.kind(), ErrorKind::WouldBlock | ErrorKind::TimedOut) => {
                std::thread::sleep(ms(1));
            }
            Err(error) => panic!("{error}"),
        }
    }
    panic!("it did not come");
}

fn hello(message: &FromBoard) -> Option<steadybench_protocol::Hello> {
    match message {
        FromBoard::Hello(hello) => Some(hello.clone()),
        _ => None,
    }
}

fn last_index(message: &FromBoard) -> Option<u64> {
    match message {
        FromBoard::Readings(block) => (block.first_index() > 100).then(|| block.first_index()),
        _ => None,
    }
}

#[test]
fn over_the_network_port_one_host_after_the_other() {
    let bench = VirtualBench::on_tcp(&Scenario::greenhouse(), &BenchOptions::default(), 0).unwrap();
    let PortName::Tcp(address) = bench.port() else {
        panic!("a network port");
    };
    let mut nonces = Vec::new();
    for _ in 0..2 {
        let mut port = TcpStream::connect(address).unwrap();
        port.set_read_timeout(Some(ms(20))).unwrap();
        port.write_all(&frame(&ToBoard::HelloRequest)).unwrap();
        nonces.push(until(&mut port, &mut Deframer::new(), hello).boot_nonce);
        port.write_all(&frame(&ToBoard::Start)).unwrap();
        until(&mut port, &mut Deframer::new(), last_index);
    }
    assert_eq!(nonces[0], nonces[1]);
    bench.tap("stage 2 bridge").unwrap().unwrap();
    assert!(bench.tap("the lid").unwrap().is_err());
}

#[test]
fn a_speed_of_nothing_is_refused() {
    let options = BenchOptions {
        speed: 0.0,
        ..BenchOptions::default()
    };
    let error = VirtualBench::on_tcp(&Scenario::greenhouse(), &options, 0).unwrap_err();
    assert!(error.to_string().contains("speed 0"), "{error}");
}

#[cfg(unix)]
mod pty {
    use std::fs::File;
    use std::os::unix::fs::OpenOptionsExt;
    use std::path::Path;

    use rustix::fs::OFlags;

    use super::*;

    fn open(path: &Path) -> File {
        let begun = Instant::now();
        loop {
            let opened = File::options()
                .read(true)
                .write(true)
                .custom_flags((OFlags::NOCTTY | OFlags::NONBLOCK).bits() as i32)
                .open(path);
            match opened {
                Ok(port) => return port,
                Err(error) if begun.elapsed() > PATIENCE => panic!("{error}"),
                Err(_) => std::thread::sleep(ms(2)),
            }
        }
    }

    fn start(directory: &Path) -> VirtualBench {
        let options = BenchOptions {
            device_link: Some(directory.join("board")),
            ..BenchOptions::default()
        };
        VirtualBench::on_pty(&Scenario::greenhouse(), &options).unwrap()
    }

    #[test]
    fn closing_the_host_side_does_not_end_the_board() {
        let directory = tempfile::tempdir().unwrap();
        let bench = start(directory.path());
        let PortName::Device(path) = bench.port() else {
            panic!("a device");
        };
        let mut nonces = Vec::new();
        let mut indices = Vec::new();
        for _ in 0..3 {
            let mut port = open(&path);
            port.write_all(&frame(&ToBoard::HelloRequest)).unwrap();
            // Nothing older than the request is read: the first message is whole.
            nonces.push(until(&mut port, &mut Deframer::new(), hello).boot_nonce);
            port.write_all(&frame(&ToBoard::Start)).unwrap();
            indices.push(until(&mut port, &mut Deframer::new(), last_index));
            drop(port);
            std::thread::sleep(ms(50));
        }
        assert!(nonces.iter().all(|nonce| *nonce == nonces[0]));
        assert!(indices.is_sorted(), "{indices:?}");
        drop(bench);
        assert!(!path.exists());
    }

    /// A host that is killed cannot take back its exclusive use of the device. (The superuser is never locked out, so
    /// only another user's run of this test can fail.)
    #[test]
    fn a_host_that_was_killed_does_not_lock_the_next_one_out() {
        let directory = tempfile::tempdir().unwrap();
        let bench = start(directory.path());
        let path = directory.path().join("board");
        for _ in 0..3 {
            let mut port = open(&path);
            rustix::termios::ioctl_tiocexcl(&port).unwrap();
            port.write_all(&frame(&ToBoard::HelloRequest)).unwrap();
            until(&mut port, &mut Deframer::new(), hello);
            drop(port);
            std::thread::sleep(ms(50));
        }
        drop(bench);
    }

    #[test]
    fn a_pulled_cable_takes_the_device_away_until_it_is_put_back() {
        let directory = tempfile::tempdir().unwrap();
        let bench = start(directory.path());
        let path = directory.path().join("board");
        let mut port = open(&path);
        port.write_all(&frame(&ToBoard::HelloRequest)).unwrap();
        let before = until(&mut port, &mut Deframer::new(), hello);
        bench.unplug().unwrap();
        let begun = Instant::now();
        while path.symlink_metadata().is_ok() {
            assert!(begun.elapsed() < PATIENCE);
            std::thread::sleep(ms(2));
        }
        // The open end reads its end or an error, never more of the stream.
        let mut rest = [0; 4_096];
        loop {
            match port.read(&mut rest) {
                Ok(0) => break,
                Ok(_) => {}
                Err(error) if error.kind() == ErrorKind::WouldBlock => std::thread::sleep(ms(2)),
                Err(_) => break,
            }
            assert!(begun.elapsed() < PATIENCE);
        }
        bench.plug_in().unwrap();
        let mut port = open(&path);
        port.write_all(&frame(&ToBoard::HelloRequest)).unwrap();
        let after = until(&mut port, &mut Deframer::new(), hello);
        assert_eq!(after.board_serial, before.board_serial);
        assert_ne!(after.boot_nonce, before.boot_nonce);
        assert_eq!(after.boot_count, 1);
    }

    #[test]
    fn a_link_never_replaces_a_file() {
        let directory = tempfile::tempdir().unwrap();
        let taken = directory.path().join("board");
        std::fs::write(&taken, "mine").unwrap();
        let options = BenchOptions {
            device_link: Some(taken.clone()),
            ..BenchOptions::default()
        };
        assert!(VirtualBench::on_pty(&Scenario::greenhouse(), &options).is_err());
        assert_eq!(std::fs::read_to_string(taken).unwrap(), "mine");
    }
}
