use super::*;
use crate::assess::Parameters;
use crate::config::Config;

#[test]
fn the_written_table_is_a_configuration_with_the_proposed_values() {
    let now = Parameters::default();
    let found = department::calibrate(&[], &now).unwrap();
    let text = table(&found);
    let config = Config::from_text("proposal.toml", &text).unwrap();
    assert_eq!(config.baseline, found.proposed(&now));
    // Nothing was seen, so nothing changes.
    assert_eq!(config.baseline, now);
}
