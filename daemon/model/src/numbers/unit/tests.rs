//! A unit whose code says one thing and whose meaning another.

use super::*;
use crate::template::Templates;

fn of(code: &str, meaning: &str) -> Result<Unit, Remark> {
    let templates = Templates::builtin().unwrap();
    let code = Code {
        value: code.to_owned(),
        scheme: "UCUM".to_owned(),
        meaning: meaning.to_owned(),
        equivalents: Vec::new(),
    };
    of_value(Some(&code), templates.vocabulary())
}

#[test]
fn a_meaning_that_names_another_unit_blocks() {
    for (code, meaning) in [
        ("mm", "cm"),
        ("mm", "CM"),
        ("mm", "centimeter"),
        ("mm", "Centimetres"),
        ("mm", "Zentimeter"),
        ("mm", "length in cm"),
        ("mm", "厘米"),
        ("mm", "m"),
        ("mm", "inch"),
        ("mm", "in"),
        ("mm", "pixels"),
        ("mm", "square millimeter"),
        ("cm", "mm"),
        ("cm", "millimètre"),
        ("cm", "ミリメートル"),
        ("cm", "µm"),
        ("m", "millimeter"),
        ("[in_i]", "mm"),
    ] {
        let remark = of(code, meaning).unwrap_err();
        assert_eq!(remark.code, "unit-conflict", "{code} called {meaning}");
        assert_eq!(remark.severity, crate::domain::Severity::Blocking);
    }
}

#[test]
fn its_own_names_and_unknown_words_do_not() {
    for (code, meaning) in [
        ("mm", "mm"),
        ("mm", "MM"),
        ("mm", "Mm"),
        ("mm", "millimeter"),
        ("mm", "Millimetre"),
        ("mm", "Millimeters"),
        ("mm", "millimètres"),
        ("mm", "毫米"),
        ("mm", "ミリメートル"),
        ("mm", "millimeter (0.1 cm)"),
        ("mm", "mm."),
        ("mm", ""),
        ("mm", "unit"),
        ("mm", "in millimeters"),
        ("mm", "diam. m."),
        ("cm", "centimeter"),
        ("cm", "cm"),
        ("um", "µm"),
        ("um", "μm"),
        ("[in_i]", "inch"),
        ("m", "meter"),
    ] {
        assert!(of(code, meaning).is_ok(), "{code} called {meaning}");
    }
}
