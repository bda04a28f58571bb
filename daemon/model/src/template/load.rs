//! Reads template files and puts everything together.

use super::builtin;
use super::desk::Desk;
use super::dictionary::{self, Proposals, measures};
use super::fit::Fits;
use super::label::Listed;
use super::vocabulary::{Vocabulary, folded};
use super::words::Stand;
use super::{Template, Templates};
use crate::domain::Mistake;
use sha2::{Digest, Sha256};
use std::collections::BTreeMap;
use std::fmt::Write;
use std::ops::Range;
use toml::de::DeTable;

impl Templates {
    /// The built-in templates and vocabulary alone.
    ///
    /// # Errors
    ///
    /// Every mistake in the files; none in a released program, which a test proves.
    pub fn builtin() -> Result<Templates, Vec<Mistake>> {
        Templates::load(&[], &[])
    }

    /// The built-in templates and vocabulary with a site's own.
    ///
    /// `extra` and `dictionaries` are file name and text. An extra template with the id of another
    /// replaces it. A dictionary's term replaces the vocabulary's for the same code.
    ///
    /// # Errors
    ///
    /// Every mistake of every file at once; a dictionary with a proposal is one.
    pub fn load(
        extra: &[(String, String)],
        dictionaries: &[(String, String)],
    ) -> Result<Templates, Vec<Mistake>> {
        Templates::load_with(extra, dictionaries, Proposals::Refused)
    }

    /// The same, and what is done with the proposals of a draft.
    ///
    /// # Errors
    ///
    /// As [`Templates::load`].
    pub fn load_with(
        extra: &[(String, String)],
        dictionaries: &[(String, String)],
        proposals: Proposals,
    ) -> Result<Templates, Vec<Mistake>> {
        let mut mistakes = Vec::new();
        let mut print = Fingerprint::default();

        let (name, text) = builtin::VOCABULARY;
        print.add(name, text);
        let base = dictionary::read(name, text, Proposals::Refused);
        mistakes.extend(base.mistakes);
        let mut vocabulary = Vocabulary::default();
        for (key, (says, _)) in base.terms {
            vocabulary.set(key, says);
        }
        base.names
            .into_iter()
            .for_each(|name| name.put(&mut vocabulary));

        let mut site_measures = base.measures;
        let mut told: BTreeMap<_, (&str, _)> = BTreeMap::new();
        let mut labelled = BTreeMap::new();
        for (name, text) in dictionaries {
            print.add(name, text);
            let site = dictionary::read(name, text, proposals);
            mistakes.extend(site.mistakes);
            site_measures.extend(site.measures);
            site.names
                .into_iter()
                .for_each(|name| name.put(&mut vocabulary));
            for (meaning, says) in &site.meanings {
                if let Some(what) = vocabulary.names().against(meaning.get_ref(), says) {
                    let place = Mistake::at(name, text, meaning.span(), what);
                    mistakes.push(place.instead("correct the one that is wrong"));
                }
            }
            for (word, (side, span)) in site.words {
                if vocabulary.word(&word).is_some_and(|other| other != side) {
                    let what = format!("`{word}` says another side in another dictionary");
                    mistakes.push(Mistake::at(name, text, span, what).instead("keep one of them"));
                }
                vocabulary.set_word(word, side);
            }
            for listed in site.labels {
                if let Err(what) = put_label(&mut vocabulary, &mut labelled, name, &listed) {
                    let place = Mistake::at(name, text, listed.text.span(), what);
                    mistakes
                        .push(place.instead("keep one of them, or correct the one that is wrong"));
                }
            }
            if let Some((stand, span)) = site.stand {
                let other = vocabulary.labels().stand();
                if other.is_some_and(|other| other != stand) {
                    let what = "labels stand otherwise in another dictionary";
                    mistakes.push(Mistake::at(name, text, span, what).instead("keep one of them"));
                }
                vocabulary.labels_mut().set_stand(stand);
            }
            for (key, (says, span)) in site.terms {
                match told.get(&key) {
                    Some((first, other)) if *other != says => mistakes.push(
                        Mistake::at(
                            name,
                            text,
                            span,
                            format!(
                                "{} {} says something else in {first}",
                                key.value, key.scheme
                            ),
                        )
                        .instead("keep one of them"),
                    ),
                    _ => {
                        told.insert(key.clone(), (name, says.clone()));
                        vocabulary.set(key, says);
                    }
                }
            }
        }

        let own = builtin::TEMPLATES
            .iter()
            .map(|&(name, text)| (name, text, false));
        let extra = extra
            .iter()
            .map(|(name, text)| (name.as_str(), text.as_str(), true));
        let mut templates: BTreeMap<String, (Template, bool, &str)> = BTreeMap::new();
        for (name, text, is_extra) in own.chain(extra) {
            print.add(name, text);
            let (template, id_span, wrong) = read(name, text);
            mistakes.extend(wrong);
            let Some(template) = template else { continue };
            match templates.get(&template.id) {
                Some((_, true, first)) => mistakes.push(
                    Mistake::at(
                        name,
                        text,
                        id_span,
                        format!("the id `{}` is also in {first}", template.id),
                    )
                    .instead("give it another id"),
                ),
                _ => {
                    templates.insert(template.id.clone(), (template, is_extra, name));
                }
            }
        }

        if mistakes.is_empty() {
            Ok(Templates {
                vocabulary,
                site_measures,
                templates: templates.into_values().map(|entry| entry.0).collect(),
                fingerprint: print.finish(),
            })
        } else {
            Err(mistakes)
        }
    }
}

