//! The lists of today, the page of an exam and that of a patient, of real reports.

use super::{PAGES, PASSWORD, Ward, ok, pages_of};
use crate::harness::{Site, fixture, until};
use crate::objects::Report;
use sheathline_model::domain::PatientKey;
use sheathline_store::{Mode, Store, deeds};
use std::fs;

const ROLES: [&str; 4] = ["reader", "clinician", "lead", "operator"];

/// A ward with four exams of T-1, each of a year; the last one is wide, and flagged.
fn ward() -> Ward {
    let ward = Ward::new(&ROLES);
    let exams = [(1, 0), (2, 1), (3, -1), (4, 6)];
    for (n, tenths) in exams {
        let report = Report {
            patient: "T-1".into(),
            date: format!("202{n}0301"),
            tenths,
            ..Report::numbered(n)
        };
        report.write(&ward.site.path("drop"));
    }
    until("all exams", || ward.site.results().len() == exams.len());
    ward
}

/// The first address of a kind in a page.
fn address(body: &str, start: &str) -> String {
    let from = body
        .find(start)
        .unwrap_or_else(|| panic!("no {start}: {body}"));
    body[from..].split('"').next().expect("its end").to_owned()
}

/// The whole way: the list, the exam, the patient; each role has its own buttons, and what is shown is
/// noted.
#[test]
fn a_rise_is_found_from_the_list_to_the_patient() {
    let ward = ward();
    let mut clinician = ward.signed_in("clinician");
    let today = clinician.get("/today");
    assert_eq!(today.status, 200, "{}", today.body);
    for shown in [
        "Rises that nobody has acknowledged (1)",
        "T-1",
        "new rise",
        "Without a label (4)",
    ] {
        assert!(today.body.contains(shown), "{shown}: {}", today.body);
    }
    let exam = address(&today.body, "/exam/");
    assert!(
        today
            .body
            .contains(&format!("action=\"{exam}/acknowledge\""))
    );
    let page = clinician.get(&exam);
    assert_eq!(page.status, 200, "{}", page.body);
    for shown in [
        "T-1",
        "Rise found",
        "Cautions",
        "What was said of this exam",
        "class=\"spans\"",
    ] {
        assert!(page.body.contains(shown), "{shown}: {}", page.body);
    }
    for act in [
        "acknowledge",
        "settle",
        "label",
        "pressure",
        "note",
        "second",
    ] {
        assert!(
            page.body.contains(&format!("action=\"{exam}/{act}\"")),
            "{act}"
        );
    }
    assert!(!page.body.contains("/leave-out\""));
    let patient = clinician.get(&exam.replace("/exam/", "/patient/"));
    assert_eq!(patient.status, 200, "{}", patient.body);
    assert_eq!(patient.body.matches("name=\"exam\"").count(), 4);
    // Zoom by the address alone; what is no window shows everything.
    for asked in [
        "?span=30d",
        "?span=2d&end=2023-03-01T12:00",
        "?span=%3Cscript%3E&end=never",
    ] {
        let zoomed = clinician.get(&format!("{}{asked}", exam.replace("/exam/", "/patient/")));
        assert_eq!(zoomed.status, 200, "{asked}");
        assert!(!zoomed.body.contains("<script>"), "{asked}");
    }
    assert!(
        ward.signed_in("lead")
            .get(&exam)
            .body
            .contains("/leave-out\"")
    );
    let mut reader = ward.signed_in("reader");
    for path in ["/today", &exam, &exam.replace("/exam/", "/patient/")] {
        let page = reader.get(path);
        assert_eq!(page.status, 200);
        assert_eq!(
            page.body.matches("<form method=\"post\"").count(),
            0,
            "{path}: {}",
            page.body
        );
    }
    let pdf = reader.get(&format!("{exam}/result.pdf"));
    assert_eq!(
        (pdf.status, pdf.header("content-type")),
        (200, "application/pdf")
    );
    assert!(pdf.body.starts_with("%PDF-"));
    let sr = reader.get(&format!("{exam}/result.dcm"));
    assert_eq!(
        (sr.status, sr.header("content-type")),
        (200, "application/dicom")
    );
    let name = exam.replace("/exam/", "");
    assert_eq!(
        sr.header("content-disposition"),
        format!("attachment; filename=\"{name}.dcm\"")
    );
    let store = Store::open(&ward.site.path("store.sqlite"), Mode::Guest).expect("opens");
    let result = ward.site.results().remove(&name).expect("a result");
    let text = |field: &str| result["patient"][field].as_str().expect("text").to_owned();
    let key = PatientKey {
        issuer: text("issuer"),
        id: text("id"),
    };
    for (account, action, is_noted) in [
        ("clinician", "viewed", true),
        ("reader", "viewed", true),
        ("reader", "downloaded", true),
        ("clinician", "downloaded", false),
    ] {
        let last = store.read(|view| deeds::last_of_patient(view, account, action, &key));
        assert_eq!(
            last.expect("read").is_some(),
            is_noted,
            "{account} {action}"
        );
    }
}

