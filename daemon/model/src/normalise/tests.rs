use super::*;
use crate::domain::{Derivation, Eye, Laterality, Modality, Plane, RemarkCode};
use crate::extract::Given;
use crate::numbers::decimal::{Decimal, NotDecimal};
use crate::numbers::unit;
use crate::sr::Code;
use crate::template::Templates;
use crate::template::words::Unit;
use proptest::prelude::*;
use std::sync::LazyLock;

fn code(value: &str, scheme: &str) -> Code {
    Code {
        value: value.to_owned(),
        scheme: scheme.to_owned(),
        meaning: "unit of length".to_owned(),
        equivalents: Vec::new(),
    }
}

fn sent(text: &str, unit: &str) -> Measured {
    Measured {
        decimal: Some(text.to_owned()),
        float: None,
        rational: None,
        unit: Some(code(unit, "UCUM")),
    }
}

fn found(measured: Option<Measured>) -> Found {
    Found {
        quantity: Quantity::SheathDiameter,
        rule: "own.toml:1".to_owned(),
        eye: Laterality::Right,
        measured,
        qualifier: None,
        plane: Plane::Unspecified,
        derivation: Derivation::Single,
        definition: None,
        modality: Modality::Unspecified,
        depths: Vec::new(),
        angles: Vec::new(),
        place: "1.2.3".to_owned(),
        concept: "81827009 SCT".to_owned(),
        observed_at: None,
        observation_uid: None,
        time_point: None,
        procedure: Vec::new(),
        stands: None,
        pictures: Vec::new(),
        caliper: None,
        stated: None,
        operator: Given::Nothing,
        device: crate::domain::Device::default(),
        remarks: Vec::new(),
    }
}

fn normal(found: &Found) -> Measurement {
    static BUILTIN: LazyLock<Templates> = LazyLock::new(|| Templates::builtin().unwrap());
    let bounds = Bounds {
        vocabulary: BUILTIN.vocabulary(),
        technique: &Technique::default(),
        plausible: plausible::GATE,
    };
    normalise(found, None, &bounds)
}

fn one(text: &str, unit: &str) -> Measurement {
    normal(&found(Some(sent(text, unit))))
}

fn mm(text: &str) -> Option<Millimetres> {
    one(text, "mm").value_mm
}

fn codes(measurement: &Measurement) -> Vec<&str> {
    measurement
        .remarks
        .iter()
        .map(|remark| remark.code.as_ref())
        .collect()
}

fn um(um: i64) -> Option<Millimetres> {
    Some(Millimetres::from_um(um))
}

/// UCUM: cm, um, m are exact powers of ten of the metre; [in_i] is 2.54 cm. 0.449 cm is a value of
/// a series at 2640 m that reports centimetres (Ultrasound J 2022).
#[test]
fn units_are_exact() {
    assert_eq!(one("0.449", "cm").value_mm, um(4_490));
    assert_eq!(one("5200", "um").value_mm, um(5_200));
    assert_eq!(one("0.0052", "m").value_mm, um(5_200));
    assert_eq!(one("0.2", "[in_i]").value_mm, um(5_080));
    assert!(one("0.449", "cm").usable);
}

/// UCUM is case-sensitive: `MM` and `millimeter` are no units, `Mm` is the megametre.
#[test]
fn no_unit_is_guessed() {
    for unit in ["MM", "millimeter", "Mm", "kg", "mmHg", "µm", "in"] {
        let measurement = one("5.6", unit);
        assert_eq!(
            (measurement.value_mm, measurement.usable),
            (None, false),
            "{unit}"
        );
        assert_eq!(codes(&measurement), ["unit-unknown"], "{unit}");
        assert_eq!(measurement.unit_as_sent.as_deref(), Some(unit));
    }
    assert_eq!(codes(&one("5.6", "1")), ["unit-missing"]);
    let mut bare = found(Some(sent("5.6", "mm")));
    bare.measured.as_mut().unwrap().unit = None;
    assert_eq!(codes(&normal(&bare)), ["unit-missing"]);
    // Right code, wrong scheme.
    bare.measured.as_mut().unwrap().unit = Some(code("mm", "99TARNHOLT"));
    assert_eq!(codes(&normal(&bare)), ["unit-unknown"]);
}

