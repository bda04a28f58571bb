use super::*;
use crate::routes::destination::{DicomForm, DicomWay, HookWay, MllpWay, Way};
use sheathline_model::forms::hl7::{Processing, Route};
use sheathline_net::connect::node::{DicomNode, HttpWay, TlsFiles};
use std::collections::BTreeSet;
use std::fmt::Write as _;
use std::fs;
use std::path::PathBuf;

fn repository() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../..")
}

fn shipped() -> Vec<(String, String)> {
    let mut files = vec![("daemon.toml".to_owned(), DEFAULT_TEXT.to_owned())];
    for entry in fs::read_dir(repository().join("config/examples")).unwrap() {
        let path = entry.unwrap().path();
        let name = path.file_name().unwrap().to_str().unwrap().to_owned();
        files.push((name, fs::read_to_string(path).unwrap()));
    }
    assert!(files.len() >= 3);
    files
}

fn mistakes(text: &str) -> Vec<Mistake> {
    Config::from_text("x.toml", text).expect_err(text)
}

/// One message a line, as a person sees them.
fn messages(file: &str, text: &str) -> String {
    let mut out = String::new();
    match Config::from_text(file, text) {
        Ok(_) => out.push_str("no mistake\n"),
        Err(mistakes) => {
            for mistake in mistakes {
                writeln!(out, "{mistake}").unwrap();
            }
        }
    }
    out
}

#[test]
fn the_shipped_default_is_the_default() {
    let config = Config::from_text("daemon.toml", DEFAULT_TEXT).expect("no mistake");
    assert_eq!(config, Config::default());
    assert_eq!(Config::from_text("empty.toml", ""), Ok(Config::default()));
}

#[test]
fn the_shipped_default_explains_every_key_once_in_the_order_of_the_list() {
    let mut table = "";
    let mut explained = false;
    let mut found = Vec::new();
    for line in DEFAULT_TEXT.lines() {
        if let Some(name) = line.strip_prefix('[') {
            assert!(explained, "{line} has no sentence");
            table = name.trim_end_matches(']');
        } else if let Some((key, _)) = line.split_once(" = ")
            && !line.starts_with('#')
        {
            assert!(explained, "{line} has no sentence");
            found.push((table, key));
        }
        explained = line.starts_with('#');
    }
    let known: Vec<_> = Config::known_keys()
        .filter(|(table, _)| keys::rows(table).is_none())
        .collect();
    assert_eq!(found, known);
}

/// The tables that may stand several times are shown as comments; without the marks they are read.
#[test]
fn the_shipped_default_shows_every_key_of_a_row() {
    let sender = shown("receive.dicom.sender");
    assert_eq!(sender.dicom.sender[0].ae_title, "CART1");
    let scoped = shown("templates.sender");
    assert_eq!(scoped.templates.sender[0].devices, ["MAKER|MODEL|"]);
    let authority = shown("receive.hl7.authority");
    assert_eq!(authority.hl7.authority[0].issuer, "OUR-HOSPITAL");
    let operator = shown("baseline.operator");
    assert_eq!(operator.readers.operator[0].also, ["WREN^L"]);
    let device = shown("baseline.device");
    assert_eq!(device.readers.device[0].also, ["MAKER|MODEL|"]);
}

fn shown(table: &str) -> Config {
    let heading = format!("[[{table}]]\n");
    let (_, shown) = DEFAULT_TEXT.split_once(&format!("# {heading}")).unwrap();
    let shown = shown.split_once("\n\n").unwrap().0;
    let mut text = heading;
    let mut found = Vec::new();
    let mut explained = false;
    for line in shown.lines() {
        let line = line.strip_prefix("# ").unwrap_or_default();
        if let (false, Some((key, _))) = (line.starts_with('#'), line.split_once(" = ")) {
            assert!(explained, "{line} has no sentence");
            found.push(key);
            text.push_str(&format!("{line}\n"));
        }
        explained = line.starts_with('#');
    }
    let known: Vec<_> = keys::of_table(table).map(|key| key.name).collect();
    assert_eq!(found, known);
    Config::from_text("x.toml", &text).expect("no mistake")
}

#[test]
fn every_parameter_has_a_key_and_every_key_a_parameter() {
    let keys = |table: &str| -> BTreeSet<String> {
        Config::known_keys()
            .filter(|(of, _)| *of == table)
            .map(|(_, name)| name.to_owned())
            .collect()
    };
    let fields = |value: serde_json::Value| -> BTreeSet<String> {
        value.as_object().unwrap().keys().cloned().collect()
    };
    let baseline = serde_json::to_value(Parameters::default()).unwrap();
    assert_eq!(keys("baseline"), fields(baseline));
    let technique = serde_json::to_value(Technique::default()).unwrap();
    assert_eq!(keys("technique"), fields(technique));
}

