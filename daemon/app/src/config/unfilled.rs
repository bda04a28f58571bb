//! Values that stand for others in other programs: nothing is filled in here, so `${ISSUER}` would be
//! an issuer of that name.

use super::keys::{self, Key, heading};
use super::raw::Raw;
use toml::Spanned;
use toml::de::DeValue;

/// How a place begins that a shell, or what writes configurations, would have filled.
const BEGINS: [&str; 3] = ["${", "{{", "$("];

/// A mistake for each text of a value that was to be filled and was not.
pub(super) fn check(raw: &mut Raw<'_>, key: &Key, value: &Spanned<DeValue<'_>>) {
    match value.get_ref() {
        DeValue::Array(entries) => entries.iter().for_each(|one| check(raw, key, one)),
        DeValue::String(said) => {
            let Some(begins) = BEGINS.into_iter().find(|begins| said.contains(begins)) else {
                return;
            };
            let (table, name) = (heading(key.table), key.name);
            let instead = if keys::rows(key.table).is_some() {
                "write the value itself".to_owned()
            } else {
                let variable = super::layers::variable(key);
                format!(
                    "write the value itself, or take {name} out and set the variable {variable}"
                )
            };
            raw.mistake(
                value.span(),
                format!("{table} {name} holds {begins}, and nothing is filled in here"),
                instead,
            );
        }
        _ => {}
    }
}

#[cfg(test)]
mod tests {
    use crate::config::Config;

    #[test]
    fn a_place_that_nobody_filled_is_a_mistake() {
        let told = |text: &str| {
            let mistakes = Config::from_text("site.toml", text)
                .err()
                .unwrap_or_default();
            mistakes.iter().map(ToString::to_string).collect::<Vec<_>>()
        };
        let said = told(
            "[receive.dicom]\ndefault_issuer = \"${ISSUER}\"\ncalling_allowed = [\"A\", \"$(B)\"]\n",
        );
        assert_eq!(said.len(), 2, "{said:?}");
        assert!(said[0].starts_with("site.toml:2:18: "), "{said:?}");
        assert!(said[0].contains("set the variable SHEATHLINE__RECEIVE__DICOM__DEFAULT_ISSUER"));
        assert!(said[1].starts_with("site.toml:3:25: "), "{said:?}");
        let row = "[[receive.dicom.sender]]\nae_title = \"A\"\ndefault_issuer = \"{{ issuer }}\"\n";
        let said = told(row);
        assert!(
            said.len() == 1 && said[0].ends_with("write the value itself"),
            "{said:?}"
        );
        assert_eq!(
            told("[receive.dicom]\ndefault_issuer = \"COST $ {A}\"\n"),
            [""; 0]
        );
    }
}
