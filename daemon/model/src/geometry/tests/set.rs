//! Reports beside pictures: what is said of a value, and that the order of arrival says nothing.

use super::{caliper, laid, picture};
use crate::domain::RemarkCode;
use crate::domain::*;
use crate::geometry::against_pictures;
use crate::history::testing;
use crate::normalise::Technique;
use crate::normalise::plausible::GATE;
use proptest::prelude::*;

/// The object of a picture.
fn received(image: ImageFacts) -> ObjectReading {
    let mut reading = testing::reading("9.1", "2.1", "2024-05-01", &[], &[]);
    reading.disposition = Disposition::NoSheathMeasurement;
    reading.image = Some(image);
    reading
}

/// A report of one value of the right eye, drawn like this.
fn drawn(mm: f64, caliper: Caliper) -> ObjectReading {
    let mut reading = testing::reading("1.1", "2.1", "2024-05-01", &[mm], &[]);
    reading.measurements[0].caliper = Some(caliper);
    reading
        .remarks
        .push(Remark::of(RemarkCode::AngleUnknown, "Nobody says."));
    reading
}

/// The value and the object's remarks, after the picture was looked at.
fn judged(report: ObjectReading, image: ImageFacts) -> (Measurement, Vec<String>) {
    let seen = against_pictures(&[report, received(image)], &Technique::default(), GATE);
    let codes = seen[0]
        .remarks
        .iter()
        .map(|one| one.code.to_string())
        .collect();
    (seen[0].measurements[0].clone(), codes)
}

fn codes(measurement: &Measurement) -> Vec<&str> {
    measurement
        .remarks
        .iter()
        .map(|one| one.code.as_ref())
        .collect()
}

fn with_angle(mut report: ObjectReading, stated: f64) -> ObjectReading {
    report.measurements[0].geometry = Some(Geometry {
        angle_deg: Some(stated),
        ..Geometry::default()
    });
    report
}

#[test]
fn a_sound_caliper_is_measured_and_nothing_is_said() {
    let (value, object) = judged(drawn(5.2, laid(5.2, 4.0, -4.0, 3.1)), picture());
    assert_eq!(codes(&value), Vec::<&str>::new());
    assert_eq!(object, Vec::<String>::new());
    let geometry = value.geometry.unwrap();
    assert_eq!(geometry.length_mm, Millimetres::from_mm(5.2));
    assert_eq!(geometry.depth_mm, Millimetres::from_mm(3.1));
    assert_eq!(geometry.angle_deg, Some(0.0));
    assert_eq!(value.value_mm, Millimetres::from_mm(5.2));
}

#[test]
fn a_length_that_differs_is_told_and_the_value_stays() {
    let (value, _) = judged(drawn(5.2, laid(4.6, 0.0, 0.0, 3.0)), picture());
    assert_eq!(codes(&value), ["caliper-length-differs"]);
    assert!(value.usable);
    assert_eq!(value.value_mm, Millimetres::from_mm(5.2));
    assert!(
        value.remarks[0].text.contains("-12 %"),
        "{}",
        value.remarks[0].text
    );
    let (value, _) = judged(drawn(5.2, laid(5.6, 0.0, 0.0, 3.0)), picture());
    assert_eq!(codes(&value), Vec::<&str>::new());
}

#[test]
fn the_limits_of_technique_hold_for_what_the_picture_shows() {
    // 18 degrees off, neither along the rows nor across the nerve: a caution.
    let (value, _) = judged(drawn(5.2, laid(5.2, 10.0, 8.0, 3.0)), picture());
    assert_eq!(codes(&value), ["oblique-caliper"]);
    assert!(value.usable);
    // 5.2 x (1 - cos 18) = 0.2545.
    assert!(
        value.remarks[0].text.contains("0.25 ±"),
        "{}",
        value.remarks[0].text
    );
    // 30 degrees off: not used.
    let (value, _) = judged(drawn(6.0, laid(6.0, 10.0, 20.0, 3.0)), picture());
    assert_eq!(codes(&value), ["oblique-caliper"]);
    assert!(!value.usable);
    // 1.5 mm too deep: not used. 0.4 mm: a caution.
    let (value, _) = judged(drawn(5.2, laid(5.2, 0.0, 0.0, 4.5)), picture());
    assert_eq!((codes(&value), value.usable), (vec!["depth-off"], false));
    let (value, _) = judged(drawn(5.2, laid(5.2, 0.0, 0.0, 3.4)), picture());
    assert_eq!((codes(&value), value.usable), (vec!["depth-off"], true));
}

