//! Which quantity a number is, or why nobody can tell.

use super::context::Chain;
use crate::domain::{Quantity, Remark, RemarkCode};
use crate::template::measure::When;
use crate::template::words::{Named, Site, Structure};
use crate::template::{Explained, Measure, Template};

/// The outcome.
pub(super) enum Recognised<'r> {
    /// One of our quantities, by this rule.
    Ours(&'r Measure),
    /// It may be a sheath and may be something else: a blocking remark, place still to be added.
    Doubt(Remark),
    /// Known, and none of our quantities.
    NotOurs,
    /// Not understood.
    Unknown,
}

/// Tells which quantity a number is. Of several rules that agree the first is named.
pub(super) fn recognise<'r>(
    own: &Explained,
    chain: &Chain<'_>,
    template: &'r Template,
    site_measures: [&'r [Measure]; 2],
) -> Recognised<'r> {
    let parts = chain.structures();
    match own.says.quantity {
        Some(Named::NotOurs) => return Recognised::NotOurs,
        Some(Named::Ours(_)) if parts.len() > 1 => return doubt_of_parts(),
        Some(Named::Ours(quantity)) => {
            let rules = site_measures.into_iter().flatten();
            let mut rules = rules.chain(&template.measures);
            let taken = rules.find(|rule| rule.quantity == quantity && rule.when == When::Named);
            return match (taken, quantity) {
                (Some(rule), _) => Recognised::Ours(rule),
                (None, Quantity::SheathDiameter) => not_taken(template),
                (None, _) => Recognised::Unknown,
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
    let by = |rules: &'r [Measure]| {
        let mut taking: Vec<&Measure> = rules
            .iter()
            .filter(|rule| rule.describes(word, &sites, part))
            .collect();
        // A stable sort: of each quantity the first rule stays.
        taking.sort_by_key(|rule| rule.quantity);
        taking.dedup_by_key(|rule| rule.quantity);
        taking
    };
    let [of_sender, of_all] = site_measures;
    let mut in_order = [of_sender, of_all, &template.measures].into_iter().map(by);
    let taking = in_order.find(|taking| !taking.is_empty());
    let taking = taking.unwrap_or_default();
    match taking.as_slice() {
        [one] => Recognised::Ours(one),
        [] if !word.may_be_a_width() => Recognised::Unknown,
        [] if part == Some(Structure::Sheath) => not_taken(template),
        [] if part.is_none() && sites.contains(&Site::OpticNerve) => Recognised::Doubt(
            Remark::of(
                RemarkCode::SheathOrNerveUnclear,
                "A width of the optic nerve; nothing says whether the sheath is in it.",
            )
            .act(
                "Have the sender add a modifier for the sheath, or add a [[measure]] to the site \
                 dictionary if this site always means the sheath.",
            ),
        ),
        [] => Recognised::Unknown,
        _ => Recognised::Doubt(
            Remark::of(
                RemarkCode::QuantityUnclear,
                "Several [[measure]] rules take this number, each for another quantity.",
            )
            .act("Narrow the rules so that one is left."),
        ),
    }
}

fn doubt_of_parts() -> Recognised<'static> {
    Recognised::Doubt(
        Remark::of(
            RemarkCode::SheathOrNerveUnclear,
            "The number and its modifiers name different parts, sheath and something else.",
        )
        .act("Correct the report at its source."),
    )
}

fn not_taken(template: &Template) -> Recognised<'static> {
    Recognised::Doubt(
        Remark::of(
            RemarkCode::SheathValueNotTaken,
            format!(
                "A width of the sheath, which the template {} has no rule for.",
                template.id
            ),
        )
        .act("Add a [[measure]] to the template or to the site dictionary."),
    )
}