#[test]
fn every_key_is_read_into_its_own_place() {
    // A key whose value never arrives would leave the default in force, unseen.
    let changed = r#"
        [receive.dicom]
        enabled = false
        listen = "[::1]:104"
        ae_title = " CART "
        accept_any_called = true
        calling_allowed = ["A", "B"]
        accept_blank_calling = true
        addresses_allowed = ["192.0.2.0/24", "2001:db8::7"]
        proxy_from = ["198.51.100.7/32"]
        max_associations = 7
        max_associations_per_peer = 6
        max_object_bytes = 0x1000
        association_timeout_s = 8
        idle_timeout_s = 9
        message_timeout_s = 10
        write_timeout_s = 12
        other_classes = "take-and-drop"
        default_issuer = "X"
        fallback_charset = "ISO_IR 192"
        [[receive.dicom.sender]]
        ae_title = "CART"
        addresses = ["192.0.2.7"]
        certificate_sha256 = ["0F:0F:0F:0F:0F:0F:0F:0F:0F:0F:0F:0F:0F:0F:0F:0F:0F:0F:0F:0F:0F:0F:0F:0F:0F:0F:0F:0F:0F:0F:0F:0f"]
        malformed = "refuse"
        other_classes = "take-and-drop"
        default_issuer = "Z"
        max_associations = 3
        fallback_charset = "GB18030"
        dictionaries = ["e"]
        commitment_host = "cart.example"
        commitment_port = 11119
        commitment_tls = true
        commitment_ca = "cca"
        commitment_certificate = "ccc"
        commitment_key = "cck"
        silent_after_days = 4
        [receive.dicom.tls]
        listen = ["[::1]:2762", "127.0.0.1:2762"]
        certificate = "c"
        key = "k"
        client_ca = "a"
        client_certificate = "optional"
        max_handshakes = 13
        handshake_timeout_s = 14
        [receive.web]
        listen = "127.0.0.1:8080"
        addresses_allowed = ["192.0.2.0/24"]
        proxy_from = ["198.51.100.7/32"]
        bearer = "tokens"
        max_connections = 3
        max_body_bytes = 4096
        idle_timeout_s = 4
        request_timeout_s = 5
        [receive.web.tls]
        listen = "127.0.0.1:8443"
        certificate = "a"
        key = "b"
        client_ca = "c"
        client_certificate = "optional"
        max_handshakes = 6
        handshake_timeout_s = 7
        [receive.hl7]
        listen = "[::1]:2575"
        addresses_allowed = ["192.0.2.0/24"]
        proxy_from = ["198.51.100.7/32"]
        max_connections = 2
        max_message_bytes = 2048
        idle_timeout_s = 3
        message_timeout_s = 4
        write_timeout_s = 5
        default_issuer = "H"
        [[receive.hl7.authority]]
        authority = "AA"
        issuer = "BB"
        [[baseline.operator]]
        name = "A"
        also = ["a"]
        offset = 0.1
        standard_error = 0.05
        sigma_w = 0.3
        [[baseline.device]]
        name = "M|X|1"
        also = ["M|X|"]
        offset = 0.1
        standard_error = 0.05
        [receive.hl7.tls]
        listen = "[::1]:2576"
        certificate = "c"
        key = "k"
        client_ca = "a"
        client_certificate = "optional"
        max_handshakes = 13
        handshake_timeout_s = 14
        [receive.folder]
        path = "in"
        scan_every_ms = 1_500
        settle_ms = 11
        unfinished_s = 12
        after = "delete"
        max_object_bytes = 2048
        default_issuer = "Y"
        fallback_charset = 'ISO 2022 IR 100\ISO 2022 IR 144'
        [store]
        kind = "postgresql"
        path = "s"
        url = "postgresql://s@db.example:5432/s"
        password_file = "p"
        connections = 3
        tls = "verify-full"
        ca = "a"
        certificate = "c"
        key = "k"
        keep_pixels = true
        keep_bodies_days = 13
        durability = "cluster"
        spool = "sp"
        spool_limit_mb = 17
        [templates]
        folder = "t"
        dictionaries = ["d"]
        presentation_states = true
        [[templates.sender]]
        dictionaries = ["f"]
        ae_titles = ["A"]
        devices = ["M|X|"]
        issuers = ["Z"]
        [context]
        show = true
        [documents]
        partial = "hold"
        preliminary = "use"
        unverified = "hold"
        [outbox]
        folder = "o"
        shared = false
        text = false
        html = false
        pdf = false
        csv = false
        [pages]
        listen = "127.0.0.1:8800"
        addresses_allowed = ["192.0.2.0/24"]
        proxy_from = ["198.51.100.7/32"]
        public_url = "https://sheath.example"
        department = "Ward"
        contact = "the desk"
        max_connections = 3
        idle_minutes = 5
        most_hours = 4
        remind_minutes = 30
        break_glass = true
        [pages.tls]
        listen = "127.0.0.1:8801"
        certificate = "a"
        key = "b"
        client_ca = "c"
        client_certificate = "optional"
        max_handshakes = 6
        handshake_timeout_s = 7
        [pages.openid]
        issuer = "https://sign-in.example"
        client = "sheath"
        secret = "s"
        ca = "d"
        groups_claim = "roles"
        [[pages.role]]
        group = "ward"
        roles = ["reader"]
        [observe]
        log = "debug"
        log_format = "json"
        listen = "127.0.0.1:9464"
        audit = "audit.xml"
        [observe.syslog]
        host = "h"
        port = 514
        ca = "a"
        certificate = "c"
        key = "k"
        timeout_s = 5
    "#;
    let config = Config::from_text("x.toml", changed).unwrap();
    let default = Config::default();
    for key in keys::all() {
        // The keys of a destination belong to different kinds; they and those of an archive have
        // tests of their own.
        // `tls = "off"` goes with none of the files beside it.
        let is_shown = !["baseline", "technique", "destination", "archive"].contains(&key.table)
            && (key.table, key.name) != ("store", "tls");
        if is_shown {
            assert_ne!((key.show)(&config), (key.show)(&default), "{}", key.name);
        }
    }
    assert_eq!(config.dicom.listen, ["[::1]:104".parse().unwrap()]);
    assert_eq!(config.dicom.tls.listen.len(), 2);
    assert_eq!(config.dicom.sender[0].certificate_sha256[0].0, [0x0F; 32]);
    assert_eq!(config.dicom.ae_title, "CART");
    assert_eq!(config.dicom.max_object_bytes, 4096);
    assert_eq!(config.folder.scan_every_ms, 1500);
    // One key at a time for the numbers, since each must move one field and no other.
    for (table, name) in Config::known_keys() {
        if ["baseline", "technique"].contains(&table) {
            let key = keys::find(table, name).unwrap();
            let old = (key.show)(&default);
            let new = match name {
                "unlabelled" => "\"ignore\"".to_owned(),
                "washout_days"
                | "provisional_after_days"
                | "session_gap_minutes"
                | "max_sessions" => "3".to_owned(),
                _ => format!("{:?}", old.parse::<f64>().unwrap() * 0.999),
            };
            let text = format!("[{table}]\n{name} = {new}\n");
            let config = Config::from_text("x.toml", &text).unwrap();
            for other in keys::all() {
                let same = (other.show)(&config) == (other.show)(&default);
                assert_eq!(same, (other.table, other.name) != (table, name), "{name}");
            }
        }
    }
}

