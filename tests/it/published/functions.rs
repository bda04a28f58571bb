//! Rows that a function of the program answers to more digits than it prints; beside it stands what the
//! program prints.

use super::reports::{self, told};
use super::row::{Found, Row};
use serde_json::Value;
use sheathline_model::domain::{Caliper, Millimetres, Point};
use sheathline_model::domain::{OpeningPressure, PressureUnit};
use sheathline_model::geometry::{Drawn, Origin, Scale};
use sheathline_model::normalise::caliper::{excess_percent, straight_across_mm};
use std::fs;

/// An opening pressure in another unit: to all digits, and as the page prints it beside the one recorded.
pub(super) fn pressure(row: &Row) -> Found {
    let (value, unit, to) = (row.text("pressure"), row.text("unit"), row.text("to"));
    let recorded = OpeningPressure::typed(value, unit).expect("a pressure");
    let mut all = PressureUnit::ALL.into_iter();
    let other = all.find(|one| one.code() == to).expect("a unit");
    let found = recorded.to(other).expect("a number");
    let is_shown = to == "mm[Hg]" || (unit == "mm[Hg]" && to == "cm[H2O]");
    if is_shown {
        let (site, results) = told("", &[reports::cells("2023-05-04", "5.2")]);
        let exam = results[0]["exam"]["id"].as_str().expect("an id");
        site.ok("pressure", &[exam, value, unit]);
        let page = site.path("outbox").join(format!("{exam}-v2"));
        let page = fs::read_to_string(page.join("result.txt")).expect("result.txt");
        let printed = format!("Opening pressure {value} {unit} ({found:.1} {to})");
        assert!(page.contains(&printed), "{printed}: {page}");
    }
    Found::from([("pressure", found.into())])
}

/// What an oblique caliper reads, by the function that remarks on it, by a caliper drawn in a picture, and by
/// a report that states the angle.
pub(super) fn caliper(row: &Row) -> Found {
    let angle: f64 = row.text("angle").parse().expect("degrees");
    let percent = excess_percent(angle);
    let mut found = Found::from([("excess_percent", percent.into())]);
    if row.get("width").is_some() {
        let reads = row.number("width") * (1.0 + percent / 100.0);
        found.insert("reads_mm", reads.into());
    }
    if row.get("reading").is_some() {
        let reading: f64 = row.text("reading").parse().expect("mm");
        let length = Millimetres::from_mm(reading).expect("a length");
        let straight = straight_across_mm(length, angle);
        let (drawn, scale) = laid(reading, angle, 3.0);
        let excess = Drawn::new(&drawn, &scale)
            .angle()
            .expect("an angle")
            .excess_mm;
        assert!(
            (reading - excess - straight).abs() < 1e-9,
            "drawn and stated agree"
        );
        found.insert("straight_mm", straight.into());
        found.extend(reports::reading(row));
    }
    found
}

/// Depth along a nerve that leaves the globe at an angle to the columns, of a caliper so far straight down.
pub(super) fn depth(row: &Row) -> Found {
    let (drawn, scale) = laid(5.0, row.number("angle"), row.number("down"));
    let depth = Drawn::new(&drawn, &scale).depth_mm().expect("a depth");
    Found::from([("depth_mm", depth.into())])
}

/// A caliper along the rows, its middle so far straight down from where a nerve leaves the globe that runs so
/// many degrees off the columns. Pixels of 0.05 mm.
fn laid(length_mm: f64, nerve_deg: f64, down_mm: f64) -> (Caliper, Scale) {
    let pixel = 0.05;
    let scale = Scale {
        column_mm: pixel,
        row_mm: pixel,
        origin: Origin::PixelSpacing(None),
    };
    let slope = nerve_deg.to_radians().tan();
    let at = |aside_mm: f64, down_mm: f64| {
        let place = [400.0 + aside_mm / pixel, 100.0 + down_mm / pixel];
        Point::from(place)
    };
    let (middle, half) = (slope * down_mm, length_mm / 2.0);
    let caliper = Caliper {
        image: "1.2".to_owned(),
        frame: None,
        ends: [at(middle - half, down_mm), at(middle + half, down_mm)],
        axis: vec![at(0.0, 0.0), at(8.0 * slope, 8.0)],
        globe: Some(at(0.0, 0.0)),
        presentation: None,
    };
    (caliper, scale)
}

/// Whether a list of a result holds a word.
pub(super) fn holds(list: &Value, word: &str) -> bool {
    let mut all = list.as_array().into_iter().flatten();
    all.any(|one| one == word)
}
