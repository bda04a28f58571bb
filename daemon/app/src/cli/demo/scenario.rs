//! An invented clinic: who comes, what the calipers read, and what ought to be flagged.

use chrono::NaiveDate;
use sheathline_model::domain::{EventKind, Eye, Label, Plane};

/// The clinic that issues the patient ids.
pub(super) const ISSUER: &str = "LARKFELL CLINIC";

/// One invented patient.
#[derive(Debug, Clone, Copy)]
pub(super) struct Person {
    pub(super) id: &'static str,
    pub(super) name: &'static str,
    pub(super) born: &'static str,
    pub(super) sex: &'static str,
    /// What the demonstration shows with them.
    pub(super) story: &'static str,
    /// Whether the last exam holds a true rise.
    pub(super) rise: bool,
}

/// Which maker's report.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Layout {
    /// TID 1500 measurement groups.
    Tid1500,
    /// One section per side, codes of its own, centimetres.
    SideSections,
    /// The same sections, with a code that no dictionary explains.
    Unexplained,
    /// A report about a kidney.
    Kidney,
}

impl Layout {
    /// Maker, model and serial number of the invented device.
    pub(super) fn device(self) -> (&'static str, &'static str, &'static str) {
        match self {
            Layout::Tid1500 => ("Osmund & Vray", "Lumen 4", "OV-2231"),
            Layout::SideSections => ("Tarnholt Sonics", "Pocket T", "TS-0098"),
            Layout::Unexplained => ("Tarnholt Sonics", "Pocket U", "TS-1140"),
            Layout::Kidney => ("Osmund & Vray", "Lumen 9", "OV-7410"),
        }
    }
}

/// One caliper reading.
#[derive(Debug, Clone, Copy)]
pub(super) struct Reading {
    pub(super) mm: f64,
    pub(super) plane: Plane,
    pub(super) angle_deg: Option<f64>,
}

/// One report to be sent.
#[derive(Debug, Clone)]
pub(super) struct Exam {
    pub(super) patient: Person,
    pub(super) date: NaiveDate,
    pub(super) operator: &'static str,
    pub(super) layout: Layout,
    pub(super) right: Vec<Reading>,
    pub(super) left: Vec<Reading>,
    /// The section around the group names the other side.
    pub(super) side_conflict: bool,
    /// Label a clinician gives it.
    pub(super) label: Option<Label>,
    /// 0 for a first report; n for the nth correction of it.
    pub(super) correction: u8,
}

impl Exam {
    pub(super) fn readings(&self, eye: Eye) -> &[Reading] {
        match eye {
            Eye::Right => &self.right,
            Eye::Left => &self.left,
        }
    }

    /// What its UIDs are derived from.
    pub(super) fn name(&self) -> String {
        format!("{} {}", self.patient.id, self.date)
    }

    pub(super) fn study_instance_uid(&self) -> String {
        super::sr::uid(&format!("study {}", self.name()))
    }

    pub(super) fn sop_instance_uid(&self) -> String {
        super::sr::uid(&format!("report {} {}", self.name(), self.correction))
    }

    /// SOP Instance UID of the report this one corrects.
    pub(super) fn replaces(&self) -> Option<String> {
        let before = self.correction.checked_sub(1)?;
        Some(
            Exam {
                correction: before,
                ..self.clone()
            }
            .sop_instance_uid(),
        )
    }
}

/// The clinic: its patients, their reports and what clinicians know.
pub(super) struct Clinic {
    pub(super) patients: Vec<Person>,
    pub(super) exams: Vec<Exam>,
    pub(super) events: Vec<(Person, NaiveDate, EventKind)>,
}