/// A number without a unit is a length by the word of the site's dictionary alone. UCUM's `1` says
/// "no unit" (UCUM 2.1, the unity); the dictionary may say what that stands for, and nothing may
/// say it for a number that has no unit code at all, since nobody can tell what was left out.
#[test]
fn without_a_unit_only_the_dictionary_makes_a_length() {
    let load = |term: &str| {
        let text = format!("[[term]]\n{term}\nmeaning = \"x\"\n");
        let loaded = match term {
            "" => Templates::builtin(),
            _ => Templates::load(&[], &[("own.toml".to_owned(), text)]),
        };
        loaded.unwrap()
    };
    let one = "code = \"1\"\nscheme = \"UCUM\"\nsays = { unit = \"mm\" }";
    let own = "code = \"1\"\nscheme = \"99TARNHOLT\"\nsays = { unit = \"cm\" }";
    let named = "code = \"81827009\"\nscheme = \"SCT\"\nsays = { concept = \"diameter\" }";
    for (term, unit, micrometres) in [
        ("", None, None),
        ("", Some(("1", "UCUM")), None),
        ("", Some(("", "UCUM")), None),
        ("", Some(("1", "99TARNHOLT")), None),
        // A term about another code, or about the number's name, does not say it.
        (own, Some(("1", "UCUM")), None),
        (named, Some(("1", "UCUM")), None),
        (one, None, None),
        (one, Some(("", "UCUM")), None),
        (one, Some(("1", "99TARNHOLT")), None),
        (one, Some(("1", "UCUM")), Some(5600)),
        (own, Some(("1", "99TARNHOLT")), Some(56_000)),
    ] {
        let templates = load(term);
        let mut number = found(Some(sent("5.6", "mm")));
        number.measured.as_mut().unwrap().unit = unit.map(|(value, scheme)| code(value, scheme));
        let bounds = Bounds {
            vocabulary: templates.vocabulary(),
            technique: &Technique::default(),
            plausible: plausible::GATE,
        };
        let read = normalise(&number, None, &bounds);
        let value = read.value_mm.map(|value| value.um());
        assert_eq!(value, micrometres, "{term} {unit:?}");
        let expected = match micrometres {
            None => "unit-missing",
            Some(_) => "unit-by-site",
        };
        assert!(codes(&read).contains(&expected), "{term} {unit:?}");
        assert!(micrometres.is_some() || !read.usable, "{term} {unit:?}");
    }
}

#[test]
fn a_site_may_explain_its_spelling() {
    let text = "[[term]]\ncode = \"MM\"\nscheme = \"UCUM\"\nsays = { unit = \"mm\" }\n";
    let templates = Templates::load(&[], &[("site.toml".to_owned(), text.to_owned())]).unwrap();
    let unit = unit::length(&code("MM", "UCUM"), templates.vocabulary());
    assert_eq!(unit, Some(Unit::Millimetre));
}

/// Decimal String: PS3.5 table 6.2-1.
#[test]
fn decimal_strings() {
    assert_eq!(mm(" 5.2 "), um(5_200));
    assert_eq!(mm("+5.3"), um(5_300));
    assert_eq!(mm("54E-1"), um(5_400));
    assert_eq!(mm("0.0055e3"), um(5_500));
    assert_eq!(mm("5.600"), um(5_600));
    assert_eq!(mm("5."), um(5_000));
    assert_eq!(mm("5.2000000000000"), um(5_200));
    let bad = [
        ("5,2", NotDecimal::Comma),
        ("", NotDecimal::Empty),
        ("NaN", NotDecimal::Malformed),
        ("inf", NotDecimal::Malformed),
        ("5.2.1", NotDecimal::Malformed),
        ("5 2", NotDecimal::Malformed),
        ("0x5", NotDecimal::Malformed),
        ("--5", NotDecimal::Malformed),
        (".", NotDecimal::Malformed),
        ("5e", NotDecimal::Malformed),
        ("٥", NotDecimal::Malformed),
        ("1e99999", NotDecimal::TooLong),
    ];
    for (text, why) in bad {
        assert_eq!(Decimal::parse(text), Err(why), "{text}");
    }
    assert_eq!(Decimal::parse(&"9".repeat(64)), Err(NotDecimal::TooLong));
    for text in ["5,2", "NaN"] {
        assert_eq!(codes(&one(text, "mm")), ["value-unreadable"]);
        assert!(!one(text, "mm").usable);
    }
    assert_eq!(codes(&one("1e30", "mm")), ["value-unreadable"]);
    assert_eq!(
        codes(&one("5.200000000000000000", "mm")),
        ["value-too-long"]
    );
}

