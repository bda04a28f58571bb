//! One object by every way in: whatever brings it, the same is counted, told to the audit trail and
//! done, or it says here why not.
//!
//! Outcomes of the trail: EventOutcomeIndicator of DICOM PS3.15 A.5.1 (RFC 3881 5.1.4): 0 success, 4
//! minor failure, 8 serious failure.

mod typed;

use super::*;
use crate::harness::{Site, until, web_archive};
use crate::objects::Report;
use crate::observe::audit::events;
use dicom_core::{DataElement, VR};
use sheathline::backfill::report::{Asked, Event};
use sheathline::backfill::run::Backfill;
use sheathline::config::{FolderSettings, WebSettings};
use sheathline::observe::audit::message::Node as Us;
use sheathline::observe::{Observed, Trail};
use sheathline::receive::{DropFolder, Web};
use sheathline::routes::archive::{Archive, Pace, Way};
use sheathline_net::connect::node::{HttpWay, TlsFiles};
use sheathline_store::objects::Incoming;
use sheathline_store::{Tx, bare};
use std::collections::BTreeMap;
use std::fs;
use std::io::{Read, Write};
use std::path::PathBuf;
use std::time::Instant;

/// Largest object that is taken: the reports of these tests have some 10 KiB.
const OBJECT_MAX: u64 = 64 << 10;

/// A store with what was told of the objects that came.
struct Hall {
    temp: TempDir,
    store: Store,
    observed: Observed,
}

impl Hall {
    fn new() -> Hall {
        let temp = TempDir::new().expect("temp");
        let store = Store::open(&temp.path().join("store.db"), Mode::Owner).expect("opens");
        let us = Us {
            ae_title: "SHEATHLINE".into(),
            process: 1,
        };
        let trail = Trail::open(&temp.path().join("audit.xml"), us).expect("opens");
        let observed = Observed {
            trail: Some(trail),
            ..Observed::default()
        };
        Hall {
            temp,
            store,
            observed,
        }
    }

    fn path(&self, name: &str) -> PathBuf {
        self.temp.path().join(name)
    }

    fn run(&self, sql: &'static str) -> Result<(), StoreError> {
        self.write(move |tx| bare::run(tx, sql))
    }

    fn write(
        &self,
        work: impl Fn(&Tx) -> Result<(), StoreError> + Send + 'static,
    ) -> Result<(), StoreError> {
        // Aside, since a thread of the runtime may not wait.
        std::thread::scope(|scope| scope.spawn(|| self.store.write(work)).join()).expect("no panic")
    }

    /// As a disk without room: SQLITE_FULL, sqlite.org/pragma.html (max_page_count).
    fn fill(&self) {
        self.run("pragma max_page_count = 1").expect("set");
        // Pages that are there already hold some objects.
        for bytes in [4000_u32, 400] {
            let mut objects = (0_u32..).map(|n| {
                let noise = (0..bytes).map(|at| (n + at).wrapping_mul(0x9E37_79B9).rotate_left(n));
                let noise: Vec<u8> = noise.map(|number| (number >> 13) as u8).collect();
                Incoming::new(&noise, None, "folder", "", chrono::Utc::now()).expect("packed")
            });
            let mut keep = || {
                let object = objects.next().expect("another");
                self.write(move |tx| objects::keep(tx, &object).map(|_| ()))
            };
            while keep().is_ok() {}
        }
    }

    /// By a commit that fails: a deferred foreign key (sqlite.org/foreignkeys.html, 4.2).
    fn doubt(&self) {
        let failed = self.run(
            "create table parent (id integer primary key);
             create table child (id references parent deferrable initially deferred);
             insert into child values (7);",
        );
        failed.expect_err("the commit fails");
        assert!(self.store.doubt().is_some());
    }

    /// How often objects arrived, by source and outcome; what never happened is left out.
    fn arrived(&self) -> BTreeMap<String, u64> {
        let metrics = &self.observed.metrics;
        let text = metrics.text(None, None, None, None, true, chrono::Utc::now());
        let text = text.expect("written");
        let lines = text.lines().filter_map(|line| {
            let line = line.strip_prefix("sheathline_objects_received_total{")?;
            let (labels, count) = line.split_once("} ")?;
            let values: Vec<&str> = labels.split('"').skip(1).step_by(2).collect();
            Some((values.join(" "), count.parse().ok()?))
        });
        lines.filter(|(_, count)| *count > 0).collect()
    }

