//! Questions that cannot be asked, and how they are told.

use super::*;
use crate::assess::QuestionError;

#[test]
fn wrong_questions_name_the_exam_and_the_field() {
    let exams = vec![
        exam("b", "2023-01-01", &[5.2; 3], &[5.2; 3]),
        exam("t", "2023-06-01", &[5.2; 3], &[5.2; 3]),
    ];
    let ask = |change: fn(&mut Question)| {
        let mut question = question(adult(), exams.clone());
        change(&mut question);
        assess(&question).unwrap_err()
    };
    let nobody = ask(|q| q.assess = "x".to_owned());
    assert_eq!(nobody, QuestionError::NoSuchExam { id: "x".to_owned() });
    let twice = ask(|q| q.exams[0].id = "t".to_owned());
    assert!(
        twice
            .to_string()
            .starts_with("exam \"t\", field id: given twice")
    );
    let planes = ask(|q| q.exams[0].planes.left = Some(vec![]));
    let text = planes.to_string();
    assert!(
        text.starts_with("exam \"b\", field planes.left: 0 planes for 3 readings"),
        "{text}"
    );
    for change in [
        (|q| q.parameters.sigma_w = 0.0) as fn(&mut Question),
        |q| q.parameters.q = -1.0,
        |q| q.parameters.sigma_o = f64::NAN,
        |q| q.parameters.growth_min = 0.0,
        |q| q.parameters.growth_stop = 0.1,
        |q| q.parameters.rho_s = 1.1,
        |q| q.parameters.z_well = 1.0,
        |q| q.parameters.z_above = f64::INFINITY,
        |q| q.parameters.max_sessions = 0,
        |q| q.parameters.washout_days = -1,
        |q| q.parameters.plausible_max = 1.0,
    ] {
        assert!(matches!(ask(change), QuestionError::Parameter(_)));
    }
    assert_eq!(
        ask(|q| q.parameters.rho_s = 2.0).to_string(),
        "parameter rho_s: 2 is not usable, it must be at least 0 and at most 1"
    );
}

#[test]
fn unknown_names_in_json_are_refused() {
    let line = r#"{"patient":{"id":"P","birth_date":null},"assess":"t","exams":[
        {"id":"t","date":"2023-06-01","eyes":{"right":[5.2]}}],"parameters":{"sigma_w":0.25}}"#;
    let question: Question = serde_json::from_str(line).unwrap();
    close(question.parameters.sigma_w, 0.25, 0.0);
    assert_eq!(question.exams[0].eyes.right[0].um(), 5200);
    for (known, unknown) in [
        ("sigma_w", "sigma_v"),
        ("\"date\"", "\"day\""),
        ("\"right\"", "\"rigth\""),
        ("birth_date", "born"),
        ("2023-06-01", "2023-02-30"),
        ("5.2", "\"5.2\""),
    ] {
        let line = line.replace(known, unknown);
        assert!(
            serde_json::from_str::<Question>(&line).is_err(),
            "{unknown}"
        );
    }
}
