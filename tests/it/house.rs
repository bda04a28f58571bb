//! The house: four packages, the rooms in them, and arrows that go one way.
//!
//! Cargo holds the arrows between packages, these tests those between the rooms of a package, and that
//! the model reaches nothing outside itself. `ROOMS=rooms.dot cargo test --test it house` writes what
//! the rooms import as a picture for Graphviz.

mod imports;
mod rooms;

use super::tidy::{files, root};
use imports::standard;
use rooms::{Rooms, picture, ring, without_tests};
use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::{Path, PathBuf};

/// Each package, and those of ours that it may know.
const PACKAGES: [(&str, &[&str]); 4] = [
    ("model", &[]),
    ("net", &[]),
    ("store", &["model"]),
    ("app", &["model", "net", "store"]),
];

/// What the pure part may use of the standard library: values, and nothing that reaches outside.
const PURE: [&str; 30] = [
    "array",
    "borrow",
    "boxed",
    "cell",
    "char",
    "cmp",
    "collections",
    "convert",
    "default",
    "error",
    "f64",
    "fmt",
    "hash",
    "hint",
    "iter",
    "marker",
    "mem",
    "num",
    "ops",
    "option",
    "ptr",
    "rc",
    "result",
    "slice",
    "str",
    "string",
    "vec",
    "time::Duration",
    "io",
    "sync",
];

/// Of these two modules only what holds values; not standard input, locks or channels.
const PURE_PARTS: [&str; 13] = [
    "io::Cursor",
    "io::Error",
    "io::ErrorKind",
    "io::Read",
    "io::Write",
    "io::Result",
    "io::BufRead",
    "io::Seek",
    "io::SeekFrom",
    "sync::Arc",
    "sync::LazyLock",
    "sync::OnceLock",
    "io::self",
];

/// The Rust files of a package, each with its path below `src`; those of tests left out.
fn sources(package: &str) -> Vec<(PathBuf, String)> {
    let src = root().join("daemon").join(package).join("src");
    let read = |path: PathBuf| {
        let text = fs::read_to_string(&path).expect("readable");
        (path.strip_prefix(&src).expect("below").to_owned(), text)
    };
    let all = files(&src, &[".rs"]).into_iter().map(read).collect();
    without_tests(all).unwrap_or_else(|error| panic!("{package}: {error}"))
}

fn rooms_of(package: &str) -> Rooms {
    Rooms::of(&sources(package)).unwrap_or_else(|error| panic!("{package}: {error}"))
}

#[test]
fn cargo_holds_the_arrows_between_packages() {
    for (package, may) in PACKAGES {
        let manifest = root().join("daemon").join(package).join("Cargo.toml");
        let manifest: toml::Table = fs::read_to_string(manifest)
            .expect("a manifest")
            .parse()
            .expect("TOML");
        let names = manifest["dependencies"].as_table().expect("a table").keys();
        let ours: BTreeSet<&str> = names
            .filter_map(|name| name.strip_prefix("sheathline-"))
            .collect();
        assert_eq!(ours, may.iter().copied().collect(), "{package}");
    }
}

/// Whoever looks for a room finds it on the map, and every path that the map names is there.
#[test]
fn the_map_is_that_of_the_house() {
    let map = fs::read_to_string(root().join("DEVELOPERS.md")).expect("a map");
    let named: BTreeSet<&str> = map.split('`').skip(1).step_by(2).collect();
    for (package, _) in PACKAGES.into_iter().filter(|(name, _)| *name != "store") {
        for room in rooms_of(package).imports.into_keys() {
            let is_named =
                named.contains(room.as_str()) || ["lib", "main"].contains(&room.as_str());
            assert!(is_named, "{package}: {room} is not on the map");
        }
    }
    let daemon = root().join("daemon");
    let places = [
        root(),
        daemon.clone(),
        daemon.join("app/src"),
        daemon.join("model/src"),
    ];
    let mut paths = 0;
    for path in named.iter().filter(|path| path.contains('/')) {
        let is_path = path
            .chars()
            .all(|c| c.is_ascii_alphanumeric() || "/._-".contains(c));
        if !is_path || path.ends_with('/') || path.contains("NAME") || path.contains("CASE") {
            continue;
        }
        assert!(
            places.iter().any(|place| place.join(path).exists()),
            "{path}"
        );
        paths += 1;
    }
    assert!(paths > 20, "{paths} paths");
}