    /// Messages of the trail about objects, by event, action and outcome, once there are so many.
    fn told(&self, count: usize) -> Vec<String> {
        let mut told = Vec::new();
        until("the trail", || {
            let (_, found) = events(&self.path("audit.xml"));
            let objects = ["110104", "110107"];
            let of_objects = |key: &&String| objects.iter().any(|id| key.starts_with(id));
            told = found
                .iter()
                .filter(|(key, _)| of_objects(key))
                .flat_map(|(key, times)| std::iter::repeat_n(key.clone(), *times))
                .collect();
            told.len() >= count
        });
        told
    }
}

/// An object as it is brought, and as what.
struct Brought {
    class: &'static str,
    instance: String,
    file: Vec<u8>,
}

impl Brought {
    fn report(n: usize) -> Brought {
        let report = Report::numbered(n);
        Brought {
            class: SR,
            instance: report.uid.clone(),
            file: report.bytes(),
        }
    }

    /// The same report as an object of another class.
    fn of_class(class: &'static str) -> Brought {
        let report = Brought::report(1);
        let mut object = dicom_object::from_reader(report.file.as_slice()).expect("a file");
        object.put(DataElement::new(tags::SOP_CLASS_UID, VR::UI, class));
        object.update_meta(|meta| meta.media_storage_sop_class_uid = class.to_owned());
        let mut file = Vec::new();
        object.write_all(&mut file).expect("written");
        Brought {
            class,
            file,
            ..report
        }
    }

    /// A report whose file and request name another instance than its data set does.
    fn announced_as(instance: &str) -> Brought {
        let report = Brought::report(1);
        let mut object = dicom_object::from_reader(report.file.as_slice()).expect("a file");
        object.update_meta(|meta| meta.media_storage_sop_instance_uid = instance.to_owned());
        let mut file = Vec::new();
        object.write_all(&mut file).expect("written");
        Brought {
            instance: instance.to_owned(),
            file,
            ..report
        }
    }

    /// What follows the file meta group of a file (PS3.10 7.1).
    fn data_set(&self) -> Vec<u8> {
        match self.file.get(128..132) {
            Some(b"DICM") => {
                let length = self.file[140..144].try_into().expect("four bytes");
                self.file[144 + u32::from_le_bytes(length) as usize..].to_vec()
            }
            _ => self.file.clone(),
        }
    }
}

/// Brings objects one after the other by C-STORE; their statuses, or that the association was aborted.
async fn by_dicom(hall: &Hall, all: &[Brought]) -> Vec<String> {
    let settings = DicomSettings {
        listen: vec!["127.0.0.1:0".parse().expect("an address")],
        max_object_bytes: OBJECT_MAX,
        ..DicomSettings::default()
    };
    let dicom = Dicom::new(&settings, hall.store.clone(), hall.observed.clone());
    let served = Served::bind(dicom, (settings, Vec::new())).await;
    let served = served.expect("listens");
    let address = served.addresses()[0].0;
    let (_stop, stopped) = watch::channel(false);
    tokio::spawn(served.run(stopped));
    let mut statuses = Vec::new();
    for one in all {
        let mut sender = Sender::connect(address).await.expect("accepted");
        let data_set = one.data_set();
        if one.class == SR && data_set.len() as u64 > OBJECT_MAX {
            sender.command(SR, 1, true, Some(&one.instance)).await;
            for piece in data_set.chunks(10_000) {
                sender.data(SR, piece, false).await;
            }
            let answer = sender.association.receive().await;
            assert!(matches!(answer, Ok(Pdu::AbortRQ { .. })), "{answer:?}");
            statuses.push("aborted".to_owned());
            continue;
        }
        if one.class == SR {
            let status = sender.store(&one.instance, &data_set).await;
            statuses.push(format!("{status:04X}"));
            continue;
        }
        // In a context that was accepted, since any other could not be sent in.
        let presentation_context_id = sender.context(SR);
        let data = encode(&[
            (tags::AFFECTED_SOP_CLASS_UID, text(one.class)),
            (tags::COMMAND_FIELD, vec![1, 0]),
            (tags::MESSAGE_ID, vec![1, 0]),
            (tags::COMMAND_DATA_SET_TYPE, vec![0, 0]),
            (tags::AFFECTED_SOP_INSTANCE_UID, text(&one.instance)),
        ]);
        let command = PDataValue {
            presentation_context_id,
            value_type: PDataValueType::Command,
            is_last: true,
            data,
        };
        sender.send(vec![command]).await;
        sender.next = 2;
        sender.data(SR, &data_set, true).await;
        statuses.push(format!("{:04X}", sender.answer().await.0));
    }
    statuses
}

