//! Senders that should have been heard by now.

use super::{Need, time};
use crate::config::Config;
use crate::health::needs::Needed;
use chrono::{DateTime, TimeDelta, Utc};
use sheathline_model::domain::Source;
use sheathline_store::heard::Heard;

/// What is needed of senders that were silent for longer than the configuration allows, and of those that
/// were never heard. What is received is heard once it was read.
pub(super) fn needs(config: &Config, heard: &[Heard], now: DateTime<Utc>) -> Vec<Need> {
    let senders = config.dicom.sender.iter().filter_map(|sender| {
        let days = sender.silent_after_days?;
        let source = Source::Dicom(sender.ae_title.clone()).to_string();
        let last = heard.iter().find(|one| one.source == source);
        let last = last.map(|one| one.last);
        let is_silent = last.is_none_or(|last| now - last > TimeDelta::days(days.into()));
        is_silent.then(|| {
            let title = &sender.ae_title;
            let what = match last {
                Some(_) => format!(
                    "{title} sent nothing since {}; silent_after_days is {days}",
                    time(last)
                ),
                None => format!("{title} was never heard; silent_after_days is {days}"),
            };
            Need::of(Needed::SenderSilent, what)
        })
    });
    senders.collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_sender_is_silent_only_after_its_days() {
        let config = Config::from_text(
            "site.toml",
            "[[receive.dicom.sender]]\nae_title = \"CART1\"\nsilent_after_days = 3\n\
             [[receive.dicom.sender]]\nae_title = \"CART2\"\n\
             [[receive.dicom.sender]]\nae_title = \"CART3\"\nsilent_after_days = 3\n",
        )
        .expect("a configuration");
        let last: DateTime<Utc> = "2026-11-10T12:00:00Z".parse().expect("a time");
        let of = |title: &str| Heard {
            source: format!("dicom:{title}"),
            first: last,
            last,
        };
        let heard = [of("CART1"), of("CART2")];
        let told = |now: &str| {
            let all = needs(&config, &heard, now.parse().expect("a time"));
            all.into_iter().map(|one| one.what).collect::<Vec<_>>()
        };
        let never = "CART3 was never heard; silent_after_days is 3";
        assert_eq!(told("2026-11-13T12:00:00Z"), [never]);
        assert_eq!(
            told("2026-11-13T12:00:01Z"),
            [
                "CART1 sent nothing since 2026-11-10T12:00:00Z; silent_after_days is 3",
                never
            ]
        );
    }
}
