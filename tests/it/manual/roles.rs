//! The page of roles shows each of them.

use super::super::tidy::root;
use super::page;
use std::fs;

/// Every PNG begins so: signature, length and name of its header (PNG specification, W3C, third edition, 2025,
/// 5.2 and 11.2.1).
const BEGINS: &[u8] = b"\x89PNG\r\n\x1a\n\0\0\0\x0dIHDR";

/// Width and height of a picture, and its bytes.
fn size(path: &str) -> Result<(u32, u32, usize), String> {
    let bytes =
        fs::read(root().join("daemon/docs").join(path)).map_err(|error| error.to_string())?;
    let header = bytes.strip_prefix(BEGINS).ok_or("is no PNG")?;
    let number = |from: usize| {
        let four = header.get(from..from + 4).ok_or("ends too early")?;
        Ok::<_, String>(four.iter().fold(0, |sum, byte| sum << 8 | u32::from(*byte)))
    };
    Ok((number(0)?, number(4)?, bytes.len()))
}

#[test]
fn each_role_has_a_picture_that_can_be_looked_at() {
    let page = page("roles.md");
    let sections: Vec<&str> = page.split("\n## ").skip(1).collect();
    let roles = [
        "Reader",
        "Measurer",
        "Clinician",
        "Lead",
        "Operator of the service",
        "Auditor",
    ];
    for role in roles {
        let section = sections.iter().find(|one| one.lines().next() == Some(role));
        let section = section.unwrap_or_else(|| panic!("no section for {role}"));
        let (words, rest) = section
            .split_once("![")
            .and_then(|(_, picture)| picture.split_once("]("))
            .unwrap_or_else(|| panic!("no picture of {role}"));
        assert!(
            words.len() >= 20,
            "{role}: {words:?} tells nothing to whoever cannot see it"
        );
        let path = rest.split(')').next().unwrap_or_default();
        let (width, height, bytes) = size(path).unwrap_or_else(|why| panic!("{path}: {why}"));
        // As a desk shows it: legible, and no more to load than a page is worth.
        assert!(
            width == 1280 && (600..=1200).contains(&height),
            "{path}: {width} x {height}"
        );
        assert!((10_000..=200_000).contains(&bytes), "{path}: {bytes} bytes");
    }
    // Every picture of a role is one that this page shows.
    let folder = fs::read_dir(root().join("daemon/docs/pictures")).unwrap();
    for file in folder {
        let name = file.unwrap().file_name().into_string().unwrap();
        assert!(
            !name.starts_with("role-") || page.contains(&format!("(pictures/{name})")),
            "nothing shows {name}"
        );
    }
}
