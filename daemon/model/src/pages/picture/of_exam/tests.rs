use super::*;
use crate::domain::{PixelSpacing, Point};
use crate::results::samples;

fn image() -> ImageFacts {
    ImageFacts {
        rows: Some(480),
        columns: Some(640),
        frames: 3,
        laterality: None,
        regions: Vec::new(),
        pixel_spacing: Some(PixelSpacing {
            row_mm: 0.1,
            column_mm: 0.1,
            calibration: None,
        }),
    }
}

fn caliper(image: &str, frame: Option<u32>, globe: Option<Point>) -> Caliper {
    let at = |column: f64, row: f64| Point { column, row };
    Caliper {
        image: image.to_owned(),
        frame,
        ends: [at(80.0, 80.0), at(120.0, 80.0)],
        axis: vec![at(100.0, 40.0), at(100.0, 200.0)],
        globe,
        presentation: None,
    }
}

/// Lines of one frame stand in one picture, used and unused alike; what is not known says why.
#[test]
fn calipers_stand_in_the_frame_they_were_drawn_in() {
    let mut content = samples::newest(&samples::flagged()).content;
    let globe = Some(Point {
        column: 100.0,
        row: 50.0,
    });
    content.measurements_used[0].value.caliper = Some(caliper("2.25.8", Some(2), globe));
    content.measurements_used[1].value.caliper = Some(caliper("2.25.8", None, None));
    content.measurements_not_used[0].value.caliper = Some(caliper("2.25.8", Some(2), globe));
    content.measurements_used[2].value.caliper = Some(caliper("2.25.9", None, globe));
    assert_eq!(places(&content).len(), 3);
    let known = |has_pixels| {
        let one = Known {
            image: image(),
            has_pixels,
        };
        BTreeMap::from([("2.25.8".to_owned(), one)])
    };
    let shown = pictures(&content, &known(true));
    // The other picture never came.
    assert_eq!(shown.len(), 2);
    let [first, second] = [&shown[0], &shown[1]];
    assert_eq!(first.title, "Picture 2.25.8, frame 1 of 3");
    assert_eq!(first.lines.len(), 1);
    assert!(first.lines[0].across.is_some() && first.lines[0].at_depth.is_none());
    assert!(first.without[0].starts_with("The depth to measure at is not shown: "));
    assert_eq!(second.lines.len(), 2);
    assert!(second.lines[0].words.contains(", used") && second.lines[1].words.contains("not used"));
    assert!(second.lines.iter().all(|line| line.at_depth.is_some()));
    assert!(second.without.is_empty());
    let id = &content.exam.id;
    assert_eq!(second.href, Some(format!("/exam/{id}/picture/1")));
    assert!(
        pictures(&content, &known(false))
            .iter()
            .all(|one| one.href.is_none())
    );
    assert!(pictures(&content, &BTreeMap::new()).is_empty());
}
