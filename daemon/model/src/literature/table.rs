//! The figures. Each was read in the paper's abstract or text; what could not be seen is not here.
//! Optic nerve sheath by ultrasound only: MRI and CT read up to 2 mm apart from it.
//! Journal and year of the curve of 165 healthy children (Am J Ophthalmol 2019) are from memory.

use super::{Cutoff, Norm, Ratio, Width};

const ADULT: (f64, f64) = (18.0, 200.0);

pub(super) const NORMS: &[Norm] = &[
    Norm {
        group: "adults, 34 studies pooled",
        people: 2927,
        ages: ADULT,
        width: Width::MeanAlone(4.78),
        source: "J Neuroimaging 2020, doi:10.1111/jon.12691",
    },
    Norm {
        group: "adults, Germany, outer border",
        people: 40,
        ages: ADULT,
        width: Width::Mean(5.4, 0.6),
        source: "J Neuroimaging 2012, doi:10.1111/j.1552-6569.2010.00546.x",
    },
    Norm {
        group: "adults, Germany, right eye",
        people: 15,
        ages: ADULT,
        width: Width::Mean(5.43, 0.49),
        source: "BMC Neurol 2013, doi:10.1186/1471-2377-13-187",
    },
    Norm {
        group: "adults, Germany, neurological controls",
        people: 25,
        ages: ADULT,
        width: Width::Mean(5.4, 0.5),
        source: "J Neurol 2011, raised pressure without known cause",
    },
    Norm {
        group: "adults, Italy and Germany, controls of the same weight",
        people: 21,
        ages: ADULT,
        width: Width::Mean(5.73, 0.66),
        source: "BMC Neurol 2016, doi:10.1186/s12883-016-0594-3",
    },
    Norm {
        group: "adults, China",
        people: 519,
        ages: ADULT,
        width: Width::Median(5.1),
        source: "BMC Neurol 2015, doi:10.1186/s12883-015-0361-x",
    },
    Norm {
        group: "adults, Korea",
        people: 585,
        ages: ADULT,
        width: Width::MeanAlone(4.11),
        source: "Sci Rep 2017;7:15906, doi:10.1038/s41598-017-16173-z",
    },
    Norm {
        group: "adults, Colombia, inner edges, transverse",
        people: 100,
        ages: ADULT,
        width: Width::MeanAlone(3.96),
        source: "BMC Neurol 2023;23:16, doi:10.1186/s12883-023-03062-4",
    },
    Norm {
        group: "adults, Colombia at 2640 m, right eye",
        people: 230,
        ages: ADULT,
        width: Width::MeanAlone(4.49),
        source: "Ultrasound J 2022",
    },
    Norm {
        group: "adults of 20 to 30 years, Nepal",
        people: 37,
        ages: ADULT,
        width: Width::Mean(4.13, 0.37),
        source: "NJMS 2022, doi:10.3126/njms.v7i2.47235",
    },
    Norm {
        group: "people from 4 years on, most of them adult, Bangladesh",
        people: 136,
        ages: (4.0, 200.0),
        width: Width::Median(4.41),
        source: "PLoS ONE 2013, doi:10.1371/journal.pone.0081013",
    },
    Norm {
        group: "adults, Pakistan, transverse",
        people: 100,
        ages: ADULT,
        width: Width::Mean(4.80, 0.26),
        source: "J Ophthalmol Res 2020",
    },
    Norm {
        group: "women, Egypt, controls",
        people: 16,
        ages: ADULT,
        width: Width::Mean(4.1, 0.5),
        source: "Ultrasonography 2022, doi:10.14366/usg.20165",
    },
    Norm {
        group: "adults, USA, lying, right eye",
        people: 10,
        ages: ADULT,
        width: Width::Mean(4.6, 0.71),
        source: "Am J Emerg Med 2005, doi:10.1016/j.ajem.2004.11.004",
    },
    Norm {
        group: "adults, USA, seated, horizontal",
        people: 26,
        ages: ADULT,
        width: Width::Mean(4.71, 0.48),
        source: "Ophthalmic Physiol Opt 2023, doi:10.1111/opo.13200",
    },
    Norm {
        group: "children of 0 to 15 years, UK",
        people: 102,
        ages: (0.0, 16.0),
        width: Width::Mean(3.08, 0.36),
        source: "Clin Radiol 1999, doi:10.1016/S0009-9260(99)91176-5",
    },
    Norm {
        group: "children, controls of 6.8 (SD 5.5) years",
        people: 78,
        ages: (0.0, 18.0),
        width: Width::Mean(3.3, 0.6),
        source: "J Ultrasound Med 2005, doi:10.7863/jum.2005.24.2.143",
    },
    Norm {
        group: "children of 5.6 to 18.6 years, Germany",
        people: 99,
        ages: (5.6, 18.6),
        width: Width::Mean(5.75, 0.52),
        source: "Ultraschall Med, doi:10.1055/s-0034-1385012",
    },
    Norm {
        group: "children, Germany, controls",
        people: 32,
        ages: (0.0, 18.0),
        width: Width::Mean(4.96, 0.32),
        source: "Pediatr Radiol 2024, doi:10.1007/s00247-024-05905-9",
    },
    Norm {
        group: "children of 0 to 18 years, Italy",
        people: 165,
        ages: (0.25, 18.0),
        width: Width::Curve,
        source: "Am J Ophthalmol 2019",
    },
    Norm {
        group: "children of 2 to 14 years in intensive care without signs of raised pressure, India",
        people: 103,
        ages: (2.0, 15.0),
        width: Width::Mean(4.06, 0.40),
        source: "BMJ Paediatr Open 2024;8:e002353",
    },
    Norm {
        group: "newborns at term, Taiwan, right eye",
        people: 234,
        ages: (0.0, 0.25),
        width: Width::Mean(3.30, 0.27),
        source: "Pediatr Neonatol 2021",
    },
    Norm {
        group: "newborns, preterm, at 3 mm",
        people: 554,
        ages: (0.0, 0.25),
        width: Width::Mean(3.6, 0.2),
        source: "newborn multicentre study 2020, PMID 32335478",
    },
    Norm {
        group: "encounters of shunted children without failure, USA",
        people: 19,
        ages: (0.0, 18.0),
        width: Width::Mean(5.0, 0.6),
        source: "Childs Nerv Syst 2013, doi:10.1007/s00381-013-2172-y",
    },
    Norm {
        group: "children with working shunts, UK",
        people: 6,
        ages: (0.0, 18.0),
        width: Width::Mean(2.9, 0.5),
        source: "Br J Ophthalmol 2002, doi:10.1136/bjo.86.10.1109",
    },
];

