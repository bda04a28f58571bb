use super::*;
use http_body_util::Full;
use hyper::body::Bytes;
use std::sync::Arc;
use tokio::io::{AsyncReadExt, AsyncWriteExt, DuplexStream, duplex};
use tokio::sync::{Semaphore, watch};
use tokio::task::JoinHandle;

const BOUNDS: Bounds = Bounds {
    head_bytes: 8 << 10,
    idle: Duration::from_secs(20),
};

/// A connection that is served, with the two signals that end it.
struct Served {
    stream: DuplexStream,
    port: watch::Sender<bool>,
    program: watch::Sender<bool>,
    /// Answers wait for it.
    go: Arc<Semaphore>,
    asked: Arc<Notify>,
    ended: JoinHandle<Result<(), ServeError>>,
}

/// So many answers are given at once; more when they are let go.
fn served(bounds: Bounds, at_once: usize) -> Served {
    let (stream, ours) = duplex(1 << 20);
    let (port, closed) = watch::channel(false);
    let (program, stopped) = watch::channel(false);
    let (go, asked) = (Arc::new(Semaphore::new(at_once)), Arc::new(Notify::new()));
    let (may, told) = (Arc::clone(&go), Arc::clone(&asked));
    let ended = tokio::spawn(async move {
        let end = End::new(closed, stopped);
        let answer = |_| {
            let (may, told) = (Arc::clone(&may), Arc::clone(&told));
            async move {
                told.notify_one();
                may.acquire().await.expect("open").forget();
                Response::new(Full::new(Bytes::from_static(b"said")))
            }
        };
        serve(ours, bounds, &end, answer).await
    });
    Served {
        stream,
        port,
        program,
        go,
        asked,
        ended,
    }
}

async fn ask(stream: &mut DuplexStream) {
    let asked = stream.write_all(b"GET / HTTP/1.1\r\nHost: x\r\n\r\n");
    asked.await.expect("sent");
}

/// Everything until the connection ends.
async fn rest(stream: &mut DuplexStream) -> String {
    let mut said = String::new();
    stream.read_to_string(&mut said).await.expect("text");
    said
}

async fn answered(stream: &mut DuplexStream) {
    let mut said = Vec::new();
    while !said.ends_with(b"said") {
        said.push(stream.read_u8().await.expect("an answer"));
    }
}

#[tokio::test]
async fn requests_are_answered_until_the_port_is_closed() {
    let mut it = served(BOUNDS, 3);
    for _ in 0..3 {
        ask(&mut it.stream).await;
        answered(&mut it.stream).await;
    }
    it.port.send(true).expect("served");
    assert_eq!(rest(&mut it.stream).await, "");
    it.ended.await.expect("no panic").expect("ended well");
}

#[tokio::test]
async fn who_had_connected_as_the_port_was_closed_is_answered_once() {
    let mut it = served(BOUNDS, 0);
    it.port.send(true).expect("served");
    tokio::task::yield_now().await;
    ask(&mut it.stream).await;
    it.asked.notified().await;
    // Told while an answer is made, the next request comes too late.
    ask(&mut it.stream).await;
    it.go.add_permits(9);
    let said = rest(&mut it.stream).await;
    assert_eq!(said.matches("said").count(), 1, "{said}");
    it.ended.await.expect("no panic").expect("ended well");
}

#[tokio::test]
async fn a_stop_finishes_what_is_under_way_and_ends_who_has_not_asked() {
    let mut it = served(BOUNDS, 0);
    ask(&mut it.stream).await;
    it.asked.notified().await;
    it.program.send(true).expect("served");
    tokio::task::yield_now().await;
    it.go.add_permits(9);
    assert!(rest(&mut it.stream).await.ends_with("said"));
    it.ended.await.expect("no panic").expect("ended well");

    let mut silent = served(BOUNDS, 9);
    tokio::task::yield_now().await;
    silent.program.send(true).expect("served");
    assert_eq!(rest(&mut silent.stream).await, "");
}

#[tokio::test]
async fn a_head_has_an_end_in_bytes_and_in_time() {
    let mut long = served(BOUNDS, 9);
    let head = format!("GET / HTTP/1.1\r\nX: {}\r\n\r\n", "y".repeat(9 << 10));
    long.stream.write_all(head.as_bytes()).await.expect("sent");
    assert!(rest(&mut long.stream).await.contains("431"));

    let idle = Duration::from_millis(100);
    let mut slow = served(Bounds { idle, ..BOUNDS }, 9);
    slow.stream.write_all(b"GET / HT").await.expect("sent");
    assert!(!rest(&mut slow.stream).await.contains("200"));
    let ended = slow.ended.await.expect("no panic");
    assert!(matches!(ended, Err(ServeError::Broken(_))), "{ended:?}");
}

/// What a stream says that waited too long for its peer is told apart from one that went away.
#[tokio::test]
async fn an_answer_that_is_not_read_is_told_apart() {
    struct Stuck;
    impl AsyncRead for Stuck {
        fn poll_read(
            self: std::pin::Pin<&mut Self>,
            _: &mut std::task::Context<'_>,
            buffer: &mut tokio::io::ReadBuf<'_>,
        ) -> std::task::Poll<io::Result<()>> {
            buffer.put_slice(b"GET / HTTP/1.1\r\nHost: x\r\n\r\n");
            std::task::Poll::Ready(Ok(()))
        }
    }
    impl AsyncWrite for Stuck {
        fn poll_write(
            self: std::pin::Pin<&mut Self>,
            _: &mut std::task::Context<'_>,
            _: &[u8],
        ) -> std::task::Poll<io::Result<usize>> {
            std::task::Poll::Ready(Err(io::ErrorKind::TimedOut.into()))
        }
        fn poll_flush(
            self: std::pin::Pin<&mut Self>,
            _: &mut std::task::Context<'_>,
        ) -> std::task::Poll<io::Result<()>> {
            std::task::Poll::Ready(Ok(()))
        }
        fn poll_shutdown(
            self: std::pin::Pin<&mut Self>,
            _: &mut std::task::Context<'_>,
        ) -> std::task::Poll<io::Result<()>> {
            std::task::Poll::Ready(Ok(()))
        }
    }
    let answer = |_| async { Response::new(Full::new(Bytes::from_static(b"said"))) };
    let ended = serve_one(Stuck, BOUNDS, answer).await;
    assert!(matches!(ended, Err(ServeError::NotRead)), "{ended:?}");
}

#[tokio::test]
async fn one_answer_is_one() {
    let (mut stream, ours) = duplex(1 << 20);
    let answer = |_| async { Response::new(Full::new(Bytes::from_static(b"said"))) };
    let ended = tokio::spawn(serve_one(ours, BOUNDS, answer));
    let two = "GET / HTTP/1.1\r\nHost: x\r\n\r\n".repeat(2);
    stream.write_all(two.as_bytes()).await.expect("sent");
    let said = rest(&mut stream).await;
    assert_eq!(said.matches("said").count(), 1, "{said}");
    ended.await.expect("no panic").expect("ended well");
}