/// The same by STOW-RS, each in a request of its own; statuses of HTTP.
async fn by_web(hall: &Hall, all: &[Brought]) -> Vec<String> {
    let web = WebSettings {
        listen: vec!["127.0.0.1:0".parse().expect("an address")],
        ..WebSettings::default()
    };
    let dicom = DicomSettings {
        max_object_bytes: OBJECT_MAX,
        ..DicomSettings::default()
    };
    let service = Web::new(hall.store.clone(), hall.observed.clone());
    let served = Served::bind(service, (web, dicom)).await.expect("listens");
    let address = served.addresses()[0].0;
    let (_stop, stopped) = watch::channel(false);
    tokio::spawn(served.run(stopped));
    let files: Vec<Vec<u8>> = all.iter().map(|one| one.file.clone()).collect();
    let posted = tokio::task::spawn_blocking(move || {
        let post = |file: &Vec<u8>| posted(address, file);
        files.iter().map(post).collect()
    });
    posted.await.expect("no panic")
}

fn posted(address: SocketAddr, file: &[u8]) -> String {
    let body = in_parts(file);
    let mut stream = std::net::TcpStream::connect(address).expect("connected");
    let request = format!(
        "POST /studies HTTP/1.1\r\nHost: here\r\nConnection: close\r\nContent-Length: {}\r\n\
         Content-Type: multipart/related; type=\"application/dicom\"; boundary=cut\r\n\r\n",
        body.len()
    );
    stream.write_all(request.as_bytes()).expect("sent");
    // It may have been answered before its end.
    let _ = stream.write_all(&body);
    let mut answer = Vec::new();
    let _ = stream.read_to_end(&mut answer);
    let answer = String::from_utf8_lossy(&answer);
    answer.split(' ').nth(1).expect("a status").to_owned()
}

/// The same by the drop folder, one look after the other; how many are left there.
fn by_folder(hall: &Hall, all: &[Brought]) -> usize {
    let path = hall.path("drop");
    fs::create_dir_all(&path).expect("made");
    let settings = FolderSettings {
        settle_ms: 1000,
        unfinished_s: 0,
        max_object_bytes: OBJECT_MAX,
        ..FolderSettings::default()
    };
    let folder = DropFolder::open(path.clone(), settings, hall.store.clone());
    let mut folder = folder.expect("opens").observed_by(hall.observed.clone());
    let mut now = Instant::now();
    let mut waiting = 0;
    for (n, one) in all.iter().enumerate() {
        fs::write(path.join(format!("{n}.dcm")), &one.file).expect("written");
        // Found, settled, and looked at again as whatever stays is.
        for _ in 0..4 {
            now += Duration::from_millis(1500);
            waiting = folder.look(now).expect("readable").waiting;
        }
    }
    waiting
}

