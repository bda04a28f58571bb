//! The closed lists of words that columns hold. Tests compare them with the enums they stand for.

pub(super) const QUANTITIES: &[&str] = &[
    "sheath_diameter",
    "eyeball_transverse_diameter",
    "disc_elevation",
    "nerve_diameter",
];
pub(super) const EYES: &[&str] = &["right", "left", "unresolved"];
pub(super) const PLANES: &[&str] = &["transverse", "sagittal", "oblique", "unspecified"];
pub(super) const DERIVATIONS: &[&str] =
    &["single", "mean", "median", "minimum", "maximum", "selected"];
pub(super) const BORDERS: &[&str] = &["outer", "inner"];
pub(super) const MODALITIES: &[&str] = &[
    "ultrasound",
    "mri",
    "ct",
    "other",
    "unresolved",
    "unspecified",
];
pub(super) const LABELS: &[&str] = &[
    "well",
    "raised_ruled_out",
    "raised_confirmed",
    "after_decompression",
];
pub(super) const ENTRIES: &[&str] = &[
    "label",
    "event",
    "pressure",
    "acknowledged",
    "settled",
    "note",
    "left_out",
    "taken_back",
    "second_asked",
    "second_read",
    "second_judged",
];
pub(super) const AUTHORS: &[&str] = &["account", "system_user", "unknown"];
/// What an entry may say: labels, kinds of events, outcomes of rises, judgements of second readings.
pub(super) const SAID: &[&str] = &[
    "well",
    "raised_ruled_out",
    "raised_confirmed",
    "after_decompression",
    "csf_surgery",
    "shunt_revision",
    "other",
    "confirmed",
    "ruled_out",
    "not_settled",
    "agrees",
    "differs",
];
pub(super) const STATUSES: &[&str] = &[
    "within_expected",
    "above_expected",
    "well_above_expected",
    "below_expected",
    "no_baseline",
    "not_comparable",
];
pub(super) const REASONS: &[&str] = &[
    "arithmetic_failed",
    "before_birth",
    "date_implausible",
    "definition_differs",
    "identity_contradictory",
    "interval_too_wide",
    "measured_by_ct",
    "measured_by_mri",
    "measured_otherwise",
    "modality_differs",
    "newborn_baseline_expired",
    "no_eligible_session",
    "no_usable_measurement",
    "planes_differ",
    "withdrawn",
];
pub(super) const BASES: &[&str] = &["confirmed", "provisional", "none"];
pub(super) const DECIDERS: &[&str] = &["right", "left", "both", "since_event"];
pub(super) const AFTER_STATES: &[&str] = &[
    "widening_again",
    "too_early",
    "returned",
    "narrowing",
    "settled_wider",
    "unclear",
];
