//! Geometry against plane trigonometry and the standard's rules.

mod set;

use super::*;
use crate::domain::*;

/// Plain square pixels of 0.08 mm on 600 by 400.
fn picture() -> ImageFacts {
    ImageFacts {
        rows: Some(400),
        columns: Some(600),
        frames: 1,
        laterality: None,
        regions: vec![region([0, 0, 599, 399], 0.008)],
        pixel_spacing: None,
    }
}

fn region(bounds: [u32; 4], step_cm: f64) -> Region {
    Region {
        spatial_format: 1,
        low_priority: false,
        bounds,
        units: [3, 3],
        delta: [step_cm, step_cm],
    }
}

fn caliper(ends: [[f64; 2]; 2]) -> Caliper {
    Caliper {
        image: "9.1".to_owned(),
        frame: None,
        ends: ends.map(Point::from),
        axis: Vec::new(),
        globe: None,
        presentation: None,
    }
}

/// A caliper of so many mm, its middle `depth_mm` behind the globe along an axis that runs
/// `nerve_deg` off the columns; it lies `caliper_deg` off the rows. Pixels of 0.08 mm.
fn laid(mm: f64, caliper_deg: f64, nerve_deg: f64, depth_mm: f64) -> Caliper {
    let (globe, pixel) = ([300.0, 100.0], 0.08);
    let (nerve, across) = (nerve_deg.to_radians(), caliper_deg.to_radians());
    let on_axis = |mm: f64| {
        [
            globe[0] + mm / pixel * libm::sin(nerve),
            globe[1] + mm / pixel * libm::cos(nerve),
        ]
    };
    let [x, y] = on_axis(depth_mm);
    let half = mm / pixel / 2.0;
    let (dx, dy) = (half * libm::cos(across), half * libm::sin(across));
    Caliper {
        axis: vec![on_axis(0.0).into(), on_axis(8.0).into()],
        globe: Some(globe.into()),
        ..caliper([[x - dx, y - dy], [x + dx, y + dy]])
    }
}

fn near(got: f64, wanted: f64, tolerance: f64) {
    assert!((got - wanted).abs() <= tolerance, "{got} is not {wanted}");
}

fn scale_of(image: &ImageFacts, caliper: &Caliper) -> Result<Scale, String> {
    Scale::at(image, &caliper.ends)
}

/// PS3.3 C.8.5.5: physical delta times pixels. 65 columns at 0.008 cm are 5.2 mm.
#[test]
fn sixty_five_columns_are_five_point_two_millimetres() {
    let caliper = caliper([[10.5, 20.25], [75.5, 20.25]]);
    let scale = scale_of(&picture(), &caliper).unwrap();
    near(Drawn::new(&caliper, &scale).length_mm(), 5.2, 1e-9);
    near(Drawn::new(&caliper, &scale).off_rows_deg(), 0.0, 1e-9);
}

/// PS3.3 C.8.5.5 has one delta for each direction; a 3-4-5 triangle tells them apart.
#[test]
fn each_direction_has_its_own_step() {
    let mut image = picture();
    image.regions = vec![Region {
        delta: [0.01, -0.02],
        ..region([0, 0, 599, 399], 0.0)
    }];
    let drawn = caliper([[100.0, 100.0], [130.0, 120.0]]);
    let scale = scale_of(&image, &drawn).unwrap();
    near(Drawn::new(&drawn, &scale).length_mm(), 5.0, 1e-9);
    // PS3.3 10.7.1.3: Pixel Spacing is row spacing first.
    image.regions.clear();
    image.pixel_spacing = Some(PixelSpacing {
        row_mm: 0.2,
        column_mm: 0.1,
        calibration: None,
    });
    let scale = scale_of(&image, &drawn).unwrap();
    near(Drawn::new(&drawn, &scale).length_mm(), 5.0, 1e-9);
}

/// Plane geometry of a strip cut at an angle: width is reading times cosine, 1/cos too wide.
/// The numbers are those of the trigonometric table to the digits given.
#[test]
fn a_caliper_along_the_rows_of_an_oblique_nerve_reads_too_wide() {
    let scale = scale_of(&picture(), &laid(5.0, 0.0, 0.0, 3.0)).unwrap();
    for (reading, degrees, straight) in [
        (5.20, 20.0, 4.886),
        (6.00, 30.0, 5.196),
        (5.176, 15.0, 5.000),
        (4.80, 0.0, 4.80),
    ] {
        let caliper = laid(reading, 0.0, degrees, 3.0);
        let drawn = Drawn::new(&caliper, &scale);
        let angle = drawn.angle().unwrap();
        near(angle.deg, degrees, 1e-6);
        near(drawn.length_mm() - angle.excess_mm, straight, 0.002);
    }
    // 40 degrees: 30.54 % too wide.
    let caliper = laid(5.0, 0.0, 40.0, 3.0);
    let drawn = Drawn::new(&caliper, &scale);
    let excess = drawn.angle().unwrap().excess_mm;
    near(100.0 * excess / (drawn.length_mm() - excess), 30.54, 0.01);
}

