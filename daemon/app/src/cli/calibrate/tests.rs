use super::*;
use crate::config::{Config, ReaderSettings};
use sheathline_model::assess::{KnownOffset, Parameters};

#[test]
fn the_written_table_is_a_configuration_with_the_proposed_values() {
    let now = Parameters::default();
    let found = department::calibrate(&[], &now).unwrap();
    let text = proposal::text(&found, &ReaderSettings::default());
    let config = Config::from_text("proposal.toml", &text).unwrap();
    assert_eq!(config.baseline, found.proposed(&now));
    // Nothing was seen, so nothing changes.
    assert_eq!(config.baseline, now);
    assert_eq!(config.readers, ReaderSettings::default());
}

/// The department of five, one of whom reads 0.3 mm high: what is written is what the comparison takes,
/// with spellings that the configuration joined already and whom it knows without new data.
#[test]
fn the_written_offsets_are_taken_and_what_was_written_before_stays() {
    let patients = department::invented::department(7, 120, 4, 1);
    let found = department::calibrate(&patients, &Parameters::default()).unwrap();
    let before = Config::from_text(
        "before.toml",
        "[[baseline.operator]]\nname = \"Operator 0\"\nalso = [\"OP0\"]\noffset = 0.1\nstandard_error = 0.1\n\
         [[baseline.operator]]\nname = \"Gone\"\noffset = -0.2\nstandard_error = 0.07\nsigma_w = 0.3\n\
         [[baseline.device]]\nname = \"M|X|9\"\nalso = [\"M|X|\"]\n",
    )
    .unwrap();
    let text = proposal::text(&found, &before.readers);
    let config = Config::from_text("proposal.toml", &text).unwrap();
    let roster = config.readers.roster();
    let of = |name: &str| {
        roster
            .operators
            .iter()
            .find(|one| one.name == name)
            .unwrap()
    };
    assert_eq!(roster.operators.len(), 6);
    let high = of("Operator 0");
    assert_eq!(high.also, ["OP0"]);
    let offset = high.offset.unwrap();
    // Against the mean of the five: 0.3 less a fifth of it, drawn a little towards nought.
    assert!((0.18..=0.30).contains(&offset.offset_mm), "{offset:?}");
    assert!(
        (0.005..0.1).contains(&offset.standard_error_mm),
        "{offset:?}"
    );
    assert_eq!(
        of("Gone").offset,
        Some(KnownOffset {
            offset_mm: -0.2,
            standard_error_mm: 0.07
        })
    );
    assert_eq!(of("Gone").sigma_w, Some(0.3));
    assert_eq!(roster.devices.len(), 1);
}