#[test]
fn along_the_rows_over_an_oblique_nerve_may_be_a_shadow() {
    let (value, _) = judged(drawn(5.2, laid(5.2, 1.0, 17.0, 3.0)), picture());
    assert_eq!(codes(&value), ["oblique-caliper", "edge-shadow-suspected"]);
    let (value, _) = judged(drawn(5.2, laid(5.2, 3.0, 17.0, 3.0)), picture());
    assert_eq!(codes(&value), ["oblique-caliper"]);
    let (value, _) = judged(drawn(5.2, laid(5.2, 1.0, 10.0, 3.0)), picture());
    assert_eq!(codes(&value), Vec::<&str>::new());
}

#[test]
fn the_larger_of_stated_and_computed_angle_counts() {
    let shown = laid(5.2, 10.0, 8.0, 3.0);
    let (value, _) = judged(with_angle(drawn(5.2, shown.clone()), 2.0), picture());
    assert_eq!(codes(&value), ["caliper-angle-differs", "oblique-caliper"]);
    assert_eq!(value.geometry.unwrap().angle_deg, Some(18.0));
    // Stated 21, which was remarked when the report was read; the picture's 18 changes nothing.
    let mut report = with_angle(drawn(5.2, shown), 21.0);
    report.measurements[0]
        .remarks
        .push(Remark::of(RemarkCode::ObliqueCaliper, "As stated."));
    let (value, _) = judged(report, picture());
    assert_eq!(codes(&value), ["oblique-caliper"]);
    assert_eq!(value.remarks[0].text, "As stated.");
    assert_eq!(value.geometry.unwrap().angle_deg, Some(21.0));
}

#[test]
fn of_stated_and_computed_depth_the_one_further_off_counts() {
    let mut report = drawn(5.2, laid(5.2, 0.0, 0.0, 4.4));
    report.measurements[0].depth_mm = Millimetres::from_mm(3.0);
    let (value, _) = judged(report, picture());
    assert_eq!(codes(&value), ["caliper-depth-differs", "depth-off"]);
    assert!(!value.usable);
}

#[test]
fn the_picture_of_the_other_eye_leaves_the_side_open() {
    let mut image = picture();
    image.laterality = Some(Laterality::Left);
    let (value, _) = judged(drawn(5.2, laid(5.2, 0.0, 0.0, 3.0)), image);
    assert_eq!(value.eye, Laterality::Unresolved);
    assert!(!value.usable);
    assert_eq!(codes(&value), ["laterality-conflict"]);
}

#[test]
fn what_cannot_be_worked_out_is_said_once_for_the_object() {
    let mut report = testing::reading("1.1", "2.1", "2024-05-01", &[5.2, 5.3], &[5.1]);
    report.measurements[0].caliper = Some(caliper([[10.0, 50.0], [75.0, 50.0]]));
    report.measurements[1].caliper = report.measurements[0].caliper.clone();
    let text = |readings: &[ObjectReading]| {
        let seen = against_pictures(readings, &Technique::default(), GATE);
        let [remark] = seen[0].remarks.as_slice() else {
            panic!("{:?}", seen[0].remarks)
        };
        assert_eq!(
            (remark.code.as_ref(), remark.severity),
            ("geometry-not-computed", Severity::Info)
        );
        remark.text.clone()
    };
    let never = text(&[report.clone()]);
    assert!(never.contains("geometry of 2 values, because the picture 9.1 has not been received"));
    assert!(never.contains("caliper of 1 value"), "{never}");
    let there = text(&[report.clone(), received(picture())]);
    assert!(
        there.contains("angle of 2 values, because no axis"),
        "{there}"
    );
    assert!(there.contains("depth of 2 values"), "{there}");
    // A picture in quarantine is as good as none.
    let mut doubtful = received(picture());
    doubtful.disposition = Disposition::Quarantined;
    assert_eq!(text(&[report.clone(), doubtful]), never);
    // A report in which nothing is drawn has nothing to say.
    report
        .measurements
        .iter_mut()
        .for_each(|one| one.caliper = None);
    assert_eq!(
        against_pictures(&[report.clone()], &Technique::default(), GATE),
        [report]
    );
}

