//! Placed lines as a PDF file.

use super::PageError;
use super::face::Faces;
use super::line::Line;
use super::place::{FOOT, MARGIN, PAGE, Pages, Placed};
use crate::render::trend::{Anchor, Drawing, Shape};
use crate::results::Envelope;
use chrono::{DateTime, Datelike, Timelike};
use krilla::color::rgb;
use krilla::geom::{Path, PathBuilder, Point, Transform};
use krilla::metadata::{self, Metadata};
use krilla::num::NormalizedF32;
use krilla::page::PageSettings;
use krilla::paint::{Fill, Stroke};
use krilla::surface::Surface;
use krilla::{Document, SerializeSettings};

const BLACK: (u8, u8, u8) = (0x11, 0x11, 0x11);

pub(super) fn write(result: &Envelope, pages: &Pages, faces: &Faces) -> Result<Vec<u8>, PageError> {
    let mut document = Document::new_with(SerializeSettings {
        // There is no tag tree to fill.
        enable_tagging: false,
        ..SerializeSettings::default()
    });
    document.set_metadata(about(result));
    let count = pages.pages.len();
    for (number, placed) in (1..).zip(&pages.pages) {
        let size = PageSettings::from_wh(PAGE.0, PAGE.1);
        let size = size.ok_or_else(|| PageError::Write("the size of the page".to_owned()))?;
        let mut page = document.start_page_with(size);
        let mut surface = page.surface();
        let mut pen = Pen {
            surface: &mut surface,
            faces,
        };
        for one in placed {
            pen.line(one);
        }
        let foot = format!(
            "Exam {}, version {}, page {number} of {count}",
            result.content.exam.id, result.version
        );
        pen.text(
            &foot,
            MARGIN,
            PAGE.1 - MARGIN - FOOT / 4.0,
            6.5,
            false,
            BLACK,
        );
        surface.finish();
        page.finish();
    }
    let written = document.finish();
    written.map_err(|error| PageError::Write(format!("{error:?}")))
}

/// Nothing of the patient: file managers show it.
fn about(result: &Envelope) -> Metadata {
    let metadata = Metadata::new()
        .title("Optic nerve sheath, compared with own earlier exams".to_owned())
        .language("en".to_owned())
        .creator(result.software.clone())
        .document_id(format!("{}-v{}", result.key, result.version));
    let Ok(at) = DateTime::parse_from_rfc3339(&result.created_at) else {
        return metadata;
    };
    let at = at.to_utc();
    let small = |number: u32| u8::try_from(number).unwrap_or(0);
    let Ok(year) = u16::try_from(at.year()) else {
        return metadata;
    };
    metadata.creation_date(
        metadata::DateTime::new(year)
            .month(small(at.month()))
            .day(small(at.day()))
            .hour(small(at.hour()))
            .minute(small(at.minute()))
            .second(small(at.second()))
            .utc_offset_hour(0)
            .utc_offset_minute(0),
    )
}

struct Pen<'a, 'b> {
    surface: &'a mut Surface<'b>,
    faces: &'a Faces,
}

impl Pen<'_, '_> {
    fn line(&mut self, placed: &Placed) {
        let Line {
            height,
            parts,
            ruled,
            drawings,
            ..
        } = &placed.line;
        let (x, y) = (placed.x, placed.y);
        if let Some(length) = ruled {
            self.stroke(&[(x, y), (x + length, y)], 0.6, BLACK);
        }
        for part in parts {
            // The line's letters stand with their feet at four fifths of its height.
            let feet = y + height * 0.8;
            self.text(&part.text, x + part.x, feet, part.size, part.bold, BLACK);
        }
        for (from, drawing, width) in drawings {
            self.drawing(drawing, x + from, y, *width);
        }
    }

    fn text(&mut self, text: &str, x: f32, y: f32, size: f32, bold: bool, colour: (u8, u8, u8)) {
        let face = self.faces.of(bold);
        self.surface.set_stroke(None);
        self.surface.set_fill(Some(fill(colour, 1.0)));
        let glyphs = face.glyphs(text);
        self.surface.draw_glyphs(
            Point::from_xy(x, y),
            &glyphs,
            face.font.clone(),
            text,
            size,
            false,
        );
    }

