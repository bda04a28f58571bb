use super::*;

fn norm(source: &str) -> &'static Norm {
    let mut all = NORMS.iter();
    all.find(|norm| norm.source.contains(source))
        .unwrap_or_else(|| panic!("{source} is not in the table"))
}

#[track_caller]
fn z(mm: f64, source: &str, expected: f64) {
    let found = norm(source).beside(Some(mm), None).unwrap().z.unwrap();
    assert!((found - expected).abs() <= 0.0005, "{source}: {found}");
}

/// Arithmetic on the printed means and SDs of the named papers.
#[test]
fn z_against_named_series() {
    z(6.20, "10.1055/s-0034-1385012", 0.8654);
    z(4.30, "10.1016/S0009-9260(99)91176-5", 3.3889);
    z(6.4, "10.1111/j.1552-6569.2010.00546.x", 1.6667);
    z(5.6, "10.7863/jum.2005.24.2.143", 3.8333);
}

#[test]
fn series_that_conflict_stand_side_by_side() {
    z(5.0, "10.1016/S0009-9260(99)91176-5", 5.3333);
    z(5.0, "10.1055/s-0034-1385012", -1.4423);
    let shown = beside(Some(5.0), Some(7.0));
    let lines = shown.lines().join("\n");
    assert!(
        lines.contains("z +5.33") && lines.contains("z -1.44"),
        "{lines}"
    );
    assert!(lines.contains("z from -1.44 to +5.33"), "{lines}");
    let json = serde_json::to_value(&shown).unwrap();
    let keys: Vec<&String> = json.as_object().unwrap().keys().collect();
    assert_eq!(
        keys,
        ["cutoffs", "label", "measured_mm", "norms", "ratios"],
        "no figure of all series"
    );
}

/// Am J Ophthalmol 2019, 165 healthy children: ln(33.15) + 0.18 ln(age), constant from 10 to 18 years.
#[test]
fn the_age_curve_is_flat_from_ten_years_on() {
    for (age, expected) in [(1.0, 3.501), (5.0, 3.791), (10.0, 3.916), (18.0, 3.916)] {
        let found = age_curve(age);
        assert!((found - expected).abs() <= 0.001, "{age}: {found}");
    }
    let series = beside(Some(4.0), Some(5.0)).norms;
    let curve = series.iter().find(|norm| norm.centre == "curve").unwrap();
    assert_eq!((curve.sd_mm, curve.z), (None, None), "no SD is published");
    assert!((curve.centre_mm - 3.791).abs() <= 0.001);
}

/// Am J Ophthalmol 2019: 4.10 mm for 4 to 10 years, 4.40 mm for 11 to 18, none below.
#[test]
fn age_bands_of_cutoffs() {
    let of = |age: f64| -> Vec<f64> {
        let all = beside(None, Some(age)).cutoffs;
        let own = all
            .iter()
            .filter(|cutoff| cutoff.source.contains("Am J Ophthalmol 2019"));
        own.map(|cutoff| cutoff.mm).collect()
    };
    assert_eq!(of(7.0), [4.10]);
    assert_eq!(of(10.9), [4.10]);
    assert_eq!(of(12.0), [4.40]);
    assert!(of(3.0).is_empty());
}

#[test]
fn cutoffs_are_shown_as_the_spread_they_are() {
    assert!(CUTOFFS.is_sorted_by(|a, b| a.mm <= b.mm));
    for age in [None, Some(0.5), Some(7.0), Some(40.0)] {
        let lines = beside(Some(5.0), age).lines().join("\n");
        assert!(
            lines.contains("Published cutoffs range from 3.85 to 6.4 mm"),
            "{lines}"
        );
        assert!(
            lines.starts_with("Published figures, for context only."),
            "{lines}"
        );
    }
}

#[test]
fn every_figure_names_its_paper_and_can_be_a_sheath() {
    let gate = 1.8..10.0;
    for norm in NORMS {
        let shown = norm.beside(Some(5.0), Some(5.0)).unwrap();
        assert!(
            gate.contains(&shown.centre_mm) && norm.people > 0,
            "{}",
            norm.group
        );
        assert!(
            shown.sd_mm.is_none_or(|sd| (0.1..1.0).contains(&sd)),
            "{}",
            norm.group
        );
        assert!(
            norm.ages.0 < norm.ages.1 && norm.source.len() > 5,
            "{}",
            norm.group
        );
    }
    for cutoff in CUTOFFS {
        assert!(
            gate.contains(&cutoff.mm) && cutoff.source.len() > 5,
            "{}",
            cutoff.group
        );
    }
}

#[test]
fn age_chooses_the_series() {
    let groups = |age| -> Vec<String> {
        let all = beside(None, age).norms;
        all.into_iter().map(|norm| norm.group).collect()
    };
    assert!(
        groups(Some(40.0))
            .iter()
            .all(|group| !group.contains("child"))
    );
    assert!(
        groups(Some(7.0))
            .iter()
            .all(|group| !group.starts_with("adults"))
    );
    // Without an age all of them, save the curve, which needs one.
    assert_eq!(groups(None).len(), NORMS.len() - 1);
}

/// Quotients of the printed means; the nerve of a 5.1 mm sheath was itself published, 3.2 mm.
#[test]
fn ratios_agree_with_the_widths_they_come_from() {
    let of = |what: &str| -> Vec<f64> {
        let all = beside(None, Some(40.0)).ratios;
        let these = all.into_iter().filter(|ratio| ratio.what == what);
        these.map(|ratio| ratio.value).collect()
    };
    let close = |found: f64, expected: f64, off: f64| (found - expected).abs() <= off;
    let eyeball = of("sheath / eyeball");
    assert!(close(eyeball[0], 0.1714, 0.00005) && close(eyeball[2], 0.2287, 0.00005));
    assert!(close(5.1 * of("nerve / sheath")[0], 3.2, 0.05));
    assert!(
        beside(None, Some(7.0)).ratios.is_empty(),
        "none is published for children"
    );
}
