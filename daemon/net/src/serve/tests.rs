//! A service that answers each byte with the rules it stands under: at accept, and now.

use super::*;
use crate::dicom::refusal::Refusal;
use ipnet::IpNet;
use std::io::{Read, Write};
use std::net::{IpAddr, SocketAddr, TcpListener, TcpStream};
use std::sync::atomic::{AtomicU16, Ordering};
use std::time::{Duration, Instant};
use tokio::io::{AsyncRead, AsyncReadExt, AsyncWrite, AsyncWriteExt};
use tokio::runtime::{Builder, Runtime};
use tokio::sync::watch;
use tokio::task::JoinHandle;

#[derive(Debug, Clone, Default)]
struct Echo {
    rules: u8,
}

impl Service for Echo {
    type Settings = (u8, Vec<SocketAddr>);

    fn ports((_, listen): &Self::Settings) -> Ports<'_> {
        Ports {
            plain: listen,
            tls: None,
        }
    }

    fn put(&mut self, (rules, _): Self::Settings) {
        self.rules = rules;
    }

    fn addresses_allowed(&self) -> &[IpNet] {
        &[]
    }

    fn max_connections(&self) -> usize {
        1000
    }

    fn request_limit(&self) -> Duration {
        Duration::from_secs(10)
    }

    fn write_limit(&self) -> Duration {
        Duration::from_secs(10)
    }

    async fn serve(
        mut stream: impl AsyncRead + AsyncWrite + Unpin + Send + 'static,
        _: Peer,
        now: Now<Self>,
        end: End,
    ) {
        loop {
            let read = tokio::select! {
                () = end.program_stops() => return,
                read = stream.read_u8() => read,
            };
            let answer = [now.at_accept().rules, now.newest().rules];
            if read.is_err() || stream.write_all(&answer).await.is_err() {
                return;
            }
        }
    }

    fn refused(&self, _: IpAddr, _: Refusal, _: &str) {}

    fn tell(&self, _: Happened<'_>) {}

    fn panicked() {}
}

/// One thread, which stands still unless it is waited for.
fn runtime() -> Runtime {
    Builder::new_current_thread()
        .enable_all()
        .build()
        .expect("a runtime")
}

/// An address that nobody listens at, below the ports that systems choose by themselves: nobody comes by
/// it while it is not open.
fn free() -> SocketAddr {
    static NEXT: AtomicU16 = AtomicU16::new(0);
    let first = 12_000 + u16::try_from(std::process::id() % 190).expect("small") * 100;
    loop {
        let port = first + NEXT.fetch_add(1, Ordering::Relaxed);
        let address = SocketAddr::from(([127, 0, 0, 1], port));
        if TcpListener::bind(address).is_ok() {
            return address;
        }
    }
}

fn served(runtime: &Runtime, at: SocketAddr) -> (Live<Echo>, watch::Sender<bool>, JoinHandle<()>) {
    let served = runtime.block_on(Served::bind(Echo::default(), (1, vec![at])));
    let served = served.expect("bound");
    let (stop, stopped) = watch::channel(false);
    let live = served.live();
    let running = runtime.spawn(served.run(stopped));
    (live, stop, running)
}

fn moved(runtime: &Runtime, live: &Live<Echo>, rules: u8, to: &[SocketAddr]) {
    let prepared = runtime.block_on(live.prepare((rules, to.to_vec())));
    live.apply(prepared.expect("prepared"));
}

/// Sends a byte and lets the service work until it answers; empty if the connection is closed instead.
fn asked(runtime: &Runtime, stream: &TcpStream) -> Vec<u8> {
    let mut stream = stream.try_clone().expect("a clone");
    runtime.block_on(async {
        let asking = tokio::task::spawn_blocking(move || {
            let mut answer = [0; 2];
            let asked = stream.write_all(b"?");
            match asked.and_then(|()| stream.read_exact(&mut answer)) {
                Ok(()) => answer.to_vec(),
                Err(_) => Vec::new(),
            }
        });
        asking.await.expect("no panic")
    })
}

