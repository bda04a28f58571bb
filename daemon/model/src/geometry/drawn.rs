//! Plane geometry of one caliper: length, angle to the nerve, depth, and what the angle costs.
//!
//! Angles are in degrees, from 0 to 90. A caliper straight across the nerve has angle 0; one at
//! angle a reads too wide by 1/cos(a).

mod marks;

use super::Scale;
use crate::domain::{Caliper, Point};

/// One pixel at each end must not turn the angle by more than this, or it says nothing.
/// Common practice, no source.
const ANGLE_ERROR_MAX_DEG: f64 = 10.0;

/// A place in millimetres from the corner of the picture: across, down.
type Place = [f64; 2];

/// A caliper with the scale of its picture.
#[derive(Debug, Clone, Copy)]
pub struct Drawn<'a> {
    caliper: &'a Caliper,
    scale: &'a Scale,
}

/// The angle of a caliper and what follows from it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Angle {
    /// Between the caliper and the line straight across the nerve.
    pub deg: f64,
    /// How far one pixel at each end of caliper and axis turns it.
    pub error_deg: f64,
    /// By how much the caliper is longer than the nerve is wide, millimetres.
    pub excess_mm: f64,
    /// Error of the excess for one pixel at each end, millimetres.
    pub excess_error_mm: f64,
}

impl<'a> Drawn<'a> {
    /// The caliper in millimetres.
    #[must_use]
    pub fn new(caliper: &'a Caliper, scale: &'a Scale) -> Self {
        Drawn { caliper, scale }
    }

    fn place(&self, point: Point) -> Place {
        let Scale {
            column_mm, row_mm, ..
        } = self.scale;
        [point.column * column_mm, point.row * row_mm]
    }

    fn ends(&self) -> [Place; 2] {
        self.caliper.ends.map(|end| self.place(end))
    }

    fn middle(&self) -> Place {
        let [[x0, y0], [x1, y1]] = self.ends();
        [f64::midpoint(x0, x1), f64::midpoint(y0, y1)]
    }

    /// Length of the caliper, millimetres (PS3.3 C.8.5.5: physical delta times pixels, each axis by
    /// its own delta).
    #[must_use]
    pub fn length_mm(&self) -> f64 {
        let [start, end] = self.ends();
        distance(start, end)
    }

    /// Angle between the caliper and the rows of the picture: 0 lies straight across the beam of a
    /// probe that scans by columns.
    #[must_use]
    pub fn off_rows_deg(&self) -> f64 {
        let [start, end] = self.ends();
        90.0 - between_deg(minus(end, start), [0.0, 1.0])
    }

    /// The reference lines, if the scale holds where they are drawn.
    fn axis(&self) -> Result<Vec<Place>, &'static str> {
        if self.caliper.axis.len() < 2 {
            return Err("no axis of the nerve is drawn in the picture");
        }
        if !self.scale.holds(&self.caliper.axis) {
            return Err("the nerve's axis is drawn in another part of the picture");
        }
        let mut axis: Vec<Place> = Vec::new();
        for place in self.caliper.axis.iter().map(|&point| self.place(point)) {
            // A point twice has no direction.
            if axis.last() != Some(&place) {
                axis.push(place);
            }
        }
        match axis.len() {
            0 | 1 => Err("the nerve's axis has no length"),
            _ => Ok(axis),
        }
    }

    /// The angle to the line straight across the nerve, by the part of the axis next to the
    /// caliper.
    ///
    /// # Errors
    ///
    /// Why it cannot be told, as the end of a sentence.
    pub fn angle(&self) -> Result<Angle, &'static str> {
        let axis = self.axis()?;
        let [start, end] = self.ends();
        if start == end {
            return Err("the caliper has no length");
        }
        let nearest = along(&axis, self.middle());
        let points = [start, end, nearest.from, nearest.to];
        let angle = off_normal_deg(points);
        let excess = |points| excess_mm(points);
        let (mut error_deg, mut error_mm) = (0.0_f64, 0.0_f64);
        let steps = [self.scale.column_mm, self.scale.row_mm];
        for end in 0..points.len() {
            for (direction, step) in steps.into_iter().enumerate() {
                let moved = |by: f64| moved(points, end, direction, by);
                let most = |of: &dyn Fn([Place; 4]) -> f64| {
                    let change = |by| (of(moved(by)) - of(points)).abs();
                    change(step).max(change(-step))
                };
                let (deg, mm) = (most(&off_normal_deg), most(&excess));
                error_deg += deg * deg;
                error_mm += mm * mm;
            }
        }
        let error_deg = error_deg.sqrt();
        if error_deg.is_nan() || error_deg > ANGLE_ERROR_MAX_DEG {
            return Err("caliper or axis are drawn too short to tell it");
        }
        Ok(Angle {
            deg: angle,
            error_deg,
            excess_mm: excess(points),
            excess_error_mm: error_mm.sqrt(),
        })
    }

    /// Depth of the caliper's middle behind the globe, along the nerve's axis, millimetres.
    ///
    /// # Errors
    ///
    /// Why it cannot be told, as the end of a sentence.
    pub fn depth_mm(&self) -> Result<f64, &'static str> {
        let axis = self.axis()?;
        let globe = self
            .caliper
            .globe
            .ok_or("the picture does not show where the nerve leaves the globe")?;
        if !self.scale.holds(&[globe]) {
            return Err("the globe's edge is drawn in another part of the picture");
        }
        let (middle, globe) = (along(&axis, self.middle()), along(&axis, self.place(globe)));
        Ok((middle.at - globe.at).abs())
    }
}

