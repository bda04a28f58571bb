//! A thousand reports of patients with telling names, ids and dates, good, damaged and refused: none
//! of it may be found outside the store, the outbox and the audit trail.

use super::{LISTEN, endpoint, get, samples};
use crate::harness::{Site, fixture, program, until};
use crate::receive::Sender;
use dicom_core::{DataElement, PrimitiveValue, VR};
use dicom_dictionary_std::tags;
use dicom_object::{InMemDicomObject, open_file};
use dicom_transfer_syntax_registry::entries;
use dicom_ul::association::client::ClientAssociationOptions;
use std::fs;
use std::path::Path;
use std::process::Command;

/// What must not turn up anywhere: parts of names, ids, UIDs and file names, and the birth date as
/// DICOM and as ISO 8601 write it.
const CANARIES: [&str; 6] = [
    "CANARY",
    "Canary",
    "2.25.777000",
    "19130721",
    "1913-07-21",
    "canary",
];

struct Canary {
    uid: String,
    object: InMemDicomObject,
}

impl Canary {
    fn numbered(n: usize) -> Self {
        let file = open_file(fixture("sr/tid1500/report.dcm")).expect("fixture");
        let uid = format!("2.25.7770001{n}");
        let mut object = (*file).clone();
        for (tag, vr, value) in [
            (tags::SOP_INSTANCE_UID, VR::UI, uid.clone()),
            (tags::STUDY_INSTANCE_UID, VR::UI, format!("2.25.7770002{n}")),
            (
                tags::SERIES_INSTANCE_UID,
                VR::UI,
                format!("2.25.7770003{n}"),
            ),
            (tags::PATIENT_NAME, VR::PN, format!("CANARYNAME{n}^Canary")),
            (tags::PATIENT_ID, VR::LO, format!("CANARYID{n}")),
            (tags::ACCESSION_NUMBER, VR::SH, format!("CANARYACC{n}")),
            (tags::PATIENT_BIRTH_DATE, VR::DA, "19130721".to_owned()),
        ] {
            object.put(DataElement::new(tag, vr, PrimitiveValue::from(value)));
        }
        Canary { uid, object }
    }

    fn data_set(&self) -> Vec<u8> {
        let mut bytes = Vec::new();
        let syntax = entries::EXPLICIT_VR_LITTLE_ENDIAN.erased();
        self.object
            .write_dataset_with_ts(&mut bytes, &syntax)
            .expect("written");
        bytes
    }

    fn file(&self) -> Vec<u8> {
        let meta = dicom_object::FileMetaTableBuilder::new()
            .media_storage_sop_class_uid(crate::receive::SR)
            .media_storage_sop_instance_uid(&self.uid)
            .transfer_syntax("1.2.840.10008.1.2.1");
        let file = self.object.clone().with_meta(meta).expect("meta");
        let mut bytes = Vec::new();
        file.write_all(&mut bytes).expect("written");
        bytes
    }
}

fn search(what: &str, text: &str) {
    for canary in CANARIES {
        if let Some(at) = text.find(canary) {
            let from = text.floor_char_boundary(at.saturating_sub(200));
            let to = text.floor_char_boundary(at + 200);
            panic!("{canary} in {what}: {}", &text[from..to]);
        }
    }
}