/// Half to even, IEEE 754 section 4.3.1, and only where digits are finer than a micrometre.
#[test]
fn rounding() {
    assert_eq!(mm("5.2005"), um(5_200));
    assert_eq!(mm("5.2015"), um(5_202));
    assert_eq!(mm("5.20150001"), um(5_202));
    assert_eq!(mm("-5.2005"), um(-5_200));
    assert_eq!(mm("1e-40"), um(0));
    assert_eq!(codes(&one("5.2005", "mm")), ["value-rounded"]);
    assert_eq!(codes(&one("5.2000", "mm")), Vec::<&str>::new());
}

#[test]
fn decimal_goes_before_float() {
    let mut both = sent("5.2", "mm");
    both.float = Some(5.2);
    assert_eq!(
        codes(&normal(&found(Some(both.clone())))),
        Vec::<&str>::new()
    );
    both.float = Some(6.2);
    let measurement = normal(&found(Some(both.clone())));
    assert_eq!(
        (measurement.value_mm, measurement.usable),
        (um(5_200), true)
    );
    assert_eq!(codes(&measurement), ["value-disagrees"]);
    both.decimal = None;
    both.float = Some(5.3);
    let measurement = normal(&found(Some(both.clone())));
    assert_eq!(measurement.value_mm, um(5_300));
    assert_eq!(measurement.value_as_sent.as_deref(), Some("5.3"));
    both.float = Some(f64::NAN);
    assert_eq!(codes(&normal(&found(Some(both)))), ["value-unreadable"]);
}

/// CID 42: a value that is missing is never nought.
#[test]
fn missing_values() {
    let mut none = found(None);
    none.qualifier = Some(code("114007", "DCM"));
    let measurement = normal(&none);
    assert_eq!((measurement.value_mm, measurement.usable), (None, false));
    assert_eq!(codes(&measurement), ["value-missing"]);
    let mut odd = found(Some(sent("5.2", "mm")));
    odd.qualifier = Some(code("114009", "DCM"));
    assert_eq!(codes(&normal(&odd)), ["value-qualified"]);
    assert!(!normal(&odd).usable);
}

/// Eyeball 22.9 mm (22.3 in doi:10.1186/s12883-015-0361-x, 23.1 in doi:10.1186/s12883-023-03062-4),
/// disc 0.55 mm (doi:10.1186/s13089-023-00324-7), 11.2 mm above the gate (engineering choice); 3.1 mm
/// without a baseline is a child's sheath (mean 3.08, doi:10.1016/S0009-9260(99)91176-5) or a nerve
/// (mean 3.08, doi:10.1111/jon.12691): noted and used.
#[test]
fn plausibility() {
    for (text, maybe) in [
        ("22.9", "eyeball"),
        ("0.55", "optic disc"),
        ("11.2", "slipped"),
        ("54", "slipped"),
        ("-5.2", "slipped"),
    ] {
        let measurement = one(text, "mm");
        assert!(!measurement.usable);
        assert_eq!(codes(&measurement), ["implausible"], "{text}");
        assert!(measurement.remarks[0].text.contains(maybe), "{text}");
        assert!(measurement.value_mm.is_some());
    }
    assert_eq!(codes(&one("3.1", "mm")), ["maybe-nerve-alone"]);
    assert!(one("3.1", "mm").usable);
    // The gate's ends belong to it.
    assert!(one("1.8", "mm").usable && one("10.0", "mm").usable);
    assert!(!one("1.799", "mm").usable && !one("10.001", "mm").usable);
    let mut eyeball = found(Some(sent("22.9", "mm")));
    eyeball.quantity = Quantity::EyeballTransverseDiameter;
    assert!(normal(&eyeball).usable);
}

