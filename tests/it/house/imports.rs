//! What a file imports: every path in it, tests left out.

use proc_macro2::{TokenStream, TokenTree};
use std::collections::BTreeSet;
use syn::visit::{self, Visit};
use syn::{Attribute, Expr, Item, ItemMod, Lit, Macro, Meta, UseTree};

/// Paths as they stand, from `crate`, `super`, `self`, or `std` on; each with the modules of the file
/// that it stands in.
#[derive(Default)]
pub(super) struct Imports {
    inside: Vec<String>,
    pub(super) paths: BTreeSet<(Vec<String>, Vec<String>)>,
}

impl Imports {
    pub(super) fn of(file: &syn::File) -> Imports {
        let mut imports = Imports::default();
        if !is_test(&file.attrs) {
            imports.visit_file(file);
        }
        imports
    }

    fn add(&mut self, path: Vec<String>) {
        self.paths.insert((self.inside.clone(), path));
    }

    fn add_tree(&mut self, tree: &UseTree, before: &[String]) {
        let with = |name: &dyn ToString| {
            let mut path = before.to_vec();
            path.push(name.to_string());
            path
        };
        match tree {
            UseTree::Path(path) => self.add_tree(&path.tree, &with(&path.ident)),
            UseTree::Name(name) => self.add(with(&name.ident)),
            UseTree::Rename(rename) => self.add(with(&rename.ident)),
            UseTree::Glob(_) => self.add(with(&"*")),
            UseTree::Group(group) => {
                for one in &group.items {
                    self.add_tree(one, before);
                }
            }
        }
    }

    /// Paths among the tokens of a macro, which nobody parses.
    fn add_tokens(&mut self, tokens: TokenStream) {
        let mut path: Vec<String> = Vec::new();
        let mut colons = 0;
        for token in tokens {
            match token {
                TokenTree::Ident(name) => {
                    if colons != 2 && !path.is_empty() {
                        self.add(std::mem::take(&mut path));
                    }
                    path.push(name.to_string());
                    colons = 0;
                }
                TokenTree::Punct(mark) if mark.as_char() == ':' => colons += 1,
                TokenTree::Group(group) => {
                    self.add(std::mem::take(&mut path));
                    colons = 0;
                    self.add_tokens(group.stream());
                }
                _ => {
                    self.add(std::mem::take(&mut path));
                    colons = 0;
                }
            }
        }
        self.add(path);
    }
}

impl<'a> Visit<'a> for Imports {
    fn visit_item(&mut self, item: &'a Item) {
        let attributes = match item {
            Item::Const(one) => &one.attrs,
            Item::Enum(one) => &one.attrs,
            Item::Fn(one) => &one.attrs,
            Item::Impl(one) => &one.attrs,
            Item::Macro(one) => &one.attrs,
            Item::Mod(one) => &one.attrs,
            Item::Static(one) => &one.attrs,
            Item::Struct(one) => &one.attrs,
            Item::Trait(one) => &one.attrs,
            Item::Type(one) => &one.attrs,
            Item::Use(one) => &one.attrs,
            _ => return visit::visit_item(self, item),
        };
        if !is_test(attributes) {
            visit::visit_item(self, item);
        }
    }

    fn visit_item_mod(&mut self, module: &'a ItemMod) {
        self.inside.push(module.ident.to_string());
        visit::visit_item_mod(self, module);
        self.inside.pop();
    }

    fn visit_item_use(&mut self, item: &'a syn::ItemUse) {
        self.add_tree(&item.tree, &[]);
    }

    fn visit_path(&mut self, path: &'a syn::Path) {
        let names = path.segments.iter().map(|one| one.ident.to_string());
        self.add(names.collect());
        visit::visit_path(self, path);
    }

    fn visit_macro(&mut self, macro_: &'a Macro) {
        visit::visit_macro(self, macro_);
        self.add_tokens(macro_.tokens.clone());
    }

    /// `#[serde(with = "crate::…")]` names a path in a string.
    fn visit_attribute(&mut self, attribute: &'a Attribute) {
        if let Meta::List(list) = &attribute.meta
            && !list.path.is_ident("doc")
        {
            for token in list.tokens.clone() {
                if let TokenTree::Literal(literal) = token
                    && let Ok(Expr::Lit(literal)) = syn::parse_str::<Expr>(&literal.to_string())
                    && let Lit::Str(text) = literal.lit
                {
                    self.add(text.value().split("::").map(str::to_owned).collect());
                }
            }
        }
    }
}

/// Whether only tests are built with it.
fn is_test(attributes: &[Attribute]) -> bool {
    attributes.iter().any(|one| {
        let Meta::List(list) = &one.meta else {
            return false;
        };
        let tokens = list.tokens.to_string();
        list.path.is_ident("cfg") && (tokens == "test" || tokens.starts_with("any (test"))
    })
}

/// Files that are declared as modules for tests alone.
pub(super) fn test_modules(file: &syn::File) -> Vec<String> {
    let items = file.items.iter();
    items
        .filter_map(|item| match item {
            Item::Mod(one) if is_test(&one.attrs) && one.content.is_none() => {
                Some(one.ident.to_string())
            }
            _ => None,
        })
        .collect()
}

/// What a file uses of the standard library, without the name of the library: `fs::File`, `fmt`. Modules
/// that are imported by name count with what is taken of them.
pub(super) fn standard(file: &syn::File) -> BTreeSet<String> {
    let imports = Imports::of(file);
    let is_std = |name: &str| ["std", "core", "alloc"].contains(&name);
    let mut found = BTreeSet::new();
    let mut modules = BTreeSet::new();
    for (_, path) in &imports.paths {
        if let [library, rest @ ..] = path.as_slice()
            && is_std(library)
            && !rest.is_empty()
        {
            if let [module] = rest {
                modules.insert(module.clone());
            }
            if let [module, name, ..] = rest {
                if name == "self" {
                    modules.insert(module.clone());
                }
                found.insert(format!("{module}::{name}"));
            } else {
                found.insert(rest.join("::"));
            }
        }
    }
    for (_, path) in &imports.paths {
        if let [module, name, ..] = path.as_slice()
            && modules.contains(module)
        {
            found.insert(format!("{module}::{name}"));
        }
    }
    // A module alone says nothing yet, where its parts are looked at.
    found.remove("io");
    found.remove("sync");
    found
}
