//! DCMTK's `echoscu` and `storescu` as senders (dcmtk.org, tried with 3.6.7).
//!
//! Where the tools are not installed these tests say so and pass, unless
//! `SHEATHLINE_REQUIRE_TOOLS` is set, as it is in continuous checks.

use super::{Node, SR};
use dicom_core::header::Header;
use dicom_core::{DataElement, PrimitiveValue, VR, dicom_value};
use dicom_dictionary_std::tags;
use dicom_object::{FileMetaTableBuilder, InMemDicomObject};
use dicom_transfer_syntax_registry::{TransferSyntaxIndex, TransferSyntaxRegistry};
use std::io::Read;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};
use std::time::{Duration, Instant};

const IMPLICIT: &str = "1.2.840.10008.1.2";
const EXPLICIT: &str = "1.2.840.10008.1.2.1";
const DEFLATED: &str = "1.2.840.10008.1.2.1.99";

/// Runs a tool; `None` if it is not there and need not be.
pub(super) async fn run(tool: &str, arguments: &[&str]) -> Option<Output> {
    let mut command = Command::new(tool);
    // Debian's build leaves Nagle's algorithm on, which costs 40 ms a message.
    command
        .args(arguments)
        .env("TCP_NODELAY", "1")
        .stdin(std::process::Stdio::null());
    let ran = tokio::task::spawn_blocking(move || command.output())
        .await
        .expect("ran");
    match ran {
        Ok(output) => Some(output),
        Err(error) if std::env::var_os("SHEATHLINE_REQUIRE_TOOLS").is_none() => {
            println!("{tool} is not installed, nothing is checked: {error}");
            None
        }
        Err(error) => panic!("{tool}: {error}"),
    }
}

fn object(n: u32) -> InMemDicomObject {
    let text = |tag, vr, value: &str| DataElement::new(tag, vr, PrimitiveValue::from(value));
    let code = InMemDicomObject::from_element_iter([
        text(tags::CODE_VALUE, VR::SH, "126000"),
        text(tags::CODING_SCHEME_DESIGNATOR, VR::SH, "DCM"),
        text(tags::CODE_MEANING, VR::LO, "Imaging Measurement Report"),
    ]);
    InMemDicomObject::from_element_iter([
        text(tags::SOP_CLASS_UID, VR::UI, SR),
        text(
            tags::SOP_INSTANCE_UID,
            VR::UI,
            &format!("1.2.826.0.1.3680043.10.1.{n}"),
        ),
        text(tags::MODALITY, VR::CS, "SR"),
        text(tags::PATIENT_ID, VR::LO, "P-1"),
        text(tags::VALUE_TYPE, VR::CS, "CONTAINER"),
        text(tags::TEXT_VALUE, VR::UT, &"a long text ".repeat(2000)),
        DataElement::new(tags::ROWS, VR::US, dicom_value!(U16, [258])),
        DataElement::new(
            tags::CONCEPT_NAME_CODE_SEQUENCE,
            VR::SQ,
            dicom_core::value::DataSetSequence::from(vec![code]),
        ),
    ])
}

pub(super) fn file(folder: &Path, n: u32) -> PathBuf {
    let path = folder.join(format!("{n}.dcm"));
    object(n)
        .with_meta(
            FileMetaTableBuilder::new()
                .media_storage_sop_class_uid(SR)
                .media_storage_sop_instance_uid(format!("1.2.826.0.1.3680043.10.1.{n}"))
                .transfer_syntax(EXPLICIT),
        )
        .expect("a file")
        .write_to_file(&path)
        .expect("written");
    path
}

/// The data set that arrived, as `dicom-object` reads it.
fn read(bytes: &[u8], syntax: &str) -> InMemDicomObject {
    let mut inflated = Vec::new();
    let (bytes, syntax) = match syntax {
        DEFLATED => {
            flate2::read::DeflateDecoder::new(bytes)
                .read_to_end(&mut inflated)
                .expect("deflated");
            (inflated.as_slice(), EXPLICIT)
        }
        other => (bytes, other),
    };
    let syntax = TransferSyntaxRegistry.get(syntax).expect("known");
    InMemDicomObject::read_dataset_with_ts(bytes, syntax).expect("a data set")
}

/// Every element, one a line, without what an encoding may change: padding and lengths.
fn lines(object: &InMemDicomObject) -> Vec<String> {
    let mut found = Vec::new();
    for element in object {
        match element.items() {
            Some(items) => {
                found.push(format!("{} {} items", element.tag(), items.len()));
                found.extend(items.iter().flat_map(lines));
            }
            None => {
                let value = element.to_str().expect("text or numbers");
                let value = value.trim_end_matches([' ', '\0']);
                found.push(format!("{} {} {value}", element.tag(), element.vr()));
            }
        }
    }
    found
}

#[tokio::test(flavor = "multi_thread")]
async fn echo() {
    let node = Node::start(|_| {}).await;
    let port = node.address.port().to_string();
    if let Some(output) = run("echoscu", &["-aec", "SHEATHLINE", "127.0.0.1", &port]).await {
        assert!(output.status.success(), "{output:?}");
        let other = run("echoscu", &["-aec", "SOMEONE", "127.0.0.1", &port])
            .await
            .expect("there");
        assert!(!other.status.success());
        assert!(String::from_utf8_lossy(&other.stderr).contains("Called AE Title Not Recognized"));
    }
    node.stop().await;
}