    fn stroke(&mut self, points: &[(f32, f32)], width: f32, colour: (u8, u8, u8)) {
        let Some(path) = path(points, false) else {
            return;
        };
        self.surface.set_fill(None);
        self.surface.set_stroke(Some(Stroke {
            paint: rgb::Color::new(colour.0, colour.1, colour.2).into(),
            width,
            ..Stroke::default()
        }));
        self.surface.draw_path(&path);
    }

    fn fill(&mut self, path: Option<Path>, colour: (u8, u8, u8), opacity: f64) {
        let Some(path) = path else { return };
        self.surface.set_stroke(None);
        self.surface.set_fill(Some(fill(colour, opacity as f32)));
        self.surface.draw_path(&path);
    }

    fn drawing(&mut self, drawing: &Drawing, x: f32, y: f32, width: f32) {
        let scale = width / drawing.width as f32;
        let move_to = Transform::from_row(scale, 0.0, 0.0, scale, x, y);
        self.surface.push_transform(&move_to);
        let at = |point: &(f64, f64)| (point.0 as f32, point.1 as f32);
        for shape in &drawing.shapes {
            match shape {
                Shape::Line(points, width, colour) => {
                    let points: Vec<_> = points.iter().map(at).collect();
                    self.stroke(&points, *width as f32, (colour.0, colour.1, colour.2));
                }
                Shape::Polygon(points, colour) => {
                    let points: Vec<_> = points.iter().map(at).collect();
                    let opaque = (colour.0, colour.1, colour.2);
                    self.fill(path(&points, true), opaque, colour.3);
                }
                Shape::Circle(centre, radius, colour, line) => {
                    let colour = (colour.0, colour.1, colour.2);
                    let circle = circle(at(centre), *radius as f32);
                    match line {
                        None => self.fill(path(&circle, true), colour, 1.0),
                        Some(width) => self.stroke(&circle, *width as f32, colour),
                    }
                }
                Shape::Text(text, place, face) => {
                    let (x, y) = at(place);
                    let size = face.size as f32;
                    let width = self.faces.of(face.bold).width(text, size);
                    let left = match face.anchor {
                        Anchor::Left => 0.0,
                        Anchor::Middle => -width / 2.0,
                        Anchor::Right => -width,
                    };
                    // Half the height of a small letter below the point.
                    let feet = size * 0.26;
                    let colour = (face.colour.0, face.colour.1, face.colour.2);
                    let turn = if face.downwards {
                        Transform::from_row(0.0, 1.0, -1.0, 0.0, x, y)
                    } else {
                        Transform::from_translate(x, y)
                    };
                    self.surface.push_transform(&turn);
                    self.text(text, left, feet, size, face.bold, colour);
                    self.surface.pop();
                }
            }
        }
        self.surface.pop();
    }
}

fn fill(colour: (u8, u8, u8), opacity: f32) -> Fill {
    Fill {
        paint: rgb::Color::new(colour.0, colour.1, colour.2).into(),
        opacity: NormalizedF32::new(opacity).unwrap_or(NormalizedF32::ONE),
        ..Fill::default()
    }
}

fn path(points: &[(f32, f32)], closed: bool) -> Option<Path> {
    let (first, rest) = points.split_first()?;
    let mut path = PathBuilder::new();
    path.move_to(first.0, first.1);
    for point in rest {
        path.line_to(point.0, point.1);
    }
    if closed {
        path.close();
    }
    path.finish()
}

/// A circle as a polygon whose corners nobody sees at this size; closed.
fn circle((x, y): (f32, f32), radius: f32) -> Vec<(f32, f32)> {
    const CORNERS: u8 = 48;
    let corner = |at: u8| {
        let angle = f64::from(at) * std::f64::consts::TAU / f64::from(CORNERS);
        // From libm, so that the file is the same on every machine.
        let (sin, cos) = (libm::sin(angle) as f32, libm::cos(angle) as f32);
        (x + radius * cos, y + radius * sin)
    };
    (0..=CORNERS).map(corner).collect()
}
