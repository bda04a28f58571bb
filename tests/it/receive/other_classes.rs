//! Whole studies, forwarded by senders that end at the first class that is refused: DCMTK's `storescu` and
//! `dcmsend`.

use super::dcmtk::{file, run};
use super::raw::{Raw, connect_from};
use super::{Node, SR, number, tags};
use crate::harness::{Daemon, Site, until};
use dicom_core::{DataElement, PrimitiveValue, VR, dicom_value};
use dicom_object::{FileMetaTableBuilder, InMemDicomObject};
use serde_json::Value;
use sheathline::config::OtherClasses;
use std::path::{Path, PathBuf};

const CT: &str = "1.2.840.10008.5.1.4.1.1.2";
const CAPTURE: &str = "1.2.840.10008.5.1.4.1.1.7";
const DOSE: &str = "1.2.840.10008.5.1.4.1.1.88.67";

const ASKED: &str =
    "[[receive.dicom.sender]]\nae_title = \"ARCHIVE\"\nother_classes = \"take-and-drop\"\n";

/// A picture of another class, of some KiB.
fn picture(folder: &Path, class: &str, n: u32) -> PathBuf {
    let text = |tag, vr, value: &str| DataElement::new(tag, vr, PrimitiveValue::from(value));
    let instance = format!("2.25.900{n}");
    let pixels = vec![7_u8; 128 * 128];
    let number = |tag, value: u16| DataElement::new(tag, VR::US, dicom_value!(U16, [value]));
    let object = InMemDicomObject::from_element_iter([
        text(tags::SOP_CLASS_UID, VR::UI, class),
        text(tags::SOP_INSTANCE_UID, VR::UI, &instance),
        text(tags::STUDY_INSTANCE_UID, VR::UI, "2.25.901"),
        text(tags::SERIES_INSTANCE_UID, VR::UI, "2.25.902"),
        text(tags::PATIENT_ID, VR::LO, "P-1"),
        number(tags::SAMPLES_PER_PIXEL, 1),
        number(tags::ROWS, 128),
        number(tags::COLUMNS, 128),
        number(tags::BITS_ALLOCATED, 8),
        DataElement::new(tags::PIXEL_DATA, VR::OB, PrimitiveValue::from(pixels)),
    ]);
    let path = folder.join(format!("picture-{n}.dcm"));
    object
        .with_meta(
            FileMetaTableBuilder::new()
                .media_storage_sop_class_uid(class)
                .media_storage_sop_instance_uid(instance)
                .transfer_syntax("1.2.840.10008.1.2.1"),
        )
        .expect("a file")
        .write_to_file(&path)
        .expect("written");
    path
}

/// A report between pictures of other classes.
fn study(site: &Site) -> Vec<String> {
    let folder = site.path("study");
    std::fs::create_dir(&folder).expect("a folder");
    [
        picture(&folder, CT, 1),
        picture(&folder, CAPTURE, 2),
        file(&folder, 3),
        picture(&folder, CT, 4),
    ]
    .map(|path| path.to_string_lossy().into_owned())
    .into()
}

/// Sends the study; whether the tool calls it a success, if it is there.
async fn send(tool: &str, from: &str, daemon: &Daemon, files: &[String]) -> Option<bool> {
    let port = daemon.address.port().to_string();
    let mut call = vec!["-aet", from, "-aec", "SHEATHLINE", "127.0.0.1", &port];
    call.extend(files.iter().map(String::as_str));
    if tool == "storescu" {
        // Only what the files need.
        call.insert(0, "-R");
    }
    Some(run(tool, &call).await?.status.success())
}

fn told(log: &[Value], code: &str) -> Vec<Value> {
    let fields = log.iter().map(|line| line["fields"].clone());
    fields.filter(|fields| fields["code"] == code).collect()
}

