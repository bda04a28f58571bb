//! `check-config` looks at the disk and tells every mistake in one run, each with its line.

use crate::harness::{Site, program};
use std::fs;

/// What `check-config` says of this configuration beside a good site's folder, and its exit code.
fn checked(site: &Site, text: &str, variables: &[(&str, &str)]) -> (Option<i32>, String) {
    fs::write(site.config(), text).expect("written");
    let output = program()
        .args(["check-config", "--config"])
        .arg(site.config())
        .envs(variables.iter().copied())
        .output()
        .expect("runs");
    let said = [output.stdout, output.stderr].concat();
    (
        output.status.code(),
        String::from_utf8_lossy(&said).into_owned(),
    )
}

fn has_all(said: &str, parts: &[&str]) {
    let missing: Vec<_> = parts.iter().filter(|part| !said.contains(**part)).collect();
    assert!(missing.is_empty(), "{missing:?} not in:\n{said}");
}

const ON_DISK: &str = "\
[receive.dicom]
listen = \"127.0.0.1:0\"
[receive.folder]
path = \"incoming\"
[receive.web]
listen = \"127.0.0.1:0\"
bearer = \"tokens\"
[store]
path = \"store.sqlite\"
[outbox]
folder = \"outfile\"
[observe]
audit = \"logs/audit.xml\"
[receive.dicom.tls]
listen = \"127.0.0.1:0\"
certificate = \"server.pem\"
key = \"server.key\"
client_certificate = \"off\"
[[destination]]
name = \"first\"
kind = \"hook\"
url = \"https://hook.example/a\"
[[destination]]
name = \"second\"
kind = \"hook\"
url = \"https://hook.example/b\"
ca = \"authorities.pem\"
";

#[test]
fn every_mistake_on_the_disk_is_told_at_once_with_its_line() {
    let site = Site::new();
    fs::write(site.path("outfile"), "").expect("written");
    let (code, said) = checked(&site, ON_DISK, &[]);
    assert_eq!(code, Some(2), "{said}");
    has_all(
        &said,
        &[
            "site.toml:4: ",
            "incoming: is not there; [receive.folder] path names it",
            "site.toml:7: ",
            "tokens: No such file",
            "site.toml:11: ",
            "[outbox] folder names it, and a folder must be there",
            "site.toml:13: ",
            "logs: is not there; [observe] audit names it",
            "site.toml:16: ",
            "server.pem: No such file",
            "site.toml:27: [[destination]] second: ",
        ],
    );
    assert!(!said.contains("no mistakes"), "{said}");
    assert!(!said.contains("] first:"), "{said}");
    // Beside mistakes of the file itself, what it names is looked at all the same; what stands
    // nowhere is not.
    let (code, said) = checked(
        &site,
        &ON_DISK.replace("path = \"store.sqlite\"", "paht = 1"),
        &[],
    );
    assert_eq!(code, Some(2), "{said}");
    has_all(
        &said,
        &[
            "site.toml:9:1: ",
            "1 mistake",
            "site.toml:4: ",
            "site.toml:27: ",
        ],
    );
    for folder in ["incoming", "logs"] {
        fs::create_dir(site.path(folder)).expect("made");
    }
    fs::write(site.path("tokens"), "secret\n").expect("written");
    let mended = ON_DISK
        .replace("outfile", "results")
        .replace(
            "[receive.dicom.tls]\nlisten = \"127.0.0.1:0\"",
            "[receive.dicom.tls]",
        )
        .replace("ca = \"authorities.pem\"\n", "");
    let (code, said) = checked(&site, &mended, &[]);
    assert_eq!(code, Some(0), "{said}");
    has_all(&said, &["no mistakes found"]);
}

#[test]
fn what_works_and_was_hardly_meant_is_told() {
    let site = Site::new();
    let text = "[receive.dicom]\nlisten = [\"127.0.0.1:0\", \"192.0.2.1:11112\"]\ncalling_allowed = [\"ARCHIVE\"]\n\
                addresses_allowed = [\"192.0.2.0/24\"]\n\
                [[receive.dicom.sender]]\nae_title = \"CART1\"\n[[receive.dicom.sender]]\nae_title = \"ARCHIVE\"\n";
    let near = [("SHEATHLINE_RECEIVE_DICOM_LISTEN", "127.0.0.1:1")];
    let (code, said) = checked(&site, text, &near);
    assert_eq!(code, Some(0), "{said}");
    has_all(
        &said,
        &[
            "the variable SHEATHLINE_RECEIVE_DICOM_LISTEN is not read; write SHEATHLINE__RECEIVE__DICOM__LISTEN",
            "site.toml:6: CART1 may not connect",
            "site.toml:2: [receive.dicom] listen names 192.0.2.1:11112, and this machine has no such address",
        ],
    );
    assert!(!said.contains("ARCHIVE may not"), "{said}");
}

#[test]
fn every_wrong_entry_of_a_list_is_told() {
    let site = Site::new();
    let text = "[receive.dicom]\naddresses_allowed = [\"192.0.2\", \"192.0.2.0/24\", \"192.0.2.0/99\", \"here\"]\n";
    let (code, said) = checked(&site, text, &[]);
    assert_eq!(code, Some(2), "{said}");
    has_all(
        &said,
        &[
            "has \"192.0.2\",",
            "has \"192.0.2.0/99\",",
            "has \"here\",",
            "3 mistakes",
        ],
    );
}

/// `serve` and `check-config` end with the same exit code where nothing can be received, and where two
/// ports cannot both be had.
#[test]
fn what_serve_refuses_is_refused_with_the_same_exit_code() {
    let site = Site::new();
    for (text, says) in [
        ("[receive.dicom]\nenabled = false\n", "nothing to serve"),
        (
            "[receive.dicom]\nlisten = \"0.0.0.0:4711\"\n[receive.web]\nlisten = \"127.0.0.1:4711\"\n",
            "[receive.web] listens on an address that another listen key names",
        ),
        (
            "[receive.dicom]\nlisten = [\"[::]:4711\", \"127.0.0.1:4711\"]\n",
            "name one address twice",
        ),
        (
            "[receive.dicom]\ndefault_issuer = \"${ISSUER}\"\n",
            "nothing is filled in here",
        ),
    ] {
        let (code, said) = checked(&site, text, &[]);
        assert_eq!(code, Some(2), "{said}");
        has_all(&said, &[says]);
        let served = program()
            .args(["serve", "--config"])
            .arg(site.config())
            .output()
            .expect("runs");
        assert_eq!(served.status.code(), Some(2), "{text}");
        has_all(&String::from_utf8_lossy(&served.stderr), &[says]);
    }
}