#[test]
fn examples_load() {
    for (name, text) in shipped() {
        let read = messages(&name, &text);
        assert_eq!(read, "no mistake\n", "{name}");
    }
}

#[test]
fn a_stray_key_in_any_table_is_refused_where_it_stands() {
    for (name, text) in shipped() {
        let lines: Vec<&str> = text.lines().collect();
        let headings: Vec<usize> = (0..lines.len())
            .filter(|at| lines[*at].starts_with('['))
            .collect();
        for at in headings.iter().map(|at| at + 1).chain([0]) {
            let mut with = lines.clone();
            with.insert(at, "  stray_thing = 1");
            let found = Config::from_text(&name, &with.join("\n")).expect_err(&name);
            let [one] = found.as_slice() else {
                panic!("{name}: {found:?}");
            };
            assert_eq!((one.line, one.column), (at + 1, 3), "{name}: {one}");
            assert!(one.what.contains("no key stray_thing"), "{one}");
            assert!(one.instead.is_some(), "{one}");
        }
    }
}

#[test]
fn ten_mistakes_are_reported_in_one_run_in_line_order() {
    let text = fs::read_to_string(repository().join("fixtures/config/ten-mistakes.toml")).unwrap();
    let found = mistakes(&text);
    let marked: Vec<usize> = (1..)
        .zip(text.lines())
        .filter(|(_, line)| line.ends_with("# wrong"))
        .map(|(number, _)| number)
        .collect();
    assert_eq!(marked.len(), 10);
    assert_eq!(found.iter().map(|m| m.line).collect::<Vec<_>>(), marked);
}

/// Wrong configurations and the exact messages they earn. `UPDATE_GOLDEN=1` rewrites the
/// messages; read the difference before committing it.
#[test]
fn wrong_configurations_earn_these_messages() {
    let folder = repository().join("fixtures/config");
    let update = std::env::var_os("UPDATE_GOLDEN").is_some();
    let mut cases: Vec<PathBuf> = fs::read_dir(&folder)
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .collect();
    cases.sort();
    let of = |ending: &str| {
        cases
            .iter()
            .filter(|path| path.extension().is_some_and(|e| e == ending))
            .map(|path| path.with_extension(""))
            .collect::<Vec<_>>()
    };
    let inputs = of("toml");
    assert!(inputs.len() >= 20);
    for case in &inputs {
        let input = case.with_extension("toml");
        let name = input.file_name().unwrap().to_str().unwrap();
        let text = fs::read_to_string(&input).unwrap();
        let said = messages(name, &text);
        assert_ne!(said, "no mistake\n", "{name} must be wrong");
        for line in said.lines() {
            assert!(line.contains("; "), "{name}: no way out in: {line}");
        }
        let golden = case.with_extension("txt");
        if update {
            fs::write(&golden, &said).unwrap();
        }
        let expected = fs::read_to_string(&golden).unwrap_or_else(|error| {
            panic!("{}: {error}; UPDATE_GOLDEN=1 writes it", golden.display())
        });
        assert_eq!(said, expected, "{name}");
    }
    assert_eq!(
        of("txt"),
        inputs,
        "a message file without its configuration"
    );
}

