//! Titles of application entities.

/// Says what is wrong with an AE title, if anything: PS3.5 6.2 allows 1 to 16 characters of the
/// default repertoire without backslash and control characters, spaces around not counted.
#[must_use]
pub fn ae_title_problem(title: &str) -> Option<&'static str> {
    let title = title.trim_matches(' ');
    if title.is_empty() {
        Some("an AE title has at least one character that is not a space")
    } else if title.len() > 16 {
        Some("an AE title has at most 16 characters")
    } else if title
        .bytes()
        .any(|byte| !(b' '..=b'~').contains(&byte) || byte == b'\\')
    {
        Some("an AE title has only printable ASCII characters and no backslash")
    } else {
        None
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// PS3.5 6.2, value representation AE.
    #[test]
    fn ae_titles() {
        for good in ["A", " SCANNER 1 ", "0123456789ABCDEF", "a-b.c_d"] {
            assert_eq!(ae_title_problem(good), None, "{good}");
        }
        for bad in [
            "",
            "   ",
            "0123456789ABCDEFG",
            "A\\B",
            "A\u{7}",
            "Sch\u{e4}del",
        ] {
            assert!(ae_title_problem(bad).is_some(), "{bad}");
        }
    }
}
