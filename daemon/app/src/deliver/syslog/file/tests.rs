use super::*;
use std::io::Write;
use tempfile::TempDir;

struct Trail {
    folder: TempDir,
    queue: Queue,
}

impl Trail {
    fn new() -> Self {
        let folder = TempDir::new().expect("temp");
        let path = folder.path().join("audit.xml");
        File::create(&path).expect("made");
        let cursor = Cursor::end_of(&path).expect("there");
        let queue = Queue::new(path, cursor);
        Trail { folder, queue }
    }

    fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    fn write(&self, text: &str) {
        let file = File::options()
            .append(true)
            .create(true)
            .open(self.path("audit.xml"));
        file.and_then(|mut file| file.write_all(text.as_bytes()))
            .expect("written");
        // Files of one test are told apart by their times, which a kernel counts in up to 10 ms.
        std::thread::sleep(Duration::from_millis(25));
    }

    fn rotate(&self) {
        for (old, new) in [("audit.xml.1", "audit.xml.2"), ("audit.xml", "audit.xml.1")] {
            let _ = fs::rename(self.path(old), self.path(new));
        }
    }

    /// Takes what is there and goes on after it. Nobody is waited for.
    fn take(&mut self) -> Vec<String> {
        let mut all = Vec::new();
        loop {
            if let Some(over) = &mut self.queue.over {
                *over -= STRAGGLERS;
            }
            let batch = self.queue.next().expect("read");
            if batch.end == self.queue.cursor() && self.queue.over.is_none() {
                return all;
            }
            all.extend(batch.lines.clone());
            self.queue.move_to(batch.end);
        }
    }

    /// As a new process with the cursor that was noted.
    fn restart(&mut self) {
        let cursor = self.queue.cursor().to_string().parse().expect("a cursor");
        self.queue = Queue::new(self.path("audit.xml"), cursor);
    }
}

#[test]
fn whole_lines_come_once_and_in_order() {
    let mut trail = Trail::new();
    assert!(trail.take().is_empty());
    trail.write("a\nb\nc");
    assert_eq!(trail.queue.waiting(), 5);
    assert_eq!(trail.take(), ["a", "b"]);
    trail.restart();
    assert!(trail.take().is_empty());
    trail.write("c\nd\n");
    assert_eq!(trail.take(), ["cc", "d"]);
    assert_eq!(trail.queue.waiting(), 0);
}

#[test]
fn what_was_not_taken_comes_again() {
    let mut trail = Trail::new();
    trail.write("a\n");
    let first = trail.queue.next().expect("read");
    assert_eq!(trail.queue.next().expect("read"), first);
    trail.restart();
    assert_eq!(trail.take(), ["a"]);
}

#[test]
fn every_file_of_several_rotations_is_read() {
    for restarts in [false, true] {
        let mut trail = Trail::new();
        trail.write("a\n");
        assert_eq!(trail.take(), ["a"]);
        trail.write("b\n");
        trail.rotate();
        trail.write("c\n");
        trail.rotate();
        trail.write("d\n");
        if restarts {
            trail.restart();
        }
        assert_eq!(trail.take(), ["b", "c", "d"], "{restarts}");
        trail.rotate();
        assert!(trail.take().is_empty(), "there is no file now");
        trail.write("e\n");
        assert_eq!(trail.take(), ["e"]);
    }
}

/// Whoever opened the file before it was renamed may still write to it.
#[test]
fn a_renamed_file_is_not_left_at_once() {
    let mut trail = Trail::new();
    trail.write("a\n");
    assert_eq!(trail.take(), ["a"]);
    let late = File::options().append(true).open(trail.path("audit.xml"));
    trail.rotate();
    trail.write("c\n");
    assert!(trail.queue.next().expect("read").lines.is_empty());
    assert!(trail.queue.over.is_some());
    late.and_then(|mut file| file.write_all(b"b\n"))
        .expect("written");
    assert_eq!(trail.take(), ["b", "c"]);
}

#[test]
fn a_file_that_is_cut_or_gone_begins_anew() {
    let mut trail = Trail::new();
    trail.write("a\nb\n");
    assert_eq!(trail.take(), ["a", "b"]);
    fs::write(trail.path("audit.xml"), "c\n").expect("written");
    assert_eq!(trail.take(), ["c"]);
    trail.restart();
    fs::rename(trail.path("audit.xml"), trail.path("away")).expect("renamed");
    trail.write("d\n");
    assert_eq!(trail.take(), ["d"]);
}

#[test]
fn bytes_without_an_end_do_not_stop_what_follows() {
    let mut trail = Trail::new();
    let long = "x".repeat(usize::try_from(BATCH_BYTES).expect("small"));
    trail.write(&format!("{long}x\nb\n"));
    assert_eq!(trail.take(), ["x", "b"]);
}