#[test]
fn what_a_message_offers_as_a_value_is_accepted() {
    let folder = repository().join("fixtures/config");
    let mut tried = 0;
    for entry in fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.extension().is_none_or(|e| e != "toml") {
            continue;
        }
        for mistake in mistakes(&fs::read_to_string(&path).unwrap()) {
            let offer = mistake.instead.unwrap();
            // The heading of a table that may stand several times, or of any other.
            let (heading, _) = mistake.what.split_once(' ').unwrap();
            let id = match heading {
                "[[destination]]" => "name = \"n\"\nkind = \"hook\"\nurl = \"https://h/\"\n",
                "[[archive]]" => "name = \"n\"\nhost = \"h\"\nport = 104\ncalled = \"A\"\n",
                "[[templates.sender]]" if offer.contains("dictionaries = ") => {
                    "ae_titles = [\"A\"]\n"
                }
                "[[templates.sender]]" => "dictionaries = [\"d.toml\"]\n",
                // Each of the two needs the other.
                "[store]" if offer.contains("kind = ") => "url = \"postgresql://s@h/s\"\n",
                "[store]" if offer.contains("url = ") => "kind = \"postgresql\"\n",
                _ if heading.starts_with("[[") => "ae_title = \"ID\"\n",
                _ => "",
            };
            let offer = offer.trim_start_matches("write for example ");
            let offer = offer.trim_start_matches("write ");
            if mistake.what.contains("but must be") && offer.split_once(" = ").is_some() {
                // What it sends must be there.
                let before = match heading {
                    "[observe.syslog]" => "[observe]\naudit = \"a\"\n",
                    _ => "",
                };
                let kind = if heading == "[[archive]]" && !offer.starts_with("kind") {
                    "kind = \"dicom\"\n"
                } else {
                    ""
                };
                let text = format!("{before}{heading}\n{id}{kind}{offer}\n");
                if offer.contains(';') {
                    continue; // an order between two keys: a sentence, not a value
                }
                if heading == "[[destination]]" {
                    destination_takes(offer);
                } else {
                    assert_eq!(messages("x.toml", &text), "no mistake\n", "{text}");
                }
                tried += 1;
            }
        }
    }
    assert!(tried >= 20, "{tried}");
}

/// Four whole destinations, one of each kind.
const OF_EACH_KIND: [&[&str]; 4] = [
    &[
        "name = \"n\"",
        "kind = \"dicom\"",
        "host = \"h\"",
        "port = 1",
        "called = \"A\"",
    ],
    &["name = \"n\"", "kind = \"hl7\"", "host = \"h\"", "port = 1"],
    &["name = \"n\"", "kind = \"fhir\"", "url = \"https://h/\""],
    &["name = \"n\"", "kind = \"hook\"", "url = \"https://h/\""],
];

/// The line is good in a destination of some kind, in the place of its own line.
fn destination_takes(line: &str) {
    let key = line.split(" = ").next().unwrap();
    let good = OF_EACH_KIND.iter().any(|lines| {
        let others = lines
            .iter()
            .filter(|one| one.split(" = ").next() != Some(key));
        let others: Vec<&str> = others.copied().collect();
        let text = format!("[[destination]]\n{}\n{line}\n", others.join("\n"));
        Config::from_text("x.toml", &text).is_ok()
    });
    assert!(good, "{line}");
}

#[test]
fn every_key_of_a_destination_reaches_its_way() {
    let text = r#"
        [[destination]]
        name = "a-1"
        kind = "dicom"
        host = "2001:db8::7"
        port = 104
        called = "A"
        calling = "B"
        objects = ["pdf", "sr"]
        tls = true
        ca = "ca"
        certificate = "c"
        key = "/k"
        timeout_s = 7
        first_wait_s = 8
        longest_wait_s = 9
        give_up_days = 0
        [[destination]]
        name = "b"
        kind = "hl7"
        host = "engine_1.example"
        port = 2575
        sending_application = "S"
        sending_facility = "SF"
        receiving_application = "R"
        receiving_facility = "RF"
        processing = "training"
        [[destination]]
        name = "c"
        kind = "fhir"
        url = "http://[::1]:80/r4"
        bearer = "t"
        [[destination]]
        name = "d"
        kind = "hook"
        url = "https://h/x?y=z"
        [receive.dicom]
        ae_title = "OURS"
    "#;
    let mut config = Config::from_text("x.toml", text).unwrap_or_else(|all| panic!("{all:?}"));
    config.resolve(Path::new("/etc"));
    let all = config.destinations();
    let file = |name: &str| Some(PathBuf::from(name));
    let seconds = std::time::Duration::from_secs;
    let dicom = Way::Dicom(DicomWay {
        node: DicomNode {
            host: "2001:db8::7".into(),
            port: 104,
            called: "A".into(),
            calling: "B".into(),
            tls: Some(TlsFiles {
                ca: file("/etc/ca"),
                certificate: file("/etc/c"),
                key: file("/k"),
            }),
        },
        objects: vec![DicomForm::Pdf, DicomForm::Sr],
    });
    let mllp = Way::Mllp(MllpWay {
        host: "engine_1.example".into(),
        port: 2575,
        tls: None,
        route: Route {
            sending_application: "S".into(),
            sending_facility: "SF".into(),
            receiving_application: "R".into(),
            receiving_facility: "RF".into(),
            processing: Processing::Training,
        },
    });
    let http = |url: &str, bearer| HttpWay {
        url: url.into(),
        tls: TlsFiles::default(),
        bearer,
    };
    let fhir = Way::Fhir(http("http://[::1]:80/r4", file("/etc/t")));
    let hook = Way::Hook(HookWay {
        http: http("https://h/x?y=z", None),
        tell_status: false,
    });
    let ways: Vec<_> = all.iter().map(|(one, _)| one.way.clone()).collect();
    assert_eq!(ways, [dicom, mllp, fhir, hook]);
    let names: Vec<_> = all.iter().map(|(one, _)| one.name.as_str()).collect();
    assert_eq!(names, ["a-1", "b", "c", "d"]);
    assert_eq!(all[0].0.timeout, seconds(7));
    assert_eq!(all[1].0.timeout, seconds(30));
    let own = Retry {
        first: seconds(8),
        longest: seconds(9),
        give_up: None,
    };
    assert_eq!(all[0].1, own);
    assert_eq!(all[1].1.give_up, Some(seconds(7 * 86_400)));
    // Left out, our own title is that of the listener.
    let plain = text.replace("calling = \"B\"", "");
    let config = Config::from_text("x.toml", &plain).unwrap();
    let Way::Dicom(way) = &config.destinations()[0].0.way else {
        panic!("dicom");
    };
    assert_eq!(way.node.calling, "OURS");
}