/// A caliper straight across has no excess, however the nerve runs, and a negative slope is one.
#[test]
fn straight_across_is_angle_zero_in_every_direction() {
    let scale = scale_of(&picture(), &laid(5.0, 0.0, 0.0, 3.0)).unwrap();
    for nerve in [-40.0, -10.0, 0.0, 25.0, 60.0] {
        // Across a nerve that leans right the caliper rises to the right: rows count downwards.
        let drawn_at = |off: f64| laid(5.0, off - nerve, nerve, 3.0);
        let straight = drawn_at(0.0);
        let angle = Drawn::new(&straight, &scale).angle().unwrap();
        near(angle.deg, 0.0, 1e-6);
        near(angle.excess_mm, 0.0, 1e-9);
        for off in [-20.0, 20.0] {
            let caliper = drawn_at(off);
            near(
                Drawn::new(&caliper, &scale).angle().unwrap().deg,
                20.0,
                1e-6,
            );
        }
    }
}

/// Vertical depth 3 mm at 30 degrees is 3/cos 30 = 3.464 mm along the nerve.
#[test]
fn depth_is_along_the_nerve_and_not_down_the_picture() {
    let scale = scale_of(&picture(), &laid(5.0, 0.0, 0.0, 3.0)).unwrap();
    let along = 3.0 / libm::cos(30.0_f64.to_radians());
    let caliper = laid(5.0, 0.0, 30.0, along);
    let down = (caliper.ends[0].row - caliper.globe.unwrap().row) * 0.08;
    near(down, 3.0, 1e-9);
    near(
        Drawn::new(&caliper, &scale).depth_mm().unwrap(),
        3.464,
        0.002,
    );
    // The axis may be drawn from either end, and short of the caliper.
    let mut turned = caliper.clone();
    turned.axis.reverse();
    near(
        Drawn::new(&turned, &scale).depth_mm().unwrap(),
        3.464,
        0.002,
    );
}

/// A curved nerve: two parts of 4 mm, the caliper in the middle of the second.
#[test]
fn depth_follows_a_bent_axis() {
    let scale = scale_of(&picture(), &laid(5.0, 0.0, 0.0, 3.0)).unwrap();
    let mut caliper = caliper([[325.0, 120.0], [325.0, 180.0]]);
    caliper.axis = vec![
        [300.0, 100.0].into(),
        [300.0, 150.0].into(),
        [350.0, 150.0].into(),
    ];
    caliper.globe = Some([300.0, 100.0].into());
    let drawn = Drawn::new(&caliper, &scale);
    near(drawn.depth_mm().unwrap(), 6.0, 1e-9);
    near(drawn.angle().unwrap().deg, 0.0, 1e-9);
}

/// A plane that misses the axis by 1 mm cuts a chord of 2 sqrt(2.5^2 - 1) = 4.583 mm; nothing in
/// the picture shows it, and nothing is claimed.
#[test]
fn a_plane_beside_the_axis_cannot_be_seen() {
    let chord = 2.0 * (2.5_f64.powi(2) - 1.0).sqrt();
    near(chord, 4.583, 0.002);
    let scale = scale_of(&picture(), &laid(chord, 0.0, 0.0, 3.0)).unwrap();
    let caliper = laid(chord, 0.0, 0.0, 3.0);
    let drawn = Drawn::new(&caliper, &scale);
    near(drawn.length_mm(), chord, 1e-9);
    near(drawn.angle().unwrap().deg, 0.0, 1e-9);
}

/// One pixel at each end. By hand, for a caliper of L pixels across an axis of A pixels, both along
/// picture directions: each end turns its line by 1/L or 1/A, so sqrt(2/L^2 + 2/A^2) in radians.
#[test]
fn one_pixel_at_each_end_is_the_error() {
    let scale = scale_of(&picture(), &laid(5.2, 0.0, 0.0, 3.0)).unwrap();
    let caliper = laid(5.2, 0.0, 0.0, 3.0);
    let angle = Drawn::new(&caliper, &scale).angle().unwrap();
    let by_hand = (2.0 / 65.0_f64.powi(2) + 2.0 / 100.0_f64.powi(2)).sqrt();
    near(angle.error_deg, by_hand.to_degrees(), 0.01);
    // At 20 degrees, from the derivative of L (1 - cos t): along the caliper dL (1 - cos t), across
    // it L sin t dt.
    let caliper = laid(5.2, 0.0, 20.0, 3.0);
    let angle = Drawn::new(&caliper, &scale).angle().unwrap();
    let (sin, cos) = (
        libm::sin(20.0_f64.to_radians()),
        libm::cos(20.0_f64.to_radians()),
    );
    let ends = 2.0 * ((0.08 * (1.0 - cos)).powi(2) + (0.08 * sin).powi(2));
    let axis = 2.0 * (5.2 * sin * 0.08 / 8.0).powi(2);
    near(angle.excess_error_mm, (ends + axis).sqrt(), 0.003);
}