/// Makes a label known, or says what it contradicts. `labelled` names the file of each.
fn put_label<'a>(
    vocabulary: &mut Vocabulary,
    labelled: &mut BTreeMap<String, &'a str>,
    file: &'a str,
    listed: &Listed,
) -> Result<(), String> {
    let (text, says) = (listed.text.get_ref(), &listed.says);
    if vocabulary.names().against(text, says).is_some() {
        return Err(format!("`{text}` names another side than `eye`"));
    }
    let word = vocabulary.word(text).zip(says.side);
    if word.is_some_and(|(word, side)| word != side) {
        return Err(format!(
            "`{text}` is a [[word]] for another side than `eye`"
        ));
    }
    if let Some(first) = labelled.get(&folded(text))
        && vocabulary.label(text) != Some(says)
    {
        return Err(format!("`{text}` says something else in {first}"));
    }
    labelled.insert(folded(text), file);
    vocabulary.labels_mut().set(text, says.clone());
    Ok(())
}

/// Reads one template: the template unless something is wrong, where its id stands, the mistakes.
fn read(file: &str, text: &str) -> (Option<Template>, Range<usize>, Vec<Mistake>) {
    let (mut desk, root) = Desk::open(file, text);
    let root = root.get_ref();
    if !desk.mistakes.is_empty() {
        return (None, 0..0, desk.mistakes);
    }
    desk.only(
        root,
        &["id", "title", "fixtures", "fits", "where", "measure"],
    );
    let id = desk.required(root, "id", 0..0);
    let title = desk.required(root, "title", 0..0);
    let fixtures = desk.texts(root, "fixtures");
    let fits = fits(&mut desk, root);
    let (laterality, plane) = places(&mut desk, root);
    let measures = measures(&mut desk, root);
    if measures.is_empty() && desk.mistakes.is_empty() {
        desk.wrong(
            0..0,
            "the template has no [[measure]]: it would read nothing",
        );
    }
    if let Some(id) = &id {
        let plain = |c: char| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-';
        if !id.get_ref().chars().all(plain) {
            let what = format!("`{}` cannot be an id", id.get_ref());
            desk.wrong_instead(
                id.span(),
                what,
                "use small letters, digits and -".to_owned(),
            );
        }
    }
    let span = id.as_ref().map_or(0..0, toml::Spanned::span);
    let template = id.zip(title).map(|(id, title)| Template {
        id: id.into_inner(),
        title: title.into_inner(),
        hash: hex(&Sha256::digest(text.as_bytes()))
            .chars()
            .take(12)
            .collect(),
        fixtures: fixtures
            .into_iter()
            .map(toml::Spanned::into_inner)
            .collect(),
        fits,
        laterality,
        plane,
        measures,
    });
    let template = template.filter(|_| desk.mistakes.is_empty());
    (template, span, desk.mistakes)
}

fn fits(desk: &mut Desk<'_>, root: &DeTable<'_>) -> Fits {
    let Some((_, table)) = desk.table(root, "fits") else {
        return Fits::default();
    };
    desk.only(
        table,
        &[
            "root_template",
            "root",
            "containers",
            "section_per_side",
            "finding_site",
        ],
    );
    let plain =
        |codes: Vec<toml::Spanned<_>>| codes.into_iter().map(toml::Spanned::into_inner).collect();
    Fits {
        root_template: desk
            .texts(table, "root_template")
            .into_iter()
            .map(toml::Spanned::into_inner)
            .collect(),
        root: plain(desk.codes(table, "root")),
        containers: plain(desk.codes(table, "containers")),
        section_per_side: desk.flag(table, "section_per_side"),
        finding_site: desk.flag(table, "finding_site"),
    }
}

fn places(desk: &mut Desk<'_>, root: &DeTable<'_>) -> (Vec<Stand>, Vec<Stand>) {
    let mut read = |key: &str| match desk.table(root, "where") {
        Some((_, table)) if table.contains_key(key) => desk.words(table, key),
        _ => Stand::ALL.to_vec(),
    };
    let places = (read("laterality"), read("plane"));
    if let Some(table) = root
        .get("where")
        .and_then(|value| value.get_ref().as_table())
    {
        desk.only(table, &["laterality", "plane"]);
    }
    places
}

/// Hash over names and texts, each with its length so that no two lists of files run together.
#[derive(Default)]
struct Fingerprint(Sha256);

impl Fingerprint {
    fn add(&mut self, name: &str, text: &str) {
        for part in [name, text] {
            self.0.update((part.len() as u64).to_be_bytes());
            self.0.update(part.as_bytes());
        }
    }

    fn finish(self) -> String {
        hex(&self.0.finalize())
    }
}

fn hex(bytes: &[u8]) -> String {
    bytes.iter().fold(String::new(), |mut text, byte| {
        // Writing to a String cannot fail.
        let _ = write!(text, "{byte:02x}");
        text
    })
}