/// The examples of the shipped default without their marks: every key of the table is there, with a
/// sentence where it stands first.
fn examples(begin: &str, table: &str) -> Config {
    let (_, shown) = DEFAULT_TEXT.split_once(begin).unwrap();
    let shown = shown.split_once("\n\n").unwrap().0;
    let heading = format!("[[{table}]]");
    let mut text = String::new();
    let mut found = BTreeSet::new();
    let mut explained = false;
    for line in shown.lines() {
        let line = line.strip_prefix("# ").unwrap_or_default();
        if let (false, Some((key, _))) = (line.starts_with('#'), line.split_once(" = ")) {
            assert!(explained || found.contains(key), "{line} has no sentence");
            found.insert(key);
        }
        if line == heading || (!line.starts_with('#') && line.contains(" = ")) {
            text.push_str(&format!("{line}\n"));
        }
        explained = line.starts_with('#');
    }
    let known: BTreeSet<_> = keys::of_table(table).map(|key| key.name).collect();
    assert_eq!(found, known);
    Config::from_text("x.toml", &text).unwrap_or_else(|all| panic!("{all:?}"))
}

#[test]
fn the_shipped_default_shows_every_key_of_an_archive() {
    let config = examples("\n# Archives whose history ", "archive");
    let [shown, web] = config.backfill.archive.as_slice() else {
        panic!("two examples");
    };
    // Beside who and where it is, the example shows the defaults.
    let same = ArchiveSettings {
        name: shown.name.clone(),
        kind: shown.kind,
        host: shown.host.clone(),
        port: shown.port,
        called: shown.called.clone(),
        calling: shown.calling.clone(),
        retrieve: RetrieveBy::Move,
        move_to: shown.move_to.clone(),
        tls: true,
        ca: shown.ca.clone(),
        certificate: shown.certificate.clone(),
        key: shown.key.clone(),
        default_issuer: Some(String::new()),
        ..ArchiveSettings::default()
    };
    assert_eq!(*shown, same);
    let same = ArchiveSettings {
        name: web.name.clone(),
        kind: web.kind,
        url: web.url.clone(),
        bearer: web.bearer.clone(),
        ..ArchiveSettings::default()
    };
    assert_eq!(*web, same);
    assert_eq!(config.archives().len(), 2);
    assert_eq!(config.history_titles()[0].ae_title, "SHEATHHISTORY");
}

#[test]
fn an_archive_is_what_its_keys_say() {
    let text = "[receive.dicom]\nae_title = \"OURS\"\ndefault_issuer = \"H\"\n\
                [[archive]]\nname = \"a\"\nkind = \"dicom\"\nhost = \"h\"\nport = 104\ncalled = \"A\"\n";
    let of = |more: &str| {
        let config = Config::from_text("x.toml", &format!("{text}{more}"));
        config
            .unwrap_or_else(|all| panic!("{all:?}"))
            .archives()
            .remove(0)
    };
    let plain = of("");
    let crate::routes::archive::Way::Dicom(way) = &plain.way else {
        panic!("another kind");
    };
    assert_eq!((way.node.calling.as_str(), &way.node.tls), ("OURS", &None));
    assert_eq!(
        (plain.default_issuer.as_str(), plain.current_days),
        ("H", Some(30))
    );
    assert_eq!(of("default_issuer = \"\"").default_issuer, "");
    assert_eq!(of("current_days = 0").current_days, Some(0));
    assert_eq!(of("deliver = true").current_days, None);
    let hours = of("hours = \"22:00-6:00\"").pace.hours;
    assert_eq!(hours.unwrap().to_string(), "22:00-06:00");
    let full =
        of("objects_per_s = 3\nat_once = 4\nwindow_days = 5\nanswers_max = 6\ntimeout_s = 7");
    assert_eq!((full.pace.objects_per_s, full.pace.at_once), (3, 4));
    assert_eq!((full.window_days, full.answers_max), (5, 6));
    assert_eq!(full.timeout, std::time::Duration::from_secs(7));
    let text =
        "[[archive]]\nname = \"w\"\nkind = \"dicomweb\"\nurl = \"https://h/dw/\"\nbearer = \"t\"\n";
    let web = Config::from_text("x.toml", text).unwrap().archives();
    let expected = HttpWay {
        url: "https://h/dw".to_owned(),
        tls: TlsFiles::default(),
        bearer: Some("t".into()),
    };
    assert_eq!(web[0].way, crate::routes::archive::Way::Web(expected));
}