const SHUNTED_2019: &str = "Pediatr Emerg Care 2019, PMID 28072673";
const THREE_BANDS: &str = "JAMC, 48 children in three bands of age";
const CURVE_2019: &str = "Am J Ophthalmol 2019";
const INVASIVE_2020: &str = "Childs Nerv Syst 2020, doi:10.1007/s00381-019-04266-1";

/// A cutoff for every age, or for the ages that its group names in words.
const fn any(mm: f64, group: &'static str, against: &'static str, source: &'static str) -> Cutoff {
    Cutoff {
        mm,
        group,
        against,
        ages: None,
        source,
    }
}

/// A cutoff of an age band.
const fn band(
    mm: f64,
    ages: (f64, f64),
    group: &'static str,
    against: &'static str,
    source: &'static str,
) -> Cutoff {
    Cutoff {
        mm,
        group,
        against,
        ages: Some(ages),
        source,
    }
}

/// By size.
pub(super) const CUTOFFS: &[Cutoff] = &[
    any(
        3.85,
        "10 children, 107 readings",
        "invasive pressure of 15 mm[Hg]",
        "Childs Nerv Syst 2019, doi:10.1007/s00381-019-04235-8",
    ),
    band(
        4.0,
        (0.0, 1.0),
        "32 shunted children, up to 12 months",
        "CT or MRI, and the surgeon",
        SHUNTED_2019,
    ),
    band(
        4.0,
        (0.0, 1.0),
        "48 children, infants",
        "CT or MRI",
        THREE_BANDS,
    ),
    band(
        4.10,
        (4.0, 11.0),
        "29 children with raised pressure, 4 to 10 years",
        "clinical signs",
        CURVE_2019,
    ),
    band(
        4.40,
        (11.0, 19.0),
        "29 children with raised pressure, 11 to 18 years",
        "clinical signs",
        CURVE_2019,
    ),
    any(
        4.46,
        "137 children",
        "clinical signs",
        "BMJ Paediatr Open 2024;8:e002353",
    ),
    band(
        4.5,
        (1.0, 19.0),
        "32 shunted children, over 12 months",
        "CT or MRI, and the surgeon",
        SHUNTED_2019,
    ),
    band(
        4.71,
        (1.0, 11.0),
        "48 children, 1 to 10 years",
        "CT or MRI",
        THREE_BANDS,
    ),
    any(
        4.8,
        "raised pressure without known cause, against pseudopapilledema",
        "fundus",
        "Front Neurol 2018, doi:10.3389/fneur.2018.00278",
    ),
    any(
        5.0,
        "71 studies, 4551 adults and children, pooled",
        "any reference",
        "Ann Intern Med 2019, doi:10.7326/M19-0812",
    ),
    any(
        5.0,
        "6 studies, 352 people, pooled",
        "CT",
        "Acta Radiol 2019, doi:10.1177/0284185118776501",
    ),
    any(5.0, "100 people after trauma", "CT", "PMC8061509"),
    any(
        5.28,
        "72 children",
        "invasive pressure of 15 mm[Hg]",
        INVASIVE_2020,
    ),
    band(
        5.43,
        (10.0, 19.0),
        "48 children, over 10 years",
        "CT or MRI",
        THREE_BANDS,
    ),
    any(
        5.55,
        "36 children with raised pressure without known cause, and 32 others",
        "lumbar puncture",
        "Pediatr Radiol 2024, doi:10.1007/s00247-024-05905-9",
    ),
    any(
        5.57,
        "72 children",
        "invasive pressure of 20 mm[Hg]",
        INVASIVE_2020,
    ),
    any(
        5.6,
        "62 adults with a ventricular drain",
        "invasive pressure over 20 mm[Hg]",
        "PLoS ONE 2017, doi:10.1371/journal.pone.0183170",
    ),
    any(
        5.6,
        "110 adults",
        "lumbar puncture over 200 mm[H2O]",
        "BMC Neurol 2017, doi:10.1186/s12883-017-0964-5",
    ),
    any(
        5.6,
        "20 adults in intensive care, mean of both eyes",
        "invasive pressure of the next 24 h",
        "PMC6522267",
    ),
    any(
        5.7,
        "56 adults",
        "invasive pressure over 20 mm[Hg]",
        "Ultrasound J 2022, doi:10.1186/s13089-022-00304-3",
    ),
    any(
        5.8,
        "10 adults with raised pressure without known cause, and 25 others",
        "lumbar puncture",
        "J Neurol 2011, raised pressure without known cause",
    ),
    any(
        6.2,
        "20 adults in intensive care, worse eye",
        "invasive pressure of the next 24 h",
        "PMC6522267",
    ),
    any(
        6.4,
        "40 people after trauma, 400 readings",
        "invasive pressure",
        "2018, PMC5952494",
    ),
];

const CHINA_2015: &str = "BMC Neurol 2015, doi:10.1186/s12883-015-0361-x";

/// Sheath by eyeball is the published ratio, or the published means divided.
pub(super) const RATIOS: &[Ratio] = &[
    Ratio {
        what: "sheath / eyeball",
        value: 3.96 / 23.11,
        group: "100 adults, Colombia, 3.96 and 23.11 mm",
        ages: ADULT,
        source: "BMC Neurol 2023;23:16, doi:10.1186/s12883-023-03062-4",
    },
    Ratio {
        what: "sheath / eyeball",
        value: 0.18,
        group: "585 adults, Korea",
        ages: ADULT,
        source: "Sci Rep 2017;7:15906, doi:10.1038/s41598-017-16173-z",
    },
    Ratio {
        what: "sheath / eyeball",
        value: 5.1 / 22.3,
        group: "519 adults, China, medians 5.1 and 22.3 mm",
        ages: ADULT,
        source: CHINA_2015,
    },
    Ratio {
        what: "nerve / sheath",
        value: 0.63,
        group: "519 adults, China, quartiles 0.59 and 0.67",
        ages: ADULT,
        source: CHINA_2015,
    },
];