#[test]
fn who_had_connected_is_served_where_the_port_moves() {
    let runtime = runtime();
    let (one, other) = (free(), free());
    let (live, _stop, _) = served(&runtime, one);
    let open = TcpStream::connect(one).expect("open");
    assert_eq!(asked(&runtime, &open), [1, 1]);
    // The runtime stands still: these are connected and not accepted.
    let waiting: Vec<TcpStream> = (0..20)
        .map(|_| TcpStream::connect(one).expect("connected"))
        .collect();
    moved(&runtime, &live, 2, &[other]);
    for stream in &waiting {
        assert_eq!(asked(&runtime, stream), [1, 2], "the rules it came under");
    }
    assert_eq!(asked(&runtime, &open), [1, 2], "what is open stays open");
    let new = TcpStream::connect(other).expect("open");
    assert_eq!(asked(&runtime, &new), [2, 2]);
    runtime.block_on(async { tokio::time::sleep(Duration::from_millis(400)).await });
    TcpStream::connect(one).expect_err("nobody listens there");
}

/// From the last call on a connection does not begin, so none can be reset.
#[cfg(target_os = "linux")]
#[test]
fn nobody_is_connected_by_a_port_that_is_about_to_be_closed() {
    let runtime = runtime();
    let (one, other) = (free(), free());
    let (live, _stop, _) = served(&runtime, one);
    assert_eq!(
        asked(&runtime, &TcpStream::connect(one).expect("open")),
        [1, 1]
    );
    moved(&runtime, &live, 2, &[other]);
    // Closed to what is new, and not yet for good.
    runtime.block_on(async { tokio::time::sleep(Duration::from_millis(50)).await });
    let late = TcpStream::connect_timeout(&one, Duration::from_millis(100));
    let kind = late.expect_err("not connected").kind();
    assert_eq!(kind, std::io::ErrorKind::TimedOut, "and not refused either");
}

#[test]
fn an_address_that_stays_keeps_its_socket_and_one_that_is_taken_moves_nothing() {
    let runtime = runtime();
    let (one, other) = (free(), free());
    let (live, _stop, _) = served(&runtime, one);
    let waiting = TcpStream::connect(one).expect("connected");
    let taken = TcpListener::bind(other).expect("free");
    let refused = runtime.block_on(live.prepare((2, vec![one, other])));
    let refused = refused.expect_err("taken").to_string();
    assert!(refused.contains(&other.to_string()), "{refused}");
    assert_eq!(asked(&runtime, &waiting), [1, 1]);
    drop(taken);
    let before = live.addresses();
    moved(&runtime, &live, 3, &[one]);
    assert_eq!(live.addresses(), before);
    assert_eq!(asked(&runtime, &waiting), [1, 3]);
    // There and back again, faster than a port is closed.
    for rules in 4..10 {
        let to = if rules % 2 == 0 { other } else { one };
        moved(&runtime, &live, rules, &[to]);
        let new = TcpStream::connect(to).expect("open");
        assert_eq!(asked(&runtime, &new), [rules, rules]);
    }
}

/// A stop is not a move: connections have ten seconds, and these end at once.
#[test]
fn a_stop_ends_what_a_move_leaves_alone() {
    let runtime = runtime();
    let (one, other) = (free(), free());
    let (live, stop, running) = served(&runtime, one);
    let open = TcpStream::connect(one).expect("open");
    assert_eq!(asked(&runtime, &open), [1, 1]);
    moved(&runtime, &live, 2, &[other]);
    assert_eq!(asked(&runtime, &open), [1, 2]);
    let told = Instant::now();
    stop.send(true).expect("running");
    runtime.block_on(running).expect("no panic");
    assert!(told.elapsed() < Duration::from_secs(8));
    assert_eq!(asked(&runtime, &open), b"");
}
