//! What meanings clearly say, in the languages of reports. Phrases are common practice, no source.

use super::super::lexicon::lexicon;
use super::*;

/// Language, the diameter of the sheath of the right eye, of the left.
const SHEATHS: [(&str, &str, &str); 22] = [
    (
        "en",
        "Optic nerve sheath diameter, right eye",
        "Optic nerve sheath diameter, left eye",
    ),
    ("en", "Right ONSD", "Left ONSD"),
    ("en", "ONSD 3mm OD", "ONSD 3mm OS"),
    ("fr", "GNO OD", "GNO OG"),
    (
        "de",
        "Optikusscheidendurchmesser rechts",
        "Optikusscheidendurchmesser links",
    ),
    (
        "de",
        "Durchmesser der Sehnervenscheide, rechtes Auge",
        "Durchmesser der Sehnervenscheide, linkes Auge",
    ),
    (
        "fr",
        "Diamètre de la gaine du nerf optique droit",
        "Diamètre de la gaine du nerf optique gauche",
    ),
    (
        "fr",
        "Diametre gaine nerf optique, oeil droit",
        "Diametre gaine nerf optique, oeil gauche",
    ),
    (
        "it",
        "Diametro della guaina del nervo ottico destro",
        "Diametro della guaina del nervo ottico sinistro",
    ),
    (
        "es",
        "Diámetro de la vaina del nervio óptico derecho",
        "Diámetro de la vaina del nervio óptico izquierdo",
    ),
    (
        "es",
        "Diametro vaina nervio optico, ojo derecho",
        "Diametro vaina nervio optico, ojo izquierdo",
    ),
    (
        "pt",
        "Diâmetro da bainha do nervo óptico direito",
        "Diâmetro da bainha do nervo óptico esquerdo",
    ),
    (
        "nl",
        "Diameter oogzenuwschede rechts",
        "Diameter oogzenuwschede links",
    ),
    (
        "nl",
        "Oogzenuwschede rechter oog",
        "Oogzenuwschede linker oog",
    ),
    (
        "pl",
        "Średnica osłonki nerwu wzrokowego, oko prawe",
        "Średnica osłonki nerwu wzrokowego, oko lewe",
    ),
    ("ja", "右視神経鞘径", "左視神経鞘径"),
    ("ja", "視神経鞘の直径 (右眼)", "視神経鞘の直径 (左眼)"),
    ("zh", "右侧视神经鞘直径", "左侧视神经鞘直径"),
    (
        "da",
        "Diameter synsnerveskede, højre øje",
        "Diameter synsnerveskede, venstre øje",
    ),
    (
        "sv",
        "Synnervsskida diameter höger",
        "Synnervsskida diameter vänster",
    ),
    (
        "no",
        "Synsnerveskjede diameter, høyre øye",
        "Synsnerveskjede diameter, venstre øye",
    ),
    (
        "ru",
        "Диаметр оболочки зрительного нерва, правый глаз",
        "Диаметр оболочки зрительного нерва, левый глаз",
    ),
];

#[test]
fn sheath_and_side_are_proposed_in_each_language() {
    for (language, right, left) in SHEATHS {
        let draft = of(&[number("K1", right), number("K2", left)]);
        let wanted = |eye: &str| format!("eye {eye}, quantity sheath_diameter");
        assert_eq!(
            proposed(&draft, "K1"),
            wanted("right"),
            "{language}: {right}: {draft:#?}"
        );
        assert_eq!(proposed(&draft, "K2"), wanted("left"), "{language}: {left}");
    }
}

/// Sections, sides as values, items, units, planes.
#[test]
fn context_is_proposed_in_each_language() {
    use CodeRole::{Item, Plane, Section, Side, Unit};
    let cases = [
        (Section, "Right eye", "eye right, site eye"),
        (Section, "Linkes Auge", "eye left, site eye"),
        (Section, "Œil droit", "eye right, site eye"),
        (
            Section,
            "Nervio óptico izquierdo",
            "eye left, site optic_nerve",
        ),
        (Section, "左眼", "eye left, site eye"),
        (
            Section,
            "Optic nerve sheath",
            "site optic_nerve, structure sheath",
        ),
        (Side, "Rechts", "eye right"),
        (Side, "Sinistro", "eye left"),
        (Side, "Olho direito", "eye right"),
        (Side, "Both eyes", "eye bilateral"),
        (Item, "Laterality", "role laterality"),
        (Item, "Seite", "role laterality"),
        (Item, "Côté", "role laterality"),
        (Item, "Lato", "role laterality"),
        (Item, "Lado", "role laterality"),
        (Item, "Strona", "role laterality"),
        (Item, "側", "role laterality"),
        (Item, "Eye examined", "role laterality"),
        (Item, "Sede", "role finding_site"),
        (Item, "Piano", "role orientation"),
        (Item, "Schnittebene", "role orientation"),
        (Item, "Parte", "role topographical_modifier"),
        (Plane, "Trasversale", "plane transverse"),
        (Plane, "横断面", "plane transverse"),
        (Plane, "Sagittaal", "plane sagittal"),
        (Unit, "millimeters", "unit mm"),
        (Unit, "centímetros", "unit cm"),
        (Unit, "毫米", "unit mm"),
        (Unit, "mm", "unit mm"),
        (CodeRole::Derivation, "Mittelwert", "derivation mean"),
        (
            CodeRole::Part,
            "Guaina",
            "site optic_nerve, structure sheath",
        ),
        (CodeRole::Number, "Abstand", "concept distance"),
        (CodeRole::Number, "ONSD (mm)", "quantity sheath_diameter"),
    ];
    for (role, meaning, wanted) in cases {
        let draft = of(&[code(role, "K1", meaning)]);
        assert_eq!(
            proposed(&draft, "K1"),
            wanted,
            "{role:?} {meaning}: {draft:#?}"
        );
    }
}

/// What leaves open what it is, or may be about something else, proposes nothing.
#[test]
fn what_is_not_clear_is_left_open() {
    let open = [
        "Optic nerve diameter right",
        "Nervus opticus rechts",
        "Axial length right",
        "ONSD ratio right left",
        "ONSD/ETD",
        "Optic nerve without sheath",
        "Nervio óptico sin vaina",
        "Tendon sheath diameter, right",
        "Sheath thickness",
        "Sheath length",
        "ONSD other eye",
        "ONSD change",
        "眼軸長",
        "",
        "右",
    ];
    for meaning in open {
        let draft = of(&[number("K1", meaning)]);
        let proposed = row(&draft, "K1").claims.clone();
        assert!(proposed.is_empty(), "{meaning}: {draft:#?}");
        assert!(
            meaning == "右" || !row(&draft, "K1").notes.is_empty(),
            "{meaning}: why not is told"
        );
    }
}

#[test]
fn the_lexicon_is_read_and_knows_each_language() {
    for (idea, language) in [("onsd", "en"), ("guaina", "it"), ("osłonki", "pl")] {
        let words = super::super::lexicon::tokens(idea);
        let phrase = super::super::lexicon::plain_phrase(&words);
        assert!(lexicon().knows(&phrase), "{language}: {idea}");
    }
}