#[test]
fn frames_of_a_clip_share_one_calibration_and_have_numbers() {
    let mut clip = picture();
    clip.frames = 3;
    let drawn_at = |frame| {
        let mut caliper = laid(5.2, 0.0, 0.0, 3.0);
        caliper.frame = Some(frame);
        judged(drawn(5.2, caliper), clip.clone())
    };
    let (value, _) = drawn_at(3);
    assert_eq!(codes(&value), ["caliper-in-clip"]);
    assert!(value.geometry.is_some());
    let (value, object) = drawn_at(4);
    assert_eq!(value.geometry, None);
    assert!(object.contains(&"geometry-not-computed".to_owned()));
}

#[test]
fn pixel_spacing_serves_with_a_caution() {
    let mut image = picture();
    image.regions.clear();
    image.pixel_spacing = Some(PixelSpacing {
        row_mm: 0.08,
        column_mm: 0.08,
        calibration: Some("GEOMETRY".to_owned()),
    });
    let (value, _) = judged(drawn(5.2, laid(5.2, 0.0, 0.0, 3.0)), image);
    assert_eq!(codes(&value), ["scale-from-pixel-spacing"]);
    assert!(value.usable);
}

proptest! {
    /// Reports and pictures in any order give the same exams.
    #[test]
    fn order_of_arrival_leaves_no_trace(
        shown in proptest::collection::vec((0_u8..4, 35_u8..70, 0_u8..40, 20_u8..60), 1..6),
        pictured in proptest::collection::vec(any::<bool>(), 4),
        turn in 0_usize..10,
        reverse in any::<bool>(),
    ) {
        let mut objects: Vec<ObjectReading> = Vec::new();
        for (n, &(image, mm, lean, depth)) in shown.iter().enumerate() {
            let mm = f64::from(mm) / 10.0;
            let mut report = drawn(mm, laid(mm, 0.0, f64::from(lean), f64::from(depth) / 10.0));
            report.sop_instance_uid = Some(format!("1.{n}"));
            if let Some(caliper) = &mut report.measurements[0].caliper {
                caliper.image = format!("9.{image}");
            }
            objects.push(report);
        }
        for (n, _) in pictured.iter().enumerate().filter(|(_, there)| **there) {
            let mut image = received(picture());
            image.sop_instance_uid = Some(format!("9.{n}"));
            objects.push(image);
        }
        let mut other = objects.clone();
        let by = turn % other.len();
        other.rotate_left(by);
        if reverse {
            other.reverse();
        }
        let told = |objects: &[ObjectReading]| {
            let seen = against_pictures(objects, &Technique::default(), GATE);
            crate::history::tell(&seen, crate::history::Entries::default(), &crate::history::Apart::default())
        };
        prop_assert_eq!(told(&objects), told(&other));
    }

    /// Nothing that a report can hold makes the arithmetic fail or give no number.
    #[test]
    fn any_drawing_gives_numbers_or_a_reason(
        ends in proptest::array::uniform4(-1e38_f64..1e38),
        axis in proptest::collection::vec((-1e38_f64..1e38, -700.0_f64..700.0), 0..5),
        step in prop_oneof![Just(0.008), 1e-300_f64..1e3],
    ) {
        let mut image = picture();
        image.rows = None;
        image.columns = None;
        image.regions.clear();
        image.pixel_spacing = Some(PixelSpacing { row_mm: step, column_mm: 0.08, calibration: None });
        let [a, b, c, d] = ends.map(f64::abs);
        let mut shown = caliper([[a, b], [c, d]]);
        shown.axis = axis.into_iter().map(|(x, y)| [x, y].into()).collect();
        shown.globe = shown.axis.first().copied();
        let (value, _) = judged(drawn(5.2, shown), image);
        if let Some(geometry) = value.geometry {
            prop_assert!(geometry.angle_deg.is_none_or(|deg| (0.0..=90.0).contains(&deg)));
        }
    }
}
