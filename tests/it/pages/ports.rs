//! Where the pages can be reached: TLS and its files, a reload, and who says so.

use super::{PAGES, PASSWORD, Ward, pages_of};
use crate::browser::{Browser, parsed};
use crate::harness::{Daemon, Site, until};
use crate::observe::{get, reasons};
use crate::operate::reload::{lines, reload, rewrite};
use crate::receive::pki::{Issued, Pki};
use serde_json::Value;
use std::fs;
use std::io::{Read, Write};
use std::net::{SocketAddr, TcpListener, TcpStream};
use std::sync::Arc;
use tokio_rustls::rustls::crypto::ring;
use tokio_rustls::rustls::pki_types::pem::PemObject;
use tokio_rustls::rustls::pki_types::{CertificateDer, ServerName};
use tokio_rustls::rustls::{ClientConfig, ClientConnection, RootCertStore, StreamOwned};

fn free() -> SocketAddr {
    let listener = TcpListener::bind("127.0.0.1:0").expect("a port");
    listener.local_addr().expect("an address")
}

/// Sends a request over TLS; the answer, and the certificate that was shown.
fn over_tls(authority: &std::path::Path, to: SocketAddr, request: &str) -> (String, Vec<u8>) {
    let mut roots = RootCertStore::empty();
    let authority = CertificateDer::from_pem_file(authority).expect("PEM");
    roots.add(authority).expect("an authority");
    let provider = Arc::new(ring::default_provider());
    let config = ClientConfig::builder_with_provider(provider)
        .with_safe_default_protocol_versions()
        .expect("versions")
        .with_root_certificates(roots)
        .with_no_client_auth();
    let name = ServerName::try_from("localhost").expect("a name");
    let client = ClientConnection::new(Arc::new(config), name).expect("a client");
    let stream = TcpStream::connect(to).expect("connects");
    let mut stream = StreamOwned::new(client, stream);
    stream.write_all(request.as_bytes()).expect("sent");
    let mut answer = Vec::new();
    let _ = stream.read_to_end(&mut answer);
    let shown = stream.conn.peer_certificates().expect("a certificate");
    let answer = String::from_utf8_lossy(&answer).into_owned();
    (answer, shown[0].to_vec())
}

fn pem(issued: &Issued) -> Vec<u8> {
    let der = CertificateDer::from_pem_file(&issued.certificate);
    der.expect("PEM").to_vec()
}

/// A request of somebody with this cookie.
fn request(method: &str, path: &str, host: SocketAddr, more: &str, body: &str) -> String {
    format!(
        "{method} {path} HTTP/1.1\r\nHost: {host}\r\nConnection: close\r\n{more}\
         Content-Length: {}\r\n\r\n{body}",
        body.len()
    )
}

fn status(site: &Site) -> (Option<i32>, Value) {
    let output = site.run("status", &["--json"]);
    let text = String::from_utf8(output.stdout).expect("UTF-8");
    (output.status.code(), crate::harness::lines(&text).remove(0))
}

fn ports(to: SocketAddr) -> Vec<Value> {
    let body: Value = serde_json::from_str(&get(to, "/readyz").1).expect("JSON");
    body["ports"].as_array().expect("a list").clone()
}

fn of_pages(to: SocketAddr) -> Option<Value> {
    ports(to).into_iter().find(|one| one["table"] == "pages")
}

fn add(site: &Site) {
    fs::write(site.path("password"), format!("{PASSWORD}\n")).expect("written");
    let password = site.path("password");
    let password = password.to_str().expect("UTF-8");
    let args = ["reader", "--role", "reader", "--password-file", password];
    super::ok(site, "add", &args);
}

fn cookie(answer: &str) -> String {
    let line = answer
        .lines()
        .find(|line| line.to_ascii_lowercase().starts_with("set-cookie:"));
    let pair = line
        .unwrap_or_else(|| panic!("no cookie: {answer}"))
        .split(';')
        .next();
    pair.expect("a pair")["set-cookie:".len()..]
        .trim()
        .to_owned()
}

