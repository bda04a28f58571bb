//! The real program in a folder of its own: configuration, processes, and waits by event.

use serde_json::Value;
use std::ffi::OsStr;
use std::fs;
use std::io::{BufRead, BufReader, Write};
use std::net::{SocketAddr, TcpListener, TcpStream};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};
use tempfile::TempDir;

/// Long enough for a loaded machine; nothing waits this long when it works.
const PATIENCE: Duration = Duration::from_secs(240);

/// A folder with a configuration, a store, a drop folder and an outbox.
pub(crate) struct Site {
    dir: TempDir,
}

impl Site {
    /// A site with the default configuration, listening on a free port of the loopback address.
    pub(crate) fn new() -> Self {
        Self::with("")
    }

    /// The same with more tables at the end of the configuration.
    pub(crate) fn with(more: &str) -> Self {
        let site = Site {
            dir: TempDir::new().expect("temporary folder"),
        };
        fs::create_dir(site.path("drop")).expect("drop folder");
        let text = format!(
            "[receive.dicom]\nlisten = \"127.0.0.1:0\"\n\
             [receive.folder]\npath = \"drop\"\nscan_every_ms = 100\nsettle_ms = 100\nunfinished_s = 0\n\
             [store]\npath = \"store.sqlite\"\n\
             [outbox]\nfolder = \"outbox\"\n\
             [observe]\nlog_format = \"json\"\n{more}"
        );
        fs::write(site.config(), text).expect("configuration");
        site
    }

    pub(crate) fn path(&self, name: &str) -> PathBuf {
        self.dir.path().join(name)
    }

    pub(crate) fn config(&self) -> PathBuf {
        self.path("site.toml")
    }

    /// Runs a command that takes `--config` and returns what it printed.
    pub(crate) fn run(&self, command: &str, args: &[&str]) -> Output {
        program()
            .arg(command)
            .arg("--config")
            .arg(self.config())
            .args(args)
            .output()
            .expect("the program runs")
    }

    /// The same, where anything but success is a failed test.
    pub(crate) fn ok(&self, command: &str, args: &[&str]) -> String {
        let output = self.run(command, args);
        assert!(
            output.status.success(),
            "{command} {args:?}: {}\n{}",
            String::from_utf8_lossy(&output.stdout),
            String::from_utf8_lossy(&output.stderr)
        );
        String::from_utf8(output.stdout).expect("UTF-8")
    }

    /// The same, parsed as JSON Lines.
    pub(crate) fn json(&self, command: &str, args: &[&str]) -> Vec<Value> {
        lines(&self.ok(command, args))
    }

    /// Every published result, newest version of each exam, by exam id.
    pub(crate) fn results(&self) -> std::collections::BTreeMap<String, Value> {
        let mut newest = std::collections::BTreeMap::new();
        for result in self.all_results() {
            let id = result["exam"]["id"].as_str().expect("exam id").to_owned();
            let version = result["version"].as_u64();
            if newest
                .get(&id)
                .is_none_or(|old: &Value| old["version"].as_u64() < version)
            {
                newest.insert(id, result);
            }
        }
        newest
    }

    /// Every published result, every version.
    pub(crate) fn all_results(&self) -> Vec<Value> {
        let Ok(entries) = fs::read_dir(self.path("outbox")) else {
            return Vec::new();
        };
        let mut names: Vec<PathBuf> = entries.map(|entry| entry.expect("entry").path()).collect();
        names.sort();
        names
            .iter()
            .filter(|path| !hidden(path))
            .map(|path| {
                let bytes = fs::read(path.join("result.json")).expect("a complete folder");
                serde_json::from_slice(&bytes).expect("JSON")
            })
            .collect()
    }

    /// Starts `serve` and waits until it listens.
    pub(crate) fn serve(&self) -> Daemon {
        self.serve_by(program())
    }

    /// The same by a command that ends in the program.
    pub(crate) fn serve_by(&self, mut command: Command) -> Daemon {
        let child = command
            .arg("serve")
            .arg("--config")
            .arg(self.config())
            .stdout(Stdio::piped())
            .stderr(Stdio::inherit())
            .spawn()
            .expect("the daemon starts");
        // From here on it is killed and waited for, whatever happens.
        let mut daemon = Daemon {
            child,
            address: SocketAddr::from(([127, 0, 0, 1], 0)),
            log: Arc::default(),
        };
        let mut log = BufReader::new(daemon.child.stdout.take().expect("standard output"));
        let mut text = String::new();
        loop {
            text.clear();
            let read = log.read_line(&mut text).expect("a log line");
            assert!(read > 0, "the daemon ended before it listened");
            let event: Value = serde_json::from_str(&text).expect("a JSON log line");
            let line = text.trim_end().to_owned();
            daemon.log.lock().expect("no panic").push(line);
            if event["fields"]["code"] == "listening" {
                let address = event["fields"]["address"].as_str().expect("address");
                daemon.address = address.parse().expect("an address");
                // Read on, or the daemon would block on a full pipe.
                let lines = Arc::clone(&daemon.log);
                std::thread::spawn(move || {
                    let keep = |line| lines.lock().expect("no panic").push(line);
                    log.lines().map_while(Result::ok).for_each(keep);
                });
                return daemon;
            }
        }
    }
}

