//! Objects that declare no character set, and what may be assumed of them.

use super::*;
use crate::sr::sample::{self, EXPLICIT, text};
use crate::sr::{Document, Limits, read_assuming};
use dicom_core::value::{DataSetSequence, PrimitiveValue};
use dicom_core::{DataElement, Tag, VR};
use dicom_dictionary_std::tags;
use dicom_object::InMemDicomObject;

/// The sample without its character set.
fn undeclared() -> InMemDicomObject {
    let mut report = sample::report();
    report.remove_element(tags::SPECIFIC_CHARACTER_SET);
    report.put(text(tags::PATIENT_NAME, VR::PN, "Plover"));
    report.put(text(tags::OPERATORS_NAME, VR::PN, "Crake^Odd"));
    report
}

fn bytes(tag: Tag, vr: VR, bytes: &[u8]) -> dicom_object::mem::InMemElement {
    DataElement::new(tag, vr, PrimitiveValue::from(bytes.to_vec()))
}

fn read(object: &InMemDicomObject, assumed: &str) -> Document {
    let fallback = FallbackCharset::of(assumed);
    assert_eq!(fallback.is_none(), assumed.is_empty(), "{assumed}");
    let encoded = sample::encode(object, EXPLICIT);
    let limits = Limits::default();
    read_assuming(&encoded, Some(EXPLICIT), fallback.as_ref(), &limits).unwrap()
}

fn codes(document: &Document) -> Vec<&str> {
    let remarks = document.remarks.iter();
    remarks.map(|remark| remark.code.as_ref()).collect()
}

/// PS3.3 C.12.1.1.2: absent means the default repertoire, which is ASCII.
#[test]
fn a_set_is_assumed_only_for_letters_that_need_one() {
    let mut report = undeclared();
    for assumed in ["", "ISO_IR 100", "ISO_IR 192"] {
        assert_eq!(codes(&read(&report, assumed)), [""; 0], "{assumed}");
    }
    report.put(bytes(tags::OPERATORS_NAME, VR::PN, b"Zo\xC3\xAB"));
    for (assumed, operator, remarks) in [
        ("", "Zo\\303\\253", ["charset-undeclared"]),
        ("ISO_IR 100", "ZoÃ«", ["charset-assumed"]),
        ("ISO_IR 192", "Zoë", ["charset-assumed"]),
        (
            "ISO 2022 IR 6\\ISO 2022 IR 100",
            "Zo\\303\\253",
            ["charset-assumed"],
        ),
    ] {
        let document = read(&report, assumed);
        assert_eq!(document.header.operator.as_deref(), Some(operator));
        assert!(codes(&document).starts_with(&remarks), "{assumed}");
    }
    // A declared set is the object's own word, right or wrong, known or unknown.
    for (declared, operator) in [("ISO_IR 100", "ZoÃ«"), ("ISO_IR 999", "ZoÃ«")] {
        report.put(text(tags::SPECIFIC_CHARACTER_SET, VR::CS, declared));
        let document = read(&report, "ISO_IR 192");
        assert_eq!(document.header.operator.as_deref(), Some(operator));
        assert!(!codes(&document).contains(&"charset-assumed"));
    }
    report.put(text(tags::SPECIFIC_CHARACTER_SET, VR::CS, ""));
    let document = read(&report, "ISO_IR 192");
    assert_eq!(document.header.operator.as_deref(), Some("Zoë"));
}

/// What does not fit the assumed set says so, and the object is read all the same.
#[test]
fn a_wrong_assumption_refuses_nothing() {
    let mut report = undeclared();
    report.put(bytes(tags::OPERATORS_NAME, VR::PN, b"Zo\xEB"));
    let document = read(&report, "ISO_IR 192");
    assert_eq!(document.header.operator.as_deref(), Some("Zo\\353"));
    assert_eq!(codes(&document), ["charset-assumed", "text-undecodable"]);
    assert_eq!(document.tree, read(&undeclared(), "").tree);
}

/// PS3.5 6.1.2: an item that declares a set of its own is read by that.
#[test]
fn an_item_with_a_set_of_its_own_needs_no_assumption() {
    let mut report = undeclared();
    let concept = |declared: Option<&str>| {
        let mut code = sample::code("1", "99INVENTED", "One");
        if let Some(declared) = declared {
            code.put(text(tags::SPECIFIC_CHARACTER_SET, VR::CS, declared));
        }
        code.put(bytes(tags::CODE_MEANING, VR::LO, b"Z\xEB"));
        DataElement::new(
            tags::CONCEPT_NAME_CODE_SEQUENCE,
            VR::SQ,
            DataSetSequence::from(vec![code]),
        )
    };
    for (declared, meaning, remarks) in [
        (None, "Zë", &["charset-assumed"][..]),
        (Some("ISO_IR 144"), "Zы", &[]),
    ] {
        report.put(concept(declared));
        let document = read(&report, "ISO_IR 100");
        assert_eq!(codes(&document), remarks);
        let tree = document.tree.unwrap();
        let concept = tree.item(tree.root()).concept.as_ref().unwrap();
        assert_eq!(concept.meaning, meaning);
    }
}

