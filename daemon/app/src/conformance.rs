//! The DICOM conformance statement, made from the tables that the program works by, in the order of
//! the outline of PS3.2. Markdown.

use crate::backfill::dicom;
use crate::config::{DicomSettings, WebSettings};
use crate::receive::negotiate::{CLASSES, syntaxes};
use dicom_dictionary_std::uids;
use sheathline_model::sr::FallbackCharset;
use sheathline_model::sr::presentation::is_presentation_class;
use sheathline_net::dicom::dimse::Status;
use sheathline_net::dicom::refusal::{Refusal, Reply};
use sheathline_net::dicom::{IMPLEMENTATION_CLASS_UID, IMPLEMENTATION_VERSION, PDU_BYTES_MAX};
use std::fmt::{self, Write};

/// UID names of PS3.6 annex A.
const NAMES: &[(&str, &str)] = &[
    (uids::VERIFICATION, "Verification"),
    (uids::BASIC_TEXT_SR_STORAGE, "Basic Text SR Storage"),
    (uids::ENHANCED_SR_STORAGE, "Enhanced SR Storage"),
    (uids::COMPREHENSIVE_SR_STORAGE, "Comprehensive SR Storage"),
    (
        uids::COMPREHENSIVE3_DSR_STORAGE,
        "Comprehensive 3D SR Storage",
    ),
    (uids::EXTENSIBLE_SR_STORAGE, "Extensible SR Storage"),
    (
        uids::KEY_OBJECT_SELECTION_DOCUMENT_STORAGE,
        "Key Object Selection Document Storage",
    ),
    (uids::ULTRASOUND_IMAGE_STORAGE, "Ultrasound Image Storage"),
    (
        uids::ULTRASOUND_MULTI_FRAME_IMAGE_STORAGE,
        "Ultrasound Multi-frame Image Storage",
    ),
    (
        uids::GRAYSCALE_SOFTCOPY_PRESENTATION_STATE_STORAGE,
        "Grayscale Softcopy Presentation State Storage",
    ),
    (
        uids::COLOR_SOFTCOPY_PRESENTATION_STATE_STORAGE,
        "Color Softcopy Presentation State Storage",
    ),
    (uids::ENCAPSULATED_PDF_STORAGE, "Encapsulated PDF Storage"),
    (
        uids::STORAGE_COMMITMENT_PUSH_MODEL,
        "Storage Commitment Push Model",
    ),
    (
        dicom::FIND,
        "Study Root Query/Retrieve Information Model - FIND",
    ),
    (
        dicom::GET,
        "Study Root Query/Retrieve Information Model - GET",
    ),
    (
        dicom::MOVE,
        "Study Root Query/Retrieve Information Model - MOVE",
    ),
    (uids::EXPLICIT_VR_LITTLE_ENDIAN, "Explicit VR Little Endian"),
    (uids::IMPLICIT_VR_LITTLE_ENDIAN, "Implicit VR Little Endian"),
    (
        uids::DEFLATED_EXPLICIT_VR_LITTLE_ENDIAN,
        "Deflated Explicit VR Little Endian",
    ),
    ("1.2.840.10008.1.2.2", "Explicit VR Big Endian (retired)"),
    (
        uids::JPEG_LOSSLESS_SV1,
        "JPEG Lossless, Non-Hierarchical, First-Order Prediction",
    ),
    (
        uids::JPEG2000_LOSSLESS,
        "JPEG 2000 Image Compression (Lossless Only)",
    ),
    (uids::RLE_LOSSLESS, "RLE Lossless"),
    (uids::JPEG_BASELINE8_BIT, "JPEG Baseline (Process 1)"),
    (uids::JPEG2000, "JPEG 2000 Image Compression"),
];

fn name(uid: &str) -> &str {
    let known = NAMES.iter().find(|(one, _)| *one == uid);
    known.map_or("", |(_, name)| name)
}

/// The statement.
#[must_use]
pub(crate) fn statement() -> String {
    let mut text = String::new();
    // Writing to memory cannot fail.
    let _ = write(&mut text);
    text
}

fn write(text: &mut String) -> fmt::Result {
    write!(text, "{}", include_str!("conformance/begin.md"))?;
    networking(text)?;
    association(text)?;
    statuses(text)?;
    query_retrieve(text)?;
    web(text)?;
    write!(
        text,
        "\n{}\n",
        include_str!("conformance/content.md").trim()
    )?;
    charsets(text)?;
    write!(text, "\n{}", include_str!("conformance/end.md"))
}

