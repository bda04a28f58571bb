//! Lines of presentation states in sets that no fixture holds.

use super::super::against_pictures;
use crate::domain::*;
use crate::history::testing;
use crate::normalise::Technique;
use crate::normalise::plausible::GATE;
use proptest::prelude::*;

const US: &str = "1.2.840.10008.5.1.4.1.1.6.1";

fn picture() -> ObjectReading {
    let mut reading = testing::reading("9.1", "2.1", "2024-05-01", &[], &[]);
    reading.sop_class_uid = Some(US.to_owned());
    reading.disposition = Disposition::NoSheathMeasurement;
    reading.image = Some(ImageFacts {
        rows: Some(400),
        columns: Some(600),
        frames: 3,
        laterality: None,
        regions: vec![Region {
            spatial_format: 1,
            low_priority: false,
            bounds: [0, 0, 599, 399],
            units: [3, 3],
            delta: [0.008, 0.008],
        }],
        pixel_spacing: None,
    });
    reading
}

fn ends(column: f64) -> [Point; 2] {
    [[column, 20.0], [column + 65.0, 20.0]].map(Point::from)
}

/// A presentation state with one line of the right eye.
fn state(uid: &str, ends: [Point; 2]) -> ObjectReading {
    let mut reading = testing::reading(uid, "2.1", "2024-05-01", &[5.2], &[]);
    let value = &mut reading.measurements[0];
    value.value_mm = None;
    value.usable = false;
    value.remarks = vec![Remark::of(
        RemarkCode::PresentationPictureMissing,
        "Not here.",
    )];
    value.caliper = Some(Caliper {
        image: "9.1".to_owned(),
        frame: None,
        ends,
        axis: Vec::new(),
        globe: None,
        presentation: Some(Presented {
            label: "ONSD RE".to_owned(),
            class: US.to_owned(),
            ..Presented::default()
        }),
    });
    reading
}

fn told(readings: &[ObjectReading]) -> Vec<ObjectReading> {
    against_pictures(readings, &Technique::default(), GATE)
}

fn usable(readings: &[ObjectReading]) -> Vec<&str> {
    let all = readings
        .iter()
        .filter(|one| one.measurements.iter().any(|one| one.usable));
    all.map(ObjectReading::uid).collect()
}

fn codes(reading: &ObjectReading) -> Vec<&str> {
    let remarks = reading.measurements[0].remarks.iter();
    remarks.map(|remark| remark.code.word()).collect()
}

/// Viewers round: half a pixel aside is the same line, also where a pixel ends between the two.
#[test]
fn a_line_half_a_pixel_aside_is_the_same_and_two_pixels_aside_another() {
    for (aside, count) in [(0.0, 1), (0.4, 1), (0.5, 1), (-0.5, 1), (0.6, 2), (2.0, 2)] {
        for column in [10.0, 10.3, 10.5, 10.9] {
            let set = [
                picture(),
                state("1.1", ends(column)),
                state("1.2", ends(column + aside)),
            ];
            let told = told(&set);
            assert_eq!(usable(&told).len(), count, "{column} {aside}");
            assert_eq!(usable(&told)[0], "1.1");
        }
    }
}

/// A value of a report goes before, also where it cannot be used: it has been judged.
#[test]
fn a_line_that_a_report_set_aside_does_not_come_back() {
    let mut report = testing::reading("5.1", "2.1", "2024-05-01", &[5.2], &[]);
    report.measurements[0].usable = false;
    report.measurements[0].caliper = Some(Caliper {
        presentation: None,
        ..state("", ends(10.0)).measurements[0]
            .caliper
            .clone()
            .unwrap()
    });
    let state = state("1.1", ends(10.0));
    let set = [picture(), state.clone(), report.clone()];
    assert_eq!(usable(&told(&set)), Vec::<&str>::new());
    // Replaced by another report, it has no say.
    let mut other = testing::reading("5.2", "2.1", "2024-05-01", &[5.3], &[]);
    other.predecessors = vec!["5.1".to_owned()];
    assert_eq!(
        usable(&told(&[picture(), state, report, other])),
        ["1.1", "5.2"]
    );
}

#[test]
fn several_frames_must_all_be_there() {
    for (last_frame, remarks) in [
        (3, vec!["read-from-presentation-state", "caliper-in-clip"]),
        (4, vec!["presentation-picture-differs"]),
    ] {
        let mut state = state("1.1", ends(10.0));
        let caliper = state.measurements[0].caliper.as_mut().unwrap();
        caliper.presentation.as_mut().unwrap().last_frame = last_frame;
        assert_eq!(codes(&told(&[picture(), state])[1]), remarks);
    }
}

/// A picture that is not trusted, of another class or of another study gives nothing.
#[test]
fn only_the_picture_that_is_meant_gives_a_length() {
    let with = |change: &dyn Fn(&mut ObjectReading)| {
        let mut picture = picture();
        change(&mut picture);
        let told = told(&[picture, state("1.1", ends(10.0))]);
        (told[1].measurements[0].value_mm, codes(&told[1]).join(" "))
    };
    let length = Millimetres::from_mm(5.2);
    assert_eq!(with(&|_| ()).0, length);
    let missing = (None, "presentation-picture-missing".to_owned());
    assert_eq!(
        with(&|one| one.disposition = Disposition::Quarantined),
        missing
    );
    let differs = (None, "presentation-picture-differs".to_owned());
    assert_eq!(with(&|one| one.sop_class_uid = None), differs);
    let study = |one: &mut ObjectReading| {
        one.exam.as_mut().unwrap().study_instance_uid = "2.2".to_owned();
    };
    assert_eq!(with(&study), differs);
    assert_eq!(with(&|one| one.exam = None), differs);
}

proptest! {
    /// Neither order nor repeats of what is known leave a trace.
    #[test]
    fn the_order_of_the_set_says_nothing(order in Just(vec![0, 1, 2, 3, 4]).prop_shuffle()) {
        let mut left = state("1.3", ends(10.0));
        left.measurements[0].eye = Laterality::from(Eye::Left);
        let set = [
            picture(),
            state("1.1", ends(10.2)),
            state("1.2", ends(10.4)),
            left,
            state("1.4", ends(100.0)),
        ];
        let shuffled: Vec<ObjectReading> = order.iter().map(|&at| set[at].clone()).collect();
        let mut one = told(&set);
        let mut other = told(&shuffled);
        one.sort_by_key(|reading| reading.uid().to_owned());
        other.sort_by_key(|reading| reading.uid().to_owned());
        prop_assert_eq!(one, other);
    }

    /// Nothing that a presentation state can hold makes the arithmetic fail.
    #[test]
    fn any_numbers_are_survived(numbers in prop::array::uniform4(any::<f32>())) {
        let [a, b, c, d] = numbers.map(f64::from);
        let odd = [[a, b], [c, d]].map(Point::from);
        let told = told(&[picture(), state("1.1", odd), state("1.2", odd)]);
        for value in told.iter().flat_map(|one| &one.measurements) {
            prop_assert!(!value.usable || value.value_mm.is_some());
        }
    }
}
