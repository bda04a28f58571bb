//! The protocol of sd_notify(3), with this test in the place of systemd.

use super::reload::{reload, rewrite};
use crate::harness::{Site, program, tool, until};
use std::net::TcpStream;
use std::os::unix::net::UnixDatagram;
use std::time::Duration;

/// What systemd would hear.
struct Supervisor {
    socket: UnixDatagram,
    heard: Vec<String>,
}

impl Supervisor {
    /// Listens, and a command that tells it, with a limit for signs of life.
    fn of(site: &Site) -> (Self, std::process::Command) {
        let path = site.path("notify");
        let socket = UnixDatagram::bind(&path).expect("bound");
        socket
            .set_read_timeout(Some(Duration::from_secs(60)))
            .expect("a limit");
        let mut command = program();
        command
            .env("NOTIFY_SOCKET", path)
            .env("WATCHDOG_USEC", "300000");
        let heard = Vec::new();
        (Supervisor { socket, heard }, command)
    }

    /// Reads on until a line is said.
    fn hear(&mut self, line: &str) {
        let mut buffer = [0; 4096];
        loop {
            let length = self.socket.recv(&mut buffer).expect(line);
            let said = String::from_utf8_lossy(&buffer[..length]).into_owned();
            self.heard.extend(said.lines().map(str::to_owned));
            if said.lines().any(|one| one == line) {
                return;
            }
        }
    }
}

#[test]
fn it_is_told_when_it_is_ready_alive_reloading_and_stopping() {
    let site = Site::new();
    let (mut supervisor, command) = Supervisor::of(&site);
    let daemon = site.serve_by(command);
    supervisor.hear("READY=1");
    let first = supervisor.heard[0].clone();
    assert_eq!(first, "READY=1", "nothing is said before all stands");
    TcpStream::connect(daemon.address).expect("bound");
    assert!(site.path("store.sqlite").exists());
    supervisor.hear("WATCHDOG=1");
    supervisor.hear("WATCHDOG=1");
    let pid = daemon.pid().to_string();
    assert!(
        tool("kill")
            .args(["-HUP", &pid])
            .status()
            .expect("kill")
            .success()
    );
    supervisor.hear("RELOADING=1");
    let monotonic = |line: &String| line.starts_with("MONOTONIC_USEC=");
    assert!(supervisor.heard.iter().any(monotonic));
    supervisor.hear("READY=1");
    // What no new start mends is a status, not a missing sign of life.
    std::fs::rename(site.path("drop"), site.path("elsewhere")).expect("renamed");
    supervisor.hear("STATUS=not ready: folder-missing");
    supervisor.hear("WATCHDOG=1");
    std::fs::rename(site.path("elsewhere"), site.path("drop")).expect("renamed");
    supervisor.hear("STATUS=receiving");
    assert_eq!(daemon.stop(), Some(0));
    supervisor.hear("STOPPING=1");
}

/// systemd would start it again and again: the unit names this code.
#[test]
fn a_mistake_in_the_configuration_is_exit_code_2_and_never_ready() {
    let site = Site::with("[baseline]\nsigma_w = -1\n");
    let (supervisor, mut command) = Supervisor::of(&site);
    let ended = command
        .args(["serve", "--config"])
        .arg(site.config())
        .output()
        .expect("runs");
    assert_eq!(ended.status.code(), Some(2));
    supervisor.socket.set_nonblocking(true).expect("set");
    assert!(supervisor.socket.recv(&mut [0; 64]).is_err());
    let unit = include_str!("../../../daemon/packaging/systemd/sheathline.service");
    assert!(unit.contains("\nRestartPreventExitStatus=2 74\n"));
}

/// A process that is stopped by SIGSTOP gives no sign, so systemd would end it.
#[test]
fn a_process_that_hangs_gives_no_sign_of_life() {
    let site = Site::new();
    let (mut supervisor, command) = Supervisor::of(&site);
    let daemon = site.serve_by(command);
    supervisor.hear("WATCHDOG=1");
    let pid = daemon.pid().to_string();
    assert!(
        tool("kill")
            .args(["-STOP", &pid])
            .status()
            .expect("kill")
            .success()
    );
    supervisor.socket.set_nonblocking(true).expect("set");
    until("silence", || {
        let mut silent = true;
        while supervisor.socket.recv(&mut [0; 4096]).is_ok() {
            silent = false;
        }
        std::thread::sleep(Duration::from_secs(1));
        silent
    });
    daemon.kill();
}

#[test]
fn a_refused_reload_is_a_status_until_one_is_taken() {
    let site = Site::new();
    let (mut supervisor, command) = Supervisor::of(&site);
    let daemon = site.serve_by(command);
    supervisor.hear("READY=1");
    rewrite(&site, |text| format!("{text}[baseline]\nsigma_w = -1\n"));
    reload(&daemon, "reload-refused");
    supervisor.hear(
        "STATUS=receiving; the last reload was refused, the configuration before is in force",
    );
    rewrite(&site, |text| text.replace("sigma_w = -1", ""));
    reload(&daemon, "reloaded");
    supervisor.hear("STATUS=receiving");
    assert_eq!(daemon.stop(), Some(0));
}
