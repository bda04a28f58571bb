use super::*;
use crate::connect::{Goal, connect};
use std::net::TcpListener;
use std::thread;
use std::time::Duration;

/// PS3.8 table 9-21: result, source, reason. Each is met as bytes, read by `dicom-ul`.
#[test]
fn every_reason_of_a_rejection_has_a_code_and_none_lasts() {
    for (source, reason, code) in [
        (1, 1, "reject-no-reason"),
        (1, 2, "reject-application-context"),
        (1, 3, "reject-calling-ae"),
        (1, 7, "reject-called-ae"),
        (1, 4, "reject-no-reason"),
        (2, 1, "reject-no-reason"),
        (2, 2, "reject-protocol-version"),
        (3, 1, "reject-congestion"),
        (3, 2, "reject-limit"),
        (3, 5, "reject-no-reason"),
    ] {
        for (result, word) in [(1, "permanently"), (2, "for now")] {
            let bytes = [3, 0, 0, 0, 0, 4, 0, result, source, reason];
            let pdu = read_pdu(&bytes[..], PDU_BYTES_MAX, true).unwrap();
            let Some(Pdu::AssociationRJ(answer)) = pdu else {
                panic!("{source} {reason}");
            };
            let failure = rejected(&answer);
            assert_eq!(failure.code, code, "{source} {reason}");
            assert_eq!(failure.stage, Stage::Association);
            assert!(failure.words.contains(word), "{}", failure.words);
            assert!(!failure.lasts);
        }
    }
}

/// PS3.8 D.1: the length does not count the PDU's header of 6 bytes, but that of each PDV, which is
/// 6 as well (annex E, 9.3.5.1); 0 is no limit.
#[test]
fn a_fragment_fits_into_what_the_peer_takes() {
    for (limit, wanted) in [
        (0, FRAGMENT),
        (usize::MAX, FRAGMENT),
        (16_384, 16_378),
        (16_383, 16_376),
        (4096, 4090),
        (8, 2),
        (1, 2),
    ] {
        assert_eq!(fragment(limit), wanted, "{limit}");
        assert_eq!(fragment(limit) % 2, 0);
    }
}

/// A peer that answers whatever comes with these bytes and closes.
fn request_to(answer: &'static [u8], classes: &[&'static str]) -> Result<Association, Failure> {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let port = listener.local_addr().unwrap().port();
    thread::spawn(move || {
        let (mut peer, _) = listener.accept().unwrap();
        let _ = peer.read(&mut [0; 4096]);
        let _ = peer.write_all(answer);
    });
    let stream = connect(&Goal {
        host: "127.0.0.1",
        port,
        tls: None,
        timeout: Duration::from_secs(60),
    })?;
    let classes: Vec<Proposed> = classes.iter().copied().map(Proposed::using).collect();
    Association::request(stream, "SHEATHLINE", "ARCHIVE", &classes)
}

#[test]
fn what_is_no_association() {
    for (answer, code) in [
        (&b""[..], "association-closed"),
        (b"HTTP/1.1 400 Bad Request\r\n\r\n", "not-dicom"),
        (b"\x02\0\xFF\xFF\xFF\xFF", "pdu-malformed"),
        (b"\x02\0\0\0\0\x04\0\0\0\0", "pdu-malformed"),
        (b"\x02\0\0\0\0\x44\0", "association-closed"),
        (b"\x07\0\0\0\0\x04\0\0\x02\x01", "association-aborted"),
        (b"\x06\0\0\0\0\x04\0\0\0\0", "pdu-unexpected"),
        (b"\x03\0\0\0\0\x04\0\x01\x01\x07", "reject-called-ae"),
    ] {
        let failure = request_to(answer, &[uids::VERIFICATION]).err().expect("no");
        assert_eq!(failure.code, code);
        assert_eq!(failure.stage, Stage::Association);
        assert!(!failure.lasts);
    }
}