/// Which database stands behind the store is known to a room of its own, one for each: another may come.
#[test]
fn one_room_of_the_store_names_each_library_of_a_database() {
    let manifest = Path::new("daemon/store/Cargo.toml");
    for (library, room) in LIBRARIES {
        let all = ["daemon", "tests"].map(|top| files(&root().join(top), &[".rs", ".toml"]));
        let outside = all.into_iter().flatten().filter(|path| {
            let path = path.strip_prefix(root()).expect("below");
            !path.starts_with(room)
                && path != Path::new(room).with_extension("rs")
                && path != manifest
        });
        let mut seen = 0;
        for path in outside {
            let text = fs::read_to_string(&path).expect("readable");
            seen += 1;
            assert_eq!(naming_line(&text, library), None, "{}", path.display());
        }
        assert!(seen > 300, "{seen} files");
        let manifest = fs::read_to_string(root().join(manifest)).expect("a manifest");
        assert!(
            naming_line(&manifest, library).is_some(),
            "the word is the right one"
        );
    }
}

/// Whoever serves HTTP takes the one way, with its bounds and its end: no second loop over the library.
#[test]
fn one_file_alone_names_the_library_that_serves_http() {
    // In two pieces, so that this file may be looked at too.
    let library = concat!("hyper", "::");
    let named: BTreeSet<PathBuf> = ["daemon", "tests"]
        .into_iter()
        .flat_map(|top| files(&root().join(top), &[".rs"]))
        .filter(|path| {
            fs::read_to_string(path)
                .expect("readable")
                .contains(library)
        })
        .map(|path| path.strip_prefix(root()).expect("below").to_owned())
        .collect();
    let server = PathBuf::from("daemon/net/src/http/server.rs");
    let tests = PathBuf::from("daemon/net/src/http/server/tests.rs");
    assert_eq!(named, BTreeSet::from([server, tests]));
}

/// Each library of a database, in two pieces, so that this file may be looked at too; and the room that may
/// name it.
const LIBRARIES: [(&str, &str); 2] = [
    (concat!("rus", "qlite"), "daemon/store/src/sqlite"),
    (concat!("tokio", "-postgres"), "daemon/store/src/postgres"),
];

/// The first line that names a library, as in a manifest or in code.
fn naming_line<'t>(text: &'t str, library: &str) -> Option<&'t str> {
    let in_code = library.replace('-', "_");
    text.lines()
        .find(|line| line.contains(library) || line.contains(&in_code))
}

#[test]
fn no_room_of_a_package_is_in_a_ring() {
    let mut rings = Vec::new();
    for (package, _) in PACKAGES {
        let rooms = rooms_of(package);
        assert!(
            rooms.imports.len() > 3,
            "{package}: {} rooms",
            rooms.imports.len()
        );
        rings.extend(ring(&rooms).map(|ring| format!("{package}: {ring}")));
    }
    assert!(rings.is_empty(), "rooms import each other: {rings:#?}");
}

