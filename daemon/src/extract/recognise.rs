//! Which quantity a number is, or why nobody can tell.

use super::context::Chain;
use crate::domain::{Quantity, Remark};
use crate::template::measure::When;
use crate::template::words::{Named, Site, Structure};
use crate::template::{Explained, Measure, Template};

/// The outcome.
pub(super) enum Recognised {
    /// One of our quantities.
    Ours(Quantity),
    /// It may be a sheath and may be something else: a blocking remark, place still to be added.
    Doubt(Remark),
    /// Known, and none of our quantities.
    NotOurs,
    /// Not understood.
    Unknown,
}

/// Tells which quantity a number is.
pub(super) fn recognise(
    own: &Explained,
    chain: &Chain<'_>,
    template: &Template,
    site_measures: &[Measure],
) -> Recognised {
    let parts = chain.structures();
    match own.says.quantity {
        Some(Named::NotOurs) => return Recognised::NotOurs,
        Some(Named::Ours(_)) if parts.len() > 1 => return doubt_of_parts(),
        Some(Named::Ours(quantity)) => {
            let mut rules = site_measures.iter().chain(&template.measures);
            let taken = rules.any(|rule| rule.quantity == quantity && rule.when == When::Named);
            return match (taken, quantity) {
                (true, _) => Recognised::Ours(quantity),
                (false, Quantity::SheathDiameter) => not_taken(template),
                (false, _) => Recognised::Unknown,
            };
        }
        None => {}
    }
    let Some(word) = own.says.concept else {
        return Recognised::Unknown;
    };
    let part = match parts.as_slice() {
        [] => None,
        [one] => Some(*one),
        _ if word.may_be_a_width() => return doubt_of_parts(),
        _ => return Recognised::Unknown,
    };
    let sites = chain.sites();
    let by = |rules: &[Measure]| {
        let mut quantities: Vec<Quantity> = rules
            .iter()
            .filter(|rule| rule.describes(word, &sites, part))
            .map(|rule| rule.quantity)
            .collect();
        quantities.sort_unstable();
        quantities.dedup();
        quantities
    };
    let mut quantities = by(site_measures);
    if quantities.is_empty() {
        quantities = by(&template.measures);
    }
    match quantities.as_slice() {
        [one] => Recognised::Ours(*one),
        [] if !word.may_be_a_width() => Recognised::Unknown,
        [] if part == Some(Structure::Sheath) => not_taken(template),
        [] if part.is_none() && sites.contains(&Site::OpticNerve) => Recognised::Doubt(
            Remark::blocking(
                "sheath-or-nerve-unclear",
                "A width of the optic nerve; nothing says whether the sheath is in it.",
            )
            .act(
                "Have the sender add a modifier for the sheath, or add a [[measure]] to the site \
                 dictionary if this site always means the sheath.",
            ),
        ),
        [] => Recognised::Unknown,
        _ => Recognised::Doubt(
            Remark::blocking(
                "quantity-unclear",
                "Several [[measure]] rules take this number, each for another quantity.",
            )
            .act("Narrow the rules so that one is left."),
        ),
    }
}

fn doubt_of_parts() -> Recognised {
    Recognised::Doubt(
        Remark::blocking(
            "sheath-or-nerve-unclear",
            "The number and its modifiers name different parts, sheath and something else.",
        )
        .act("Correct the report at its source."),
    )
}

fn not_taken(template: &Template) -> Recognised {
    Recognised::Doubt(
        Remark::blocking(
            "sheath-value-not-taken",
            format!(
                "A width of the sheath, which the template {} has no rule for.",
                template.id
            ),
        )
        .act("Add a [[measure]] to the template or to the site dictionary."),
    )
}
