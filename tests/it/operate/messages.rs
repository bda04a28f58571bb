//! Wrong configurations of every kind, each with the message that names the place and the fix. What
//! a file alone can have wrong is in `fixtures/config`; here are the sources of a configuration and
//! what it names.

use crate::harness::{Site, program};
use std::fs;
use std::net::TcpListener;

/// One wrong configuration.
struct Wrong<'a> {
    /// What is wrong, for the failed test.
    what: &'a str,
    /// Replaced in the text of a good site.
    change: (&'a str, &'a str),
    /// Files beside it; a name that ends in `/` is a folder.
    files: &'a [(&'a str, &'a [u8])],
    variables: &'a [(&'a str, &'a str)],
    /// What `serve` ends with.
    code: i32,
    /// What the message has: the place, then what to do.
    says: [&'a str; 2],
}

const NOTHING: Wrong<'static> = Wrong {
    what: "",
    change: ("", ""),
    files: &[],
    variables: &[],
    code: 2,
    says: ["", ""],
};

impl Wrong<'_> {
    /// What a command says of it, and its exit code.
    fn message(&self, command: &str) -> (Option<i32>, String) {
        let site = Site::new();
        let text = fs::read_to_string(site.config()).expect("configuration");
        let (old, new) = self.change;
        assert!(text.contains(old), "{}", self.what);
        let text = match old {
            "" => format!("{text}{new}"),
            _ => text.replacen(old, new, 1),
        };
        fs::write(site.config(), text).expect("written");
        for (name, bytes) in self.files {
            let path = site.path(name);
            fs::create_dir_all(path.parent().expect("a folder")).expect("made");
            match name.strip_suffix('/') {
                Some(folder) => fs::create_dir_all(site.path(folder)).expect("made"),
                None => fs::write(path, bytes).expect("written"),
            }
        }
        let output = program()
            .arg(command)
            .env("SHEATHLINE_CONFIG", site.config())
            .envs(self.variables.iter().copied())
            .output()
            .expect("runs");
        let said = [output.stdout, output.stderr].concat();
        (
            output.status.code(),
            String::from_utf8_lossy(&said).into_owned(),
        )
    }
}

const LISTEN: &str = "listen = \"127.0.0.1:0\"\n";
const DROP: &str = "path = \"drop\"";
const STORE: &str = "path = \"store.sqlite\"";
const OUTBOX: &str = "folder = \"outbox\"";
const FOLDER: &str = "[receive.folder]\n";
/// All that receives.
const RECEIVE: &str = "listen = \"127.0.0.1:0\"\n[receive.folder]\npath = \"drop\"\n";

