use super::*;
use crate::forms::tests::sample;

fn message(name: &str) -> Vec<Vec<String>> {
    let (result, context) = sample(name);
    segments(&oru_r01(&result, &context, &Route::default()).unwrap())
}

fn segments(message: &str) -> Vec<Vec<String>> {
    assert!(message.ends_with('\r') && !message.contains('\n'));
    let lines = message.split_terminator('\r');
    let fields = |line: &str| line.split('|').map(str::to_owned).collect();
    lines.map(fields).collect()
}

/// Fields of the OBX with that code; a field that is left away is empty.
fn observed(message: &[Vec<String>], code: &str) -> Vec<Vec<String>> {
    let is = |one: &&Vec<String>| one[0] == "OBX" && one[3].split('^').next() == Some(code);
    let found = message.iter().filter(is).cloned();
    found
        .map(|mut fields| {
            fields.resize(20, String::new());
            fields
        })
        .collect()
}

#[test]
fn a_rise_is_a_significant_change_up_and_nothing_else() {
    let message = message("one-eye-out");
    let of = |code: &str| observed(&message, code).remove(0);
    assert_eq!(of("diameter-right")[8], "U");
    assert_eq!(of("diameter-left")[8], "");
    assert_eq!(
        of("result-status-left")[5],
        "within^Within expected; does not exclude raised pressure^99SHEATHLINE"
    );
    for one in message.iter().filter(|one| one[0] == "OBX") {
        assert_eq!(one[7], "", "no reference range: {one:?}");
    }
}

#[test]
fn a_fall_is_a_significant_change_down() {
    let message = message("below");
    assert_eq!(observed(&message, "diameter-both")[0][8], "D");
}

#[test]
fn readings_stand_one_by_one_under_the_code_of_their_eye() {
    let message = message("flagged");
    let right = observed(&message, "reading-right");
    let values: Vec<&str> = right.iter().map(|one| one[5].as_str()).collect();
    assert_eq!(values, ["5.9", "6", "5.8"]);
    assert_eq!(right[1][4], "right.2");
    assert_eq!(right[0][6], "mm^millimeter^UCUM");
    assert_eq!(
        right[0][3],
        "reading-right^Optic nerve sheath diameter, one reading, right eye^99SHEATHLINE^81827009^Diameter^SCT"
    );
}

#[test]
fn a_name_changes_the_order_of_its_parts() {
    let message = message("flagged");
    let pid = &message[1];
    assert_eq!(pid[5], "Hollowfield^Mara^^III^Dr");
    assert_eq!(pid[3], "P1^^^NOWHERE&1.2.3.4&ISO");
    let obr = &message[3];
    assert_eq!(obr[18], "A-4711");
}

#[test]
fn values_that_are_gone_are_deleted() {
    let (result, mut context) = sample("flagged");
    let mut before = result.clone();
    (before.version, before.supersedes) = (1, None);
    context.previous = Some(Box::new(before));
    let mut withdrawn = result;
    withdrawn.content.measurements_used.clear();
    withdrawn.content.assessment =
        crate::assess::Assessment::not_comparable("E", crate::assess::Reason::Withdrawn);
    let message = segments(&oru_r01(&withdrawn, &context, &Route::default()).unwrap());
    assert_eq!(observed(&message, "diameter-right")[0][11], "D");
    assert_eq!(observed(&message, "reading-left").len(), 3);
    let status = observed(&message, "result-status").remove(0);
    assert_eq!(status[5], "not-comparable^Not comparable^99SHEATHLINE");
    assert_eq!(status[11], "C");
}

#[test]
fn a_repeat_has_the_same_control_id_and_a_version_another() {
    let (result, context) = sample("within");
    let control = |result: &Envelope| {
        segments(&oru_r01(result, &context, &Route::default()).unwrap())[0][9].clone()
    };
    let once = control(&result);
    assert_eq!(once, control(&result));
    assert_eq!(once.len(), 20);
    let mut next = result;
    next.version = 3;
    assert_ne!(once, control(&next));
}

/// HL7 v2.5.1, 2.A.47 and 2.A.70: NM has no exponent, SN has a comparator.
#[test]
fn a_tiny_chance_is_an_upper_bound() {
    let (mut result, context) = sample("flagged");
    if let Some(row) = &mut result.content.assessment.rows.both {
        row.comparison.as_mut().unwrap().probability_high = 3.2e-12;
    }
    let message = segments(&oru_r01(&result, &context, &Route::default()).unwrap());
    let one = observed(&message, "chance-high-both").remove(0);
    assert_eq!((one[2].as_str(), one[5].as_str()), ("SN", "<^0.001"));
}

/// Micrometres are beyond every caliper: three decimals of a millimetre at most.
#[test]
fn no_number_has_more_than_three_decimals() {
    for (name, _) in crate::results::samples::every() {
        for one in message(name).iter().filter(|one| one[0] == "OBX") {
            let decimals = one[5]
                .split_once('.')
                .map_or(0, |(_, decimals)| decimals.len());
            let is_number = matches!(one[2].as_str(), "NM" | "SN");
            assert!(!is_number || decimals <= 3, "{name}: {one:?}");
        }
    }
}

