//! Objects small to send and large to read: as files given to `read`, as files in the drop folder
//! of a running `serve`, and over an association with it. Each is kept with its reason, and memory
//! stays within the bound.

use super::super::harness::{Site, fixture, lines, program, until};
use super::super::receive::Sender;
use super::build::{
    self, BIG, CONTENT, DEFLATED, EXPLICIT, IMPLICIT, ITEM, ITEM_END, OPEN, SEQUENCE_END, TEXT,
    element, header,
};
use super::{MIB, reader};
use serde_json::Value;
use std::fs;

/// What reading a bomb may cost beside a sound report: the 64 MiB that may be inflated, and half as
/// much for its bytes and the allocator.
const ROOM: u64 = 96 * MIB;

/// What a daemon may need besides, which reads one object while it receives others: 32 MiB for a
/// batch of the drop folder, as much for an association, as much for what the store holds of both.
const ROOM_OF_DAEMON: u64 = ROOM + 96 * MIB;

struct Bomb {
    name: String,
    syntax: &'static str,
    data: Vec<u8>,
    /// What the gate says of it.
    code: &'static str,
}

fn bombs() -> Vec<Bomb> {
    let mut bombs = Vec::new();
    let mut add = |name: String, syntax, data, code| {
        bombs.push(Bomb {
            name,
            syntax,
            data,
            code,
        });
    };
    for syntax in [IMPLICIT, EXPLICIT, BIG] {
        for depth in [20_000, 100_000] {
            let name = |how| format!("{depth} levels, {how}, {syntax}");
            add(
                name("defined"),
                syntax,
                defined(syntax, depth),
                "gate-too-deep",
            );
            let (open, close) = undefined(syntax, depth);
            let complete = [open.clone(), close].concat();
            add(name("undefined"), syntax, complete, "gate-too-deep");
            add(name("cut off"), syntax, open, "gate-too-deep");
        }
        let empty = element(syntax, ITEM, "", b"").repeat(1_000_000);
        let items = element(syntax, CONTENT, "SQ", &empty);
        let name = format!("10^6 empty items, {syntax}");
        add(name, syntax, items, "gate-too-many-elements");
        // Four elements of unlimited text and bytes; (0009,0010) has no kind in the dictionary.
        for (tag, vr) in [
            (TEXT, "UT"),
            ((0x0042, 0x0011), "OB"),
            ((9, 0x10), "UN"),
            ((0x7FE0, 0x0009), "OD"),
        ] {
            let data = [header(syntax, tag, vr, 0xFFFF_FFFE), vec![b'8'; 8]].concat();
            let name = format!("{vr} of 2^32-2 bytes, {syntax}");
            add(name, syntax, data, "gate-length-overrun");
        }
    }
    let text = header(EXPLICIT, TEXT, "UT", 1 << 30);
    add(
        "deflated gigabyte".into(),
        DEFLATED,
        build::bomb(&text, 1024),
        "gate-inflated-too-big",
    );
    let short = header(EXPLICIT, TEXT, "UT", 10 << 20);
    add(
        "deflated ten mebibytes".into(),
        DEFLATED,
        build::bomb(&short, 10),
        "gate-inflated-too-big",
    );
    let inner = build::deflate(&defined(EXPLICIT, 100_000));
    add(
        "deflated 100,000 levels".into(),
        DEFLATED,
        inner,
        "gate-too-deep",
    );
    let empty = element(EXPLICIT, ITEM, "", b"").repeat(1_000_000);
    let inner = build::deflate(&element(EXPLICIT, CONTENT, "SQ", &empty));
    add(
        "deflated 10^6 empty items".into(),
        DEFLATED,
        inner,
        "gate-too-many-elements",
    );
    // A bomb as the value of an element, and a bomb in place of the data set: nobody inflates twice.
    let inside = element(EXPLICIT, (0x0042, 0x0011), "OB", &build::bomb(&text, 1024));
    let cut = &inside[..inside.len() - 1];
    add(
        "bomb in an element".into(),
        DEFLATED,
        build::deflate(cut),
        "gate-length-overrun",
    );
    let twice = build::deflate(&build::bomb(&text, 1024));
    add("deflated twice".into(), DEFLATED, twice, "");
    bombs
}

/// Pixels in fragments (PS3.5 A.4), which a peer may send for pictures only.
fn pictures() -> Vec<Bomb> {
    const JPEG: &str = "1.2.840.10008.1.2.4.50";
    let open = header(EXPLICIT, (0x7FE0, 0x0010), "OB", OPEN);
    let fragment = header(EXPLICIT, ITEM, "", 0);
    let end = header(EXPLICIT, SEQUENCE_END, "", 0);
    let forged = header(EXPLICIT, ITEM, "", 0xFFFF_FFFE);
    let bomb = |name: &str, inside: Vec<u8>, code| Bomb {
        name: name.to_owned(),
        syntax: JPEG,
        data: [open.clone(), inside, end.clone()].concat(),
        code,
    };
    vec![
        bomb(
            "10^6 empty fragments",
            fragment.repeat(1_000_000),
            "gate-too-many-elements",
        ),
        bomb("a fragment of 2^32-2 bytes", forged, "gate-length-overrun"),
    ]
}

/// Nested sequences of one item each, every length told.
fn defined(syntax: &str, depth: usize) -> Vec<u8> {
    let level = |left: usize| {
        let inside = u32::try_from(left).expect("small");
        let item = header(syntax, ITEM, "", inside);
        let length = inside + u32::try_from(item.len()).expect("small");
        [header(syntax, CONTENT, "SQ", length), item].concat()
    };
    let each = level(0).len();
    (0..depth)
        .rev()
        .flat_map(|below| level(below * each))
        .collect()
}

