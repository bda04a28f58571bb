//! Reads template files and puts everything together.

use super::builtin;
use super::desk::Desk;
use super::dictionary::{Dictionary, Proposals, measures};
use super::fit::Fits;
use super::origins::Origins;
use super::pile::{File, Pile};
use super::senders::{SenderFiles, Senders};
use super::vocabulary::Vocabulary;
use super::words::Stand;
use super::{Template, Templates};
use crate::domain::Mistake;
use sha2::{Digest, Sha256};
use std::collections::BTreeMap;
use std::fmt::Write;
use std::ops::Range;
use toml::de::DeTable;

/// What templates are made of beside what is built in: file name and text of each.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Files {
    /// Further templates. One with the id of another replaces it.
    pub extra: Vec<(String, String)>,
    /// Dictionaries for everybody.
    pub dictionaries: Vec<(String, String)>,
    /// Dictionaries by sender.
    pub senders: Vec<SenderFiles>,
    /// What is done with what dictionaries only propose.
    pub proposals: Proposals,
}

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
    /// Every mistake of every file at once.
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
        Templates::of_files(&Files {
            extra: extra.to_vec(),
            dictionaries: dictionaries.to_vec(),
            senders: Vec::new(),
            proposals,
        })
    }

    /// The same with dictionaries by sender, whose terms replace those of the others.
    ///
    /// # Errors
    ///
    /// Every mistake of every file at once.
    pub fn of_files(files: &Files) -> Result<Templates, Vec<Mistake>> {
        let mut mistakes = Vec::new();
        let mut print = Fingerprint::default();

        let (name, text) = builtin::VOCABULARY;
        print.add(name, text);
        let base = File::read(name, text, Proposals::Refused);
        let mut pile = Pile::over(Vocabulary::default(), Origins::default());
        pile.lay(&base);
        let (vocabulary, _, mut of_all) = pile.into_parts();

        let mut pile = Pile::over(vocabulary, Origins::default());
        for (name, text) in &files.dictionaries {
            print.add(name, text);
            let file = File::read(name, text, files.proposals);
            mistakes.extend(pile.lay_checked(&file, text));
            mistakes.extend(file.sides_of_all(text, &base.dictionary));
        }
        let (vocabulary, origins, measures) = pile.into_parts();
        of_all.extend(measures);
        let senders = senders(
            files,
            (&vocabulary, &base.dictionary),
            &mut print,
            &mut mistakes,
        );
        mistakes.splice(0..0, base.dictionary.mistakes);

        let own = builtin::TEMPLATES
            .iter()
            .map(|&(name, text)| (name, text, false));
        let extra = files
            .extra
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
                site_measures: [Vec::new(), of_all],
                templates: templates.into_values().map(|entry| entry.0).collect(),
                fingerprint: print.finish(),
                origins,
                senders,
                disputes: Vec::new(),
            })
        } else {
            Err(mistakes)
        }
    }
}

/// Reads the dictionaries by sender. Those of one row hold together, so that they must agree; whether
/// those of two do shows with a report of both.
fn senders(
    files: &Files,
    (vocabulary, builtin): (&Vocabulary, &Dictionary),
    print: &mut Fingerprint,
    mistakes: &mut Vec<Mistake>,
) -> Senders {
    let mut read: Vec<File> = Vec::new();
    let mut numbers: BTreeMap<&(String, String), usize> = BTreeMap::new();
    let mut rows = Vec::new();
    for row in &files.senders {
        print.add("sender", &format!("{:?}", row.conditions));
        let mut pile = Pile::over(vocabulary.clone(), Origins::default());
        let mut of_row = Vec::new();
        for named in &row.dictionaries {
            let (name, text) = named;
            print.add(name, text);
            let number = *numbers.entry(named).or_insert_with(|| {
                read.push(File::read(name, text, files.proposals));
                read.len() - 1
            });
            of_row.push(number);
            if let Some(file) = read.get(number) {
                let mut told = pile.lay_checked(file, text);
                told.extend(file.sides_of_all(text, builtin));
                let new = told.into_iter().filter(|one| !mistakes.contains(one));
                let new: Vec<Mistake> = new.collect();
                mistakes.extend(new);
            }
        }
        if !of_row.is_empty() {
            rows.push((row.conditions.clone(), of_row));
        }
    }
    Senders::new(rows, read)
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
        hash: short_hash(text),
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

/// First 12 hexadecimal digits of the SHA-256 of a text.
pub(super) fn short_hash(text: &str) -> String {
    let digits = hex(&Sha256::digest(text.as_bytes()));
    digits.chars().take(12).collect()
}

fn hex(bytes: &[u8]) -> String {
    bytes.iter().fold(String::new(), |mut text, byte| {
        // Writing to a String cannot fail.
        let _ = write!(text, "{byte:02x}");
        text
    })
}
