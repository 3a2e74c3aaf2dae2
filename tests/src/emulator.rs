//! The board's image in the emulator of `tests/emulator`, serving its serial port to other programs.

use std::io::{BufRead, BufReader, Write};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::mpsc::{Receiver, channel};
use std::time::Duration;

use serde_json::Value;

/// How long the emulator may take for one thing, on a machine that is busy with other tests.
const PATIENCE: Duration = Duration::from_secs(120);

/// What running the image needs.
#[derive(Clone, Debug)]
pub struct Emulator {
    image: PathBuf,
    harness: PathBuf,
}

impl Emulator {
    /// Finds the emulator, installs it if need be, and brings the image up to date, so that what runs is what stands in
    /// the sources.
    ///
    /// # Errors
    /// In words, what is missing and how to get it.
    pub fn find() -> Result<Self, String> {
        let root = Path::new(env!("CARGO_MANIFEST_DIR"));
        let harness = root.join("emulator");
        let node = Command::new("node")
            .arg("--version")
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .status();
        if !node.is_ok_and(|status| status.success()) {
            return Err("Node.js is not installed (Debian: apt-get install nodejs npm)".into());
        }
        if !harness.join("node_modules/rp2040js").exists() {
            println!("installing the emulator: npm ci in tests/emulator");
            carry_out(
                Command::new("npm")
                    .args(["ci", "--no-audit", "--no-fund", "--silent"])
                    .current_dir(&harness),
            )?;
        }
        let target =
            std::env::var_os("CARGO_TARGET_DIR").map_or_else(|| root.join("../target"), PathBuf::from);
        let image = target.join("board/steadybench-pico.elf");
        println!("bringing the board image up to date: firmware/boards/pico/build-image.sh");
        carry_out(&mut Command::new(
            root.join("../firmware/boards/pico/build-image.sh"),
        ))?;
        Ok(Self { image, harness })
    }

    /// Runs one of the harness's own programs on the image, and gives what it printed, and whether it ended well.
    ///
    /// # Errors
    /// When it cannot be run.
    pub fn own(&self, words: &[&str]) -> Result<(bool, String), String> {
        let output = Command::new("node")
            .args(words)
            .current_dir(&self.harness)
            .env("STEADYBENCH_IMAGE", &self.image)
            .output()
            .map_err(|error| format!("node cannot be run: {error}"))?;
        Ok((
            output.status.success(),
            String::from_utf8_lossy(&output.stdout).into_owned(),
        ))
    }

    /// Starts the board on a bench as `script` describes it (see `tests/emulator/script.mjs`), its port a
    /// pseudo-terminal at `link`.
    ///
    /// # Panics
    /// When it does not come up.
    #[must_use]
    pub fn start(&self, folder: &Path, link: &Path, script: &Value) -> Bench {
        let script_file = folder.join("script.json");
        let truth_file = folder.join("truth.json");
        std::fs::write(&script_file, script.to_string()).expect("a script can be written");
        let mut child = Command::new("node")
            .arg(self.harness.join("run.mjs"))
            .arg("--elf")
            .arg(&self.image)
            .arg("--link")
            .arg(link)
            .arg("--script")
            .arg(&script_file)
            .arg("--truth")
            .arg(&truth_file)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .expect("node starts");
        let lines = BufReader::new(child.stdout.take().expect("piped")).lines();
        let (sender, events) = channel();
        std::thread::spawn(move || {
            for line in lines.map_while(Result::ok) {
                if let Ok(event) = serde_json::from_str(&line)
                    && sender.send(event).is_err()
                {
                    return;
                }
            }
        });
        let mut bench = Bench {
            child,
            events,
            truth_file,
        };
        bench.until("serving");
        bench
    }
}

fn carry_out(command: &mut Command) -> Result<(), String> {
    let program = command.get_program().display().to_string();
    match command.status() {
        Ok(status) if status.success() => Ok(()),
        Ok(status) => Err(format!("{program} failed ({status}); run it by hand to see why")),
        Err(error) => Err(format!("{program} cannot be run: {error}")),
    }
}

/// A board being emulated. Dropping it ends it.
#[derive(Debug)]
pub struct Bench {
    child: Child,
    events: Receiver<Value>,
    truth_file: PathBuf,
}

impl Bench {
    /// Waits for an event of this name and gives it.
    ///
    /// # Panics
    /// When it does not come.
    pub fn until(&mut self, name: &str) -> Value {
        let mut passed_over = Vec::new();
        loop {
            let Ok(event) = self.events.recv_timeout(PATIENCE) else {
                panic!("the emulator said no '{name}', only {passed_over:?}");
            };
            if event["event"] == name {
                return event;
            }
            passed_over.push(event.to_string());
        }
    }

    /// Has something happen on the bench now.
    ///
    /// # Panics
    /// When the emulator has ended.
    pub fn act(&mut self, action: &Value) {
        let stdin = self.child.stdin.as_mut().expect("piped");
        writeln!(stdin, "{action}").expect("the emulator listens");
    }

    /// Ends the emulation and gives what really happened.
    ///
    /// # Panics
    /// When the emulator failed.
    #[must_use]
    pub fn end(mut self) -> Value {
        self.act(&serde_json::json!({ "quit": true }));
        self.until("done");
        let status = self.child.wait().expect("the emulator ends");
        assert!(status.success(), "the emulator failed: {status}");
        let truth = std::fs::read(&self.truth_file).expect("the truth was written");
        serde_json::from_slice(&truth).expect("the truth is JSON")
    }
}

impl Drop for Bench {
    fn drop(&mut self) {
        // Whoever panics must not leave an emulator running.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}