fn minus(one: Place, other: Place) -> Place {
    let ([x1, y1], [x0, y0]) = (one, other);
    [x1 - x0, y1 - y0]
}

fn distance(one: Place, other: Place) -> f64 {
    let [x, y] = minus(one, other);
    libm::hypot(x, y)
}

/// Angle between two lines, 0 to 90.
fn between_deg(one: Place, other: Place) -> f64 {
    let ([x0, y0], [x1, y1]) = (one, other);
    let (along, across) = (x0 * x1 + y0 * y1, x0 * y1 - y0 * x1);
    libm::atan2(across.abs(), along.abs()).to_degrees()
}

/// Angle between a caliper and the normal of an axis; both as start and end.
fn off_normal_deg([start, end, from, to]: [Place; 4]) -> f64 {
    90.0 - between_deg(minus(end, start), minus(to, from))
}

/// Length of a caliper less the width straight across.
fn excess_mm(points: [Place; 4]) -> f64 {
    let [start, end, ..] = points;
    distance(start, end) * (1.0 - libm::cos(off_normal_deg(points).to_radians()))
}

fn moved(mut points: [Place; 4], end: usize, direction: usize, by: f64) -> [Place; 4] {
    if let Some(at) = points
        .get_mut(end)
        .and_then(|point| point.get_mut(direction))
    {
        *at += by;
    }
    points
}

/// Where a point stands along a line of several parts.
struct Along {
    /// Distance from the line's first point, along it. The first and last part go on beyond
    /// their ends.
    at: f64,
    /// The part next to the point.
    from: Place,
    to: Place,
}

/// The foot of a point on a line of at least two different points.
fn along(line: &[Place], point: Place) -> Along {
    let last = line.len().saturating_sub(2);
    let mut walked = 0.0;
    let mut best: Option<(f64, Along)> = None;
    for (index, part) in line.windows(2).enumerate() {
        let &[from, to] = part else { continue };
        let ([x, y], [px, py], length) = (minus(to, from), minus(point, from), distance(to, from));
        let free = (x * px + y * py) / length;
        let lower = if index == 0 { f64::NEG_INFINITY } else { 0.0 };
        let upper = if index == last { f64::INFINITY } else { length };
        let foot = free.max(lower).min(upper);
        let [fx, fy] = from;
        let off = distance(point, [fx + x / length * foot, fy + y / length * foot]);
        if best.as_ref().is_none_or(|(least, _)| off < *least) {
            let at = walked + foot;
            best = Some((off, Along { at, from, to }));
        }
        walked += length;
    }
    best.map_or(
        Along {
            at: 0.0,
            from: point,
            to: point,
        },
        |(_, along)| along,
    )
}
