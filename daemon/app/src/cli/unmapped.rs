//! `unmapped`: codes and labels that stand in the way of a value and that nobody explains, with what a
//! person needs to explain them. It proposes no meaning; `template draft` does.

use super::args::UnmappedArgs;
use super::template::draft::{Listed, note};
use super::{Failure, context, print};
use crate::trial::unexplained::of_store;
use sheathline_model::draft::{Kind, draft};
use sheathline_model::template::Templates;
use std::cmp::Reverse;

const HEAD: &str = "\
# Codes that nobody explains. What a code means only somebody who knows the scanner can say: compare
# the values with its screen, right and left apart. `sheathline template draft` proposes what each
# clearly says, `template confirm` asks for each and writes the dictionary. By hand: write it into
# `says`; `template check` refuses what says nothing.
";

/// `unmapped`, over the whole store, commonest first.
pub(super) fn unmapped(args: &UnmappedArgs) -> Result<(), Failure> {
    let config = context::config(&args.config.config)?;
    let told = of_store(&context::guest(&config)?)?;
    let builtin = Templates::builtin().map_err(|mistakes| context::all(&mistakes))?;
    let mut rows = draft(&told.facts, builtin.vocabulary().names()).rows;
    // Words are meanings of codes that are listed themselves, unless they are texts.
    rows.retain(|row| !matches!(row.kind, Kind::Word { .. }) || row.is_text());
    // Of codes met as often, by what they are called.
    rows.sort_by_cached_key(|row| (Reverse((row.reports, row.times)), row.kind.clone()));
    if !args.json && !rows.is_empty() {
        print::lines(HEAD);
    }
    for row in &rows {
        if args.json {
            print::json(&Listed::of(row))?;
        } else {
            print::lines(row.to_fill_in());
        }
    }
    note(&told);
    if rows.is_empty() && told.before == 0 && told.unread > 0 {
        print::note(format_args!(
            "{} reports have values that were left unread though each code is explained: `read` tells of \
             each why",
            told.unread
        ));
    }
    if rows.is_empty() && told.before == 0 && told.unread == 0 && !args.json {
        print::line("every code that looks like a sheath measurement is mapped");
    }
    Ok(())
}
