//! Stands between the store and its server, and cuts the line in the middle of a commit.

use crate::postgres::Settings;
use crate::postgres::served::Served;
use std::io::{Read, Write};
use std::net::{Shutdown, TcpListener, TcpStream};
use std::os::unix::net::UnixStream;
use std::path::PathBuf;
use std::sync::atomic::{AtomicBool, AtomicU32, Ordering};
use std::sync::{Arc, Mutex};

/// Where the line is cut.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Cut {
    /// The server never hears of the commit.
    Before,
    /// The server commits, and nobody hears of it.
    After,
}

/// A relay.
pub(super) struct Relay {
    port: u16,
    plan: Arc<Plan>,
}

struct Plan {
    socket: PathBuf,
    /// The next commit is cut so.
    cut: Mutex<Option<Cut>>,
    /// Nobody new gets through.
    is_closed: AtomicBool,
    /// Is closed with the next cut, and all other lines with it.
    closes: AtomicBool,
    cuts: AtomicU32,
    lines: Mutex<Vec<TcpStream>>,
}

impl Relay {
    pub(super) fn to(served: &Served) -> Relay {
        let listener = TcpListener::bind("127.0.0.1:0").expect("a port");
        let port = listener.local_addr().expect("bound").port();
        let plan = Arc::new(Plan {
            socket: served.socket(),
            cut: Mutex::new(None),
            is_closed: AtomicBool::new(false),
            closes: AtomicBool::new(false),
            cuts: AtomicU32::new(0),
            lines: Mutex::default(),
        });
        let of_thread = Arc::clone(&plan);
        std::thread::spawn(move || {
            for client in listener.incoming() {
                let plan = Arc::clone(&of_thread);
                if !plan.is_closed.load(Ordering::SeqCst) {
                    std::thread::spawn(move || carry(client.expect("accepted"), &plan));
                }
            }
        });
        Relay { port, plan }
    }

    pub(super) fn settings(&self, database: &str) -> Settings {
        let url = format!("postgresql://sheathline@127.0.0.1:{}/{database}", self.port);
        Settings::of_url(&url).expect("a url")
    }

    /// Cuts the next commit; `closes`: and lets nobody through from then on.
    pub(super) fn cut(&self, cut: Cut, closes: bool) {
        self.plan.closes.store(closes, Ordering::SeqCst);
        *self.plan.cut.lock().expect("whole") = Some(cut);
    }

    pub(super) fn let_through(&self) {
        self.plan.is_closed.store(false, Ordering::SeqCst);
    }

    pub(super) fn cuts(&self) -> u32 {
        self.plan.cuts.load(Ordering::SeqCst)
    }
}

/// Carries messages both ways until one side ends, or it is cut.
fn carry(mut client: TcpStream, plan: &Arc<Plan>) {
    let Ok(server) = UnixStream::connect(&plan.socket) else {
        return;
    };
    let line = client.try_clone().expect("cloned");
    plan.lines.lock().expect("whole").push(line);
    let is_dumb = Arc::new(AtomicBool::new(false));
    let back = {
        let (mut server, mut client) = (
            server.try_clone().expect("cloned"),
            client.try_clone().expect("cloned"),
        );
        let is_dumb = Arc::clone(&is_dumb);
        std::thread::spawn(move || {
            let mut bytes = [0; 8192];
            while let Ok(length @ 1..) = server.read(&mut bytes) {
                if is_dumb.load(Ordering::SeqCst) || client.write_all(&bytes[..length]).is_err() {
                    break;
                }
            }
            let _ = client.shutdown(Shutdown::Both);
        })
    };
    let mut server = server;
    // The first message has no kind; each has its length in front.
    let mut head = 4;
    loop {
        let mut start = vec![0; head];
        if client.read_exact(&mut start).is_err() {
            break;
        }
        let length = u32::from_be_bytes(start[head - 4..].try_into().expect("four bytes"));
        let mut message = start;
        message.resize(head - 4 + length as usize, 0);
        if client.read_exact(&mut message[head..]).is_err() {
            break;
        }
        let is_commit = head == 5 && message[0] == b'Q' && message.ends_with(b"commit\0");
        head = 5;
        let cut = is_commit
            .then(|| plan.cut.lock().expect("whole").take())
            .flatten();
        if let Some(cut) = cut {
            if plan.closes.load(Ordering::SeqCst) {
                plan.is_closed.store(true, Ordering::SeqCst);
                let mine = client.peer_addr().ok();
                for line in &*plan.lines.lock().expect("whole") {
                    if line.peer_addr().ok() != mine {
                        let _ = line.shutdown(Shutdown::Both);
                    }
                }
            }
            is_dumb.store(true, Ordering::SeqCst);
            if cut == Cut::After {
                server.write_all(&message).expect("the server is there");
                // Its answer is waited for, and told to nobody.
                back.join().expect("no panic");
            }
            plan.cuts.fetch_add(1, Ordering::SeqCst);
            break;
        }
        if server.write_all(&message).is_err() {
            break;
        }
    }
    let _ = client.shutdown(Shutdown::Both);
    let _ = server.shutdown(Shutdown::Both);
}