/// An id is its bytes: neither what is declared nor what is assumed makes two of one, or one of two.
#[test]
fn ids_are_compared_by_their_bytes() {
    let id = |of: &[u8], declared: Option<&str>, assumed: &str| {
        let mut report = undeclared();
        if let Some(declared) = declared {
            report.put(text(tags::SPECIFIC_CHARACTER_SET, VR::CS, declared));
        }
        report.put(bytes(tags::PATIENT_ID, VR::LO, of));
        read(&report, assumed).header.patient_id.unwrap()
    };
    let sets = [
        "ISO_IR 100",
        "ISO_IR 144",
        "ISO_IR 192",
        "GB18030",
        "\\ISO 2022 IR 87",
    ];
    for of in [&b"K\xC3\xA9 7"[..], b"\xE9", b"A\x1B$B;3\x1B(B", b"00417x"] {
        let first = id(of, None, "");
        for set in sets {
            assert_eq!(id(of, Some(set), ""), first, "{set}");
            assert_eq!(id(of, None, set), first, "{set}");
        }
    }
    assert_eq!(id(b" 00417x ", Some("ISO_IR 192"), ""), "00417x");
    assert_eq!(id(b"K\xC3\xA9 7", Some("ISO_IR 192"), ""), "K\\303\\251 7");
    // The same letter in two sets is two ids; so are a byte and the digits that show it.
    let different = [
        &b"\xC3\xA9"[..],
        b"\xE9",
        b"\\351",
        b"\\134351",
        b"A",
        b"a",
        b"A\\1",
    ];
    let read: std::collections::BTreeSet<String> =
        different.iter().map(|of| id(of, None, "")).collect();
    assert_eq!(read.len(), different.len(), "{read:?}");
}

/// An assumption must not decide whose exam it is, through the issuer no more than through the id.
#[test]
fn no_set_is_assumed_for_an_issuer() {
    let mut report = undeclared();
    report.put(bytes(tags::ISSUER_OF_PATIENT_ID, VR::LO, b"Nord\xF8"));
    for assumed in ["", "ISO_IR 100", "ISO_IR 144"] {
        let document = read(&report, assumed);
        assert_eq!(document.header.patient_issuer.as_deref(), Some("Nord\\370"));
        assert_eq!(codes(&document), ["id-in-bytes"]);
    }
    report.put(text(tags::SPECIFIC_CHARACTER_SET, VR::CS, "ISO_IR 100"));
    let document = read(&report, "ISO_IR 144");
    assert_eq!(document.header.patient_issuer.as_deref(), Some("Nordø"));
}

/// Every term that may stand alone is one, and names that other trades use lead to it.
#[test]
fn terms() {
    for term in FallbackCharset::single_terms() {
        assert_eq!(FallbackCharset::of(term).unwrap().terms(), term);
    }
    for wrong in [
        "",
        " ",
        "\\",
        "utf-8",
        "ISO_IR 999",
        "ISO_IR 100\\ISO_IR 999",
    ] {
        assert_eq!(FallbackCharset::of(wrong), None, "{wrong}");
    }
    for (label, term) in [
        ("utf-8", "ISO_IR 192"),
        ("UTF8", "ISO_IR 192"),
        ("latin1", "ISO_IR 100"),
        ("iso-8859-5", "ISO_IR 144"),
        ("shift_jis", "ISO_IR 13"),
    ] {
        assert_eq!(FallbackCharset::term_for(label), Some(term), "{label}");
    }
    assert_eq!(FallbackCharset::term_for("klingon"), None);
}

/// Which sender gets which set.
#[test]
fn sources() {
    let set = |term: &str| FallbackCharset::of(term);
    let charsets = crate::reading::Charsets {
        folder: set("ISO_IR 100"),
        dicom: set("ISO_IR 192"),
        senders: [
            ("CART1".to_owned(), set("ISO_IR 144")),
            ("CART2".to_owned(), None),
        ]
        .into(),
    };
    for (source, expected) in [
        ("folder", Some("ISO_IR 100")),
        ("dicom:CART1", Some("ISO_IR 144")),
        ("dicom:CART2", None),
        ("dicom:CART3", Some("ISO_IR 192")),
        ("dicom:", Some("ISO_IR 192")),
        ("dicom:folder", Some("ISO_IR 192")),
    ] {
        let found = charsets.of(&source.into()).map(FallbackCharset::terms);
        assert_eq!(found, expected, "{source}");
    }
}