const WIDE: Person = Person {
    id: "LC-1001",
    name: "Farrowby^Odile",
    born: "1984-03-09",
    sex: "F",
    story: "a wide but stable sheath in a healthy adult",
    rise: false,
};
const SHUNTED: Person = Person {
    id: "LC-1002",
    name: "Quillmere^Tobin",
    born: "2015-06-21",
    sex: "M",
    story: "a shunted child with a true rise",
    rise: true,
};
const GROWING: Person = Person {
    id: "LC-1003",
    name: "Brackenholm^Ione",
    born: "2021-01-15",
    sex: "F",
    story: "a growing child",
    rise: false,
};
const OPERATOR: Person = Person {
    id: "LC-1004",
    name: "Stellmoor^Anselm",
    born: "1971-11-30",
    sex: "M",
    story: "another operator, who reads a little higher",
    rise: false,
};
const OBLIQUE: Person = Person {
    id: "LC-1005",
    name: "Havelin^Petra",
    born: "2012-08-04",
    sex: "F",
    story: "calipers laid obliquely across the nerve",
    rise: false,
};
const SIDES: Person = Person {
    id: "LC-1006",
    name: "Orrinsby^Caspian",
    born: "2010-02-27",
    sex: "M",
    story: "a report that contradicts itself about the side",
    rise: false,
};
const NARROW: Person = Person {
    id: "LC-1007",
    name: "Wexcombe^Maren",
    born: "1992-05-13",
    sex: "F",
    story: "a narrow sheath that rose, still below most published cutoffs",
    rise: true,
};
const CORRECTED: Person = Person {
    id: "LC-1008",
    name: "Dunmarrow^Felix",
    born: "2009-09-18",
    sex: "M",
    story: "a slip of the keyboard, corrected by an amended report",
    rise: false,
};
const NEWCOMER: Person = Person {
    id: "LC-1009",
    name: "Ashgrove^Linnea",
    born: "2019-12-02",
    sex: "F",
    story: "a first visit: nothing to compare with",
    rise: false,
};

const UNEXPLAINED: Person = Person {
    id: "LC-1010",
    name: "Yarrowdale^Bram",
    born: "1998-04-22",
    sex: "M",
    story: "a scanner whose code nobody has explained yet",
    rise: false,
};

const AMBER: &str = "Vantongeren^Amber";
const KASPAR: &str = "Lindqvale^Kaspar";

fn readings(mm: [f64; 3]) -> Vec<Reading> {
    let of = |mm| Reading {
        mm,
        plane: Plane::Transverse,
        angle_deg: None,
    };
    mm.into_iter().map(of).collect()
}

/// One exam by the first operator on the first maker's device.
fn exam(patient: Person, date: (i32, u32, u32), right: [f64; 3], left: [f64; 3]) -> Exam {
    let (year, month, day) = date;
    Exam {
        patient,
        date: NaiveDate::from_ymd_opt(year, month, day).unwrap_or_default(),
        operator: AMBER,
        layout: Layout::Tid1500,
        right: readings(right),
        left: readings(left),
        side_conflict: false,
        label: None,
        correction: 0,
    }
}

fn well(exam: Exam) -> Exam {
    Exam {
        label: Some(Label::Well),
        ..exam
    }
}