/// Keys of the other kind, and what HTTP needs, are mistakes with their places.
#[test]
fn keys_of_the_other_kind_of_archive_are_mistakes() {
    let of = |lines: &str| messages("x.toml", &format!("[[archive]]\nname = \"a\"\n{lines}"));
    let web = "kind = \"dicomweb\"\nurl = \"https://h/\"\n";
    assert_eq!(of(web), "no mistake\n");
    for line in [
        "host = \"h\"",
        "port = 104",
        "called = \"A\"",
        "tls = true",
        "retrieve = \"get\"",
    ] {
        let name = line.split_once(' ').unwrap().0;
        let said = of(&format!("{web}{line}\n"));
        assert!(
            said.starts_with("x.toml:5:")
                && said.contains(&format!("[[archive]] {name} is for kind = \"dicom\"")),
            "{said}"
        );
    }
    let dicom = "kind = \"dicom\"\nhost = \"h\"\nport = 104\ncalled = \"A\"\n";
    let said = of(&format!("{dicom}url = \"https://h/\"\n"));
    assert!(said.contains("url is for kind = \"dicomweb\""), "{said}");
    assert!(of("kind = \"dicomweb\"\n").contains("must have the key url"));
    let plain = "kind = \"dicomweb\"\nurl = \"http://h/\"\n";
    assert!(of(&format!("{plain}bearer = \"t\"\n")).contains("unencrypted"));
    assert!(of(&format!("{plain}ca = \"c\"\n")).contains("is not encrypted"));
    assert!(of("kind = \"dicomweb\"\nurl = \"https://h/?a\"\n").contains("without ?"));
}

/// The examples of destinations are good.
#[test]
fn the_shipped_default_shows_every_key_of_a_destination() {
    let config = examples("\n# Destinations: ", "destination");
    assert_eq!(config.destinations().len(), 4);
    // What the example shows of a key with a default is that default.
    let default = DestinationSettings::default();
    let first = &config.deliver.destination[0];
    assert_eq!(first.timeout_s, default.timeout_s);
    assert_eq!(first.first_wait_s, default.first_wait_s);
    assert_eq!(first.longest_wait_s, default.longest_wait_s);
    assert_eq!(first.give_up_days, default.give_up_days);
    assert_eq!(first.objects, default.objects);
    assert_eq!(
        config.deliver.destination[1].sending_application,
        default.sending_application
    );
}

/// RFC 1123 2.1 and RFC 3986 3.2.2 for the hosts.
#[test]
fn hosts_and_urls_are_checked_by_their_form() {
    let hook = |url: &str| {
        let url = value::quoted(url);
        let text = format!("[[destination]]\nname = \"n\"\nkind = \"hook\"\nurl = {url}\n");
        Config::from_text("x.toml", &text).is_ok()
    };
    for good in [
        "https://a.example",
        "http://127.0.0.1:8080/x",
        "https://[::1]/",
        "https://a/b?c=d",
    ] {
        assert!(hook(good), "{good}");
    }
    for bad in [
        "",
        "a.example",
        "ftp://a/",
        "https://",
        "https:///x",
        "https://u@a/",
        "https://a:0/",
        "https://a:65536/",
        "https://a:b/",
        "https://a b/",
        "https://a/#x",
        "https://[::1/",
        "HTTPS//a",
        "https://1.2.3/",
        "https://a..b/",
        "https://-a/",
        "https://[::1]x/",
    ] {
        assert!(!hook(bad), "{bad}");
    }
}

#[test]
fn ae_titles_keep_the_rule_of_the_standard() {
    // DICOM PS3.5 table 6.2-1, AE: at most 16 bytes, default repertoire without backslash and
    // control characters, spaces at the ends do not count, not only spaces.
    let accepts = |title: &str| {
        let title = value::quoted(title);
        Config::from_text("x.toml", &format!("[receive.dicom]\nae_title = {title}\n")).is_ok()
    };
    for good in [
        "A",
        "SHEATHLINE",
        "ABCDEFGHIJKLMNOP",
        " PADDED ",
        "a.b-c_d 1",
    ] {
        assert!(accepts(good), "{good}");
    }
    for bad in [
        "",
        "    ",
        "ABCDEFGHIJKLMNOPQ",
        "A\\B",
        "A\tB",
        "A\u{7f}",
        "Ä",
    ] {
        assert!(!accepts(bad), "{bad:?}");
    }
}

