//! Where a caliper's picture would be measured: straight across the nerve, and at a depth.

use super::{Along, Drawn, Place, along, distance, minus};
use crate::domain::Point;

/// Length of the mark of a depth, mm: wider than a sheath.
const MARK_MM: f64 = 8.0;

impl Drawn<'_> {
    /// The line through the caliper's middle, straight across the nerve, as long as the nerve is wide
    /// there by the caliper.
    ///
    /// # Errors
    ///
    /// Why it cannot be told, as the end of a sentence.
    pub fn across(&self) -> Result<[Point; 2], &'static str> {
        let angle = self.angle()?;
        let middle = self.middle();
        let nearest = along(&self.axis()?, middle);
        let width = self.length_mm() - angle.excess_mm;
        Ok(self.line(middle, normal(&nearest), width))
    }

    /// A line across the nerve where it is `depth_mm` behind the globe, on the caliper's side of it.
    ///
    /// # Errors
    ///
    /// Why it cannot be told, as the end of a sentence.
    pub fn at_depth(&self, depth_mm: f64) -> Result<[Point; 2], &'static str> {
        // It says where the globe's edge is missing or lies elsewhere.
        self.depth_mm()?;
        let axis = self.axis()?;
        let globe = self.caliper.globe.map(|globe| self.place(globe));
        let globe = along(&axis, globe.unwrap_or_default()).at;
        let middle = along(&axis, self.middle()).at;
        let side = if middle < globe { -1.0 } else { 1.0 };
        let (place, part) = walk(&axis, globe + side * depth_mm);
        Ok(self.line(place, normal(&part), MARK_MM))
    }

    fn line(&self, middle: Place, direction: Place, length: f64) -> [Point; 2] {
        let ([x, y], [dx, dy]) = (middle, direction);
        let end = |by: f64| Point {
            column: (x + dx * by) / self.scale.column_mm,
            row: (y + dy * by) / self.scale.row_mm,
        };
        [end(-length / 2.0), end(length / 2.0)]
    }
}

/// The direction straight across a part of the axis, of length 1.
fn normal(part: &Along) -> Place {
    let [x, y] = minus(part.to, part.from);
    let length = distance(part.to, part.from);
    [-y / length, x / length]
}

/// The place at a distance along a line, and the part it lies on. The first and the last part go on
/// beyond their ends.
fn walk(line: &[Place], at: f64) -> (Place, Along) {
    let last = line.len().saturating_sub(2);
    let mut walked = 0.0;
    for (index, part) in line.windows(2).enumerate() {
        let &[from, to] = part else { continue };
        let length = distance(to, from);
        if at <= walked + length || index == last {
            let ([x, y], [dx, dy]) = (from, minus(to, from));
            let share = (at - walked) / length;
            return ([x + dx * share, y + dy * share], Along { at, from, to });
        }
        walked += length;
    }
    let place = line.first().copied().unwrap_or_default();
    (place, along(line, place))
}

#[cfg(test)]
mod tests {
    use super::super::super::{Origin, Scale};
    use super::*;
    use crate::domain::Caliper;

    fn caliper(ends: [[f64; 2]; 2], axis: &[[f64; 2]], globe: Option<[f64; 2]>) -> Caliper {
        Caliper {
            image: "2.25.1".to_owned(),
            frame: None,
            ends: ends.map(Point::from),
            axis: axis.iter().copied().map(Point::from).collect(),
            globe: globe.map(Point::from),
            presentation: None,
        }
    }

    fn scale(column_mm: f64, row_mm: f64) -> Scale {
        Scale {
            column_mm,
            row_mm,
            origin: Origin::PixelSpacing(None),
        }
    }

    fn near(line: [Point; 2], wanted: [[f64; 2]; 2]) {
        let wanted = wanted.map(Point::from);
        let is = |line: [Point; 2]| {
            line.iter().zip(wanted).all(|(one, other)| {
                (one.column - other.column).abs() < 1e-9 && (one.row - other.row).abs() < 1e-9
            })
        };
        let [from, to] = line;
        assert!(is([from, to]) || is([to, from]), "{line:?}");
    }

    /// By hand: the nerve runs down the picture at column 100, a pixel is 0.1 mm, the globe ends at row
    /// 50. The caliper rises 30 pixels over 40, so it is 5 mm long, and 4 mm lie straight across.
    #[test]
    fn a_nerve_that_runs_down_is_crossed_level() {
        let one = caliper(
            [[80.0, 95.0], [120.0, 65.0]],
            &[[100.0, 40.0], [100.0, 200.0]],
            Some([100.0, 50.0]),
        );
        let scale = scale(0.1, 0.1);
        let drawn = Drawn::new(&one, &scale);
        near(drawn.across().unwrap(), [[80.0, 80.0], [120.0, 80.0]]);
        near(drawn.at_depth(3.0).unwrap(), [[60.0, 80.0], [140.0, 80.0]]);
    }

    /// The same nerve up the picture, pixels twice as high as wide: 3 mm are 15 rows, upwards.
    #[test]
    fn depth_goes_to_the_side_of_the_caliper_by_the_scale_of_each_direction() {
        let one = caliper(
            [[80.0, 30.0], [120.0, 30.0]],
            &[[100.0, 5.0], [100.0, 90.0]],
            Some([100.0, 50.0]),
        );
        let scale = scale(0.1, 0.2);
        let drawn = Drawn::new(&one, &scale);
        near(drawn.across().unwrap(), [[80.0, 30.0], [120.0, 30.0]]);
        near(drawn.at_depth(3.0).unwrap(), [[60.0, 35.0], [140.0, 35.0]]);
    }

    /// An axis of two parts with a right angle: the depth goes round the corner.
    #[test]
    fn depth_follows_the_axis_round_a_bend() {
        let one = caliper(
            [[130.0, 40.0], [130.0, 80.0]],
            &[[100.0, 40.0], [100.0, 60.0], [200.0, 60.0]],
            Some([100.0, 40.0]),
        );
        let scale = scale(0.1, 0.1);
        let drawn = Drawn::new(&one, &scale);
        near(
            drawn.at_depth(3.0).unwrap(),
            [[110.0, 20.0], [110.0, 100.0]],
        );
        near(drawn.across().unwrap(), [[130.0, 40.0], [130.0, 80.0]]);
    }

    #[test]
    fn without_axis_or_globe_nothing_is_guessed() {
        let scale = scale(0.1, 0.1);
        let ends = [[80.0, 80.0], [120.0, 80.0]];
        let bare = caliper(ends, &[], None);
        assert!(Drawn::new(&bare, &scale).across().is_err());
        let no_globe = caliper(ends, &[[100.0, 40.0], [100.0, 200.0]], None);
        assert!(Drawn::new(&no_globe, &scale).across().is_ok());
        assert!(Drawn::new(&no_globe, &scale).at_depth(3.0).is_err());
    }
}