/// The same with delimiters: how it opens and how it closes.
fn undefined(syntax: &str, depth: usize) -> (Vec<u8>, Vec<u8>) {
    let open = [
        header(syntax, CONTENT, "SQ", OPEN),
        header(syntax, ITEM, "", OPEN),
    ];
    let close = [
        header(syntax, ITEM_END, "", 0),
        header(syntax, SEQUENCE_END, "", 0),
    ];
    (open.concat().repeat(depth), close.concat().repeat(depth))
}

/// Codes of what stands in the way of a reading.
fn codes(reading: &Value) -> Vec<&str> {
    let remarks = reading["remarks"].as_array().expect("remarks");
    remarks
        .iter()
        .filter(|remark| remark["severity"] == "blocking")
        .filter_map(|remark| remark["code"].as_str())
        .collect()
}

#[test]
fn bombs_as_files() {
    let mut bombs = bombs();
    bombs.extend(pictures());
    let sound = fs::read(fixture("sr/tid1500/report.dcm")).expect("fixture");
    let base = reader::read_all([sound], |_| "a sound report".to_owned()).peak;
    let files = bombs
        .iter()
        .map(|bomb| build::file(bomb.syntax, &bomb.data));
    let read = reader::read_all(files, |n| bombs[n].name.clone());
    for (row, bomb) in read.rows.iter().zip(&bombs) {
        assert_eq!(row["disposition"], "quarantined", "{}", bomb.name);
        let code = codes(row).join(" ");
        assert!(code.contains(bomb.code), "{}: {code}", bomb.name);
    }
    println!(
        "{} bombs, {} KiB beside {}",
        bombs.len(),
        (read.peak - base) >> 10,
        base >> 10
    );
    assert!(read.peak <= base + ROOM, "{} beside {base}", read.peak);
}

/// A file that cannot be taken at all is named, and the others are read.
#[test]
fn a_file_too_large_hides_no_other() {
    let folder = tempfile::TempDir::new().expect("temporary folder");
    let sparse = fs::File::create(folder.path().join("0")).expect("made");
    sparse.set_len(50 << 30).expect("grown");
    fs::copy(fixture("sr/tid1500/report.dcm"), folder.path().join("1")).expect("copied");
    let output = program()
        .args(["read", "--json"])
        .arg(folder.path())
        .output();
    let output = output.expect("the program runs");
    let rows = lines(&String::from_utf8_lossy(&output.stdout));
    assert_eq!(rows.len(), 1);
    assert_eq!(
        rows[0]["template"].as_str().map(|name| &name[..7]),
        Some("tid1500")
    );
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(
        said.contains("not read: ") && said.contains("/0: "),
        "{said}"
    );
    assert_eq!(output.status.code(), Some(1));
}

#[tokio::test(flavor = "multi_thread")]
async fn bombs_to_a_running_daemon() {
    let bombs = bombs();
    let site = Site::new();
    let daemon = site.serve();
    let mut sender = Sender::connect(daemon.address).await.expect("accepted");
    let sound = fs::read(fixture("sr/tid1500/report.dcm")).expect("fixture");
    let (_, at) = build::parts(&sound);
    assert_eq!(sender.store(build::UID, &sound[at..]).await, 0);
    // Not kept: it would be idle for longer than an association may.
    sender.association.release().await.expect("released");
    until("the sound report", || site.results().len() == 1);
    let base = daemon.peak();

    let folder = site.path("drop");
    for (number, bomb) in bombs.iter().enumerate() {
        let file = build::file(bomb.syntax, &bomb.data);
        fs::write(folder.join(format!("{number}.dcm")), file).expect("written");
        // An association each: the one before must not have hurt the daemon.
        let mut sender = Sender::connect_in(daemon.address, bomb.syntax)
            .await
            .unwrap_or_else(|error| panic!("{}: {error}", bomb.name));
        let uid = format!("2.25.2{number}");
        assert_eq!(sender.store(&uid, &bomb.data).await, 0, "{}", bomb.name);
        assert_eq!(sender.echo().await, 0, "{}", bomb.name);
    }
    until("all of them", || {
        quarantined(&site).len() == 2 * bombs.len()
    });
    let mut sources = [0, 0];
    for row in quarantined(&site) {
        let codes = codes(&row["reading"]).join(" ");
        assert!(codes.starts_with("gate-"), "{row}");
        sources[usize::from(row["source"] == "folder")] += 1;
    }
    assert_eq!(sources, [bombs.len(); 2]);
    let peak = daemon.peak();
    println!(
        "{} bombs twice, {} KiB beside {}",
        bombs.len(),
        (peak - base) >> 10,
        base >> 10
    );
    assert!(peak <= base + ROOM_OF_DAEMON, "{peak} beside {base}");
    assert_eq!(site.results().len(), 1);

    daemon.echo().await;
    assert_eq!(daemon.stop(), Some(0));
}

/// The measure notices: a legal object of 12 MiB shows in it.
#[tokio::test(flavor = "multi_thread")]
async fn the_measure_of_the_daemon_notices() {
    let site = Site::new();
    let daemon = site.serve();
    let mut sender = Sender::connect(daemon.address).await.expect("accepted");
    assert_eq!(sender.store("2.25.1", b"bytes").await, 0);
    until("the object", || quarantined(&site).len() == 1);
    let base = daemon.peak();
    let text = vec![b'x'; 12 << 20];
    let large = element(EXPLICIT, TEXT, "UT", &text);
    assert_eq!(sender.store("2.25.2", &large).await, 0);
    let peak = daemon.peak();
    assert!(peak > base + 12 * MIB, "{peak} after {base}");
}

fn quarantined(site: &Site) -> Vec<Value> {
    site.json("quarantine", &["--json"])
}