/// The same by the history of an archive (QIDO-RS and WADO-RS); for each how the run ended.
fn by_archive(hall: &Hall, all: &[Brought]) -> Vec<String> {
    let run = |one: &Brought| {
        let url = format!("http://{}", archive(one.instance.clone(), one.file.clone()));
        let archive = archive_at(url);
        let day = chrono::NaiveDate::from_ymd_opt(2024, 5, 1).expect("a day");
        let asked = Asked {
            from: day,
            to: day,
            dry_run: false,
            again: true,
            user: "somebody".into(),
        };
        let mut missing = Vec::new();
        let mut tell = |event: Event<'_>| {
            if let Event::Missing { code, .. } = event {
                missing.push(code.to_string());
            }
        };
        let run = Backfill::new(&archive, &hall.store, &hall.observed, asked, &mut tell);
        match run.run() {
            Ok(counts) => format!("fetched {} {}", counts.fetched, missing.join(" ")),
            Err(stop) => format!("stopped: {stop}"),
        }
    };
    all.iter().map(run).collect()
}

fn archive_at(url: String) -> Archive {
    Archive {
        name: "old".into(),
        way: Way::Web(HttpWay {
            url,
            tls: TlsFiles::default(),
            bearer: None,
        }),
        timeout: Duration::from_secs(20),
        default_issuer: String::new(),
        pace: Pace {
            objects_per_s: 0,
            at_once: 1,
            hours: None,
        },
        window_days: 1,
        answers_max: 0,
        current_days: None,
        object_bytes_max: OBJECT_MAX,
    }
}