/// Plane geometry: true width is reading times the cosine, a horizontal reading true over cosine.
#[test]
fn oblique_calipers() {
    let across = |reading: i64, angle: f64| {
        caliper::straight_across_mm(Millimetres::from_um(reading), angle)
    };
    assert!((across(5_200, 20.0) - 4.886).abs() < 0.002);
    assert!((across(6_000, 30.0) - 5.196).abs() < 0.002);
    assert!((across(5_176, 15.0) - 5.0).abs() < 0.002);
    assert!((across(4_800, 0.0) - 4.8).abs() < 1e-9);
    assert!((caliper::excess_percent(40.0) - 30.54).abs() < 0.01);

    let at = |angle: &str| {
        let mut found = found(Some(sent("5.2", "mm")));
        found.angles = vec![Some(sent(angle, "deg"))];
        normal(&found)
    };
    assert_eq!(codes(&at("15")), Vec::<&str>::new());
    let caution = at("20");
    assert!(caution.usable);
    assert_eq!(codes(&caution), ["oblique-caliper"]);
    assert!(caution.remarks[0].text.contains("about 0.31 mm too wide"));
    // The reading itself stays.
    assert_eq!(caution.value_mm, um(5_200));
    assert_eq!(caution.geometry.unwrap().angle_deg, Some(20.0));
    assert!(at("22").usable);
    assert!(!at("-30").usable);
    assert_eq!(at("-30").geometry.unwrap().angle_deg, Some(30.0));
    assert_eq!(codes(&at("x")), ["angle-unclear"]);
    // Nothing is corrected and nothing invented without an angle.
    assert_eq!(one("5.2", "mm").geometry, None);
    assert_eq!(one("5.2", "mm").value_mm, um(5_200));
}

#[test]
fn depth_behind_the_globe() {
    let at = |depths: Vec<Measured>| {
        let mut found = found(Some(sent("5.2", "mm")));
        found.depths = depths.into_iter().map(Some).collect();
        normal(&found)
    };
    for (depth, usable, expected) in [
        ("3.0", true, vec![]),
        ("3.25", true, vec![]),
        ("2.75", true, vec![]),
        ("3.26", true, vec!["depth-off"]),
        ("4.0", true, vec!["depth-off"]),
        ("4.001", false, vec!["depth-off"]),
        ("5.5", false, vec!["depth-off"]),
    ] {
        let measurement = at(vec![sent(depth, "mm")]);
        assert_eq!(
            (measurement.usable, codes(&measurement)),
            (usable, expected),
            "{depth}"
        );
    }
    assert_eq!(at(vec![sent("0.3", "cm")]).depth_mm, um(3_000));
    assert_eq!(
        codes(&at(vec![sent("3", "mm"), sent("5", "mm")])),
        ["depth-unclear"]
    );
    assert_eq!(codes(&at(vec![sent("3", "1")])), ["depth-unclear"]);
}

fn made(derivation: Derivation, text: &str, plane: Plane) -> Measurement {
    let mut found = found(Some(sent(text, "mm")));
    (found.derivation, found.plane) = (derivation, plane);
    normal(&found)
}

fn settled(mut all: Vec<Measurement>) -> Vec<(bool, Vec<String>)> {
    settle(&mut all);
    let once = all.clone();
    settle(&mut all);
    assert_eq!(once, all, "settling twice changes nothing");
    all.iter()
        .map(|one| {
            (
                one.usable,
                codes(one).into_iter().map(str::to_owned).collect(),
            )
        })
        .collect()
}

/// TID 300 row 9 and CID 3627: mean and readings beside each other count once.
#[test]
fn means_beside_readings() {
    use Derivation::*;
    use Plane::{Sagittal, Transverse, Unspecified};
    let beside = |code: &str| (false, vec![code.to_owned()]);
    let used = (true, vec![]);
    let alone = (true, vec!["derived-without-readings".to_owned()]);

    assert_eq!(
        settled(vec![
            made(Mean, "5.5", Unspecified),
            made(Single, "5.4", Transverse),
            made(Maximum, "5.6", Transverse),
        ]),
        [
            beside("derived-beside-readings"),
            used.clone(),
            beside("derived-beside-readings")
        ]
    );
    // Readings in another plane are not the mean's.
    assert_eq!(
        settled(vec![
            made(Mean, "5.5", Sagittal),
            made(Single, "5.4", Transverse)
        ]),
        [alone.clone(), used.clone()]
    );
    assert_eq!(
        settled(vec![made(Median, "5.5", Unspecified)]),
        vec![alone.clone()]
    );
    assert_eq!(
        settled(vec![made(Maximum, "5.5", Unspecified)]),
        [beside("extreme-without-readings")]
    );
    assert_eq!(
        settled(vec![
            made(Selected, "5.6", Unspecified),
            made(Median, "5.5", Unspecified),
            made(Mean, "5.5", Unspecified),
        ]),
        [
            beside("derived-beside-derived"),
            beside("derived-beside-derived"),
            alone
        ]
    );
    // A mean of readings that are all unusable is no better than they are.
    let mut unusable = made(Single, "5.4", Unspecified);
    unusable.set_aside(Remark::of(RemarkCode::ObliqueCaliper, "test"));
    assert_eq!(
        settled(vec![made(Mean, "5.5", Unspecified), unusable])[0],
        beside("derived-from-unusable")
    );
    let mut left = made(Single, "5.4", Unspecified);
    left.eye = Eye::Left.into();
    assert!(settled(vec![made(Mean, "5.5", Unspecified), left])[0].0);
}