#[test]
fn addresses_may_be_ipv6_and_near_misses_are_understood() {
    let said = |text: &str| messages("x", &format!("[receive.dicom]\nlisten = {text}\n"));
    assert_eq!(said("\"[::]:11112\""), "no mistake\n");
    assert_eq!(said("\"0.0.0.0:104\""), "no mistake\n");
    for (wrong, right) in [
        ("\"localhost:104\"", "\"127.0.0.1:104\""),
        ("\":4242\"", "\"0.0.0.0:4242\""),
        ("\"*:4242\"", "\"0.0.0.0:4242\""),
        ("\"4242\"", "\"127.0.0.1:4242\""),
        ("\"10.1.2.3\"", "\"10.1.2.3:11112\""),
        ("\"::1\"", "\"[::1]:11112\""),
        ("\"[::1]\"", "\"[::1]:11112\""),
        ("\"::1:4242\"", "\"[::1]:4242\""),
        ("\"archive.example:104\"", "[\"127.0.0.1:11112\"]"),
        ("\"1.2.3.4:99999\"", "[\"127.0.0.1:11112\"]"),
        ("\"\"", "[\"127.0.0.1:11112\"]"),
    ] {
        let said = said(wrong);
        assert!(
            said.trim_end().ends_with(&format!("listen = {right}")),
            "{said}"
        );
    }
}

/// RFC 4632 3.1 and RFC 4291 2.3 for the prefixes.
#[test]
fn networks_are_whole_or_one_address() {
    let said = |text: &str| {
        let text = format!("[receive.dicom]\naddresses_allowed = [{text}]\n");
        messages("x", &text)
    };
    for good in [
        "192.0.2.7",
        "192.0.2.0/24",
        "0.0.0.0/0",
        "::1",
        "2001:db8::/32",
    ] {
        assert_eq!(said(&format!("\"{good}\"")), "no mistake\n", "{good}");
    }
    for bad in [
        "192.0.2.7/24",
        "192.0.2.0/33",
        "::/129",
        "cart.example",
        "192.0.2",
        "",
        "*",
    ] {
        let said = said(&format!("\"192.0.2.9\", \"{bad}\""));
        assert!(said.contains("addresses_allowed has"), "{bad}: {said}");
        assert!(said.contains(&format!("\"{bad}\"")), "{bad}: {said}");
    }
    assert!(said("\"::1\", \"::1\"").contains("names each entry once"));
}

#[test]
fn numbers_keep_their_bounds_at_both_ends() {
    let accepts =
        |line: &str| Config::from_text("x.toml", &format!("[baseline]\n{line}\n")).is_ok();
    assert!(accepts("sigma_w = 1"));
    assert!(accepts("sigma_w = 1.999"));
    assert!(!accepts("sigma_w = 0"));
    assert!(!accepts("sigma_w = 2.0"));
    assert!(!accepts("sigma_w = nan"));
    assert!(!accepts("sigma_w = inf"));
    assert!(!accepts("sigma_w = -0.2"));
    assert!(accepts("rho_s = 0"));
    assert!(accepts("rho_s = 1.0"));
    assert!(!accepts("rho_s = 1.0001"));
    assert!(accepts("max_sessions = 1"));
    assert!(accepts("max_sessions = 20"));
    assert!(!accepts("max_sessions = 0"));
    assert!(!accepts("max_sessions = 21"));
    assert!(!accepts("max_sessions = 9223372036854775808"));
    assert!(!accepts("washout_days = -1"));
}

#[test]
fn relative_paths_count_from_the_folder_of_the_file() {
    let text = "[receive.folder]\npath = \"in\"\n[receive.dicom.tls]\ncertificate = \"/c\"\nkey = \"k\"\n[templates]\ndictionaries = [\"d.toml\", \"/e.toml\"]\n[[templates.sender]]\ndictionaries = [\"f.toml\"]\nissuers = [\"W\"]\n[[receive.dicom.sender]]\nae_title = \"A\"\ndictionaries = [\"g.toml\"]\n";
    let mut config = Config::from_text("x.toml", text).unwrap();
    config.resolve(Path::new("/etc/sheathline"));
    assert_eq!(
        config.folder.path,
        Some(PathBuf::from("/etc/sheathline/in"))
    );
    assert_eq!(
        config.store.path,
        Path::new("/etc/sheathline/sheathline-data/store.sqlite")
    );
    assert_eq!(
        config.templates.dictionaries,
        [Path::new("/etc/sheathline/d.toml"), Path::new("/e.toml")]
    );
    assert_eq!(config.templates.folder, None);
    let scoped = config.scoped_dictionaries().into_iter();
    let scoped: Vec<PathBuf> = scoped.flat_map(|one| one.files.to_vec()).collect();
    assert_eq!(
        scoped,
        ["g.toml", "f.toml"].map(|name| Path::new("/etc/sheathline").join(name))
    );
    assert_eq!(
        config.dicom.tls.key,
        Some(PathBuf::from("/etc/sheathline/k"))
    );
}

#[test]
fn a_byte_order_mark_and_windows_line_ends_do_no_harm() {
    let text = "\u{feff}[store]\r\npath = \"s\"\r\nfoo = 1\r\n";
    let found = mistakes(text);
    assert_eq!((found[0].line, found[0].column), (3, 1));
    assert_eq!(mistakes("\u{feff}foo = 1")[0].column, 1);
}

