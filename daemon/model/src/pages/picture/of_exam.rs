//! The pictures of an exam, gathered from its values.

use super::{Line, Picture};
use crate::domain::{Caliper, ImageFacts, Laterality, Measurement};
use crate::geometry::{Drawn, Scale};
use crate::results::{Content, phrases};
use std::collections::BTreeMap;

/// What is known of a picture.
#[derive(Debug, Clone)]
pub struct Known {
    /// Its size and scale.
    pub image: ImageFacts,
    /// Whether its pixels are kept.
    pub has_pixels: bool,
}

/// A frame of a picture in which calipers of an exam are drawn: its SOP Instance UID, and the frame from
/// 1.
pub type Place = (String, u32);

fn place(caliper: &Caliper) -> Place {
    (caliper.image.clone(), caliper.frame.unwrap_or(1))
}

/// Every value of an exam with a caliper, used ones first.
fn drawn(content: &Content) -> impl Iterator<Item = (&Measurement, &Caliper, bool)> {
    let used = content.measurements_used.iter().map(|one| (one, true));
    let not_used = content.measurements_not_used.iter().map(|one| (one, false));
    used.chain(not_used).filter_map(|(one, is_used)| {
        let caliper = one.value.caliper.as_ref()?;
        Some((&one.value, caliper, is_used))
    })
}

/// The places in the order in which they are shown.
#[must_use]
pub fn places(content: &Content) -> Vec<Place> {
    let mut places: Vec<Place> = drawn(content)
        .map(|(_, caliper, _)| place(caliper))
        .collect();
    places.sort();
    places.dedup();
    places
}

/// The pictures of an exam, those of them that are known. `known` goes by SOP Instance UID.
#[must_use]
pub fn pictures(content: &Content, known: &BTreeMap<String, Known>) -> Vec<Picture> {
    let depth_mm = content.technique.depth_mm;
    let places = places(content).into_iter().enumerate();
    let one = |(number, (uid, frame)): (usize, Place)| {
        let of = known.get(&uid)?;
        let size = [of.image.columns?, of.image.rows?];
        let mut without: Vec<String> = Vec::new();
        let mut tell = |what: &str, why: &str| {
            let sentence = format!("{what} is not shown: {why}.");
            if !without.contains(&sentence) {
                without.push(sentence);
            }
        };
        let lines = drawn(content)
            .filter(|(_, caliper, _)| place(caliper) == (uid.clone(), frame))
            .map(|(value, caliper, is_used)| {
                let scale = Scale::at(&of.image, &caliper.ends);
                let scale = scale.inspect_err(|why| tell("The scale", why)).ok();
                let drawn = scale.as_ref().map(|scale| Drawn::new(caliper, scale));
                let across = drawn.as_ref().map(Drawn::across);
                let at_depth = drawn.as_ref().map(|one| one.at_depth(depth_mm));
                if let Some(Err(why)) = across {
                    tell("The line straight across", why);
                }
                if let Some(Err(why)) = at_depth {
                    tell("The depth to measure at", why);
                }
                Line {
                    words: words(value, is_used),
                    ends: caliper.ends,
                    across: across.and_then(Result::ok),
                    at_depth: at_depth.and_then(Result::ok),
                }
            })
            .collect();
        Some(Picture {
            title: match of.image.frames {
                0 | 1 => format!("Picture {uid}"),
                frames => format!("Picture {uid}, frame {frame} of {frames}"),
            },
            href: of
                .has_pixels
                .then(|| format!("/exam/{}/picture/{number}", content.exam.id)),
            size,
            lines,
            depth_mm,
            without,
        })
    };
    places.filter_map(one).collect()
}

fn words(value: &Measurement, is_used: bool) -> String {
    let eye = match value.eye {
        Laterality::Unresolved => "side unresolved",
        side => side.word(),
    };
    let mm = value.value_mm.map_or("no value".to_owned(), |mm| {
        format!("{} mm", phrases::millimetres(mm))
    });
    let used = if is_used { "used" } else { "not used" };
    let geometry = value.geometry.as_ref();
    let angle = geometry.and_then(|one| one.angle_deg);
    let angle = angle.map_or(String::new(), |deg| {
        format!(", {deg:.0} degrees off straight across")
    });
    format!("{eye}, {mm}, {used}{angle}")
}

#[cfg(test)]
mod tests;
