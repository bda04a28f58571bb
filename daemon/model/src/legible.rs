//! Text of others as people may see it, on a terminal, in a file of text, on a page.
//!
//! A report holds whatever somebody typed or sent. Control characters drive a terminal (ECMA-48),
//! marks of direction change the order of what stands beside them (UAX #9), characters without width
//! make two texts look alike, and line separators begin lines that we did not write (UTR #36). Each is
//! shown as one sign that stands for something unreadable. What programs read, JSON for one, keeps the
//! text as it is.

use std::borrow::Cow;

/// Stands for what is no legible text.
pub const UNREADABLE: char = char::REPLACEMENT_CHARACTER;

/// Characters that no text for people may hold: those of Unicode's categories Cc, Zl and Zp, of Cf all
/// that have no shape of their own, and the two that are no characters.
#[must_use]
pub fn misleads(c: char) -> bool {
    c.is_control()
        || matches!(c, '\u{AD}' | '\u{61C}' | '\u{180E}' | '\u{FEFF}')
        || matches!(c, '\u{200B}'..='\u{200F}' | '\u{2028}'..='\u{202E}')
        || matches!(c, '\u{2060}'..='\u{206F}' | '\u{FFF9}'..='\u{FFFB}')
        || matches!(c, '\u{FFFE}' | '\u{FFFF}' | '\u{E0000}'..='\u{E007F}')
}

/// A text of several lines; tabs and carriage returns are blanks.
#[must_use]
pub fn lines(text: &str) -> String {
    let mut shown = String::with_capacity(text.len());
    let mut before = None;
    let mut rest = text.chars().peekable();
    while let Some(c) = rest.next() {
        shown.push(match c {
            '\n' => '\n',
            '\t' | '\r' => ' ',
            '\u{200C}' | '\u{200D}' if joins(before) && joins(rest.peek().copied()) => c,
            c if misleads(c) => UNREADABLE,
            c => c,
        });
        before = Some(c);
    }
    shown
}

/// A text that stays on its line.
#[must_use]
pub fn line(text: &str) -> String {
    lines(text).replace('\n', " ")
}

/// A text that stays on its line and is no longer than `most` characters, unless what is left out is
/// told.
#[must_use]
pub fn short(text: &str, most: usize) -> String {
    let count = text.chars().count();
    if count <= most {
        return line(text);
    }
    let begin: String = text.chars().take(most).collect();
    format!("{}... ({count} characters)", line(&begin))
}

/// A text as a cell of a table that a spreadsheet may open: one that would begin a formula there has an
/// apostrophe before it (OWASP, "CSV Injection"), a number has none. [`from_cell`] takes it off again.
#[must_use]
pub fn cell(text: &str) -> Cow<'_, str> {
    if begins_formula(text) && text.parse::<f64>().is_err() {
        Cow::Owned(format!("'{text}"))
    } else {
        Cow::Borrowed(text)
    }
}

/// The text that [`cell`] made a cell of.
#[must_use]
pub fn from_cell(cell: &str) -> &str {
    match cell.strip_prefix('\'') {
        Some(text) if begins_formula(text) => text,
        _ => cell,
    }
}

/// Whether a text begins a formula, or would if it were taken for a cell that begins one. The wide forms
/// count: some spreadsheets take them for the narrow ones.
fn begins_formula(text: &str) -> bool {
    const SIGNS: [char; 11] = [
        '=', '+', '-', '@', '\t', '\r', '\n', '\u{FF1D}', '\u{FF0B}', '\u{FF0D}', '\u{FF20}',
    ];
    text.trim_start_matches('\'').starts_with(SIGNS)
}

/// Whether a letter is of a script that is written with joiners, from Hebrew on: Arabic, those of
/// India, Khmer, Mongolian (UAX #31, 2.3). A name in these is not spelled without them.
fn joins(letter: Option<char>) -> bool {
    letter.is_some_and(|c| ('\u{590}'..'\u{1E00}').contains(&c) && !misleads(c))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_misleads_is_one_sign_and_all_else_stays() {
        for c in [
            '\0',
            '\u{1B}',
            '\u{7F}',
            '\u{85}',
            '\u{9B}',
            '\u{AD}',
            '\u{61C}',
            '\u{200B}',
            '\u{200C}',
            '\u{200D}',
            '\u{200E}',
            '\u{200F}',
            '\u{2028}',
            '\u{2029}',
            '\u{202A}',
            '\u{202E}',
            '\u{2060}',
            '\u{2066}',
            '\u{2069}',
            '\u{FEFF}',
            '\u{E0041}',
        ] {
            assert_eq!(line(&format!("a{c}b")), "a\u{FFFD}b", "{:?}", c);
        }
        let plain = "Ärztin Łucja 山田 عمر नमस्ते Ωμέγα e\u{301} – “x” <&> \u{A0}";
        assert_eq!(line(plain), plain);
        assert_eq!(lines("a\r\nb\tc"), "a \nb c");
        assert_eq!(line("a\r\nb\tc"), "a  b c");
        assert_eq!(line("\u{1B}]0;x\u{7}"), "\u{FFFD}]0;x\u{FFFD}");
    }

    /// Joiners belong to the spelling of names in Persian and in scripts of India.
    #[test]
    fn joiners_stay_between_letters_that_join() {
        for name in ["علی\u{200C}رضا", "क\u{94D}\u{200D}ष"] {
            assert_eq!(line(name), name);
        }
        assert_eq!(line("\u{200D}علی\u{200C}"), "\u{FFFD}علی\u{FFFD}");
        assert_eq!(line("ع\u{200C}\u{200C}ع"), "ع\u{FFFD}\u{FFFD}ع");
    }

    #[test]
    fn no_text_begins_a_formula_and_each_comes_back() {
        for formula in [
            "=1+1",
            "+x",
            "-x",
            "@SUM(1)",
            "\tx",
            "\r=1",
            "-1+cmd|' /C calc'!A0",
            "'=x",
            "\u{FF1D}1",
        ] {
            assert_eq!(cell(formula), format!("'{formula}"));
        }
        for plain in [
            "", "-5.3", "+5.3", "-1e-5", "'t Hooft", "a=b", "2.25.1", "5.3",
        ] {
            assert_eq!(cell(plain), plain);
        }
        for text in ["=1", "'=1", "''=1", "-5", "'-5", "'", "''", "x", "-", "'x"] {
            assert_eq!(from_cell(&cell(text)), text);
        }
    }

    #[test]
    fn what_is_left_out_is_told() {
        assert_eq!(short("abc", 3), "abc");
        assert_eq!(short("ab\ncd", 3), "ab ... (5 characters)");
    }
}
