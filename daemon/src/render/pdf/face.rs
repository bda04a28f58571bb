//! The two faces of the page, and how wide a text is in them.

use super::PageError;
use krilla::text::{Font, GlyphId, KrillaGlyph};
use skrifa::instance::{LocationRef, Size};
use skrifa::{FontRef, MetadataProvider};

/// Liberation Sans 2.1.5, under the SIL Open Font License 1.1: see `fonts/OFL.txt`.
const REGULAR: &[u8] = include_bytes!("fonts/LiberationSans-Regular.ttf");
const BOLD: &[u8] = include_bytes!("fonts/LiberationSans-Bold.ttf");

/// One face.
pub(super) struct Face {
    pub(super) font: Font,
    table: FontRef<'static>,
    em: f32,
}

/// Regular and bold.
pub(super) struct Faces {
    regular: Face,
    bold: Face,
}

impl Faces {
    pub(super) fn new() -> Result<Self, PageError> {
        Ok(Faces {
            regular: Face::new(REGULAR)?,
            bold: Face::new(BOLD)?,
        })
    }

    pub(super) fn of(&self, bold: bool) -> &Face {
        if bold { &self.bold } else { &self.regular }
    }
}

impl Face {
    fn new(bytes: &'static [u8]) -> Result<Self, PageError> {
        let font = Font::new(bytes.into(), 0).ok_or(PageError::Font)?;
        let table = FontRef::new(bytes).map_err(|_| PageError::Font)?;
        let em = font.units_per_em();
        Ok(Face { font, table, em })
    }

    /// Glyphs of a text in reading order, widths in parts of the size. A letter that the face has
    /// not is its empty box.
    pub(super) fn glyphs(&self, text: &str) -> Vec<KrillaGlyph> {
        let letters = self.table.charmap();
        let metrics = self.table.glyph_metrics(Size::unscaled(), LocationRef::default());
        let glyph = |(at, letter): (usize, char)| {
            let id = letters.map(letter).unwrap_or_default();
            let width = metrics.advance_width(id).unwrap_or_default() / self.em;
            let range = at..at + letter.len_utf8();
            KrillaGlyph::new(GlyphId::new(id.to_u32()), width, 0.0, 0.0, 0.0, range, None)
        };
        text.char_indices().map(glyph).collect()
    }

    /// Width of a text at a size, in the unit of the size.
    pub(super) fn width(&self, text: &str, size: f32) -> f32 {
        self.glyphs(text).iter().map(|glyph| glyph.x_advance).sum::<f32>() * size
    }

    /// `text` in lines of at most `width`, broken at blanks; a word that is wider is broken too, so
    /// that nothing runs off the page.
    pub(super) fn wrap(&self, text: &str, size: f32, width: f32) -> Vec<String> {
        let mut lines: Vec<String> = Vec::new();
        for word in text.split_whitespace() {
            let longer = lines.last().map(|line| format!("{line} {word}"));
            match longer.filter(|longer| self.width(longer, size) <= width) {
                Some(longer) => {
                    lines.pop();
                    lines.push(longer);
                }
                None => lines.extend(self.pieces(word, size, width)),
            }
        }
        lines
    }

    fn pieces(&self, word: &str, size: f32, width: f32) -> Vec<String> {
        let mut pieces = vec![String::new()];
        for letter in word.chars() {
            let piece = pieces.last().map(|piece| format!("{piece}{letter}"));
            match piece.filter(|piece| self.width(piece, size) <= width || piece.chars().count() == 1) {
                Some(piece) => {
                    pieces.pop();
                    pieces.push(piece);
                }
                None => pieces.push(letter.to_string()),
            }
        }
        pieces
    }
}