/// Whoever may not see patients sees none, by whichever address; and an exam that is none is not found.
#[test]
fn no_address_shows_more_than_a_role_may_see() {
    let ward = ward();
    let exam = address(&ward.signed_in("reader").get("/today").body, "/exam/");
    let patient = exam.replace("/exam/", "/patient/");
    let mut operator = ward.signed_in("operator");
    for path in [
        "/today".to_owned(),
        exam.clone(),
        patient.clone(),
        format!("{exam}/result.pdf"),
        format!("{exam}/result.dcm"),
        format!("{exam}/picture/0"),
    ] {
        let answer = operator.get(&path);
        assert_eq!(answer.status, 403, "{path}");
        assert!(!answer.body.contains("T-1"), "{path}");
        let nobody = ward.browser().get(&path);
        assert_eq!(nobody.status, 303, "{path}");
    }
    let mut reader = ward.signed_in("reader");
    for path in [
        "/exam/E00000000",
        "/patient/E00000000",
        "/exam/T-1",
        "/exam/2.25.1",
        "/exam/%27%20or%201%3D1",
        &format!("/exam/{}", "E".repeat(5000)),
        &format!("{exam}/picture/0"),
        &format!("{exam}/picture/-1"),
    ] {
        let answer = reader.get(path);
        assert!(
            [404, 400].contains(&answer.status),
            "{path}: {}",
            answer.status
        );
    }
}

/// Filters are part of the address; of what is filtered away the rises that wait stay.
#[test]
fn lists_are_filtered_by_day_and_operator() {
    let ward = ward();
    let mut reader = ward.signed_in("reader");
    let page = reader.get("/today?from=2022-01-01&to=2022-12-31");
    assert!(page.body.contains("Without a label (1)"), "{}", page.body);
    assert!(page.body.contains("Rises that nobody has acknowledged (1)"));
    let page = reader.get("/today?operator=Nobody");
    assert!(page.body.contains("Without a label (0)"), "{}", page.body);
    assert!(page.body.contains("there may be more, rises too"));
    let page = reader.get("/today?device=%27%3B--&location=%22");
    assert_eq!(page.status, 200);
    // Other days than those asked for would pass for them.
    for day in ["yesterday", "7.5.2024", "2024-02-30"] {
        let page = reader.get(&format!("/today?from={day}"));
        assert_eq!(page.status, 422);
        let told = format!("&quot;{day}&quot; is no day; write it as 2024-05-31.");
        assert!(page.body.contains(&told), "{}", page.body);
    }
}

/// A picture whose pixels are kept, with the line that would lie straight across and the depth to
/// measure at; the same without pixels shows the lines alone.
#[test]
fn a_picture_is_shown_with_its_calipers() {
    for keeps in [true, false] {
        let site = Site::with(PAGES);
        if keeps {
            let text = fs::read_to_string(site.config()).expect("read");
            let text = text.replace("[store]\n", "[store]\nkeep_pixels = true\n");
            fs::write(site.config(), text).expect("written");
        }
        for name in ["report.dcm", "picture-1.dcm"] {
            let file = fixture(&format!("drawn/straight/{name}"));
            fs::copy(file, site.path("drop").join(name)).expect("copied");
        }
        let daemon = site.serve();
        fs::write(site.path("password"), PASSWORD).expect("written");
        let password = site.path("password");
        let password = password.to_str().expect("UTF-8");
        ok(
            &site,
            "add",
            &["reader", "--role", "reader", "--password-file", password],
        );
        let address_of = pages_of(&daemon);
        let ward = Ward {
            site,
            daemon,
            address: address_of,
        };
        until("the exam", || !ward.site.results().is_empty());
        let mut reader = ward.signed_in("reader");
        let id = ward.site.results().into_keys().next().expect("an exam");
        let exam = format!("/exam/{id}");
        until("the picture", || {
            reader.get(&exam).body.contains("class=\"drawn\"")
        });
        let page = reader.get(&exam).body;
        let is_shown = page.contains(&format!("href=\"{exam}/picture/0\""));
        assert_eq!(is_shown, keeps, "{page}");
        assert_eq!(page.contains("The pixels are not kept"), !keeps);
        // The caliper, straight across, and the depth: solid, dashed, dotted.
        assert!(page.matches("stroke-dasharray").count() >= 2, "{page}");
        let answer = reader.get(&format!("{exam}/picture/0"));
        if keeps {
            assert_eq!(
                (answer.status, answer.header("content-type")),
                (200, "image/png")
            );
            assert!(answer.body.contains("IHDR") && answer.body.contains("IDAT"));
        } else {
            assert_eq!(answer.status, 404);
        }
    }
}