#[test]
fn thirty_wrong_configurations_name_the_fix() {
    let taken = TcpListener::bind("127.0.0.1:0").expect("a port");
    let taken = taken.local_addr().expect("an address");
    let receive_taken = format!("listen = \"{taken}\"\n");
    let observe_taken = format!("listen = \"{taken}\"\n");
    let tls = |rest: &str| {
        format!(
            "[receive.dicom.tls]\nlisten = \"127.0.0.1:0\"\nclient_certificate = \"off\"\n{rest}{FOLDER}"
        )
    };
    let tls_alone = tls("");
    let tls_files = tls("certificate = \"a.pem\"\nkey = \"a.key\"\n");
    // Beside another port only this one stays closed.
    let tls_files = format!("listen = []\n{tls_files}");
    let table = [
        // Where settings come from.
        Wrong {
            what: "a file in another encoding",
            files: &[("site.toml", b"[store]\npath = \"M\xdcHLE\"\n")],
            says: ["site.toml", "save it as UTF-8"],
            ..NOTHING
        },
        Wrong {
            what: "a table in conf.d with a slip",
            files: &[("conf.d/10-site.toml", b"[stor]\npath = \"x\"\n")],
            says: ["conf.d/10-site.toml:1:2:", "write [store]"],
            ..NOTHING
        },
        Wrong {
            what: "an encoding in conf.d",
            files: &[("conf.d/10-site.toml", b"# \xdc\n")],
            says: ["conf.d/10-site.toml", "save it as UTF-8"],
            ..NOTHING
        },
        Wrong {
            what: "a rule broken between two files",
            change: ("", "[baseline]\nplausible_min = 5\n"),
            files: &[("conf.d/20.toml", b"[baseline]\nplausible_max = 4\n")],
            says: ["conf.d/20.toml:2:17:", "must be less than plausible_max"],
            ..NOTHING
        },
        Wrong {
            what: "a sender in two files",
            change: ("", "[[receive.dicom.sender]]\nae_title = \"CART1\"\n"),
            files: &[(
                "conf.d/20.toml",
                b"[[receive.dicom.sender]]\nae_title = \"CART1\"\n",
            )],
            says: ["site.toml already", "put the keys of both into one table"],
            ..NOTHING
        },
        Wrong {
            what: "a variable with a name for an address",
            variables: &[("SHEATHLINE__RECEIVE__DICOM__LISTEN", "localhost:104")],
            says: [
                "SHEATHLINE__RECEIVE__DICOM__LISTEN:",
                "write listen = \"127.0.0.1:104\"",
            ],
            ..NOTHING
        },
        Wrong {
            what: "a variable with a slip in its key",
            variables: &[("SHEATHLINE__RECEIVE__DICOM__LISTNE", "127.0.0.1:104")],
            says: ["SHEATHLINE__RECEIVE__DICOM__LISTNE:", "write listen"],
            ..NOTHING
        },
        Wrong {
            what: "a variable with a slip in its table",
            variables: &[("SHEATHLINE__RECIEVE__DICOM__LISTEN", "127.0.0.1:104")],
            says: [
                "SHEATHLINE__RECIEVE__DICOM__LISTEN:",
                "write [receive.dicom]",
            ],
            ..NOTHING
        },
        Wrong {
            what: "a variable without its table",
            variables: &[("SHEATHLINE__AE_TITLE", "ONE")],
            says: ["SHEATHLINE__AE_TITLE:", "move it under [receive.dicom]"],
            ..NOTHING
        },
        Wrong {
            what: "a variable for a table that stands several times",
            variables: &[("SHEATHLINE__RECEIVE__DICOM__SENDER__AE_TITLE", "ONE")],
            says: ["SENDER__AE_TITLE:", "write [[receive.dicom.sender]]"],
            ..NOTHING
        },
        Wrong {
            what: "a variable that is no number",
            variables: &[("SHEATHLINE__STORE__KEEP_BODIES_DAYS", "ninety")],
            says: [
                "KEEP_BODIES_DAYS:",
                "write for example keep_bodies_days = 0",
            ],
            ..NOTHING
        },
        // How a file is written.
        Wrong {
            what: "a decimal comma",
            change: ("", "[baseline]\nsigma_w = 0,2\n"),
            says: ["site.toml:", "numbers with a decimal point"],
            ..NOTHING
        },
        Wrong {
            what: "a text without quotes",
            change: (LISTEN, "listen = \"127.0.0.1:0\"\nae_title = ONE\n"),
            says: ["site.toml:3:12:", "write \"ONE\""],
            ..NOTHING
        },
        Wrong {
            what: "a large letter in a truth value",
            change: (FOLDER, "accept_any_called = True\n[receive.folder]\n"),
            says: ["site.toml:3:21:", "write true or false"],
            ..NOTHING
        },
        Wrong {
            what: "a table twice",
            change: ("", "[store]\nkeep_pixels = true\n"),
            says: ["duplicate key", "keep one of the two"],
            ..NOTHING
        },
        Wrong {
            what: "a port alone",
            change: (LISTEN, "listen = 11112\n"),
            says: ["site.toml:2:10:", "write listen = \"127.0.0.1:11112\""],
            ..NOTHING
        },
        Wrong {
            what: "a home folder",
            change: (STORE, "path = \"~/store.sqlite\""),
            says: ["which only a shell knows", "write path = \"/home/name"],
            ..NOTHING
        },
        Wrong {
            what: "a Windows path in double quotes",
            change: (OUTBOX, "folder = \"C:\\temp\""),
            says: ["site.toml:", "in single quotes a backslash stays one"],
            ..NOTHING
        },
        // What does not fit together.
        Wrong {
            what: "nothing to serve",
            change: (
                "listen = \"127.0.0.1:0\"\n[receive.folder]\npath = \"drop\"",
                "enabled = false\n[receive.folder]\npath = \"\"",
            ),
            says: ["nothing to serve", "write enabled = true"],
            ..NOTHING
        },
        Wrong {
            what: "the store in the drop folder",
            change: (STORE, "path = \"drop/store.sqlite\""),
            says: [
                "[store] path lies in the drop folder",
                "give each a folder of its own",
            ],
            ..NOTHING
        },
        Wrong {
            what: "results in the drop folder",
            change: (OUTBOX, "folder = \"drop/results\""),
            says: [
                "[outbox] folder lies in the drop folder",
                "give each a folder of its own",
            ],
            ..NOTHING
        },
        Wrong {
            what: "TLS without certificate",
            change: (FOLDER, &tls_alone),
            says: ["has no certificate", "write certificate = \"server.pem\""],
            ..NOTHING
        },
        // What the configuration names.
        Wrong {
            what: "no such certificate",
            change: (RECEIVE, &tls_files),
            says: [
                "a.pem: No such file",
                "[receive.dicom.tls] certificate names it",
            ],
            ..NOTHING
        },
        Wrong {
            what: "a certificate that is none",
            change: (RECEIVE, &tls_files),
            files: &[("a.pem", b"x"), ("a.key", b"y")],
            says: [
                "no certificate in PEM form",
                "[receive.dicom.tls] certificate names it",
            ],
            ..NOTHING
        },
        Wrong {
            what: "a port that is taken",
            change: (LISTEN, &receive_taken),
            code: 1,
            says: ["cannot listen on 127.0.0.1", "`ss -ltnp` shows which"],
            ..NOTHING
        },
        Wrong {
            what: "an address of another machine",
            // RFC 5737: for documentation, so nobody has it.
            change: (LISTEN, "listen = \"192.0.2.1:11112\"\n"),
            code: 1,
            says: ["cannot listen on 192.0.2.1:11112", "Write 0.0.0.0 for all"],
            ..NOTHING
        },
        Wrong {
            what: "the port of the endpoint is taken",
            change: ("", &observe_taken),
            code: 1,
            says: ["[observe] cannot listen", "`ss -ltnp` shows which"],
            ..NOTHING
        },
        Wrong {
            what: "no drop folder",
            change: (DROP, "path = \"incoming\""),
            code: 1,
            says: ["incoming: No such file", "[receive.folder] path names it"],
            ..NOTHING
        },
        Wrong {
            what: "a file as the drop folder",
            change: (DROP, "path = \"site.toml\""),
            says: [
                "site.toml: Not a directory",
                "[receive.folder] path names it",
            ],
            ..NOTHING
        },
        Wrong {
            what: "a folder as the store",
            change: (STORE, "path = \"drop/../kept\""),
            files: &[("kept/", b"")],
            says: ["kept: is a folder", "[store] path names it"],
            ..NOTHING
        },
        Wrong {
            what: "another file as the store",
            files: &[("store.sqlite", &[b'x'; 2000])],
            says: ["is not a store of sheathline", "name another path"],
            ..NOTHING
        },
        Wrong {
            what: "a file as the outbox",
            change: (OUTBOX, "folder = \"site.toml\""),
            says: ["site.toml: ", "[outbox] folder names it"],
            ..NOTHING
        },
        Wrong {
            what: "a store below a file",
            change: (STORE, "path = \"site.toml/store.sqlite\""),
            says: ["site.toml: Not a directory", "[store] path names it"],
            ..NOTHING
        },
        Wrong {
            what: "an outbox below a file",
            change: (OUTBOX, "folder = \"site.toml/out\""),
            says: ["site.toml/out: Not a directory", "[outbox] folder names it"],
            ..NOTHING
        },
        Wrong {
            what: "a drop folder below a file",
            change: (DROP, "path = \"site.toml/in\""),
            says: [
                "site.toml/in: Not a directory",
                "[receive.folder] path names it",
            ],
            ..NOTHING
        },
        Wrong {
            what: "a folder as the audit trail",
            change: ("", "audit = \"kept\"\n"),
            files: &[("kept/", b"")],
            says: ["kept: is a folder", "[observe] audit names it"],
            ..NOTHING
        },
        Wrong {
            what: "an audit trail below a file",
            change: ("", "audit = \"site.toml/audit.xml\"\n"),
            says: ["site.toml: Not a directory", "[observe] audit names it"],
            ..NOTHING
        },
        Wrong {
            what: "no such dictionary",
            change: ("", "[templates]\ndictionaries = [\"codes.toml\"]\n"),
            says: [
                "codes.toml: No such file",
                "[templates] dictionaries names it",
            ],
            ..NOTHING
        },
        Wrong {
            what: "no such folder of templates",
            change: ("", "[templates]\nfolder = \"templates\"\n"),
            says: ["templates: No such file", "[templates] folder names it"],
            ..NOTHING
        },
        Wrong {
            what: "a template with a slip",
            change: ("", "[templates]\nfolder = \"templates\"\n"),
            files: &[("templates/a.toml", b"id = \"mine\"\ntitel = \"x\"\n")],
            says: [
                "templates/a.toml:2:1: unknown key `titel`",
                "write one of: id, title",
            ],
            ..NOTHING
        },
        Wrong {
            what: "an audit trail in a folder that is not there",
            change: ("", "audit = \"logs/audit.xml\"\n"),
            code: 1,
            says: ["logs/audit.xml: No such file", "[observe] audit names it"],
            ..NOTHING
        },
    ];
    assert!(table.len() >= 30);
    let mut poor = Vec::new();
    for wrong in &table {
        let mut commands = vec!["serve"];
        // Another start may mend what ends with 1.
        if wrong.code == 2 {
            commands.push("check-config");
        }
        for command in commands {
            let (code, said) = wrong.message(command);
            let has_all = wrong.says.iter().all(|part| said.contains(part));
            if code != Some(wrong.code) || !has_all {
                poor.push(format!("{}, {command}: {code:?} {said}", wrong.what));
            }
        }
    }
    assert!(poor.is_empty(), "{}", poor.join("\n"));
}