#[test]
fn what_is_too_short_tells_no_angle() {
    let scale = scale_of(&picture(), &laid(5.0, 0.0, 0.0, 3.0)).unwrap();
    let mut caliper = laid(5.0, 0.0, 0.0, 3.0);
    caliper.axis = vec![[300.0, 100.0].into(), [300.0, 104.0].into()];
    assert!(Drawn::new(&caliper, &scale).angle().is_err());
    caliper.axis = vec![[300.0, 100.0].into(), [300.0, 100.0].into()];
    assert!(Drawn::new(&caliper, &scale).angle().is_err());
    let mut point = laid(5.0, 0.0, 0.0, 3.0);
    point.ends[1] = point.ends[0];
    assert!(Drawn::new(&point, &scale).angle().is_err());
}

/// PS3.3 C.8.5.5.1.3 (bit 0 of the flags is priority) and the need for one scale for both ends.
#[test]
fn the_region_that_holds_both_ends_decides() {
    let mut image = picture();
    image.regions = vec![
        region([0, 0, 299, 399], 0.008),
        region([300, 0, 599, 399], 0.016),
    ];
    let length = |image: &ImageFacts, ends| {
        let caliper = caliper(ends);
        scale_of(image, &caliper).map(|scale| Drawn::new(&caliper, &scale).length_mm())
    };
    near(
        length(&image, [[10.0, 50.0], [75.0, 50.0]]).unwrap(),
        5.2,
        1e-9,
    );
    near(
        length(&image, [[310.0, 50.0], [375.0, 50.0]]).unwrap(),
        10.4,
        1e-9,
    );
    // The last pixel of the left half ends at column 300.
    near(
        length(&image, [[235.0, 50.0], [300.0, 50.0]]).unwrap(),
        5.2,
        1e-9,
    );
    assert!(
        length(&image, [[280.0, 50.0], [345.0, 50.0]])
            .unwrap_err()
            .contains("no calibrated")
    );
    // A smaller region inside goes before a larger one, a higher priority before both.
    image.regions = vec![
        region([0, 0, 599, 399], 0.008),
        region([0, 0, 199, 199], 0.004),
    ];
    near(
        length(&image, [[10.0, 50.0], [75.0, 50.0]]).unwrap(),
        2.6,
        1e-9,
    );
    image.regions[1].low_priority = true;
    near(
        length(&image, [[10.0, 50.0], [75.0, 50.0]]).unwrap(),
        5.2,
        1e-9,
    );
    // Two that cannot be ranked, with different scales.
    image.regions = vec![
        region([0, 0, 599, 399], 0.008),
        region([0, 0, 599, 399], 0.004),
    ];
    assert!(
        length(&image, [[10.0, 50.0], [75.0, 50.0]])
            .unwrap_err()
            .contains("two regions")
    );
}

#[test]
fn what_is_no_length_in_two_dimensions_is_none() {
    let ends = [[10.0, 50.0], [75.0, 50.0]];
    let refused = |change: &dyn Fn(&mut ImageFacts)| {
        let mut image = picture();
        change(&mut image);
        scale_of(&image, &caliper(ends)).unwrap_err()
    };
    let m_mode = refused(&|image| image.regions[0].spatial_format = 2);
    assert!(m_mode.contains("two-dimensional"), "{m_mode}");
    let seconds = refused(&|image| image.regions[0].units = [4, 3]);
    assert!(seconds.contains("centimetres"), "{seconds}");
    for delta in [[0.0, 0.008], [0.008, 0.08], [2.0, 2.0]] {
        let senseless = refused(&|image| image.regions[0].delta = delta);
        assert!(senseless.contains("no sense"), "{senseless}");
    }
    let none = refused(&|image| image.regions.clear());
    assert!(none.contains("no calibration"), "{none}");
    let outside = refused(&|image| image.columns = Some(64));
    assert!(outside.contains("outside"), "{outside}");
    let spacing = |mm| PixelSpacing {
        row_mm: mm,
        column_mm: mm,
        calibration: None,
    };
    let disagree = refused(&|image| image.pixel_spacing = Some(spacing(0.09)));
    assert!(disagree.contains("different scales"), "{disagree}");
    let mut image = picture();
    image.pixel_spacing = Some(spacing(0.081));
    assert!(scale_of(&image, &caliper(ends)).is_ok());
    // An M-mode panel has no Pixel Spacing to fall back on: its columns are seconds.
    let panel = refused(&|image| {
        image.regions[0].spatial_format = 2;
        image.pixel_spacing = Some(spacing(0.08));
    });
    assert!(panel.contains("two-dimensional"), "{panel}");
}