/// Every file of the site but those that hold patients' data.
fn search_files(folder: &Path) {
    for entry in fs::read_dir(folder).expect("folder") {
        let path = entry.expect("entry").path();
        let name = path
            .file_name()
            .expect("name")
            .to_string_lossy()
            .into_owned();
        if name.starts_with("store.sqlite")
            || ["outbox", "drop", "audit.xml"].contains(&name.as_str())
        {
            continue;
        }
        search(&name, &name);
        if path.is_dir() {
            search_files(&path);
        } else {
            search(
                &name,
                &String::from_utf8_lossy(&fs::read(&path).expect("read")),
            );
        }
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_thousand_patients_leave_no_name_outside() {
    let more = "audit = \"audit.xml\"\nlog = \"debug\"\n\
                [[receive.dicom.sender]]\nae_title = \"SCANNER\"\nmalformed = \"refuse\"\n";
    let site = Site::with(&format!("{LISTEN}{more}"));
    // Pages and pictures are not looked at here, and cost most of the time.
    let text = fs::read_to_string(site.config()).expect("configuration");
    let text = text.replace("[outbox]", "[outbox]\nhtml = false\ntext = false");
    fs::write(site.config(), text).expect("written");
    let stderr = site.path("stderr.txt");
    let mut shell = Command::new("sh");
    shell.arg("-c");
    shell.arg(format!("exec \"$0\" \"$@\" 2>'{}'", stderr.display()));
    shell.arg(program().get_program());
    let daemon = site.serve_by(shell);
    let to = endpoint(&daemon);

    let mut sender = Sender::connect(daemon.address).await.expect("accepted");
    for n in 0..700 {
        let one = Canary::numbered(n);
        assert_eq!(sender.store(&one.uid, &one.data_set()).await, 0);
    }
    for n in 700..750 {
        // Cut in the middle: this sender asked for a refusal.
        let one = Canary::numbered(n);
        let bytes = one.data_set();
        let status = sender.store(&one.uid, &bytes[..bytes.len() - 101]).await;
        assert_eq!(status & 0xF000, 0xC000, "{status:04X}");
    }
    // The same ones again, and one under the UID of another.
    for n in 0..20 {
        let one = Canary::numbered(n);
        assert_eq!(sender.store(&one.uid, &one.data_set()).await, 0);
    }
    sender.association.release().await.expect("released");
    for _ in 0..30 {
        let refused = ClientAssociationOptions::new()
            .calling_ae_title("SCANNER")
            .called_ae_title("SOMEBODY")
            .with_presentation_context(crate::receive::SR, vec!["1.2.840.10008.1.2.1"])
            .establish_async(daemon.address)
            .await;
        assert!(refused.is_err());
    }
    for n in 750..1000 {
        let mut bytes = Canary::numbered(n).file();
        if n >= 900 {
            bytes.truncate(bytes.len() - 101);
        }
        // Whoever exports files likes to name them after patients.
        let aside = site.path(&format!("drop/CANARYNAME{n}.part"));
        fs::write(&aside, bytes).expect("written");
        fs::rename(&aside, aside.with_extension("dcm")).expect("renamed");
    }

    let read = |disposition: &str| {
        let name = format!("sheathline_objects_read_total{{disposition=\"{disposition}\"}}");
        samples(to)[&name]
    };
    until("the objects", || {
        read("accepted") + read("accepted_with_remarks") == 850.0 && read("quarantined") == 100.0
    });
    let published = "sheathline_results_published_total";
    until("the results", || samples(to)[published] >= 850.0);
    let found = samples(to);
    let received = |source: &str, outcome: &str| {
        let labels = format!("source=\"{source}\",outcome=\"{outcome}\"");
        found[&format!("sheathline_objects_received_total{{{labels}}}")]
    };
    assert_eq!(received("dicom", "kept"), 700.0);
    assert_eq!(received("dicom", "refused"), 50.0);
    assert_eq!(received("dicom", "repeat"), 20.0);
    assert_eq!(received("folder", "kept"), 250.0);

    // One line and one count for each failure; refusals of a peer for one reason share a line a minute.
    let log = daemon.log();
    for (code, told, times) in [
        ("object-refused", 50, 50),
        ("object-quarantined", 100, 100),
        ("refused-called", 1, 30),
        ("request-failed", 0, 0),
    ] {
        let lines = log.iter().filter(|line| line["fields"]["code"] == code);
        assert_eq!(lines.count(), told, "{code}");
        let counted = found[&format!("sheathline_failures_total{{code=\"{code}\"}}")];
        assert_eq!(counted, times as f64, "{code}");
    }

    for path in ["/livez", "/readyz", "/metrics", "/", "/CANARYID1"] {
        search(path, &get(to, path).1);
    }
    let proc = Path::new("/proc").join(daemon.pid().to_string());
    for name in ["cmdline", "comm", "environ"] {
        let bytes = fs::read(proc.join(name)).unwrap_or_default();
        search(name, &String::from_utf8_lossy(&bytes));
    }
    let (live, ended) = (daemon.log(), daemon.stop());
    assert_eq!(ended, Some(0));
    for line in &live {
        search("the log", &line.to_string());
    }
    assert!(live.len() > 1000, "debug lines are among them");
    assert!(stderr.exists());
    search_files(site.path("").as_path());
    // The audit trail holds one record for each, and the ids that nobody else may show.
    let (trail, events) = super::audit::events(&site.path("audit.xml"));
    assert!(trail.contains("CANARYID5"));
    assert_eq!(events["110104 C 0"], 700, "{events:?}");
    assert_eq!(events["110104 C 4"], 50, "refused objects");
    assert_eq!(events["110104 R 0"], 20, "repeats");
    assert_eq!(events["110107 C 0"], 150, "good files");
    assert_eq!(events["110107 C 4"], 100, "files in quarantine");
    assert_eq!(events["110113 E 0"], 1, "associations accepted");
    // The first, and at the stop how many more; the latter is Base64 of 29.
    assert_eq!(events["110113 E 4"], 2, "associations refused");
    assert!(trail.contains("type=\"Number of Repeats\" value=\"Mjk=\""));
    assert_eq!(events["110106 R 0"], found[published] as usize, "results");
    assert_eq!(events["110100 E 0"], 2, "start and stop");
    assert_eq!(events.len(), 9, "{events:?}");
    // The search finds what there is to find.
    let store = fs::read(site.path("store.sqlite")).expect("store");
    assert!(String::from_utf8_lossy(&store).contains("CANARYID5"));
}
