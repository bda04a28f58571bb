//! An audit message as a syslog message. Pure.
//!
//! RFC 5424 as DICOM PS3.15 A.6 asks for it: facility 10 and severity 5, MSGID `DICOM+RFC3881`, the
//! XML in UTF-8 after a byte order mark (RFC 5424 6.4), no structured data. The frame is that of RFC
//! 5425 4.3, which counts octets. Equal messages of the trail are equal here: the header has the time
//! of the event and no process id.

/// 10 (security/authorization) times 8 plus 5 (notice).
const HEADER: &str = "<85>1";

/// What the messages are, by PS3.15 A.6.
const MSGID: &str = "DICOM+RFC3881";

/// UTF-8 follows.
const MARK: &str = "\u{feff}";

/// What stands for a field without a value (RFC 5424 6.2).
const NIL: &str = "-";

/// The frame of one line of the trail; `None` for a line that is no message: a full disk may have cut
/// it, and then it stands there again, whole.
#[must_use]
pub fn framed(host: &str, line: &str) -> Option<Vec<u8>> {
    let whole = line.starts_with("<AuditMessage") && line.ends_with("</AuditMessage>");
    let message = whole.then(|| {
        let (at, host) = (time(line).unwrap_or(NIL), field(host, 255));
        format!("{HEADER} {at} {host} sheathline {NIL} {MSGID} {NIL} {MARK}{line}")
    })?;
    Some(format!("{} {message}", message.len()).into_bytes())
}

/// When it happened. Our own messages have the form of RFC 5424 6.2.3; anything else is left out.
fn time(line: &str) -> Option<&str> {
    let (_, after) = line.split_once(" EventDateTime=\"")?;
    let (time, _) = after.split_once('"')?;
    let plain = |c: char| c.is_ascii_digit() || "-:.TZ".contains(c);
    (time.len() <= 32 && time.ends_with('Z') && time.chars().all(plain)).then_some(time)
}

/// A field of the header: printable ASCII.
fn field(text: &str, longest: usize) -> String {
    let clean: String = text
        .chars()
        .filter(char::is_ascii_graphic)
        .take(longest)
        .collect();
    if clean.is_empty() {
        NIL.to_owned()
    } else {
        clean
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::observe::audit::Event;
    use crate::observe::audit::message::{Node, message};
    use chrono::DateTime;

    /// The header written out by hand after RFC 5424 6 and PS3.15 A.6, the frame after RFC 5425 4.3.
    #[test]
    fn a_message_is_framed_as_the_standards_say() {
        let node = Node {
            ae_title: "GRÜN".to_owned(),
            process: 7,
        };
        let at = DateTime::from_timestamp_millis(1_772_366_400_250).expect("a time");
        let line = message(&node, at, &Event::Started).expect("written");
        let frame = framed("sonde.example", &line).expect("a frame");
        let frame = String::from_utf8(frame).expect("UTF-8");
        let (length, syslog) = frame.split_once(' ').expect("a length");
        assert_eq!(length.parse(), Ok(syslog.len()), "octets, not letters");
        let head = "<85>1 2026-03-01T12:00:00.250Z sonde.example sheathline - DICOM+RFC3881 - ";
        assert_eq!(syslog, format!("{head}\u{feff}{line}"));
    }

    #[test]
    fn what_is_no_message_is_no_frame() {
        for line in ["", "<AuditMessage><EventId", "tail of one</AuditMessage>"] {
            assert_eq!(framed("h", line), None, "{line}");
        }
    }

    #[test]
    fn a_header_has_only_letters_that_it_may_have() {
        let line = "<AuditMessage EventDateTime=\"now then\"></AuditMessage>";
        let frame = framed(" ho st\nü ", line).expect("a frame");
        let text = String::from_utf8(frame).expect("UTF-8");
        assert!(text.contains(" <85>1 - host sheathline - "), "{text}");
        let nameless = framed("", line).expect("a frame");
        assert!(String::from_utf8_lossy(&nameless).contains("<85>1 - - sheathline"));
    }
}
