//! How many objects a second a server takes. A measurement, not a test: the answer is printed.

use super::object;
use crate::postgres::served::Served;
use crate::{Mode, Store, objects};
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::{Duration, Instant};

/// Bytes that do not compress.
fn noise(seed: u64, length: usize) -> Vec<u8> {
    let mut state = seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1;
    let step = || {
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        state.to_le_bytes()
    };
    std::iter::repeat_with(step)
        .flatten()
        .take(length)
        .collect()
}

#[test]
#[ignore = "a measurement; --ignored --nocapture"]
#[allow(clippy::print_stdout)]
fn objects_a_second() {
    let served = Served::begin(&["fsync=on"]);
    let store = Store::open_server(&served.settings(&served.database()), Mode::Owner);
    let store = store.expect("opens");
    for (senders, together) in [(1, 1), (4, 1), (16, 1), (64, 1), (1, 50), (4, 50)] {
        static NUMBER: AtomicU64 = AtomicU64::new(0);
        let kept = AtomicU64::new(0);
        let began = Instant::now();
        std::thread::scope(|scope| {
            for _ in 0..senders {
                scope.spawn(|| {
                    while began.elapsed() < Duration::from_secs(3) {
                        let all: Vec<_> = (0..together)
                            .map(|_| object(&noise(NUMBER.fetch_add(1, Ordering::SeqCst), 12_000)))
                            .collect();
                        let done = store.write(move |tx| {
                            all.iter()
                                .try_for_each(|one| objects::keep(tx, one).map(|_| ()))
                        });
                        done.expect("stored");
                        kept.fetch_add(together, Ordering::SeqCst);
                    }
                });
            }
        });
        #[allow(clippy::cast_precision_loss)]
        let rate = kept.load(Ordering::SeqCst) as f64 / began.elapsed().as_secs_f64();
        println!("{senders} senders, {together} a change: {rate:.0} objects a second");
    }
}
