//! Every port moves by SIGHUP. What had begun at the old address is finished there, under the rules of
//! when it was accepted; a move that cannot be made changes nothing.

use super::ports::{certify, free, is_open, tls};
use super::reload::{lines, reload, rewrite};
use crate::harness::{Daemon, Site, until};
use crate::observe::{LISTEN, endpoint, get};
use crate::receive::pki::Pki;
use crate::receive::raw::Raw;
use crate::receive::tls::associate;
use crate::receive::{SR, Sender, number};
use dicom_dictionary_std::tags;
use std::io::{Read, Write};
use std::net::{SocketAddr, TcpListener, TcpStream};
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncWrite};

/// Writes another address in place of one of the configuration, and reloads.
fn move_to(site: &Site, daemon: &Daemon, from: &str, to: &str, outcome: &str) {
    rewrite(site, |text| {
        assert!(text.contains(from), "{text}");
        text.replacen(from, to, 1)
    });
    reload(daemon, outcome);
}

/// A site whose DICOM port is this one.
fn at(address: SocketAddr, more: &str) -> Site {
    let site = Site::with(more);
    rewrite(&site, |text| {
        text.replacen("\"127.0.0.1:0\"", &format!("\"{address}\""), 1)
    });
    site
}

/// A stop cuts connections off after ten seconds; a move must not.
#[tokio::test(flavor = "multi_thread")]
async fn associations_outlive_a_move_however_long_they_take() {
    let (one, other) = (free(), free());
    let site = at(one, "");
    let daemon = site.serve();
    let mut idle = Sender::connect(one).await.expect("accepted");
    let mut busy = Sender::connect(one).await.expect("accepted");
    assert_eq!(idle.store("2.25.1", b"before").await, 0);
    busy.command(SR, 0x0001, true, Some("2.25.2")).await;
    busy.data(SR, b"half of it", false).await;

    move_to(
        &site,
        &daemon,
        &one.to_string(),
        &other.to_string(),
        "reloaded",
    );
    assert_eq!(
        lines(&daemon, "reloaded")[0]["fields"]["changed"],
        "[receive.dicom] listen"
    );
    let mut new = Sender::connect(other).await.expect("accepted");
    assert_eq!(new.store("2.25.3", b"after").await, 0);
    until("the old address to be closed", || !is_open(one));
    let ended = lines(&daemon, "listening-ended");
    assert_eq!(ended[0]["fields"]["address"], one.to_string());
    // Longer than a stop would wait.
    tokio::time::sleep(Duration::from_millis(10_500)).await;
    busy.data(SR, b" and the rest", true).await;
    assert_eq!(busy.answer().await.0, 0);
    assert_eq!(idle.store("2.25.4", b"long after").await, 0);
    idle.association.release().await.expect("released");
    busy.association.release().await.expect("released");
    assert_eq!(new.echo().await, 0);
    new.association.release().await.expect("released");
    let (code, log) = daemon.stop_and_log();
    assert_eq!(code, Some(0));
    let codes = log.iter().map(|line| line["fields"]["code"].clone());
    let codes: Vec<_> = codes.filter(|code| *code != "object-quarantined").collect();
    for code in [
        "association-lost",
        "association-aborted",
        "association-stopped",
    ] {
        assert!(!codes.contains(&code.into()), "{code}");
    }
    let sum = &site.json("status", &["--json"])[0];
    assert_eq!(sum["objects"]["quarantined"], 4, "{sum}");
}

/// Neither the address nor anything else that the file says.
#[tokio::test(flavor = "multi_thread")]
async fn a_taken_address_moves_nothing() {
    let (one, third, health) = (free(), free(), free());
    let taken = TcpListener::bind("127.0.0.1:0").expect("a port");
    let other = taken.local_addr().expect("an address");
    let site = at(one, &format!("listen = \"{health}\"\n"));
    let daemon = site.serve();
    let mut open = Sender::connect(one).await.expect("accepted");
    // A port that could be had, before one that cannot and after it.
    let wanted = format!("[\"{third}\", \"{other}\"]\ncalling_allowed = [\"NOBODY\"]");
    move_to(
        &site,
        &daemon,
        &format!("\"{one}\""),
        &wanted,
        "reload-refused",
    );
    let told = lines(&daemon, "reload-refused");
    let said = told[0]["fields"]["message"].as_str().expect("a message");
    assert!(
        said.contains(&other.to_string()) && said.contains("ss -ltnp"),
        "{said}"
    );
    assert_eq!(open.echo().await, 0);
    Sender::connect(one).await.expect("accepted as before");
    assert!(!is_open(third));

    // The port for health is the last to be opened, and takes all others back as well.
    let text = format!("\"{one}\"");
    move_to(&site, &daemon, &wanted, &text, "reloaded");
    rewrite(&site, |text| {
        text.replace(&one.to_string(), &third.to_string())
    });
    let from = health.to_string();
    move_to(&site, &daemon, &from, &other.to_string(), "reload-refused");
    assert!(!is_open(third));
    assert_eq!(get(health, "/livez").0, 200);
    assert_eq!(open.echo().await, 0);
    drop(taken);
    reload(&daemon, "reloaded");
    until("the old one to be closed", || {
        !is_open(health) && !is_open(one)
    });
    assert_eq!(get(other, "/livez").0, 200);
    Sender::connect(third).await.expect("accepted");
    assert_eq!(open.echo().await, 0);
    open.association.release().await.expect("released");
    assert_eq!(daemon.stop(), Some(0));
}

