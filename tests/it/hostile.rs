//! Input made to do harm, through the real program: what it costs is measured from outside, in
//! `/proc/PID/status` (proc(5)).

mod archive;
mod at_once;
mod bombs;
mod build;
mod cuts;
mod full;
mod lengths;
mod mutants;
mod peers;
mod reader;
mod recorded;

use super::harness::{Daemon, until};
use super::receive::Sender;
use std::fs;

/// Mebibytes.
const MIB: u64 = 1 << 20;

/// A field of `/proc/PID/status` in bytes: `VmHWM` is the peak of resident memory, `VmRSS` what is
/// resident now.
fn memory(pid: u32, field: &str) -> u64 {
    memory_if_any(pid, field).unwrap_or_else(|| panic!("no {field}: the process has ended"))
}

/// The same of a process that may have ended.
fn memory_if_any(pid: u32, field: &str) -> Option<u64> {
    let status = fs::read_to_string(format!("/proc/{pid}/status")).ok()?;
    let line = status.lines().find(|line| line.starts_with(field))?;
    let kib = line.split_whitespace().nth(1).expect("a number");
    Some(kib.parse::<u64>().expect("a number") << 10)
}

impl Daemon {
    fn peak(&self) -> u64 {
        memory(self.pid(), "VmHWM:")
    }

    fn resident(&self) -> u64 {
        memory(self.pid(), "VmRSS:")
    }

    /// It answers an association of its own.
    async fn echo(&self) {
        let mut sender = Sender::connect(self.address).await.expect("accepted");
        assert_eq!(sender.echo().await, 0);
        sender.association.release().await.expect("released");
    }

    /// Open descriptors without those of the store, which keeps connections for reading from one
    /// time to the next.
    fn descriptors(&self) -> usize {
        let open = fs::read_dir(format!("/proc/{}/fd", self.pid()));
        let targets = open
            .expect("the process lives")
            .flatten()
            .flat_map(|one| fs::read_link(one.path()));
        targets
            .filter(|target| !target.to_string_lossy().contains("store.sqlite"))
            .count()
    }

    /// The same, once it has not changed for half a second: the ports are open before the last of the
    /// watchers is.
    fn descriptors_at_rest(&self) -> usize {
        let (mut seen, mut alike) = (self.descriptors(), 0);
        until("descriptors at rest", || {
            let now = self.descriptors();
            alike = if now == seen { alike + 1 } else { 0 };
            seen = now;
            alike == 25
        });
        seen
    }

    /// Processor time used so far, in hundredths of a second (proc(5): USER_HZ is 100).
    fn ticks(&self) -> u64 {
        let stat = fs::read_to_string(format!("/proc/{}/stat", self.pid())).expect("it lives");
        let (_, after) = stat.rsplit_once(')').expect("a name");
        let fields: Vec<u64> = after.split(' ').flat_map(str::parse).collect();
        // Behind the name only numbers follow the state: utime and stime are fields 14 and 15.
        fields[10] + fields[11]
    }
}

/// A seeded generator (SplitMix64, doi:10.1145/2660193.2660195), so that a failure can be repeated.
#[derive(Debug, Clone)]
struct Dice(u64);

impl Dice {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let z = (self.0 ^ (self.0 >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        let z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    /// A number below `end`, which is not nought.
    fn below(&mut self, end: usize) -> usize {
        (self.next() % end as u64) as usize
    }

    fn pick<'a, T>(&mut self, list: &'a [T]) -> &'a T {
        &list[self.below(list.len())]
    }
}

/// A number from the environment, for longer runs on demand.
fn asked(name: &str, otherwise: u64) -> u64 {
    let text = std::env::var(name).ok();
    text.and_then(|text| text.parse().ok()).unwrap_or(otherwise)
}