/// Over the objects of one exam: readings of one set aside the mean of another.
#[test]
fn settling_an_exam_after_its_objects() {
    let mut first = vec![made(Derivation::Mean, "5.5", Plane::Unspecified)];
    let mut second = vec![made(Derivation::Single, "5.4", Plane::Unspecified)];
    settle(&mut first);
    settle(&mut second);
    assert!(first[0].usable);
    settle(first.iter_mut().chain(&mut second));
    assert_eq!(codes(&first[0]), ["derived-beside-readings"]);
    assert!(second[0].usable);
}

#[test]
fn the_same_observation_twice() {
    let reading = |text: &str, uid: &str| {
        let mut one = made(Derivation::Single, text, Plane::Unspecified);
        one.observation_uid = Some(uid.to_owned());
        one
    };
    let seen = (false, vec!["observation-seen".to_owned()]);
    let conflict = (false, vec!["observation-uid-conflict".to_owned()]);
    assert_eq!(
        settled(vec![
            reading("5.4", "1.2"),
            reading("5.4", "1.2"),
            reading("5.4", "1.3")
        ]),
        [(true, vec![]), seen, (true, vec![])]
    );
    assert_eq!(
        settled(vec![reading("5.4", "1.2"), reading("5.9", "1.2")]),
        [conflict.clone(), conflict]
    );
}

/// `fixtures/ucum/lengths.json` is what the UCUM library @lhncbc/ucum-lhc 7 says. Every unit we read
/// has its factor there; of what we do not read, none is a length that the library calls by the
/// same code as one of ours.
#[test]
fn units_against_a_ucum_library() {
    let said = include_str!("../../../../fixtures/ucum/lengths.json");
    let said: std::collections::BTreeMap<String, Option<f64>> = serde_json::from_str(said).unwrap();
    assert!(said.len() > 30);
    for (unit, code) in Unit::ALL {
        let mm = said[code].unwrap();
        let ours = unit.nanometres() as f64 / 1e6;
        assert!((mm - ours).abs() <= 1e-12 * ours, "{code}: {mm} and {ours}");
    }
    let templates = Templates::builtin().unwrap();
    for (code, mm) in &said {
        let read = unit::length(&self::code(code, "UCUM"), templates.vocabulary());
        let ours = Unit::ALL
            .iter()
            .find(|(_, own)| own == code)
            .map(|(unit, _)| *unit);
        assert_eq!(read, ours, "{code}");
        assert!(ours.is_none() || mm.is_some(), "{code}");
    }
}

proptest! {
    /// Against exact fractions: value and unit as numerator over a power of ten.
    #[test]
    fn decimals_against_exact_fractions(
        digits in -99_999_999_i128..99_999_999,
        places in 0_u32..12,
        exponent in -6_i32..4,
        unit in prop_oneof![
            Just((Unit::Micrometre, 1_i128)), Just((Unit::Millimetre, 1_000)),
            Just((Unit::Centimetre, 10_000)), Just((Unit::Metre, 1_000_000)),
            Just((Unit::Inch, 25_400)), Just((Unit::Foot, 304_800)),
            Just((Unit::Decimetre, 100_000)),
        ],
    ) {
        let padded = format!("{:0width$}", digits.abs(), width = places as usize + 1);
        let (whole, fraction) = padded.split_at(padded.len() - places as usize);
        let sign = if digits < 0 { "-" } else { "" };
        let text = format!("{sign}{whole}.{fraction}E{exponent}");
        let read = Decimal::parse(&text).unwrap().in_unit(unit.0);

        // um = top / bottom, exactly.
        let power = exponent - places as i32;
        let top = digits * unit.1 * 10_i128.pow(power.max(0) as u32);
        let bottom = 10_i128.pow((-power).max(0) as u32);
        if top.abs() > 1_000_000_000 * bottom {
            prop_assert!(read.is_err());
        } else {
            let read = read.unwrap();
            let off = 2 * (i128::from(read.length.um()) * bottom - top).abs();
            prop_assert!(off <= bottom, "{text} gave {:?}", read.length);
            prop_assert!(off < bottom || read.length.um() % 2 == 0, "half goes to even");
            prop_assert_eq!(read.rounded, top % bottom != 0);
        }
    }

    #[test]
    fn any_text_is_read_or_refused(text in "\\PC{0,80}") {
        let _ = Decimal::parse(&text);
    }

    /// The order of the values decides nothing about which of them count.
    #[test]
    fn settling_knows_no_order(
        (given, shuffled) in prop::collection::vec(
            (0_usize..6, 0_usize..3, 0_u8..3, 4_000_u32..4_003), 1..8
        ).prop_flat_map(|kinds| (Just(kinds.clone()), Just(kinds).prop_shuffle()))
    ) {
        use Derivation::*;
        let count = |kinds: Vec<(usize, usize, u8, u32)>| {
            let all = kinds.iter().map(|&(derivation, plane, uid, um)| {
                let derivation = [Single, Mean, Median, Minimum, Maximum, Selected][derivation];
                let plane = [Plane::Transverse, Plane::Sagittal, Plane::Unspecified][plane];
                let mut one = made(derivation, &format!("{}.{:03}", um / 1000, um % 1000), plane);
                one.observation_uid = (uid > 0).then(|| uid.to_string());
                one
            });
            let mut all: Vec<Measurement> = all.collect();
            settle(&mut all);
            let mut used: Vec<String> = all
                .iter()
                .filter(|one| one.usable)
                .map(|one| format!("{:?} {:?} {:?}", one.derivation, one.plane, one.value_mm))
                .collect();
            used.sort();
            used
        };
        prop_assert_eq!(count(given), count(shuffled));
    }
}

