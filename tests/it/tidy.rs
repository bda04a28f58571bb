//! The rules of the code that no compiler checks.

use super::harness::fixture;
use std::fs;
use std::path::{Path, PathBuf};

pub(super) fn root() -> PathBuf {
    fixture("..").canonicalize().expect("the repository")
}

/// Files below a folder with one of the endings, build output and hidden folders left out.
pub(super) fn files(folder: &Path, endings: &[&str]) -> Vec<PathBuf> {
    let mut found = Vec::new();
    let mut folders = vec![folder.to_owned()];
    while let Some(folder) = folders.pop() {
        for entry in fs::read_dir(&folder).expect("readable") {
            let path = entry.expect("readable").path();
            let name = path
                .file_name()
                .unwrap_or_default()
                .to_string_lossy()
                .into_owned();
            if path.is_dir() && name != "target" && !name.starts_with('.') {
                folders.push(path);
            } else if endings.iter().any(|ending| name.ends_with(ending)) {
                found.push(path);
            }
        }
    }
    found.sort();
    found
}

/// Relative links in the documents lead somewhere.
#[test]
fn links_in_documents_lead_somewhere() {
    let mut links = 0;
    for document in files(&root(), &[".md"]) {
        let text = fs::read_to_string(&document).expect("readable");
        for part in text.split("](").skip(1) {
            let Some(target) = part.split([')', '#']).next() else {
                continue;
            };
            if target.is_empty() || target.contains("://") {
                continue;
            }
            let path = document.parent().expect("a folder").join(target);
            assert!(path.exists(), "{} links to {target}", document.display());
            links += 1;
        }
    }
    assert!(links > 5, "{links} links");
}

/// Every test file is in the list of modules, or it would never run.
#[test]
fn no_test_file_is_forgotten() {
    let main = fs::read_to_string(root().join("tests/it/main.rs")).expect("readable");
    for path in files(&root().join("tests/it"), &[".rs"]) {
        let name = path
            .file_stem()
            .expect("a name")
            .to_string_lossy()
            .into_owned();
        let parent = path.parent().and_then(Path::file_name).expect("a folder");
        if parent == "it" && name != "main" {
            assert!(
                main.contains(&format!("mod {name};")),
                "{name} is not in main.rs"
            );
        }
    }
}

/// A cell of a table is read at a glance, so it holds 200 characters at most. Pages that the program
/// writes quote its sentences whole.
#[test]
fn cells_of_tables_are_short() {
    let written = [
        "codes.md",
        "tables.md",
        "conformance.md",
        "end.md",
        "commands.md",
    ];
    let mut cells = 0;
    for document in files(&root(), &[".md"]) {
        let name = document.file_name().expect("a name").to_string_lossy();
        if written.contains(&name.as_ref()) || document.starts_with(root().join("fixtures")) {
            continue;
        }
        let text = fs::read_to_string(&document).expect("readable");
        for line in text.lines().filter(|line| line.starts_with('|')) {
            for cell in line.replace("\\|", "/").split('|') {
                let shown = shown(cell);
                let length = shown.chars().count();
                assert!(length <= 200, "{}: {length}: {shown}", document.display());
                cells += 1;
            }
        }
    }
    assert!(cells > 500, "{cells} cells");
}

/// Text without the targets of its links.
fn shown(text: &str) -> String {
    let mut parts = text.trim().split("](");
    let first = parts.next().unwrap_or_default().to_owned();
    parts.fold(first, |shown, part| {
        shown + part.split_once(')').map_or("", |(_, rest)| rest)
    })
}

/// The first page is read in one go.
#[test]
fn the_readme_is_short() {
    let readme = fs::read_to_string(root().join("README.md")).expect("readable");
    assert!(readme.len() < 7500, "{} bytes", readme.len());
}