/// One port cannot be open twice, so the message names the way.
#[tokio::test(flavor = "multi_thread")]
async fn the_same_port_at_more_addresses_needs_another_in_between() {
    let one = free();
    let site = at(one, "");
    let daemon = site.serve();
    let wide = format!("0.0.0.0:{}", one.port());
    move_to(&site, &daemon, &one.to_string(), &wide, "reload-refused");
    let told = lines(&daemon, "reload-refused");
    let said = told[0]["fields"]["message"].as_str().expect("a message");
    for part in [&wide, &one.to_string(), "a second reload"] {
        assert!(said.contains(part), "{said}");
    }
    Sender::connect(one).await.expect("accepted");
    move_to(&site, &daemon, &wide, &free().to_string(), "reloaded");
    let between = lines(&daemon, "listening");
    let between = between[1]["fields"]["address"].as_str().expect("text");
    assert!(lines(&daemon, "port-open-to-all").is_empty());
    move_to(&site, &daemon, between, &wide, "reloaded");
    // A port that everybody may use now is told, as at a start, and once.
    reload(&daemon, "reloaded");
    let told = lines(&daemon, "port-open-to-all");
    assert_eq!(told.len(), 1, "{told:?}");
    let said = told[0]["fields"]["message"].as_str().expect("a message");
    assert!(said.contains(&wide), "{said}");
    Sender::connect(one).await.expect("accepted");
    assert_eq!(daemon.stop(), Some(0));
}

/// A plain port becomes one for TLS, then one that asks for a certificate: each association goes on as
/// it began.
#[tokio::test(flavor = "multi_thread")]
async fn a_port_passes_to_tls_for_new_associations_only() {
    let (one, other) = (free(), free());
    let pki = Pki::new();
    let site = at(one, "");
    certify(&site, &pki, "server", 86_400);
    std::fs::copy(pki.ca(), site.path("ca.pem")).expect("copied");
    let daemon = site.serve();
    let mut plain = Sender::connect(one).await.expect("accepted");
    let secure = format!("\"{other}\"\n{}", tls("receive.dicom.tls", one));
    move_to(&site, &daemon, &format!("\"{one}\""), &secure, "reloaded");
    assert_eq!(plain.echo().await, 0);
    assert!(Sender::connect(one).await.is_err(), "no way down to plain");
    Sender::connect(other).await.expect("accepted");
    let mut none_asked = associate(&pki, one, None).await.expect("accepted");
    let port_of = |line: &serde_json::Value| {
        let fields = &line["fields"];
        (fields["address"] == one.to_string()).then(|| fields["tls"].clone())
    };
    let told: Vec<_> = lines(&daemon, "listening")
        .iter()
        .filter_map(port_of)
        .collect();
    assert_eq!(told, [false, true]);

    let asked = "client_certificate = \"required\"\nclient_ca = \"ca.pem\"";
    move_to(
        &site,
        &daemon,
        "client_certificate = \"off\"",
        asked,
        "reloaded",
    );
    assert_eq!(stored(&mut none_asked, "2.25.1").await, 0);
    assert_eq!(plain.echo().await, 0);
    let refused = associate(&pki, one, None).await;
    assert!(refused.is_none(), "without a certificate");
    let own = pki.issue("cart");
    let mut shown = associate(&pki, one, Some(&own)).await.expect("accepted");

    // And back, beside associations of each kind.
    rewrite(&site, |text| {
        let (_, after) = text.split_once("[receive.folder]").expect("there");
        format!("[receive.dicom]\nlisten = \"{one}\"\n[receive.folder]{after}")
    });
    reload(&daemon, "reloaded");
    Sender::connect(one).await.expect("accepted");
    assert_eq!(plain.echo().await, 0);
    assert_eq!(stored(&mut none_asked, "2.25.2").await, 0);
    assert_eq!(stored(&mut shown, "2.25.3").await, 0);
    assert_eq!(daemon.stop(), Some(0));
}

