//! HL7 over TLS, with OpenSSL's `s_client` as the peer: a TLS that is not ours.

use super::super::observe::{LISTEN, endpoint, samples};
use super::*;
use crate::harness::tool;
use crate::receive::pki::{Issued, Pki};
use std::process::Stdio;

/// Sends a message by `openssl s_client`; what comes back, as text.
fn sent(
    pki: &Pki,
    address: SocketAddr,
    who: Option<&Issued>,
    version: &str,
    bytes: &[u8],
) -> String {
    let mut command = tool("openssl");
    command
        .args(["s_client", "-quiet", "-verify_return_error", version])
        .args([
            "-connect",
            &address.to_string(),
            "-verify_hostname",
            "localhost",
        ])
        .arg("-CAfile")
        .arg(pki.ca());
    if let Some(Issued {
        certificate, key, ..
    }) = who
    {
        command.arg("-cert").arg(certificate).arg("-key").arg(key);
    }
    let mut child = command
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .expect("openssl");
    let mut input = child.stdin.take().expect("piped");
    let mut output = child.stdout.take().expect("piped");
    // A peer that is refused may be gone before it has written.
    let _ = input.write_all(bytes);
    let _ = input.flush();
    let mut answer = Vec::new();
    let mut one = [0];
    while !answer.ends_with(b"\x1c\r") && matches!(output.read(&mut one), Ok(1)) {
        answer.push(one[0]);
    }
    drop(input);
    let _ = child.kill();
    let _ = child.wait();
    String::from_utf8(answer).expect("UTF-8")
}

#[test]
fn merges_come_over_tls_from_peers_with_a_certificate() {
    let (pki, strangers) = (Pki::new(), Pki::new());
    let [server, known] = ["localhost", "adt"].map(|name| pki.issue(name));
    let stranger = strangers.issue("adt");
    let show = |path: &std::path::Path| path.display().to_string();
    let site = processed(&format!(
        "{LISTEN}[receive.hl7.tls]\nlisten = \"127.0.0.1:0\"\ncertificate = \"{}\"\nkey = \"{}\"\n\
         client_ca = \"{}\"\n",
        show(&server.certificate),
        show(&server.key),
        show(&pki.ca()),
    ));
    let (daemon, address) = serving(&site);
    // By the metric: in the log those of one peer, reason and minute are one line.
    let to = endpoint(&daemon);
    let count = |code: &str| {
        let name = format!("sheathline_failures_total{{code=\"{code}\"}}");
        samples(to).get(&name).copied()
    };
    let groups = format!("PID|1||{NEW}^^^{ISSUER}\rMRG|{OLD}^^^{ISSUER}\r");
    let merge = adt("A40", "1", "20260301120000+0000", &groups);

    // Without a certificate, with one of strangers, in plain: nothing is taken.
    assert_eq!(sent(&pki, address, None, "-tls1_3", &merge), "");
    assert_eq!(sent(&pki, address, Some(&stranger), "-tls1_2", &merge), "");
    let mut plain = TcpStream::connect(address).expect("connects");
    assert_eq!(asked(&mut plain, &merge), "");
    until("three refusals", || {
        count("refused-handshake") == Some(2.0) && count("refused-plain") == Some(1.0)
    });
    assert!(patients(&site).iter().all(|(_, joined)| !joined));

    for (version, control) in [("-tls1_3", "2"), ("-tls1_2", "3")] {
        let merge = adt("A40", control, "20260301120000+0000", &groups);
        let answer = sent(&pki, address, Some(&known), version, &merge);
        assert_eq!(codes(&answer).0, "AA", "{version}");
    }
    until("joined results", || {
        patients(&site)
            .iter()
            .all(|(id, joined)| *joined && id == NEW)
    });
    assert_eq!(daemon.stop(), Some(0));
}