fn networking(text: &mut String) -> fmt::Result {
    text.push_str("\n## 4 Networking\n\n### 4.1 SOP classes\n\n");
    text.push_str("| SOP class | UID | SCU | SCP |\n|---|---|---|---|\n");
    // Classes that `[[destination]]` sends, C-ECHO for `echo`, and what `backfill` asks by.
    let sent = [
        uids::VERIFICATION,
        uids::COMPREHENSIVE_SR_STORAGE,
        uids::ENCAPSULATED_PDF_STORAGE,
        dicom::FIND,
        dicom::GET,
        dicom::MOVE,
    ];
    let only_sent = sent.iter().filter(|class| !CLASSES.contains(class));
    for class in CLASSES.iter().chain(only_sent) {
        let yes = |is: bool| if is { "yes" } else { "no" };
        let scu = yes(sent.contains(class));
        let scp = if is_presentation_class(class) {
            "where `[templates] presentation_states = true`"
        } else {
            yes(CLASSES.contains(class))
        };
        writeln!(text, "| {} | {class} | {scu} | {scp} |", name(class))?;
    }
    let class = uids::STORAGE_COMMITMENT_PUSH_MODEL;
    let scp = "where the sender's table has `commitment_host`";
    writeln!(text, "| {} | {class} | no | {scp} |", name(class))?;
    text.push_str(
        "\nOther storage classes are refused. Where `other_classes = \"take-and-drop\"`, for everybody or for \
         one calling AE title, those of PS3.6 in any transfer syntax are accepted, but for structured reports, \
         measurements, presentation states and private classes: their objects are answered with success \
         (0000H) **and not kept**. They are counted by sender and class, and never said to be held.\n",
    );
    text.push_str("\n### 4.2 Transfer syntaxes, best first\n\n");
    text.push_str("| transfer syntax | UID | for |\n|---|---|---|\n");
    let of_all: Vec<_> = syntaxes(uids::VERIFICATION).collect();
    for syntax in syntaxes(uids::ULTRASOUND_IMAGE_STORAGE) {
        let whom = if of_all.contains(&syntax) {
            "every class"
        } else {
            "pictures"
        };
        writeln!(text, "| {} | {syntax} | {whom} |", name(syntax))?;
    }
    text.push_str(
        "\nWhere a peer offers several for one context, the first of this table is taken, not the \
         first of the peer's. Pictures in a compressed syntax are kept as they come; their pixels \
         are never decoded. As SCU it offers explicit and implicit little endian.\n",
    );
    Ok(())
}

fn association(text: &mut String) -> fmt::Result {
    let defaults = DicomSettings::default();
    text.push_str("\n### 4.3 Association policies\n\n| | |\n|---|---|\n");
    let rows = [
        ("Application context", "1.2.840.10008.3.1.1.1".to_owned()),
        (
            "Application entity title",
            format!(
                "`{}`, can be set; a further one for each `[[archive]]` that sends history by C-MOVE",
                defaults.ae_title
            ),
        ),
        (
            "Initiates associations",
            "one for each result, and for the typed reports of an exam, and `[[destination]]` of kind \
             `dicom`; one for each run of \
             `backfill` over an `[[archive]]`, anew when it is lost"
                .to_owned(),
        ),
        (
            "Open associations",
            format!(
                "{}, of one address {}; both can be set, and a share for each calling AE title",
                defaults.max_associations, defaults.max_associations_per_peer
            ),
        ),
        ("Asynchronous operations", "none; one at a time".to_owned()),
        (
            "Maximum PDU length received",
            format!("{PDU_BYTES_MAX} bytes"),
        ),
        (
            "Implementation Class UID",
            IMPLEMENTATION_CLASS_UID.to_owned(),
        ),
        (
            "Implementation Version Name",
            format!("`{IMPLEMENTATION_VERSION}`"),
        ),
        (
            "Largest object",
            format!("{} bytes, can be set", defaults.max_object_bytes),
        ),
        (
            "Time for the association request (ARTIM)",
            format!("{} s, can be set", defaults.association_timeout_s),
        ),
        (
            "Time without a message",
            format!("{} s, can be set", defaults.idle_timeout_s),
        ),
        (
            "Time for one message",
            format!("{} s, can be set", defaults.message_timeout_s),
        ),
        (
            "Extended negotiation, user identity",
            "not answered".to_owned(),
        ),
        (
            "Role selection",
            "not answered but for Storage Commitment; as SCU of C-GET it asks to be the SCP of the reports"
                .to_owned(),
        ),
    ];
    for (what, value) in rows {
        writeln!(text, "| {what} | {value} |")?;
    }
    text.push_str("\n### 4.4 Refused peers\n\n");
    text.push_str(
        "The code is that of the log line and of the metric `sheathline_peers_refused_total`.\n\n",
    );
    text.push_str("| code | answer (result/source/reason) | why |\n|---|---|---|\n");
    for refusal in Refusal::ALL {
        let answer = match refusal.reply() {
            reply @ Reply::Close => format!("connection {reply}"),
            reply @ Reply::AcceptWithoutContext => {
                format!("{reply}, every context refused with its reason")
            }
            reply => reply.to_string(),
        };
        writeln!(
            text,
            "| `{}` | {answer} | {} |",
            refusal.code(),
            refusal.why()
        )?;
    }
    Ok(())
}