/// The status of an object that is stored over TLS.
async fn stored(over: &mut Raw<impl AsyncRead + AsyncWrite + Unpin>, uid: &str) -> u16 {
    number(&over.store(3, SR, uid, b"an object").await, tags::STATUS)
}

/// The port for DICOM can go and come back.
#[tokio::test(flavor = "multi_thread")]
async fn dicom_is_switched_off_and_on() {
    let one = free();
    let site = at(one, "");
    let daemon = site.serve();
    let mut open = Sender::connect(one).await.expect("accepted");
    let (on, off) = (format!("\"{one}\""), format!("\"{one}\"\nenabled = false"));
    move_to(&site, &daemon, &on, &off, "reloaded");
    until("closed", || !is_open(one));
    assert_eq!(open.echo().await, 0);
    move_to(&site, &daemon, &off, &on, "reloaded");
    Sender::connect(one).await.expect("accepted");
    assert_eq!(daemon.stop(), Some(0));

    // Where nothing would be left that receives it is a mistake, as at a start.
    rewrite(&site, |text| text.replacen("path = \"drop\"", "", 1));
    let daemon = site.serve();
    move_to(&site, &daemon, &on, &off, "reload-refused");
    let told = lines(&daemon, "reload-refused");
    let said = told[0]["fields"]["message"].as_str().expect("a message");
    assert!(said.contains("nothing to serve"), "{said}");
    Sender::connect(one).await.expect("accepted");
    assert_eq!(daemon.stop(), Some(0));
}

/// Over HTTP and HL7 whoever had connected is answered once, then the connection ends.
#[test]
fn other_protocols_answer_who_had_connected() {
    let (web, hl7) = (free(), free());
    let tables =
        format!("{LISTEN}[receive.web]\nlisten = \"{web}\"\n[receive.hl7]\nlisten = \"{hl7}\"\n");
    let site = Site::with(&tables);
    let daemon = site.serve();
    until("both ports", || is_open(web) && is_open(hl7));
    let connected = [web, hl7].map(|one| TcpStream::connect(one).expect("open"));
    let before = endpoint(&daemon);
    rewrite(&site, |text| {
        text.replace(&web.to_string(), &free().to_string())
            .replace(&hl7.to_string(), &free().to_string())
    });
    reload(&daemon, "reloaded");
    until("both closed", || !is_open(web) && !is_open(hl7));
    let asks = [
        "GET /studies HTTP/1.1\r\nHost: localhost\r\n\r\n",
        "\x0bMSH|^~\\&|ADT|CLINIC|SHEATHLINE||20260301||ADT^A08|7|P|2.5.1\r\x1c\r",
    ];
    for ((mut stream, ask), answer) in connected
        .into_iter()
        .zip(asks)
        .zip(["HTTP/1.1 405", "MSA|A"])
    {
        let limit = Some(Duration::from_secs(30));
        stream.set_read_timeout(limit).expect("a limit");
        stream.write_all(ask.as_bytes()).expect("sent");
        let mut said = String::new();
        stream
            .read_to_string(&mut said)
            .expect("answered, and closed");
        assert!(said.contains(answer), "{said}");
    }
    assert_eq!(endpoint(&daemon), before);
    assert_eq!(daemon.stop(), Some(0));
}

/// Who asks after health while the rest of the program ends is told that it stops.
#[tokio::test(flavor = "multi_thread")]
async fn health_is_told_until_the_end_also_at_an_address_that_moved() {
    let (one, other) = (free(), free());
    let site = Site::with(&format!("listen = \"{one}\"\n"));
    let daemon = site.serve();
    let mut busy = Sender::connect(daemon.address).await.expect("accepted");
    busy.command(SR, 0x0001, true, Some("2.25.1")).await;
    busy.data(SR, b"half of it", false).await;
    let (from, to) = (one.to_string(), other.to_string());
    move_to(&site, &daemon, &from, &to, "reloaded");
    until("the old address to be closed", || !is_open(one));
    assert_eq!(get(other, "/readyz").0, 200);
    // The object that is under way holds up the end.
    std::thread::scope(|scope| {
        let ended = scope.spawn(|| daemon.stop());
        until("it to say that it stops", || {
            let (status, body) = get(other, "/readyz");
            status == 503 && body.contains("\"stopping\"")
        });
        assert_eq!(get(other, "/livez").0, 200);
        drop(busy);
        assert_eq!(ended.join().expect("no panic"), Some(0));
    });
}