fn hidden(path: &Path) -> bool {
    path.file_name()
        .is_some_and(|name| name.to_string_lossy().starts_with('.'))
}

/// A running `serve`, killed when dropped.
pub(crate) struct Daemon {
    child: Child,
    pub(crate) address: SocketAddr,
    log: Arc<Mutex<Vec<String>>>,
}

impl Daemon {
    /// Its process id.
    pub(crate) fn pid(&self) -> u32 {
        self.child.id()
    }

    /// What it has logged.
    pub(crate) fn log(&self) -> Vec<Value> {
        let log = self.log.lock().expect("no panic");
        lines(&log.join("\n"))
    }

    /// Ends it as a power cut of the process would: SIGKILL.
    pub(crate) fn kill(mut self) {
        self.child.kill().expect("kill");
        self.child.wait().expect("wait");
    }

    /// Waits until it has ended by itself; the exit code.
    pub(crate) fn ended(mut self) -> Option<i32> {
        let mut status = None;
        until("the end of the daemon", || {
            status = self.child.try_wait().expect("a state");
            status.is_some()
        });
        status.and_then(|status| status.code())
    }

    /// Asks it to stop and waits until it has; the exit code.
    pub(crate) fn stop(self) -> Option<i32> {
        self.stop_and_log().0
    }

    /// The same, with all that it has logged.
    pub(crate) fn stop_and_log(mut self) -> (Option<i32>, Vec<Value>) {
        let pid = self.child.id().to_string();
        let sent = Command::new("kill")
            .args(["-TERM", &pid])
            .status()
            .expect("kill");
        assert!(sent.success());
        let code = self.child.wait().expect("wait").code();
        // Who reads the log may be behind, and one that ends in trouble says something else.
        for _ in 0..100 {
            let log = self.log();
            if log
                .last()
                .is_some_and(|line| line["fields"]["code"] == "stopped")
            {
                break;
            }
            std::thread::sleep(std::time::Duration::from_millis(10));
        }
        (code, self.log())
    }
}

impl Drop for Daemon {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// The program under test.
pub(crate) fn program() -> Command {
    Command::new(env!("CARGO_BIN_EXE_sheathline"))
}

/// Exit code and standard error of a command with this configuration.
pub(crate) fn by<S: AsRef<OsStr>>(
    config: &Path,
    command: &str,
    args: &[S],
) -> (Option<i32>, String) {
    let output = program()
        .arg(command)
        .arg("--config")
        .arg(config)
        .args(args)
        .output()
        .expect("runs");
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    (output.status.code(), said)
}

/// JSON Lines.
pub(crate) fn lines(text: &str) -> Vec<Value> {
    text.lines()
        .map(|line| serde_json::from_str(line).expect("a JSON line"))
        .collect()
}

/// A path below `fixtures/`.
pub(crate) fn fixture(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("../../fixtures")
        .join(name)
}

/// Waits until the condition holds; fails the test when it never does.
pub(crate) fn until(what: &str, mut holds: impl FnMut() -> bool) {
    let start = Instant::now();
    while !holds() {
        assert!(start.elapsed() < PATIENCE, "waited too long for {what}");
        std::thread::sleep(Duration::from_millis(20));
    }
}

/// A program of another project, or a failed test that says how to get it.
pub(crate) fn tool(name: &str) -> Command {
    let found = Command::new("sh")
        .args(["-c", &format!("command -v {name}")])
        .output();
    assert!(
        found.is_ok_and(|output| output.status.success()),
        "{name} is not installed; `./.ci/setup` installs what the tests need"
    );
    Command::new(name)
}

/// An archive that answers each path by `answer`: media type and body.
pub(crate) fn web_archive(
    answer: impl Fn(&str) -> (&'static str, Vec<u8>) + Send + 'static,
) -> String {
    let listener = TcpListener::bind("127.0.0.1:0").expect("bound");
    let address = listener.local_addr().expect("bound").to_string();
    std::thread::spawn(move || {
        for stream in listener.incoming().flatten() {
            // It may have heard enough.
            let _ = one_answer(stream, &answer);
        }
    });
    address
}

fn one_answer(
    mut stream: TcpStream,
    answer: &impl Fn(&str) -> (&'static str, Vec<u8>),
) -> std::io::Result<()> {
    let mut lines = BufReader::new(stream.try_clone()?).lines();
    let first = lines.next().transpose()?.unwrap_or_default();
    while lines
        .next()
        .transpose()?
        .is_some_and(|line| !line.is_empty())
    {}
    let (kind, body) = answer(first.split(' ').nth(1).unwrap_or_default());
    let head = format!(
        "HTTP/1.1 200 OK\r\nContent-Type: {kind}\r\nContent-Length: {}\r\nConnection: close\r\n\r\n",
        body.len()
    );
    stream.write_all(head.as_bytes())?;
    stream.write_all(&body)
}
