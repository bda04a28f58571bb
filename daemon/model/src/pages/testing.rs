//! What tests of several pages ask.

/// A text that must not become markup, and what would show that it did.
pub(super) fn hostile() -> (&'static str, &'static str) {
    ("\"><script>alert(1)</script>", "<script>alert")
}

/// Every field that somebody fills in has a name that a reader of the screen hears: a label, or one of
/// its own (WCAG 2.2, 1.3.1 and 4.1.2), and no id stands twice.
pub(super) fn fields_are_labelled(page: &str) {
    let mut ids: Vec<&str> = page
        .split(" id=\"")
        .skip(1)
        .map(|rest| rest.split('"').next().unwrap())
        .collect();
    for start in ["<input ", "<select ", "<textarea "] {
        for tag in page.split(start).skip(1) {
            let tag = tag.split('>').next().unwrap();
            if tag.contains("type=\"hidden\"") || tag.contains("aria-label=") {
                continue;
            }
            let wrapped = tag.contains("type=\"checkbox\"");
            let labelled = ids.iter().any(|id| {
                tag.contains(&format!("id=\"{id}\"")) && page.contains(&format!("for=\"{id}\""))
            });
            assert!(wrapped || labelled, "no label: {tag}");
        }
    }
    let all = ids.len();
    ids.sort_unstable();
    ids.dedup();
    assert_eq!(ids.len(), all, "an id stands twice");
}
