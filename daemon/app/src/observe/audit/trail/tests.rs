use super::*;

fn node() -> Node {
    Node {
        ae_title: "A".into(),
        process: 1,
    }
}

fn lines(path: &Path) -> Vec<String> {
    let text = std::fs::read_to_string(path).unwrap_or_default();
    text.lines().map(str::to_owned).collect()
}

#[test]
fn everything_noted_is_there_in_order_when_the_trail_is_gone() {
    let folder = tempfile::TempDir::new().expect("temp");
    let path = folder.path().join("audit.xml");
    let trail = Trail::open(&path, node()).expect("opens");
    assert!(trail.write(&[(Utc::now(), Event::Started)]));
    assert_eq!(lines(&path).len(), 1, "written means there");
    for _ in 0..1000 {
        trail.note(&Event::Reconfigured { change: "x".into() });
    }
    trail.note(&Event::Stopped);
    drop(trail);
    let found = lines(&path);
    assert_eq!(found.len(), 1002);
    assert!(found[0].contains("110120") && found[1001].contains("110121"));
}

/// A file that was renamed is another file's business; one cut by a full disk gets a new line.
#[test]
fn a_new_file_is_begun_and_a_cut_line_is_ended() {
    let folder = tempfile::TempDir::new().expect("temp");
    let path = folder.path().join("audit.xml");
    std::fs::write(&path, "<AuditMess").expect("written");
    let trail = Trail::open(&path, node()).expect("opens");
    assert!(trail.write(&[(Utc::now(), Event::Started)]));
    let found = lines(&path);
    assert_eq!((found.len(), found[0].as_str()), (2, "<AuditMess"));
    std::fs::rename(&path, folder.path().join("old")).expect("renamed");
    assert!(trail.write(&[(Utc::now(), Event::Stopped)]));
    assert_eq!(lines(&path).len(), 1);
}

#[test]
fn what_cannot_be_written_waits_and_is_told() {
    let folder = tempfile::TempDir::new().expect("temp");
    let path = folder.path().join("audit.xml");
    let trail = Trail::open(&path, node()).expect("opens");
    // A folder in its place cannot be opened for writing, whoever asks.
    std::fs::remove_file(&path).expect("removed");
    std::fs::create_dir(&path).expect("made");
    for _ in 0..10 {
        trail.note(&Event::Reconfigured { change: "x".into() });
    }
    assert!(!trail.write(&[(Utc::now(), Event::Started)]));
    assert!(trail.is_failing());
    std::fs::remove_dir(&path).expect("removed");
    while !trail.write(&[(Utc::now(), Event::Stopped)]) {}
    assert!(!trail.is_failing());
    let found = lines(&path);
    // The one that was written or not at all was not.
    assert_eq!(found.len(), 11);
    assert!(Trail::open(&folder.path().join("none/audit.xml"), node()).is_err());
}

/// Notes of strangers leave room on the disk, and results are told of meanwhile.
#[test]
fn results_are_told_while_notes_wait_for_room() {
    static ROOM: AtomicBool = AtomicBool::new(false);
    let folder = tempfile::TempDir::new().expect("temp");
    let path = folder.path().join("audit.xml");
    let (jobs, waiting) = sync_channel(8);
    let state = Arc::new(State::default());
    let thread = std::thread::spawn({
        let (path, state) = (path.clone(), Arc::clone(&state));
        move || run(&path, &waiting, &state, |_| ROOM.load(Ordering::Relaxed))
    });
    let write = |text: &str| {
        let (reply, answer) = sync_channel(1);
        jobs.send(Job::Write(vec![text.to_owned()], reply))
            .expect("it runs");
        answer.recv().expect("an answer")
    };
    jobs.send(Job::Note("a note".into())).expect("it runs");
    assert!(write("a result"));
    assert_eq!(lines(&path), ["a result"]);
    assert!(state.short.load(Ordering::Relaxed) && !state.failing.load(Ordering::Relaxed));
    ROOM.store(true, Ordering::Relaxed);
    assert!(write("another"));
    assert!(!state.short.load(Ordering::Relaxed));
    drop(jobs);
    thread.join().expect("it ends");
    assert_eq!(lines(&path), ["a result", "a note", "another"]);
}