#[test]
fn a_configuration_that_is_not_there_is_named() {
    let output = program()
        .args(["serve", "--config", "/nowhere/site.toml"])
        .output()
        .expect("runs");
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert_eq!(output.status.code(), Some(2));
    assert!(said.contains("/nowhere/site.toml: No such file"), "{said}");
    assert!(
        said.contains("--config or SHEATHLINE_CONFIG names it"),
        "{said}"
    );
}

/// What root writes, the account of the service cannot use. Only root can try that.
#[test]
fn root_writes_nothing_into_the_store_of_another_account() {
    use std::os::unix::fs::{MetadataExt, chown};
    let site = Site::with("audit = \"audit.xml\"\n");
    let report = crate::harness::fixture("sr/tid1500/report.dcm");
    site.ok("process", &[report.to_str().expect("UTF-8")]);
    let exam = site.results().into_keys().next().expect("a result");
    fs::remove_file(site.path("audit.xml")).expect("removed");
    let store = site.path("store.sqlite");
    if fs::metadata(&store).expect("there").uid() != 0 || chown(&store, Some(1), Some(1)).is_err() {
        return;
    }
    let before = fs::read_dir(site.path("outbox")).expect("there").count();
    let copy = site.path("copy.sqlite");
    let copy = copy.to_str().expect("UTF-8");
    for (command, args) in [
        ("label", [exam.as_str(), "well"].as_slice()),
        ("serve", &[]),
        ("compact", &[]),
        ("restore", &["--replace", copy]),
    ] {
        if command == "restore" {
            // Reading is allowed, and so is a copy.
            site.ok("backup", &[copy]);
            site.ok("status", &[]);
        }
        let output = site.run(command, args);
        let said = String::from_utf8_lossy(&output.stderr).into_owned();
        assert_eq!(output.status.code(), Some(2), "{command}: {said}");
        assert!(
            said.contains("store.sqlite") && said.contains("runuser -u"),
            "{said}"
        );
    }
    assert_eq!(
        fs::read_dir(site.path("outbox")).expect("there").count(),
        before
    );
    assert!(!site.path("audit.xml").exists());
    assert_eq!(fs::metadata(&store).expect("there").uid(), 1);
}