/// Another certificate comes into force by a reload; who is signed in stays so, also on a connection that is
/// open. Without its files the port closes at a start, says why, and opens by itself.
#[test]
fn pages_over_tls_change_their_certificate_and_keep_who_is_signed_in() {
    let pki = Pki::new();
    let [first, second] = ["first", "second"].map(|name| pki.issue(name));
    let (health, at) = (free(), free());
    let site = Site::with(&format!(
        "listen = \"{health}\"\n[pages]\npublic_url = \"https://{at}\"\n\
         [pages.tls]\nlisten = \"{at}\"\ncertificate = \"own.pem\"\nkey = \"own.key\"\n"
    ));
    let put = |issued: &Issued| {
        fs::copy(&issued.certificate, site.path("own.pem")).expect("copied");
        fs::copy(&issued.key, site.path("own.key")).expect("copied");
    };
    put(&first);
    let daemon = site.serve();
    until("ready", || reasons(health) == (200, vec![]));
    add(&site);
    let (code, now) = status(&site);
    assert_eq!(
        (code, &now["pages"]["state"]),
        (Some(0), &"listening".into())
    );
    assert_eq!(now["pages"]["addresses"][0], at.to_string());
    let ask = |request: &str| over_tls(&pki.ca(), at, request);
    let fields = format!(
        "name=reader&password={}&to=/today",
        PASSWORD.replace(' ', "+")
    );
    let form =
        format!("Content-Type: application/x-www-form-urlencoded\r\nOrigin: https://{at}\r\n");
    let (answer, shown) = ask(&request("POST", "/sign-in", at, &form, &fields));
    assert_eq!(shown, pem(&first));
    assert_eq!(parsed(&answer).status, 303, "{answer}");
    let cookie = cookie(&answer);
    assert!(cookie.starts_with("__Host-sheathline="), "{cookie}");
    assert!(
        answer.contains("Secure")
            && answer
                .to_ascii_lowercase()
                .contains("strict-transport-security")
    );
    let today = request("GET", "/today", at, &format!("Cookie: {cookie}\r\n"), "");
    assert_eq!(parsed(&ask(&today).0).status, 200);
    // Plain HTTP finds nothing there.
    let mut plain = TcpStream::connect(at).expect("connects");
    plain.write_all(today.as_bytes()).expect("sent");
    let mut said = Vec::new();
    let _ = plain.read_to_end(&mut said);
    assert!(
        !String::from_utf8_lossy(&said).contains("200 OK"),
        "{said:?}"
    );

    put(&second);
    reload(&daemon, "reloaded");
    let (answer, shown) = ask(&today);
    assert_eq!(shown, pem(&second), "the new one");
    assert_eq!(parsed(&answer).status, 200, "still signed in: {answer}");
    // Files that do not belong together change nothing of a port that is good.
    fs::copy(&first.certificate, site.path("own.pem")).expect("copied");
    reload(&daemon, "reload-refused");
    let (answer, shown) = ask(&today);
    assert_eq!((shown, parsed(&answer).status), (pem(&second), 200));
    assert_eq!(daemon.stop(), Some(0));

    let daemon = site.serve();
    until("it to say why", || {
        reasons(health) == (503, vec!["tls-port-closed".to_owned()])
    });
    let own = of_pages(health).expect("it is asked for");
    assert_eq!(own["over_tls"], Value::Array(Vec::new()));
    let why = own["closed"].as_str().expect("words");
    assert!(
        why.contains("belong to others") && !why.contains("own"),
        "{why}"
    );
    let (code, now) = status(&site);
    assert_eq!((code, &now["pages"]["state"]), (Some(1), &"closed".into()));
    let told = String::from_utf8(site.run("status", &[]).stdout).expect("UTF-8");
    assert!(told.contains("NOT listening"), "{told}");
    let output = site.run("check-config", &[]);
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert_eq!(output.status.code(), Some(2));
    assert!(
        said.contains("is not the key of") && said.contains("own.pem"),
        "{said}"
    );
    put(&second);
    until("it to open", || reasons(health) == (200, vec![]));
    // The session outlives the daemon, too.
    assert_eq!(parsed(&ask(&today).0).status, 200);
    assert_eq!(
        of_pages(health).expect("asked for")["over_tls"][0],
        at.to_string()
    );
    assert_eq!(daemon.stop(), Some(0));
}