fn statuses(text: &mut String) -> fmt::Result {
    text.push_str("\n### 4.5 Statuses of C-STORE, C-ECHO, N-ACTION and STOW-RS\n\n");
    text.push_str("| status | Error Comment (0000,0902) |\n|---|---|\n");
    writeln!(
        text,
        "| {} | none; the object is on stable storage (of the store, or of the spool before a server), understood or not |",
        Status::Success.hex()
    )?;
    for status in Status::FAILURES {
        writeln!(
            text,
            "| {} | {} |",
            status.hex(),
            status.comment().unwrap_or_default()
        )?;
    }
    text.push_str("\nNo warning status is sent.\n\n");
    text.push_str(include_str!("conformance/commitment.md").trim());
    text.push('\n');
    Ok(())
}

fn query_retrieve(text: &mut String) -> fmt::Result {
    text.push_str("\n### 4.6 Query and retrieve, as SCU\n\n");
    text.push_str(include_str!("conformance/query.md").trim());
    let classes: Vec<&str> = dicom::REPORTS.iter().map(|class| name(class)).collect();
    writeln!(text, "\n\nAsked for: {}.\n", classes.join(", "))?;
    text.push_str("| status of the archive | taken to mean |\n|---|---|\n");
    for (from, to, words) in dicom::STATUSES {
        if from == to {
            writeln!(text, "| {from:04X}H | {words} |")?
        } else {
            writeln!(text, "| {from:04X}H to {to:04X}H | {words} |")?
        }
    }
    Ok(())
}

fn web(text: &mut String) -> fmt::Result {
    let defaults = WebSettings::default();
    text.push_str("\n### 4.7 DICOMweb: Store transaction (STOW-RS), as origin server\n\n");
    text.push_str(include_str!("conformance/web.md").trim());
    text.push_str("\n\n| | |\n|---|---|\n");
    for (what, value) in [
        ("Connections", defaults.max_connections.to_string()),
        ("Largest body", format!("{} bytes", defaults.max_body_bytes)),
        (
            "Time without a byte",
            format!("{} s", defaults.idle_timeout_s),
        ),
        (
            "Time for one request",
            format!("{} s", defaults.request_timeout_s),
        ),
    ] {
        writeln!(text, "| {what} | {value}, can be set |")?;
    }
    Ok(())
}

fn charsets(text: &mut String) -> fmt::Result {
    text.push_str(
        "\n## 6 Character sets\n\nSpecific Character Set (0008,0005) may be absent or name:",
    );
    let terms: Vec<String> = FallbackCharset::single_terms()
        .map(|term| format!("`{term}`"))
        .collect();
    writeln!(text, " {}.", terms.join(", "))?;
    text.push_str(
        "With code extensions (ISO 2022) also Japanese, Korean and Chinese sets. What stands in \
         none of them is shown as octal numbers and kept byte for byte. Patient ids are compared \
         by their bytes.\n",
    );
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_uid_has_its_name() {
        for class in CLASSES {
            assert_ne!(name(class), "", "{class}");
            for syntax in syntaxes(class) {
                assert_ne!(name(syntax), "", "{syntax}");
            }
        }
    }
}
