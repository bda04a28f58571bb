//! The rooms of a package, and which imports which.

use super::imports::{Imports, test_modules};
use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write;
use std::path::{Path, PathBuf};

/// Each room with those that it imports. A room is a file or folder directly below `src`.
pub(super) struct Rooms {
    pub(super) imports: BTreeMap<String, BTreeSet<String>>,
}

impl Rooms {
    /// Of the files of a package, each with its path below `src`; those of tests left out.
    pub(super) fn of(files: &[(PathBuf, String)]) -> syn::Result<Rooms> {
        let mut imports: BTreeMap<String, BTreeSet<String>> = BTreeMap::new();
        let names: BTreeSet<String> = files
            .iter()
            .filter_map(|(path, _)| module(path).first().cloned())
            .collect();
        for (path, text) in files {
            let at = module(path);
            let Some(room) = at.first() else { continue };
            let of_room = imports.entry(room.clone()).or_default();
            let file = syn::parse_file(text)?;
            for (inside, path) in Imports::of(&file).paths {
                let here: Vec<String> = at.iter().cloned().chain(inside).collect();
                if let Some(to) = target(&here, &path)
                    && to != *room
                    && names.contains(&to)
                {
                    of_room.insert(to);
                }
            }
        }
        Ok(Rooms { imports })
    }
}

/// The names of the modules on the way to a file.
fn module(path: &Path) -> Vec<String> {
    let names = path.with_extension("");
    let mut names: Vec<String> = names
        .iter()
        .map(|name| name.to_string_lossy().into_owned())
        .collect();
    let is_folder = |name: &String| ["mod", "lib", "main"].contains(&name.as_str());
    names.pop_if(|name| is_folder(name));
    names
}

/// The files without those that only tests are built with.
pub(super) fn without_tests(files: Vec<(PathBuf, String)>) -> syn::Result<Vec<(PathBuf, String)>> {
    let mut tests: BTreeSet<Vec<String>> = BTreeSet::new();
    for (path, text) in &files {
        let of_tests = test_modules(&syn::parse_file(text)?).into_iter();
        tests.extend(of_tests.map(|name| [module(path), vec![name]].concat()));
    }
    let is_test = |path: &Path| {
        let names = module(path);
        (1..=names.len()).any(|length| tests.contains(&names[..length]))
    };
    Ok(files
        .into_iter()
        .filter(|(path, _)| !is_test(path))
        .collect())
}

/// The room that a path leads to.
fn target(here: &[String], path: &[String]) -> Option<String> {
    let first = path.first()?;
    if first == "crate" {
        return path.get(1).cloned();
    }
    let ups = path.iter().take_while(|name| *name == "super").count();
    let left = here.len().checked_sub(ups)?;
    // Up to the root of the package, and down again.
    (ups > 0 && left == 0)
        .then(|| path.get(ups).cloned())
        .flatten()
}

/// A ring of rooms, if there is one: `a -> b -> a`.
pub(super) fn ring(rooms: &Rooms) -> Option<String> {
    let mut left = rooms.imports.clone();
    // What imports nothing that is left, and what nothing imports, is in no ring.
    loop {
        let before = left.len();
        let names: BTreeSet<String> = left.keys().cloned().collect();
        left.retain(|_, to| to.iter().any(|room| names.contains(room)));
        let imported: BTreeSet<String> = left.values().flatten().cloned().collect();
        left.retain(|room, _| imported.contains(room));
        if left.len() == before {
            break;
        }
    }
    let mut walk = vec![left.keys().next()?.clone()];
    loop {
        let last = walk.last()?;
        let next = left
            .get(last)?
            .iter()
            .find(|room| left.contains_key(*room))?
            .clone();
        let known = walk.iter().position(|room| *room == next);
        walk.push(next);
        if let Some(begin) = known {
            return Some(walk.split_off(begin).join(" -> "));
        }
    }
}

/// The rooms of all packages as a picture in the language of Graphviz, those that import at the top.
pub(super) fn picture(packages: &[(&str, Rooms)]) -> String {
    let mut text = String::from("digraph rooms {\n  node [shape=box, fontname=\"sans-serif\"];\n");
    for (package, rooms) in packages {
        let _ = writeln!(text, "  subgraph cluster_{package} {{ label=\"{package}\";");
        for room in rooms.imports.keys() {
            let _ = writeln!(text, "    \"{package}/{room}\" [label=\"{room}\"];");
        }
        text.push_str("  }\n");
        for (room, to) in &rooms.imports {
            for to in to {
                let _ = writeln!(text, "  \"{package}/{room}\" -> \"{package}/{to}\";");
            }
        }
    }
    text.push_str("}\n");
    text
}