/// An archive that has one object; where it listens.
fn archive(instance: String, file: Vec<u8>) -> String {
    web_archive(move |path| {
        let named = |tag: &str, uid: &str| {
            let found = format!(r#"[{{"{tag}":{{"vr":"UI","Value":["{uid}"]}}}}]"#);
            ("application/dicom+json", found.into_bytes())
        };
        match path {
            path if path.ends_with(&instance) => (
                "multipart/related; type=\"application/dicom\"; boundary=cut",
                in_parts(&file),
            ),
            path if !path.ends_with("&offset=0") => ("application/dicom+json", b"[]".to_vec()),
            path if path.contains("/instances?") => named("00080018", &instance),
            path if path.contains("/series?") => named("0020000E", "1.2.2"),
            _ => named("0020000D", "1.2.1"),
        }
    })
}

fn in_parts(file: &[u8]) -> Vec<u8> {
    let head = b"--cut\r\nContent-Type: application/dicom\r\n\r\n";
    [&head[..], file, b"\r\n--cut--\r\n"].concat()
}

/// What happened, of one way in: what it answered; how objects were counted; what the trail was told.
type Happened = (String, Vec<(&'static str, u64)>, Vec<&'static str>);

/// What is brought, to what kind of store, and what happens by each way.
struct Case {
    what: &'static str,
    to: fn(&Hall),
    brought: fn() -> Vec<Brought>,
    dicom: Happened,
    web: Happened,
    archive: Happened,
    folder: Happened,
}

fn sound(_: &Hall) {}

fn one() -> Vec<Brought> {
    vec![Brought::report(1)]
}

fn happened(answered: &str, counted: &[(&'static str, u64)], told: &[&'static str]) -> Happened {
    (answered.to_owned(), counted.to_vec(), told.to_vec())
}

fn cases() -> Vec<Case> {
    let failed = |answered| happened(answered, &[("failed", 1)], &["C 8"]);
    let refused = |answered| happened(answered, &[("refused", 1)], &["C 4"]);
    // Of what is new the trail is told when it was read, which nobody does here.
    let kept = |answered| happened(answered, &[("kept", 1)], &[]);
    let again = |answered, told| happened(answered, &[("kept", 1), ("repeat", 1)], &[told]);
    vec![
        Case {
            what: "stored",
            to: sound,
            brought: one,
            dicom: kept("0000"),
            web: kept("200"),
            archive: kept("fetched 1 "),
            folder: kept("0 left"),
        },
        Case {
            what: "the same again",
            to: sound,
            brought: || vec![Brought::report(1), Brought::report(1)],
            dicom: again("0000, 0000", "R 0"),
            web: again("200, 200", "R 0"),
            archive: again("fetched 1 , fetched 1 ", "R 0"),
            // An import has no action for what is here already (PS3.15 A.5.3.5).
            folder: again("0 left", "C 0"),
        },
        Case {
            what: "no DICOM object",
            to: sound,
            brought: || {
                vec![Brought {
                    file: b"no object at all, and long enough to be one".repeat(10),
                    ..Brought::report(1)
                }]
            },
            // It is kept and goes into quarantine, so that nothing is lost: but over HTTP the answer could
            // not name it, and from an archive it is not what was asked for, which still has it.
            dicom: kept("0000"),
            web: refused("409"),
            archive: happened("fetched 0 web-malformed", &[], &[]),
            folder: kept("0 left"),
        },
        Case {
            what: "too large",
            to: sound,
            brought: || {
                let mut large = Brought::report(1);
                large.file.resize(66_500, 0);
                vec![large]
            },
            dicom: refused("aborted"),
            web: refused("413"),
            // It never came, and the run names it.
            archive: happened("fetched 0 web-malformed", &[], &[]),
            folder: refused("0 left"),
        },
        Case {
            what: "the store is full",
            to: Hall::fill,
            brought: one,
            dicom: failed("A700"),
            web: failed("503"),
            archive: failed("stopped: no space left for the store; free some, nothing was lost"),
            folder: failed("1 left"),
        },
        Case {
            what: "the store is in doubt",
            to: Hall::doubt,
            brought: one,
            dicom: failed("A700"),
            web: failed("503"),
            archive: failed(
                "stopped: the store is in doubt and takes nothing more (a commit failed: the store \
                 refused: FOREIGN KEY constraint failed); check the disk, then start again: the store \
                 is verified when it is opened",
            ),
            folder: failed("1 left"),
        },
        Case {
            what: "a fault of our own",
            to: |hall| {
                let sql = "create trigger refuse before insert on object \
                           begin select raise(abort, 'PATIENT'); end;";
                hall.run(sql).expect("made");
            },
            brought: one,
            dicom: failed("0110"),
            web: failed("409"),
            archive: failed("stopped: the store refused: PATIENT"),
            folder: failed("1 left"),
        },
        Case {
            what: "a class that is not taken",
            to: sound,
            brought: || {
                // Raw Data Storage (PS3.6 annex A).
                vec![Brought::of_class("1.2.840.10008.5.1.4.1.1.66")]
            },
            dicom: refused("0122"),
            web: refused("409"),
            // Reports alone are asked for; whoever puts a file into the folder is told by the quarantine.
            archive: kept("fetched 1 "),
            folder: kept("0 left"),
        },
        Case {
            what: "another object than it is announced as",
            to: sound,
            brought: || vec![Brought::announced_as("2.25.9")],
            dicom: refused("A900"),
            web: refused("409"),
            archive: refused("fetched 0 instance-differs"),
            // Nobody is told a name that it could be missed under.
            folder: kept("0 left"),
        },
    ]
}

#[tokio::test(flavor = "multi_thread")]
async fn every_way_in_does_the_same() {
    for case in cases() {
        for (way, expected) in [
            ("dicom", &case.dicom),
            ("web", &case.web),
            ("archive", &case.archive),
            ("folder", &case.folder),
        ] {
            let hall = Hall::new();
            (case.to)(&hall);
            let all = (case.brought)();
            let answered = match way {
                "dicom" => by_dicom(&hall, &all).await.join(", "),
                "web" => by_web(&hall, &all).await.join(", "),
                "archive" => tokio::task::block_in_place(|| by_archive(&hall, &all)).join(", "),
                _ => {
                    let left = tokio::task::block_in_place(|| by_folder(&hall, &all));
                    format!("{left} left")
                }
            };
            let (answer, counted, told) = expected;
            let case = format!("{} by {way}", case.what);
            assert_eq!(&answered, answer, "{case}");
            let counted = counted.iter();
            let counted = counted.map(|(outcome, count)| (format!("{way} {outcome}"), *count));
            assert_eq!(hall.arrived(), counted.collect(), "{case}");
            let event = match way {
                "folder" => "110107",
                _ => "110104",
            };
            let told: Vec<String> = told.iter().map(|told| format!("{event} {told}")).collect();
            assert_eq!(hall.told(told.len()), told, "{case}");
        }
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_failure_of_the_store_is_a_serious_failure_over_http_too() {
    let hall = Hall::new();
    hall.fill();
    assert_eq!(by_dicom(&hall, &[Brought::report(1)]).await, ["A700"]);
    assert_eq!(by_web(&hall, &[Brought::report(2)]).await, ["503"]);
    assert_eq!(hall.told(2), ["110104 C 8", "110104 C 8"]);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_file_that_the_store_does_not_take_is_counted_so_that_the_alert_rings() {
    let hall = Hall::new();
    hall.fill();
    let left = tokio::task::block_in_place(|| by_folder(&hall, &[Brought::report(1)]));
    assert_eq!(left, 1);
    // Once, however often it was looked at.
    assert_eq!(hall.arrived(), [("folder failed".to_owned(), 1)].into());
    assert_eq!(hall.told(1), ["110107 C 8"]);
}

/// The alert on objects that were not kept looks at the last quarter of an hour (`config/alerts.yml`).
#[tokio::test(flavor = "multi_thread")]
async fn a_file_that_cannot_be_kept_is_told_once_and_counted_while_that_lasts() {
    let hall = Hall::new();
    hall.fill();
    tokio::task::block_in_place(|| {
        let path = hall.path("drop");
        fs::create_dir_all(&path).expect("made");
        fs::write(path.join("a.dcm"), Brought::report(1).file).expect("written");
        let settings = FolderSettings {
            unfinished_s: 0,
            ..FolderSettings::default()
        };
        let folder = DropFolder::open(path, settings, hall.store.clone());
        let mut folder = folder.expect("opens").observed_by(hall.observed.clone());
        let start = Instant::now();
        // Found, then tried from the first second on.
        folder.look(start).expect("readable");
        for second in 3..1000 {
            let look = folder.look(start + Duration::from_secs(second));
            assert_eq!(look.expect("readable").waiting, 1);
        }
    });
    // At 3, 303, 603 and 903 seconds.
    assert_eq!(hall.arrived(), [("folder failed".to_owned(), 4)].into());
    assert_eq!(hall.told(1), ["110107 C 8"]);
}

/// `process` has no sender to answer; the trail is told as of any other file.
#[test]
fn files_named_on_the_command_line_are_told_of_like_those_of_the_folder() {
    let site = Site::with("audit = \"audit.xml\"\n");
    let text = fs::read_to_string(site.config()).expect("configuration");
    let text = text.replace("scan_every_ms", "max_object_bytes = 65536\nscan_every_ms");
    fs::write(site.config(), text).expect("written");
    let files = site.path("files");
    fs::create_dir(&files).expect("made");
    let told = || {
        let (_, found) = events(&site.path("audit.xml"));
        let of = |key: &str| found.get(key).copied().unwrap_or_default();
        [of("110107 C 0"), of("110107 C 4"), of("110107 C 8")]
    };
    let sound = Report::numbered(1).write(&files);
    let sound = sound.to_str().expect("UTF-8");
    site.ok("process", &[sound]);
    assert_eq!(told(), [1, 0, 0], "stored and read");
    site.ok("process", &[sound]);
    assert_eq!(told(), [2, 0, 0], "the same again");
    let large = files.join("large.dcm");
    fs::write(&large, vec![0; 70_000]).expect("written");
    let output = site.run("process", &[large.to_str().expect("UTF-8")]);
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(
        said.contains("70000 bytes are more than the 65536 allowed"),
        "{said}"
    );
    assert_eq!(
        (output.status.code(), told()),
        (Some(1), [2, 1, 0]),
        "too large"
    );
    let store = bare::Bare::open(&site.path("store.sqlite")).expect("opens");
    let sql = "create trigger refuse before insert on object begin select raise(abort, 'X'); end;";
    store.change(sql).expect("made");
    drop(store);
    let other = Report::numbered(2).write(&files);
    let output = site.run("process", &[other.to_str().expect("UTF-8")]);
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(said.contains("not taken: the store refused: X"), "{said}");
    assert_eq!(
        (output.status.code(), told()),
        (Some(1), [2, 1, 1]),
        "not stored"
    );
}