/// The whole clinic. Every value is written out, so that the outcome can be checked by hand.
pub(super) fn clinic() -> Clinic {
    let mut exams = vec![
        well(exam(WIDE, (2023, 2, 14), [6.4, 6.5, 6.3], [6.5, 6.4, 6.6])),
        well(exam(WIDE, (2024, 3, 5), [6.3, 6.4, 6.5], [6.4, 6.5, 6.4])),
        well(exam(WIDE, (2025, 2, 20), [6.5, 6.4, 6.4], [6.5, 6.6, 6.5])),
        exam(WIDE, (2026, 3, 2), [6.5, 6.6, 6.4], [6.5, 6.5, 6.6]),
        well(exam(
            SHUNTED,
            (2021, 6, 3),
            [4.8, 4.9, 4.7],
            [4.9, 4.8, 4.9],
        )),
        well(exam(
            SHUNTED,
            (2023, 5, 24),
            [4.9, 4.8, 5.0],
            [4.9, 5.0, 4.9],
        )),
        well(exam(
            SHUNTED,
            (2025, 6, 11),
            [4.9, 5.0, 4.9],
            [5.0, 4.9, 5.0],
        )),
        exam(SHUNTED, (2026, 2, 17), [5.9, 6.0, 5.8], [5.9, 5.8, 6.0]),
        well(exam(
            GROWING,
            (2022, 1, 20),
            [3.9, 4.0, 3.9],
            [4.0, 3.9, 4.0],
        )),
        well(exam(
            GROWING,
            (2022, 9, 12),
            [4.0, 4.1, 4.0],
            [4.1, 4.0, 4.0],
        )),
        exam(GROWING, (2025, 10, 6), [4.3, 4.3, 4.2], [4.3, 4.2, 4.3]),
        well(exam(
            OPERATOR,
            (2024, 4, 9),
            [5.3, 5.2, 5.3],
            [5.3, 5.4, 5.3],
        )),
        well(exam(
            OPERATOR,
            (2025, 4, 15),
            [5.2, 5.3, 5.3],
            [5.4, 5.3, 5.3],
        )),
        Exam {
            operator: KASPAR,
            ..exam(OPERATOR, (2026, 1, 12), [5.6, 5.7, 5.6], [5.7, 5.6, 5.7])
        },
        well(exam(
            OBLIQUE,
            (2025, 3, 19),
            [4.6, 4.7, 4.6],
            [4.7, 4.6, 4.7],
        )),
        exam(OBLIQUE, (2026, 3, 11), [5.5, 5.4, 5.5], [5.4, 5.5, 5.5]),
        well(exam(SIDES, (2025, 1, 8), [5.0, 5.1, 5.0], [5.1, 5.0, 5.1])),
        Exam {
            side_conflict: true,
            ..exam(SIDES, (2026, 1, 21), [5.9, 6.0, 5.9], [5.1, 5.0, 5.1])
        },
        well(exam(NARROW, (2024, 7, 2), [3.7, 3.8, 3.7], [3.8, 3.7, 3.8])),
        well(exam(
            NARROW,
            (2025, 7, 29),
            [3.8, 3.7, 3.8],
            [3.8, 3.8, 3.7],
        )),
        exam(NARROW, (2026, 2, 3), [4.6, 4.7, 4.6], [4.7, 4.6, 4.7]),
        well(exam(
            CORRECTED,
            (2025, 5, 6),
            [5.1, 5.2, 5.1],
            [5.2, 5.1, 5.2],
        )),
        exam(CORRECTED, (2026, 2, 24), [6.1, 6.2, 6.1], [5.2, 5.2, 5.1]),
        Exam {
            correction: 1,
            ..exam(CORRECTED, (2026, 2, 24), [5.1, 5.2, 5.1], [5.2, 5.2, 5.1])
        },
        exam(NEWCOMER, (2026, 3, 12), [4.4, 4.5, 4.4], [4.5, 4.4, 4.5]),
        Exam {
            layout: Layout::Kidney,
            ..exam(WIDE, (2025, 8, 1), [0.0; 3], [0.0; 3])
        },
    ];
    for exam in exams.iter_mut().filter(|e| e.patient.id == NARROW.id) {
        exam.layout = Layout::SideSections;
    }
    if let Some(last) = exams.iter_mut().rfind(|e| e.patient.id == OBLIQUE.id) {
        for reading in last.right.iter_mut().chain(&mut last.left) {
            reading.angle_deg = Some(32.0);
        }
    }
    let shunt = NaiveDate::from_ymd_opt(2019, 9, 30).unwrap_or_default();
    Clinic {
        patients: vec![
            WIDE, SHUNTED, GROWING, OPERATOR, OBLIQUE, SIDES, NARROW, CORRECTED, NEWCOMER,
        ],
        exams,
        events: vec![(SHUNTED, shunt, EventKind::CsfSurgery)],
    }
}

/// What the pages show beside the clinic: two reports of a new scanner, whose code nobody has explained
/// yet. They give no result before somebody does.
pub(super) fn unexplained() -> [Exam; 2] {
    [
        exam(UNEXPLAINED, (2026, 1, 15), [4.8, 4.9, 4.8], [4.9, 4.8, 4.9]),
        exam(UNEXPLAINED, (2026, 3, 13), [4.9, 4.8, 4.9], [4.8, 4.9, 4.9]),
    ]
    .map(|exam| Exam {
        layout: Layout::Unexplained,
        ..exam
    })
}
