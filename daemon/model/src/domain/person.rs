//! Names of persons as people write them.

/// Component groups of a Person Name: alphabetic, ideographic, phonetic (PS3.5 6.2.1).
const GROUPS: usize = 3;

/// A Person Name as people write it: `Adams^John Robert^^Rev.^B.A.` is `Rev. John Robert Adams, B.A.`.
///
/// Further component groups follow in parentheses, the family name first as their scripts have it:
/// `Yamada^Tarou=山田^太郎` is `Tarou Yamada (山田 太郎)`. A text without carets and equals signs stays as
/// it is. For pages and texts only: coded outputs keep the form of DICOM.
#[must_use]
pub fn written_name(name: &str) -> String {
    if !name.contains(['^', '=']) {
        return name.trim().to_owned();
    }
    let mut groups: Vec<String> = Vec::new();
    for group in name.splitn(GROUPS, '=').map(written_group) {
        // Senders repeat the same letters in several groups; read once, they are one name.
        if !group.is_empty() && !groups.contains(&group) {
            groups.push(group);
        }
    }
    let mut groups = groups.into_iter();
    let first = groups.next().unwrap_or_default();
    let others: Vec<String> = groups.collect();
    if others.is_empty() {
        first
    } else {
        format!("{first} ({})", others.join(", "))
    }
}

/// One component group: family, given, middle, prefix, suffix. What stands beyond counts as suffix.
fn written_group(group: &str) -> String {
    let mut parts = group.split('^').map(|part| part.trim_matches([' ', '=']));
    let mut next = || parts.next().unwrap_or_default();
    let (family, given, middle, prefix) = (next(), next(), next(), next());
    let order = if is_family_first(group) {
        [prefix, family, given, middle]
    } else {
        [prefix, given, middle, family]
    };
    let joined = |parts: &mut dyn Iterator<Item = &str>| -> String {
        let parts: Vec<&str> = parts.filter(|part| !part.is_empty()).collect();
        parts.join(" ")
    };
    let name = joined(&mut order.into_iter());
    let suffix = joined(&mut parts);
    match (name.is_empty(), suffix.is_empty()) {
        (_, true) => name,
        (true, false) => suffix,
        (false, false) => format!("{name}, {suffix}"),
    }
}

/// Chinese, Japanese and Korean write the family name first.
fn is_family_first(text: &str) -> bool {
    text.chars().any(
        |letter| matches!(u32::from(letter), 0x1100..=0x11FF | 0x2E80..=0xD7AF | 0xF900..=0xFAFF),
    )
}

#[cfg(test)]
mod tests {
    use super::written_name;
    use proptest::prelude::*;

    /// The first three are examples of PS3.5 6.2.1.1 and H.3.1, I.2.
    #[test]
    fn a_name_stands_as_people_write_it() {
        for (sent, written) in [
            (
                "Adams^John Robert Quincy^^Rev.^B.A. M.Div.",
                "Rev. John Robert Quincy Adams, B.A. M.Div.",
            ),
            (
                "Yamada^Tarou=山田^太郎=やまだ^たろう",
                "Tarou Yamada (山田 太郎, やまだ たろう)",
            ),
            (
                "Hong^Gildong=洪^吉洞=홍^길동",
                "Gildong Hong (洪 吉洞, 홍 길동)",
            ),
            ("Vantongeren^Amber", "Amber Vantongeren"),
            ("Vantongeren^Amber^^Dr", "Dr Amber Vantongeren"),
            (
                "Vantongeren^Amber^Iris^Dr^MD^FRCR",
                "Dr Amber Iris Vantongeren, MD FRCR",
            ),
            ("Vantongeren", "Vantongeren"),
            ("Vantongeren^", "Vantongeren"),
            ("^Amber", "Amber"),
            ("^^^^RDMS", "RDMS"),
            ("^^^^", ""),
            ("==", ""),
            ("=山田^太郎", "山田 太郎"),
            ("山田^太郎", "山田 太郎"),
            ("Merrowdene^Iolo=Merrowdene^Iolo", "Iolo Merrowdene"),
            (" Amber Vantongeren ", "Amber Vantongeren"),
            ("Dr. A. Vantongeren", "Dr. A. Vantongeren"),
        ] {
            assert_eq!(written_name(sent), written, "{sent}");
        }
    }

    proptest! {
        /// No caret is left, nothing else is lost.
        #[test]
        fn no_caret_is_left(name in "[A-Za-z^= ]{0,40}") {
            let written = written_name(&name);
            prop_assert!(!written.contains('^'), "{written}");
            for word in name.splitn(3, '=').flat_map(|group| group.split(['^', ' ', '='])) {
                prop_assert!(written.contains(word), "{written} without {word}");
            }
        }
    }
}
