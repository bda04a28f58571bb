use super::*;

fn layer(name: &str, text: &str) -> Layer {
    Layer {
        name: name.to_owned(),
        text: text.to_owned(),
    }
}

fn from_environment(pairs: &[(&str, &str)]) -> Vec<Layer> {
    let owned = |&(name, value): &(&str, &str)| (name.to_owned(), value.to_owned());
    environment(pairs.iter().map(owned))
}

fn mistakes(layers: &[Layer]) -> Vec<String> {
    let mistakes = Effective::of(layers).expect_err("mistakes");
    mistakes.iter().map(Mistake::to_string).collect()
}

#[test]
fn the_later_source_wins_key_by_key() {
    let mut layers = vec![
        layer(
            "site.toml",
            "[receive.dicom]\nae_title = \"ONE\"\ncalling_allowed = [\"A\", \"B\"]\nidle_timeout_s = 10\n\
             [[receive.dicom.sender]]\nae_title = \"A\"\nmax_associations = 2\n",
        ),
        layer(
            "conf.d/10.toml",
            "[receive.dicom]\nae_title = \"TWO\"\ncalling_allowed = [\"C\"]\n\
             [[receive.dicom.sender]]\nae_title = \"C\"\n",
        ),
    ];
    layers.extend(from_environment(&[(
        "SHEATHLINE__RECEIVE__DICOM__AE_TITLE",
        "THREE",
    )]));
    let effective = Effective::of(&layers).expect("no mistakes");
    assert_eq!(effective.config.dicom.ae_title, "THREE");
    assert_eq!(effective.config.dicom.calling_allowed, ["C"]);
    assert_eq!(effective.config.dicom.idle_timeout_s, 10);
    assert_eq!(effective.config.dicom.sender.len(), 2);
    let settings = effective.settings();
    let origin = |table: &str, row: Option<usize>, key: &str| {
        let of_key = |s: &&Setting| s.table == table && s.row == row && s.key == key;
        let found = settings.iter().find(of_key).expect("a setting");
        (found.value.as_str(), found.origin.as_str())
    };
    let dicom = "[receive.dicom]";
    let sender = "[[receive.dicom.sender]]";
    for (table, row, key, expected) in [
        (
            dicom,
            None,
            "ae_title",
            ("\"THREE\"", "SHEATHLINE__RECEIVE__DICOM__AE_TITLE"),
        ),
        (
            dicom,
            None,
            "calling_allowed",
            ("[\"C\"]", "conf.d/10.toml:3"),
        ),
        (dicom, None, "idle_timeout_s", ("10", "site.toml:4")),
        (dicom, None, "write_timeout_s", ("30", "default")),
        (sender, Some(1), "max_associations", ("2", "site.toml:7")),
        (sender, Some(2), "ae_title", ("\"C\"", "conf.d/10.toml:5")),
    ] {
        assert_eq!(origin(table, row, key), expected, "{table} {key}");
    }
    // Every key stands there, those of rows only where they are written.
    let of_rows = Config::known_keys().filter(|(table, _)| keys::rows(table).is_some());
    let rows = settings.iter().filter(|setting| setting.row.is_some());
    assert_eq!(
        settings.len() - rows.count(),
        Config::known_keys().count() - of_rows.count()
    );
}

#[test]
fn a_mistake_names_its_source() {
    let mut layers = vec![
        layer(
            "site.toml",
            "[store]\npath = 3\n[[receive.dicom.sender]]\nae_title = \"A\"\n",
        ),
        layer("conf.d/a.toml", "[baseline]\nz_above = 2.4\n"),
        layer(
            "conf.d/b.toml",
            "\n[[receive.dicom.sender]]\nae_title = \"A\"\n",
        ),
    ];
    layers.extend(from_environment(&[
        ("SHEATHLINE__STORE__KEEP_PIXELS", "yes"),
        ("SHEATHLINE__STORE__PTH", "x"),
        ("SHEATHLINE_CONFIG", "not a setting"),
        ("HOME", "/root"),
    ]));
    let told = mistakes(&layers);
    let beginnings = [
        "site.toml:2:8: [store] path is 3",
        // Against the default of the other key.
        "conf.d/a.toml:2:11: [baseline] z_above is 2.4",
        "conf.d/b.toml:3:12: [[receive.dicom.sender]] ae_title is \"A\", as in line 4 of site.toml already",
        "SHEATHLINE__STORE__KEEP_PIXELS:1:",
        "SHEATHLINE__STORE__PTH:1:",
    ];
    // z_above breaks two rules.
    let found = |beginning: &&&str| told.iter().any(|line| line.starts_with(**beginning));
    let missing: Vec<_> = beginnings.iter().filter(|b| !found(b)).collect();
    assert!(missing.is_empty(), "{missing:?} of {told:#?}");
}

#[test]
fn rules_between_keys_hold_across_sources() {
    let low = layer("site.toml", "[baseline]\nplausible_min = 5.0\n");
    let high = layer("conf.d/a.toml", "[baseline]\nplausible_max = 4.0\n");
    let told = mistakes(&[low.clone(), high]);
    assert_eq!(told.len(), 1);
    assert!(told[0].starts_with("conf.d/a.toml:2:17: "), "{told:?}");
    let mended = layer("conf.d/a.toml", "[baseline]\nplausible_min = 2.0\n");
    assert!(Effective::of(&[low, mended]).is_ok());
}

#[test]
fn a_variable_is_toml_where_the_key_takes_it() {
    for (name, value, shown) in [
        ("RECEIVE__DICOM__ENABLED", "false", "false"),
        ("RECEIVE__DICOM__MAX_ASSOCIATIONS", "7", "7"),
        ("RECEIVE__DICOM__LISTEN", "[::1]:104", "[\"[::1]:104\"]"),
        (
            "RECEIVE__DICOM__CALLING_ALLOWED",
            "[\"A\", \"B\"]",
            "[\"A\", \"B\"]",
        ),
        // An AE title of digits is text.
        ("RECEIVE__DICOM__AE_TITLE", "123", "\"123\""),
        ("STORE__PATH", "/var/lib/a b\\c", "'/var/lib/a b\\c'"),
        ("BASELINE__SIGMA_W", "0.3", "0.3"),
    ] {
        let full = format!("{PREFIX}{name}");
        let effective = Effective::of(&from_environment(&[(&full, value)])).expect(name);
        let settings = effective.settings();
        let written = settings.iter().find(|s| s.origin == full).expect(name);
        assert_eq!(written.value, shown, "{name}");
    }
}
