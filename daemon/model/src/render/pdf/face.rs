//! The two faces of the page, and how wide a text is in them.

use super::PageError;
use krilla::text::{Font, GlyphId, KrillaGlyph};
use skrifa::charmap::Charmap;
use skrifa::instance::{LocationRef, Size};
use skrifa::metrics::GlyphMetrics;
use skrifa::{FontRef, MetadataProvider};
use std::sync::LazyLock;

/// Liberation Sans 2.1.5, under the SIL Open Font License 1.1: see `fonts/OFL.txt`.
const REGULAR: &[u8] = include_bytes!("fonts/LiberationSans-Regular.ttf");
const BOLD: &[u8] = include_bytes!("fonts/LiberationSans-Bold.ttf");

/// One face.
pub(super) struct Face {
    pub(super) font: Font,
    letters: Charmap<'static>,
    metrics: GlyphMetrics<'static>,
    em: f32,
    /// Glyphs of ASCII, which most letters are: looking them up is a tenth of making a page.
    ascii: Vec<(skrifa::GlyphId, f32)>,
}

/// Regular and bold.
pub(super) struct Faces {
    regular: Face,
    bold: Face,
}

impl Faces {
    /// The same for all pages.
    pub(super) fn get() -> Result<&'static Self, PageError> {
        static FACES: LazyLock<Option<Faces>> = LazyLock::new(|| {
            Some(Faces {
                regular: Face::new(REGULAR)?,
                bold: Face::new(BOLD)?,
            })
        });
        FACES.as_ref().ok_or(PageError::Font)
    }

    pub(super) fn of(&self, bold: bool) -> &Face {
        if bold { &self.bold } else { &self.regular }
    }
}

impl Face {
    fn new(bytes: &'static [u8]) -> Option<Self> {
        let font = Font::new(bytes.into(), 0)?;
        let table = FontRef::new(bytes).ok()?;
        let em = font.units_per_em();
        let mut face = Face {
            font,
            letters: table.charmap(),
            metrics: table.glyph_metrics(Size::unscaled(), LocationRef::default()),
            em,
            ascii: Vec::new(),
        };
        face.ascii = ('\0'..='\x7f').map(|letter| face.found(letter)).collect();
        Some(face)
    }

    /// The glyph of a letter and its width in parts of the size. A letter that the face has not is
    /// its empty box.
    fn glyph(&self, letter: char) -> (skrifa::GlyphId, f32) {
        match self.ascii.get(letter as usize) {
            Some(glyph) => *glyph,
            None => self.found(letter),
        }
    }

    fn found(&self, letter: char) -> (skrifa::GlyphId, f32) {
        let id = self.letters.map(letter).unwrap_or_default();
        let width = self.metrics.advance_width(id).unwrap_or_default();
        (id, width / self.em)
    }

    /// Glyphs of a text in reading order.
    pub(super) fn glyphs(&self, text: &str) -> Vec<KrillaGlyph> {
        let glyph = |(at, letter): (usize, char)| {
            let (id, width) = self.glyph(letter);
            let range = at..at + letter.len_utf8();
            KrillaGlyph::new(GlyphId::new(id.to_u32()), width, 0.0, 0.0, 0.0, range, None)
        };
        text.char_indices().map(glyph).collect()
    }

    /// Width of a text at a size, in the unit of the size.
    pub(super) fn width(&self, text: &str, size: f32) -> f32 {
        text.chars().map(|letter| self.glyph(letter).1).sum::<f32>() * size
    }

    /// `text` in lines of at most `width`, broken at blanks; a word that is wider is broken too, so
    /// that nothing runs off the page.
    pub(super) fn wrap(&self, text: &str, size: f32, width: f32) -> Vec<String> {
        let mut lines: Vec<(String, f32)> = Vec::new();
        let blank = self.width(" ", size);
        for word in text.split_whitespace() {
            for (at, (piece, wide)) in self.pieces(word, size, width).into_iter().enumerate() {
                match lines.last_mut() {
                    Some((line, taken)) if at == 0 && *taken + blank + wide <= width => {
                        line.push(' ');
                        line.push_str(&piece);
                        *taken += blank + wide;
                    }
                    _ => lines.push((piece, wide)),
                }
            }
        }
        lines.into_iter().map(|(line, _)| line).collect()
    }

    /// A word in pieces that fit, each with its width.
    fn pieces(&self, word: &str, size: f32, width: f32) -> Vec<(String, f32)> {
        let mut pieces: Vec<(String, f32)> = Vec::new();
        for letter in word.chars() {
            let wide = self.glyph(letter).1 * size;
            match pieces.last_mut() {
                Some((piece, taken)) if *taken + wide <= width => {
                    piece.push(letter);
                    *taken += wide;
                }
                _ => pieces.push((letter.to_string(), wide)),
            }
        }
        pieces
    }
}
