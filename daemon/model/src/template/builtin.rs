//! The files of `sr-templates/`, compiled in.

/// The shared vocabulary: file name and text.
pub const VOCABULARY: (&str, &str) = (
    "sr-templates/vocabulary.toml",
    include_str!("../../../../sr-templates/vocabulary.toml"),
);

/// The built-in templates: file name and text.
pub const TEMPLATES: [(&str, &str); 4] = [
    (
        "sr-templates/tid1500.toml",
        include_str!("../../../../sr-templates/tid1500.toml"),
    ),
    (
        "sr-templates/sections-by-side.toml",
        include_str!("../../../../sr-templates/sections-by-side.toml"),
    ),
    (
        "sr-templates/site-on-number.toml",
        include_str!("../../../../sr-templates/site-on-number.toml"),
    ),
    (
        "sr-templates/coded-values.toml",
        include_str!("../../../../sr-templates/coded-values.toml"),
    ),
];