/// Switched on, moved, changed and switched off by a reload; who is signed in stays so.
#[test]
fn a_reload_puts_pages_in_force() {
    let (health, one, other) = (free(), free(), free());
    let site = Site::with(&format!("listen = \"{health}\"\n[pages]\nlisten = []\n"));
    let daemon = site.serve();
    until("ready", || reasons(health) == (200, vec![]));
    assert_eq!(of_pages(health), None);
    assert_eq!(status(&site).1["pages"]["state"], "off");
    let change = |daemon: &Daemon, from: &str, to: &str| {
        rewrite(&site, |text| text.replace(from, to));
        reload(daemon, "reloaded");
    };
    let at = |address: &SocketAddr| format!("[pages]\nlisten = \"{address}\"\n");
    // Before the reload it is told that the daemon does not know them yet.
    rewrite(&site, |text| {
        text.replace("[pages]\nlisten = []\n", &at(&one))
    });
    let told = String::from_utf8(site.run("status", &[]).stdout).expect("UTF-8");
    assert!(told.contains("reload it (SIGHUP)"), "{told}");
    reload(&daemon, "reloaded");
    add(&site);
    let mut browser = Browser::new(one);
    assert_eq!(browser.sign_in("reader", PASSWORD).status, 303);
    assert_eq!(browser.get("/today").status, 200);
    change(
        &daemon,
        &at(&one),
        &format!(
            "{}department = \"Ward <7>\"\ncontact = \"the desk\"\n",
            at(&one)
        ),
    );
    let page = Browser::new(one).get("/sign-in").body;
    for said in [
        "Sheathline",
        "Ward &lt;7&gt;",
        "not a certified medical device",
        "ask <bdi>the desk</bdi>",
    ] {
        assert!(page.contains(said), "{said}: {page}");
    }
    assert_eq!(browser.get("/today").status, 200);
    change(&daemon, &one.to_string(), &other.to_string());
    browser.address = other;
    assert_eq!(browser.get("/today").status, 200, "the session stays");
    assert_eq!(of_pages(health).expect("on")["plain"][0], other.to_string());
    until("the old address to close", || {
        TcpStream::connect(one).is_err()
    });
    // Who may connect is asked anew of everybody.
    change(
        &daemon,
        "department =",
        "addresses_allowed = [\"192.0.2.0/24\"]\ndepartment =",
    );
    let refused = std::panic::catch_unwind(|| Browser::new(other).get("/sign-in").status);
    assert!(refused.is_err() || refused.is_ok_and(|status| status != 200));
    // Far from this machine it is not served without TLS, whatever else is asked for.
    rewrite(&site, |text| {
        text.replace(&other.to_string(), "0.0.0.0:8600")
    });
    reload(&daemon, "reload-refused");
    let told = lines(&daemon, "reload-refused");
    let said = told[0]["fields"]["message"].as_str().expect("a message");
    assert!(
        said.contains("unencrypted") && said.contains("site.toml:"),
        "{said}"
    );
    assert_eq!(site.run("check-config", &[]).status.code(), Some(2));
    assert_eq!(
        of_pages(health).expect("as it was")["plain"][0],
        other.to_string()
    );
    rewrite(&site, |text| {
        text.replace("listen = \"0.0.0.0:8600\"", "listen = []")
    });
    reload(&daemon, "reloaded");
    assert_eq!(of_pages(health), None);
    assert_eq!(daemon.stop(), Some(0));
}

/// Without the daemon's own words a connection tells whether somebody listens.
#[test]
fn status_knows_the_pages_also_where_the_daemon_cannot_be_asked() {
    let at = free();
    let ward = Ward::with(&[], &PAGES.replace("127.0.0.1:0", &at.to_string()));
    assert_eq!(pages_of(&ward.daemon), at);
    let checked = || {
        let output = ward.site.run("check-config", &[]);
        assert_eq!(output.status.code(), Some(0));
        String::from_utf8_lossy(&output.stderr).into_owned()
    };
    let said = checked();
    assert!(
        said.contains(&format!("{at} without TLS; only this machine")),
        "{said}"
    );
    assert!(said.contains("nobody may sign in yet"), "{said}");
    add(&ward.site);
    assert!(!checked().contains("nobody may sign in yet"));
    super::ok(&ward.site, "end", &["reader"]);
    assert!(checked().contains("nobody may sign in yet"), "it has ended");
    assert_eq!(status(&ward.site).1["pages"]["state"], "listening");
    let Ward { site, daemon, .. } = ward;
    assert_eq!(daemon.stop(), Some(0));
    let now = status(&site).1;
    assert_eq!(now["pages"]["state"], "closed");
    let why = now["pages"]["why"].as_str().expect("words");
    assert!(why.contains(&format!("nobody answers on {at}")), "{why}");
}