#[test]
fn quoted_names_are_never_taken_for_known_ones() {
    for text in [
        "[\"receive.dicom\"]\nenabled = false\n",
        "\"\" = {}\n",
        "[\"\"]\n[\"\".store]\npath = \"s\"\n",
        "[store]\n\"pa\\nth\" = \"s\"\n",
    ] {
        let said = messages("x.toml", text);
        assert!(
            said.starts_with("x.toml:") && said.contains("there is no"),
            "{said}"
        );
        assert_eq!(said.lines().count(), 1, "{said}");
    }
}

#[test]
fn deep_nesting_is_a_mistake_and_not_a_crash() {
    for text in [
        format!("x = {}", "[".repeat(100_000)),
        format!("x = {}", "{a=".repeat(100_000)),
        format!("{}x = 1", "a.".repeat(100_000)),
        format!("[{}x]", "a.".repeat(100_000)),
    ] {
        assert!(!mistakes(&text).is_empty());
    }
}

proptest::proptest! {
    /// Whatever the text, there is an answer, and every mistake stands inside the file.
    #[test]
    fn no_text_breaks_the_reader(text in "(?s)(\\[|\\]|=|\"|'|#|\n|store|path|baseline|z_well|receive|listen|destination|,|\\.|1|ä| |\\PC){0,60}") {
        if let Err(found) = Config::from_text("x.toml", &text) {
            let lines = text.matches('\n').count() + 1;
            for mistake in found {
                assert!(mistake.line >= 1 && mistake.line <= lines);
                assert!(mistake.instead.is_some());
            }
        }
    }
}

#[test]
fn every_way_a_report_can_come_has_its_issuer() {
    let text = "[receive.dicom]\ndefault_issuer = \"D\"\n\
                [receive.folder]\ndefault_issuer = \"F\"\n\
                [[receive.dicom.sender]]\nae_title = \"CART1\"\ndefault_issuer = \"\"\n\
                [[receive.dicom.sender]]\nae_title = \"CART2\"\n\
                [[archive]]\nname = \"old\"\nkind = \"dicom\"\nhost = \"h\"\nport = 104\ncalled = \"A\"\n\
                default_issuer = \"A\"\n\
                [[archive]]\nname = \"new\"\nkind = \"dicom\"\nhost = \"h\"\nport = 104\ncalled = \"B\"\n";
    let config = Config::from_text("x.toml", text).expect("a configuration");
    for (source, issuer) in [
        ("dicom:CART1", Some("")),
        ("dicom:CART2", Some("D")),
        ("dicom:ANYBODY", Some("D")),
        ("web:192.0.2.7", Some("D")),
        ("folder", Some("F")),
        ("file", Some("F")),
        ("archive:old", Some("A")),
        ("archive:new", Some("D")),
        ("archive:removed", None),
    ] {
        assert_eq!(config.issuer_of(&source.into()), issuer, "{source}");
    }
    let same = Config::from_text("x.toml", text).expect("a configuration");
    assert_eq!(config.issuers(), same.issuers());
    for (old, new) in [
        ("\"D\"", "\"E\""),
        ("\"F\"", "\"E\""),
        ("\"A\"\n", "\"E\"\n"),
        ("\"\"", "\"E\""),
    ] {
        let text = text.replace(
            &format!("default_issuer = {old}"),
            &format!("default_issuer = {new}"),
        );
        let other = Config::from_text("x.toml", &text).expect("a configuration");
        assert_ne!(config.issuers(), other.issuers(), "{old}");
    }
}

/// Keys `commitment_…` of a sender: what one needs of another.
#[test]
fn where_a_sender_is_told_what_it_asked() {
    let read = |keys: &str| {
        let text = format!("[[receive.dicom.sender]]\nae_title = \"CART1\"\n{keys}");
        Config::from_text("x.toml", &text)
    };
    let good = read("commitment_host = \"cart.example\"\ncommitment_port = 11113\n");
    let nodes = good.expect("good").commitment_nodes();
    let node = nodes.get("CART1").expect("told");
    let titles = (node.called.as_str(), node.calling.as_str());
    assert_eq!((titles, node.port), (("CART1", "SHEATHLINE"), 11113));
    assert!(node.tls.is_none());
    assert!(read("").expect("good").commitment_nodes().is_empty());
    let both = "commitment_host = \"h\"\ncommitment_port = 1\n";
    for (keys, said) in [
        (
            "commitment_host = \"h\"\n".to_owned(),
            "without commitment_port",
        ),
        (
            "commitment_port = 1\n".to_owned(),
            "without commitment_host",
        ),
        (
            "commitment_tls = true\n".to_owned(),
            "without commitment_host",
        ),
        (format!("{both}commitment_ca = \"a\"\n"), "switched off"),
        (
            format!("{both}commitment_tls = true\ncommitment_key = \"k\"\n"),
            "without commitment_certificate",
        ),
    ] {
        let mistakes = read(&keys).expect_err(said);
        let text = mistakes.iter().map(ToString::to_string).collect::<String>();
        assert!(text.contains(said), "{text}");
    }
}
