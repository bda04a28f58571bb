//! Pages of answers of an archive that says what it likes: it ends, and what is whole was all answered.

#![no_main]

use libfuzzer_sys::fuzz_target;
use sheathline::backfill::found::page;
use sheathline::backfill::pages::{Next, Pages};

fuzz_target!(|input: (u8, u8, Vec<(Vec<Option<u8>>, bool)>, &[u8])| {
    let (limit, answers_max, answers, body) = input;
    if let Ok(found) = page(body) {
        for one in found {
            let _ = (one.name("0020000D"), one.texts("00080061"));
        }
    }
    let mut pages = Pages::new(usize::from(limit), usize::from(answers_max));
    let (mut new, mut nameless) = (0, 0);
    for (answer, is_warned) in &answers {
        let names: Vec<Option<String>> =
            answer.iter().map(|name| name.map(|name| name.to_string())).collect();
        let (places, next) = pages.take(&names, *is_warned);
        new += places.len();
        nameless += names.iter().filter(|name| name.is_none()).count();
        match next {
            Next::From(_) => assert!(!names.is_empty()),
            Next::Whole => {
                let mut all: Vec<u8> = answers.iter().flat_map(|(page, _)| page).copied().flatten().collect();
                all.sort_unstable();
                all.dedup();
                assert!(new <= all.len() && nameless == 0 && !is_warned);
                return;
            }
            Next::CutOff(_) | Next::Hopeless(_) => return,
        }
    }
});
