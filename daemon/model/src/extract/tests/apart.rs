//! Values that the report says are of an earlier exam.

use super::*;
use crate::domain::Severity;
use crate::sr::tree::Value;

/// Codes of the blocking remarks of each value.
fn blocked(found: &Extraction) -> Vec<Vec<&str>> {
    let blocking = |one: &&Remark| one.severity == Severity::Blocking;
    let found = found.found.iter();
    let codes = |one: &'_ Vec<Remark>| -> Vec<String> {
        let blocking = one.iter().filter(blocking);
        blocking.map(|remark| remark.code.to_string()).collect()
    };
    let codes: Vec<Vec<String>> = found.map(|one| codes(&one.remarks)).collect();
    let known = ["earlier-finding", "value-quoted", "laterality-conflict"];
    let name = |code: &String| known.into_iter().find(|name| name == code).unwrap();
    codes
        .iter()
        .map(|codes| codes.iter().map(name).collect())
        .collect()
}

/// A report of a section of today and one that this makes of the same values.
fn beside(make: impl FnOnce(Node) -> Node) -> Extraction {
    let group = |value: &str| container(GROUP, vec![site(RIGHT), mm(value, vec![])]);
    let other = make(group("5.1"));
    let sections = vec![container("126010 DCM", vec![group("5.6")]), other];
    read(&container(REPORT, sections).plant())
}

fn titled(mut node: Node, meaning: &str) -> Node {
    node.item.concept.as_mut().unwrap().meaning = meaning.to_owned();
    node
}

fn holding(mut group: Node, child: Node) -> Node {
    group.children.push(child);
    group
}

fn called(concept: &str, value: &str, meaning: &str) -> Node {
    let mut node = modifier(concept, value, vec![]);
    if let Value::Code(code) = &mut node.item.value {
        code.meaning = meaning.to_owned();
    }
    node
}

/// Headings of earlier reports: CID 7001 and 7002 of PS3.16, as pydicom lists them.
#[test]
fn headings_of_earlier_exams_keep_their_values_apart() {
    for heading in [
        "121069 DCM",
        "121068 DCM",
        "18834-2 LN",
        "121066 DCM",
        "55114-3 LN",
        "111549 DCM",
    ] {
        let found = beside(|group| container(heading, vec![group]));
        let said: [&[&str]; 2] = [&[], &["value-quoted"]];
        assert_eq!(blocked(&found), said, "{heading}");
    }
}

/// A name and what makes a group of today an earlier one by a text.
type Mark = (&'static str, fn(Node, &str) -> Node);

#[test]
fn a_text_that_speaks_of_an_earlier_exam_keeps_values_apart() {
    let marks: [Mark; 7] = [
        ("title of a section", |group, text| {
            titled(container("sec 99TARNHOLT", vec![group]), text)
        }),
        ("title of the group", titled),
        ("tracking identifier", |group, says| {
            holding(group, text("112039 DCM", Value::Text(says.to_owned())))
        }),
        ("tracking identifier by CONTAINS", |group, says| {
            let tracked = text("112039 DCM", Value::Text(says.to_owned()));
            holding(group, tracked.by(Contains))
        }),
        ("time point", |group, says| {
            holding(group, text("C2348792 UMLS", Value::Text(says.to_owned())))
        }),
        ("a modifier nobody knows", |group, says| {
            holding(group, called("temporal 99TARNHOLT", "C0332152 UMLS", says))
        }),
        ("finding", |group, says| {
            holding(
                group,
                called("121071 DCM", "f 99TARNHOLT", says).by(Contains),
            )
        }),
    ];
    for (mark, make) in marks {
        for text in [
            "Prior measurements",
            "previous exam 2019",
            "ONSD (Prior)",
            "Voruntersuchung",
            "Frühere Messung",
            "Mesure antérieure",
            "Examen anterior",
            "前回検査",
            "Предыдущее исследование",
        ] {
            let found = beside(|group| make(group, text));
            let said: [&[&str]; 2] = [&[], &["earlier-finding"]];
            assert_eq!(blocked(&found), said, "{mark}: {text}");
            // Free text may hold a name.
            let told = found.found[1].remarks.iter();
            assert!(!told.into_iter().any(|one| one.text.contains(text)));
        }
        for text in [
            "Current measurements",
            "Anterior segment",
            "Prior to lumbar puncture",
            "Priority 1",
            "Right eye",
        ] {
            let found = beside(|group| make(group, text));
            assert_eq!(blocked(&found), [[""; 0], [""; 0]], "{mark}: {text}");
        }
    }
}

/// The name of a value itself, and of a mean, too.
#[test]
fn a_value_that_is_called_earlier() {
    let number = titled(mm("5.1", vec![]), "Diameter, prior");
    let found = read(&report(vec![vec![site(RIGHT), mm("5.6", vec![]), number]]));
    assert_eq!(blocked(&found), [&[][..], &["earlier-finding"]]);
}

/// What the whole document is called says nothing of its parts, nor do an observer's organisation, the
/// procedure and a sentence.
#[test]
fn other_texts_that_say_so_keep_nothing_apart() {
    let group = || vec![site(RIGHT), mm("5.6", vec![])];
    let root = titled(
        container(REPORT, vec![container(GROUP, group())]),
        "Report with comparison to prior exam",
    );
    assert_eq!(blocked(&read(&root.plant())), [[""; 0]]);
    let long =
        "The width is a little larger than at the previous exam, of which the report says more";
    for child in [
        text("121009 DCM", Value::Text("Prior Lake Clinic".to_owned())),
        called("121058 DCM", "p 99TARNHOLT", "Follow-up of previous exam"),
        text("121106 DCM", Value::Text("as previous".to_owned())).by(Contains),
        text("note 99TARNHOLT", Value::Text(long.to_owned())).by(HasConceptMod),
    ] {
        let mut group = group();
        group.push(child);
        assert_eq!(blocked(&read(&report(vec![group]))), [[""; 0]]);
    }
}

/// A site whose words mean something else says so.
#[test]
fn a_dictionary_takes_a_name_back() {
    let own = "[[name]]\nnothing = true\ninside = [\"prior street\"]\n";
    let templates = Templates::load(&[], &[("site.toml".to_owned(), own.to_owned())]).unwrap();
    let group = |title: &str| {
        let section = titled(
            container(GROUP, vec![site(RIGHT), mm("5.6", vec![])]),
            title,
        );
        container(REPORT, vec![section]).plant()
    };
    let read = |title: &str| blocked(&extract(&group(title), &templates)).concat().len();
    assert_eq!((read("Prior Street ward"), read("Prior exam")), (0, 1));
}