/// The row that did not decide fell; beside a rise nobody reads a fall.
#[test]
fn the_abnormal_flag_follows_the_row_that_decided() {
    let (mut result, context) = sample("one-eye-out");
    let rows = &mut result.content.assessment.rows;
    let left = rows.left.as_mut().unwrap().comparison.as_mut().unwrap();
    left.status = crate::assess::Status::BelowExpected;
    let message = segments(&oru_r01(&result, &context, &Route::default()).unwrap());
    let of = |code: &str| observed(&message, code).remove(0);
    assert_eq!(of("result-status")[8], "U");
    assert_eq!(of("diameter-right")[8], "U");
    assert_eq!(of("diameter-left")[8], "");
    assert!(of("result-status-left")[5].starts_with("below^"));
    assert_eq!(of("decided-by")[5], "row-right^Right eye^99SHEATHLINE");
}

#[test]
fn what_stands_beside_the_comparison_is_coded() {
    let (result, context) = crate::forms::tests::after_an_event();
    let message = segments(&oru_r01(&result, &context, &Route::default()).unwrap());
    let of = |code: &str| observed(&message, code).remove(0);
    assert_eq!(
        of("decided-by")[5],
        "since-event^Narrowest exam since the last event^99SHEATHLINE"
    );
    // Every row is within, and the exam is flagged.
    assert_eq!(
        (
            of("result-status")[8].as_str(),
            of("diameter-both")[8].as_str()
        ),
        ("U", "")
    );
    assert!(of("flag")[5].starts_with("flagged^"));
    assert!(of("after-event")[5].starts_with("widening-again^"));
    assert_eq!(of("after-event")[8], "U");
    assert_eq!(
        (of("nadir")[5].as_str(), of("nadir-limit")[5].as_str()),
        ("0.612", "0.401")
    );
    let last = of("since-last");
    assert_eq!(
        (last[4].as_str(), last[5].as_str()),
        ("since-last.both", "0.35")
    );
    assert_eq!(
        (of("last-at")[2].as_str(), of("last-at")[5].as_str()),
        ("TS", "20240507060000")
    );
    assert_eq!(of("last-hours")[6], "h^hour^UCUM");
    assert_eq!(of("earlier-flags")[5], "5");
    assert!(of("basis")[5].starts_with("confirmed^"));
    let doubts = observed(&message, "doubt");
    let told: Vec<_> = doubts
        .iter()
        .map(|one| (one[4].as_str(), one[5].as_str()))
        .collect();
    assert_eq!(told.len(), 2);
    assert_eq!((told[0].0, told[1].0), ("1", "2"));
    assert!(told[0].1.starts_with("nerve-suspected^"));
    assert!(of("replaced-status")[5].starts_with("within^"));
    assert_eq!(of("replaced-value")[5], "5.1");
    assert!(of("report-state")[5].starts_with("not-preliminary^"));
}

/// New, taken back, and told again: each in one observation, and a reminder is another message.
#[test]
fn a_rise_says_that_it_is_new_or_withdrawn_or_told_again() {
    let (mut result, mut context) = sample("flagged");
    (result.version, result.supersedes, result.replaces) = (1, None, None);
    let made = |result: &Envelope, context: &Context| {
        segments(&oru_r01(result, context, &Route::default()).unwrap())
    };
    let kinds = |message: &[Vec<String>]| -> Vec<(String, String)> {
        let all = observed(message, "change-kind").into_iter();
        all.map(|one| {
            let code = one[5].split('^').next().unwrap_or_default().to_owned();
            (one[4].clone(), format!("{code} {}", one[11]))
        })
        .collect()
    };
    let of = |group: &str, said: &str| (group.to_owned(), said.to_owned());
    let first = made(&result, &context);
    assert_eq!(kinds(&first), [of("", "new-rise F")]);
    context.reminder = true;
    let reminder = made(&result, &context);
    assert_eq!(
        kinds(&reminder),
        [of("", "new-rise F"), of("reminder", "reminder F")]
    );
    assert_ne!(reminder[0][9], first[0][9], "MSH-10: it is no repeat");
    context.reminder = false;
    // A further version with the same flag: the rise is not new any more.
    let mut second = result.clone();
    (second.version, second.supersedes) = (2, Some(1));
    context.previous = Some(Box::new(result.clone()));
    assert_eq!(kinds(&made(&second, &context)), [of("", "new-rise D")]);
    // The flag is taken back.
    let calm = sample("within").0.content;
    let why = ["the report was amended".to_owned()];
    second.replaces = crate::results::Replaced::of(1, &result.content, &calm, &why);
    second.content.assessment = crate::assess::Assessment {
        assess: second.content.assessment.assess.clone(),
        ..calm.assessment
    };
    let withdrawn = kinds(&made(&second, &context));
    assert_eq!(withdrawn, [of("", "withdrawn-rise C")]);
    assert!(kinds(&message("within")).is_empty());
}
