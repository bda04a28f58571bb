use crate::assess::tests::{adult, answer, exam};
use crate::assess::{Notice, Reason, Subject, Unused};

/// Codes are what other systems hold on to, and each has words.
#[test]
fn every_code_has_its_words() {
    let word = |value: serde_json::Value| value.as_str().map(str::to_owned).unwrap_or_default();
    let notices = Notice::ALL.map(|n| (word(serde_json::to_value(n).unwrap()), n.sentence()));
    let reasons = Reason::ALL.map(|r| (word(serde_json::to_value(r).unwrap()), r.sentence()));
    let unused = Unused::ALL.map(|u| (word(serde_json::to_value(u).unwrap()), u.sentence()));
    for list in [&notices[..], &reasons[..], &unused[..]] {
        assert!(
            list.is_sorted_by(|a, b| a.0 < b.0),
            "codes stand in the order of the alphabet"
        );
        for (code, sentence) in list {
            assert!(!code.is_empty());
            assert!(
                sentence.ends_with('.') && !sentence.contains("  "),
                "{code}: {sentence}"
            );
            assert!(
                !sentence.to_lowercase().contains("normal"),
                "{code}: {sentence}"
            );
        }
    }
}

#[test]
fn within_expected_says_what_it_could_not_see() {
    let base = exam("b", "2023-01-10", &[5.2, 5.3, 5.1], &[5.3, 5.4, 5.2]);
    let now = exam("t", "2023-06-01", &[5.3, 5.3, 5.2], &[5.3, 5.4, 5.3]);
    let within = answer(adult(), vec![base.clone(), now.clone()]);
    assert_eq!(
        within.sentence(),
        "Within the range expected from this patient's earlier exams."
    );
    let sentence = within.missed();
    // 1.645 and 2.326 SD are missed in half, 2.485 and 3.166 SD in two of ten.
    let half =
        "half of such exams miss a true rise of 0.42 mm in both eyes, or of 0.69 mm in one eye";
    assert!(sentence.contains(half), "{sentence}");
    let most = "two of ten miss one of 0.63 mm in both, or of 0.94 mm in one";
    assert!(sentence.contains(most), "{sentence}");
    let mut one_eye = now.clone();
    one_eye.eyes.left.clear();
    let sentence = answer(adult(), vec![base.clone(), one_eye]).missed();
    assert!(
        sentence.contains("miss a true rise of 0.49 mm; two of ten miss one of 0.7"),
        "{sentence}"
    );

    // Too wide to compare, and above even that: the sentence does not hide it.
    let unknown_age = Subject {
        birth_date: None,
        ..adult()
    };
    let late = exam("t", "2032-01-01", &[8.0; 3], &[8.0; 3]);
    let late = answer(unknown_age, vec![base.clone(), late]);
    assert!(late.flagged && late.sentence().contains("above even this interval"));

    let high = exam("t", "2023-06-01", &[6.0; 3], &[6.0; 3]);
    let sentences = [
        answer(adult(), vec![base.clone(), high]).sentence(),
        answer(
            adult(),
            vec![base.clone(), exam("t", "2023-06-01", &[3.1], &[3.1])],
        )
        .sentence(),
        answer(adult(), vec![now]).sentence(),
        answer(adult(), vec![base, exam("t", "2023-06-01", &[], &[])]).sentence(),
    ];
    for (sentence, start) in sentences.iter().zip([
        "The mean of both eyes is much wider than",
        "The mean of both eyes is narrower than",
        "No earlier exam of this patient may serve as baseline",
        "This exam has no sheath reading that can be used",
    ]) {
        assert!(sentence.starts_with(start), "{sentence}");
        assert!(!sentence.to_lowercase().contains("normal"), "{sentence}");
    }
}