#[tokio::test(flavor = "multi_thread")]
async fn a_whole_study_is_forwarded_where_the_site_says_so() {
    for tool in ["storescu", "dcmsend"] {
        let site = Site::with(ASKED);
        let files = study(&site);
        let daemon = site.serve();
        let Some(taken) = send(tool, "ARCHIVE", &daemon, &files).await else {
            return;
        };
        assert!(taken, "{tool}");
        until("the end of the association", || {
            !told(&daemon.log(), "objects-dropped").is_empty()
        });
        // Another sender is as before: the first object of another class ends it, or is left out.
        let before = told(&daemon.log(), "context-refused");
        assert!(before.is_empty(), "{before:?}");
        let other = send(tool, "STRANGER", &daemon, &files).await;
        if tool == "storescu" {
            assert_eq!(other, Some(false));
        }
        let (_, log) = daemon.stop_and_log();
        let dropped = told(&log, "objects-dropped");
        let [line] = dropped.as_slice() else {
            panic!("{dropped:?}");
        };
        assert_eq!(
            (&line["calling"], &line["objects"]),
            (&"ARCHIVE".into(), &3.into())
        );
        let classes = format!(
            "2 of CT Image Storage ({CT}), 1 of Secondary Capture Image Storage ({CAPTURE})"
        );
        assert_eq!(line["classes"], classes);
        let refused = told(&log, "context-refused");
        let [line] = refused.as_slice() else {
            panic!("{refused:?}");
        };
        assert_eq!(line["calling"], "STRANGER");
        let classes =
            format!("CT Image Storage ({CT}), Secondary Capture Image Storage ({CAPTURE})");
        assert_eq!(line["detail"], classes);
        // `status` tells it after the end as well, and the store holds the report alone.
        let status = site.run("status", &["--json"]);
        let status: Value = serde_json::from_slice(&status.stdout).expect("JSON");
        let rows = status["dropped"].as_array().expect("rows").iter();
        let rows: Vec<_> = rows
            .map(|row| {
                (
                    row["sender"].as_str(),
                    row["class"].as_str(),
                    row["objects"].as_u64(),
                )
            })
            .collect();
        let sender = Some("dicom:ARCHIVE");
        let expected = [
            (sender, Some(CT), Some(2)),
            (sender, Some(CAPTURE), Some(1)),
        ];
        assert_eq!(rows, expected);
        let store =
            String::from_utf8_lossy(&std::fs::read(site.path("store.sqlite")).expect("a store"))
                .contains("2.25.9001");
        assert!(!store);
        let shown = String::from_utf8(site.run("status", &[]).stdout).expect("UTF-8");
        let line = format!("2 of CT Image Storage ({CT}) dropped as other_classes says");
        assert!(shown.contains(&line), "{shown}");
    }
}

/// Larger than any object that is taken, and than all memory for objects: read to its end and answered.
/// A report in the same association is kept, one of a class that is not taken is refused before it is sent.
#[tokio::test(flavor = "multi_thread")]
async fn what_is_dropped_needs_no_room() {
    let node = Node::start(|settings| {
        settings.other_classes = OtherClasses::TakeAndDrop;
        settings.max_object_bytes = 20_000;
    })
    .await;
    let mut raw = Raw::over(connect_from("127.0.0.1", node.address).await);
    let answer = raw.ask("CART", "SHEATHLINE", &[SR, CT, DOSE]).await;
    // PS3.8 table 9-18: the result of each context, two bytes behind its id.
    let results: Vec<u8> = [1, 3, 5]
        .map(|id| {
            let item = [0x21, 0, 0];
            let at = answer
                .windows(5)
                .position(|at| at[..3] == item && at[4] == id);
            answer[at.expect("the context") + 6]
        })
        .into();
    assert_eq!(results, [0, 0, 3]);
    let large = vec![7; 3_000_000];
    let status = |set: &InMemDicomObject| number(set, tags::STATUS);
    assert_eq!(status(&raw.store(3, CT, "1.2.3", &large).await), 0);
    assert_eq!(status(&raw.store(1, SR, "1.2.4", b"a report").await), 0);
    // PS3.7 C.5.18: not the class of its context, dropped or not.
    assert_eq!(
        status(&raw.store(3, CAPTURE, "1.2.5", &large).await),
        0x0122
    );
    let kept = node.kept();
    assert_eq!(kept.len(), 1);
    assert_eq!(kept[0].1, b"a report");
    drop(raw);
    node.stop().await;
}