#[test]
fn digits_as_sent_tell_the_smallest_step() {
    let step = |text: &str, unit: &str| one(text, unit).step.map(Millimetres::um);
    for (text, unit, um) in [
        ("5.2", "mm", 100),
        ("5.20", "mm", 10),
        ("5.", "mm", 1_000),
        ("5", "mm", 1_000),
        ("50", "mm", 1_000),
        ("0.5", "cm", 1_000),
        ("0.52", "cm", 100),
        ("0.520", "cm", 10),
        (" 5.2 ", "mm", 100),
        ("+5.2", "mm", 100),
        ("5.2E0", "mm", 100),
        ("52e-1", "mm", 100),
        ("520e-2", "mm", 10),
        ("0.52e1", "mm", 100),
        ("5e0", "mm", 1_000),
        ("5200", "um", 1),
        ("0.005", "m", 1_000),
        ("0.2", "[in_i]", 2_540),
        // Finer than lengths are kept.
        ("5.1999998092651", "mm", 1),
    ] {
        assert_eq!(step(text, unit), Some(um), "{text} {unit}");
    }
    // A value that is none has no step either.
    assert_eq!(step("5,2", "mm"), None);
    assert_eq!(step("5.2", "kg"), None);
}

#[test]
fn a_number_without_digits_has_no_step() {
    let float = Measured {
        decimal: None,
        float: Some(5.2),
        ..sent("", "mm")
    };
    let blank = Measured {
        decimal: Some("  ".to_owned()),
        ..float.clone()
    };
    let both = Measured {
        decimal: Some("5.20".to_owned()),
        ..float.clone()
    };
    let fraction = Measured {
        decimal: None,
        rational: Some((52, 10)),
        ..sent("", "mm")
    };
    for without in [float, blank, fraction] {
        let read = normal(&found(Some(without)));
        assert_eq!(read.value_mm, Millimetres::from_mm(5.2));
        assert_eq!(read.step, None);
    }
    let read = normal(&found(Some(both)));
    assert_eq!(read.step, Some(Millimetres::from_um(10)));
}

proptest! {
    /// The step divides the value, whatever the digits and the unit.
    #[test]
    fn the_value_is_a_whole_number_of_steps(
        whole in 0_u32..1_000, places in 0_usize..4, fraction in 0_u32..1_000, centimetres: bool,
    ) {
        let digits = format!("{fraction:03}");
        let text = format!("{whole}.{}", &digits[..places]);
        let unit = if centimetres { "cm" } else { "mm" };
        let read = one(&text, unit);
        let (value, step) = (read.value_mm.unwrap().um(), read.step.unwrap().um());
        prop_assert_eq!(value % step, 0);
        let unit_um: i64 = if centimetres { 10_000 } else { 1_000 };
        prop_assert_eq!(step * 10_i64.pow(u32::try_from(places).unwrap()), unit_um);
    }
}