/// `-xb` proposes big endian before the others, in one context, and gets the one we like best.
#[tokio::test(flavor = "multi_thread")]
async fn every_transfer_syntax_arrives_as_sent() {
    for (option, expected) in [
        ("-xe", EXPLICIT),
        ("-xi", IMPLICIT),
        ("-xd", DEFLATED),
        ("-xb", EXPLICIT),
        ("-x=", EXPLICIT),
    ] {
        let node = Node::start(|_| {}).await;
        let port = node.address.port().to_string();
        let path = file(node.temp.path(), 1);
        let path = path.to_str().expect("UTF-8");
        let call = [
            "-v",
            option,
            "-aet",
            "CART 7",
            "-aec",
            "SHEATHLINE",
            "127.0.0.1",
            &port,
            path,
        ];
        let Some(output) = run("storescu", &call).await else {
            return;
        };
        assert!(output.status.success(), "{option} {output:?}");
        assert!(
            String::from_utf8_lossy(&output.stderr).contains("Success"),
            "{option} {output:?}"
        );
        let kept = node.kept();
        assert_eq!(kept.len(), 1, "{option}");
        assert_eq!(
            kept[0].0.transfer_syntax.as_deref(),
            Some(expected),
            "{option}"
        );
        assert_eq!(kept[0].0.source.to_string(), "dicom:CART 7");
        assert_eq!(
            lines(&read(&kept[0].1, expected)),
            lines(&object(1)),
            "{option}"
        );
        node.stop().await;
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn eight_senders_at_once_and_all_again() {
    let node = Node::start(|_| {}).await;
    let port = node.address.port().to_string();
    let files: Vec<String> = (0..40)
        .map(|n| {
            file(node.temp.path(), n)
                .to_str()
                .expect("UTF-8")
                .to_owned()
        })
        .collect();
    for round in 0..2 {
        let started = Instant::now();
        let senders: Vec<_> = files
            .chunks(5)
            .map(|files| {
                let mut call = vec!["-aec".to_owned(), "SHEATHLINE".to_owned()];
                call.extend(["127.0.0.1".to_owned(), port.clone()]);
                call.extend(files.iter().cloned());
                tokio::spawn(async move {
                    let call: Vec<&str> = call.iter().map(String::as_str).collect();
                    run("storescu", &call).await
                })
            })
            .collect();
        for sender in senders {
            let Some(output) = sender.await.expect("no panic") else {
                return;
            };
            assert!(output.status.success(), "{output:?}");
        }
        assert!(started.elapsed() < Duration::from_secs(20), "round {round}");
    }
    let counts = node
        .store
        .read(sheathline_store::readings::counts)
        .expect("counted");
    assert_eq!((counts.unread, counts.repeats), (40, 40));
    node.stop().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_caller_that_is_not_listed() {
    let node = Node::start(|settings| settings.calling_allowed = vec!["CART 1".to_owned()]).await;
    let port = node.address.port().to_string();
    for (calling, accepted) in [("CART 1", true), ("CART 2", false), ("cart 1", false)] {
        let call = ["-aet", calling, "-aec", "SHEATHLINE", "127.0.0.1", &port];
        let Some(output) = run("echoscu", &call).await else {
            return;
        };
        assert_eq!(output.status.success(), accepted, "{calling} {output:?}");
    }
    node.stop().await;
}

/// PS3.5 A.4: a picture in fragments, compressed by DCMTK, is taken as it is and its calibration
/// can be read.
#[tokio::test(flavor = "multi_thread")]
async fn a_compressed_picture_arrives_as_sent() {
    let node = Node::start(|_| {}).await;
    let port = node.address.port().to_string();
    let plain = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("../../fixtures/drawn/straight/picture-1.dcm")
        .to_string_lossy()
        .into_owned();
    for (compress, propose, syntax) in [
        ("+e1", "-xs", "1.2.840.10008.1.2.4.70"),
        ("+eb", "-xy", "1.2.840.10008.1.2.4.50"),
    ] {
        let path = node.temp.path().join(format!("{syntax}.dcm"));
        let path = path.to_str().expect("UTF-8");
        let Some(made) = run("dcmcjpeg", &[compress, &plain, path]).await else {
            return;
        };
        assert!(made.status.success(), "{made:?}");
        let call = [propose, "-aec", "SHEATHLINE", "127.0.0.1", &port, path];
        let sent = run("storescu", &call).await.expect("there");
        assert!(sent.status.success(), "{sent:?}");
        let kept = node.kept();
        let (object, body) = kept.last().expect("kept");
        assert_eq!(object.transfer_syntax.as_deref(), Some(syntax));
        let limits = sheathline_model::sr::Limits::default();
        let read = sheathline_model::sr::read(body, Some(syntax), &limits).expect("readable");
        let image = read.image.expect("a picture");
        assert_eq!((image.rows, image.regions.len()), (Some(96), 1));
        let slim =
            sheathline_model::sr::without_pixels(body, Some(syntax), &limits).expect("pixels");
        let again = sheathline_model::sr::read(&slim, Some(syntax), &limits).expect("readable");
        assert_eq!(again.image, Some(image));
        assert_eq!(again.header, read.header);
    }
    node.stop().await;
}