/// A ring of three rooms, by way of everything that an import can look like.
#[test]
fn a_planted_ring_is_found_and_printed() {
    let planted = |last: &str| {
        let file = |path: &str, text: &str| (PathBuf::from(path), text.to_owned());
        Rooms::of(&[
            file("lib.rs", "pub mod attic;\npub mod cellar;\npub mod hall;"),
            file("attic.rs", "mod box_room;"),
            file(
                "attic/box_room.rs",
                "fn put() { super::super::hall::take() }",
            ),
            file(
                "hall/mod.rs",
                "use std::fmt;\nuse crate::{cellar::{self, Shelf}};",
            ),
            file(
                "hall/tests.rs",
                "#[cfg(test)] mod inner { use crate::attic; }",
            ),
            file("cellar.rs", last),
        ])
        .expect("it parses")
    };
    for innocent in [
        "",
        "use std::fmt; fn fine() { self::shelf() } fn shelf() {}",
        "#[cfg(test)] mod tests { use crate::attic; }",
        "#[cfg(any(test, feature = \"tests\"))] pub mod samples { use crate::attic; }",
        "// use crate::attic;",
    ] {
        assert_eq!(ring(&planted(innocent)), None, "{innocent}");
    }
    for guilty in [
        "use crate::attic;",
        "pub(crate) use crate::attic::*;",
        "use crate::{attic as top, hall};",
        "fn up() { crate::attic::go() }",
        "fn up(of: &dyn crate::attic::Lamp) {}",
        "fn up() -> Vec<super::attic::Lamp> { vec![] }",
        "fn up() { println!(\"{}\", crate::attic::LAMPS) }",
        "mod stairs { use super::super::attic; }",
        "#[derive(Debug)] struct A { #[serde(with = \"crate::attic\")] lamp: u8 }",
    ] {
        let found = ring(&planted(guilty)).unwrap_or_else(|| panic!("no ring by {guilty}"));
        for room in ["attic", "hall", "cellar"] {
            assert!(found.contains(room), "{found}");
        }
    }
}

/// Nothing but values: no file, socket, clock, thread, process or variable of the environment.
#[test]
fn the_model_uses_nothing_of_std_that_reaches_outside() {
    let mut used = BTreeMap::new();
    for (path, text) in sources("model") {
        let file =
            syn::parse_file(&text).unwrap_or_else(|error| panic!("{}: {error}", path.display()));
        for name in standard(&file) {
            used.entry(name)
                .or_insert_with(|| path.display().to_string());
        }
    }
    assert!(used.len() > 15, "{used:?}");
    used.retain(|name, _| !is_pure(name));
    assert!(
        used.is_empty(),
        "std of the model reaches outside: {used:#?}"
    );
}

fn is_pure(name: &str) -> bool {
    let (module, _) = name.split_once("::").unwrap_or((name, ""));
    match module {
        "io" | "sync" => PURE_PARTS.contains(&name),
        "time" => name == "time::Duration",
        _ => PURE.contains(&module),
    }
}

#[test]
fn what_reaches_outside_is_found_wherever_it_stands() {
    for text in [
        "use std::fs;",
        "use std::{fmt, fs::File};",
        "fn f() { std::fs::read(\"x\"); }",
        "fn f() { let t = std::time::Instant::now(); }",
        "use std::time::{Duration, SystemTime};",
        "use std::thread as t;",
        "fn f() { println!(\"{}\", std::env::var(\"X\").is_ok()) }",
        "use std::io::*;",
        "use std::sync::Mutex;",
        "use core::panic;",
        "use ::std::net::TcpStream;",
        "struct S { socket: std::net::UdpSocket }",
        "use std::io;\nfn f() { io::stdin(); }",
    ] {
        let file = syn::parse_file(text).expect("it parses");
        assert!(standard(&file).iter().any(|name| !is_pure(name)), "{text}");
    }
    for text in [
        "use std::collections::BTreeMap;\nuse std::fmt;",
        "use std::io::{self, Read};\nfn f() -> io::Result<()> { Ok(()) }",
        "#[cfg(test)] mod tests { use std::fs; }",
    ] {
        let file = syn::parse_file(text).expect("it parses");
        assert!(standard(&file).iter().all(|name| is_pure(name)), "{text}");
    }
}

#[test]
fn a_picture_of_the_rooms_can_be_drawn() {
    let all: Vec<(&str, Rooms)> = PACKAGES.map(|(name, _)| (name, rooms_of(name))).into();
    let picture = picture(&all);
    for (package, rooms) in &all {
        for room in rooms.imports.keys() {
            assert!(picture.contains(&format!("\"{package}/{room}\"")), "{room}");
        }
    }
    if let Ok(path) = std::env::var("ROOMS") {
        fs::write(root().join(path), picture).expect("written");
    }
}
