//! Who is invented, and what is different about them.

use crate::assess::Parameters;

/// A group of invented patients.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Scenario {
    /// Adults; a few operators and devices take turns.
    AdultPool,
    /// Adults; one operator and one device.
    AdultSame,
    /// Adults; every exam by another operator, a few devices take turns.
    AdultDiff,
    /// Adults; the last baseline exam is three years old.
    AdultGap3,
    /// Children of three at the first baseline exam; the last one is three years old.
    Child3Gap3,
    /// Infants of half a year at the first baseline exam; the last one is one year old.
    InfantGap1,
    /// One baseline exam is wrong, 1 mm up.
    ContaminatedUp,
    /// One baseline exam is wrong, 1 mm down.
    ContaminatedDown,
    /// The operator of the exam assessed reads 0.3 mm high.
    OperatorShift,
    /// All errors have heavy tails and the same SD.
    HeavyTails,
    /// One reading in twenty is grossly wrong.
    GrossReadings,
    /// A site with smaller errors than the parameters say.
    QuietSite,
    /// A site with larger errors than the parameters say.
    NoisySite,
    /// The rise is in the right eye only.
    OneEyeRise,
    /// One reading an eye instead of three.
    SingleReading,
}

impl Scenario {
    /// Every scenario, in the order of the table.
    pub const ALL: [Scenario; 15] = [
        Scenario::AdultPool,
        Scenario::AdultSame,
        Scenario::AdultDiff,
        Scenario::AdultGap3,
        Scenario::Child3Gap3,
        Scenario::InfantGap1,
        Scenario::ContaminatedUp,
        Scenario::ContaminatedDown,
        Scenario::OperatorShift,
        Scenario::HeavyTails,
        Scenario::GrossReadings,
        Scenario::QuietSite,
        Scenario::NoisySite,
        Scenario::OneEyeRise,
        Scenario::SingleReading,
    ];

    /// Its name in commands and tables.
    #[must_use]
    pub fn word(self) -> &'static str {
        self.about().0
    }

    /// What is different about its patients.
    #[must_use]
    pub fn says(self) -> &'static str {
        self.about().1
    }

    fn about(self) -> (&'static str, &'static str) {
        match self {
            Scenario::AdultPool => ("adult_pool", "a few operators and devices take turns"),
            Scenario::AdultSame => ("adult_same", "one operator, one device"),
            Scenario::AdultDiff => ("adult_diff", "every exam by another operator"),
            Scenario::AdultGap3 => ("adult_gap3", "the last baseline exam is three years old"),
            Scenario::Child3Gap3 => (
                "child3_gap3",
                "baseline from three years of age, the last exam three years old",
            ),
            Scenario::InfantGap1 => (
                "infant_gap1",
                "baseline from half a year of age, the last exam one year old",
            ),
            Scenario::ContaminatedUp => ("contaminated_up", "one baseline exam 1 mm too high"),
            Scenario::ContaminatedDown => ("contaminated_down", "one baseline exam 1 mm too low"),
            Scenario::OperatorShift => ("operator_shift", "today's operator reads 0.3 mm high"),
            Scenario::HeavyTails => ("heavy_tails", "errors of the same SD with heavy tails"),
            Scenario::GrossReadings => ("gross_readings", "one reading in twenty grossly wrong"),
            Scenario::QuietSite => ("quiet_site", "errors smaller than the parameters say"),
            Scenario::NoisySite => ("noisy_site", "errors larger than the parameters say"),
            Scenario::OneEyeRise => ("one_eye_rise", "only the right eye rises"),
            Scenario::SingleReading => ("single_reading", "one reading an eye instead of three"),
        }
    }

    /// The scenario of that name.
    #[must_use]
    pub fn named(word: &str) -> Option<Scenario> {
        Scenario::ALL.into_iter().find(|one| one.word() == word)
    }

    pub(super) fn design(self) -> Design {
        let usual = Design::default();
        match self {
            Scenario::AdultPool | Scenario::OneEyeRise => usual,
            Scenario::AdultSame => Design {
                people: People::Same,
                ..usual
            },
            Scenario::AdultDiff => Design {
                people: People::AlwaysOthers,
                ..usual
            },
            Scenario::AdultGap3 => Design {
                gap_days: (1096, 1096),
                ..usual
            },
            Scenario::Child3Gap3 => Design {
                first_age_days: 1096,
                gap_days: (1096, 1096),
                ..usual
            },
            Scenario::InfantGap1 => Design {
                first_age_days: 183,
                gap_days: (365, 365),
                ..usual
            },
            Scenario::ContaminatedUp => Design {
                wrong_exam_mm: 1.0,
                ..usual
            },
            Scenario::ContaminatedDown => Design {
                wrong_exam_mm: -1.0,
                ..usual
            },
            Scenario::OperatorShift => Design {
                operator_shift_mm: 0.3,
                ..usual
            },
            Scenario::HeavyTails => Design {
                heavy: true,
                ..usual
            },
            Scenario::GrossReadings => Design {
                gross_share: 0.05,
                ..usual
            },
            Scenario::QuietSite => Design {
                sizes: Some(Sizes {
                    reading: 0.15,
                    session: 0.12,
                    operator: 0.05,
                    device: 0.05,
                }),
                ..usual
            },
            Scenario::NoisySite => Design {
                sizes: Some(Sizes {
                    reading: 0.30,
                    session: 0.25,
                    operator: 0.25,
                    device: 0.25,
                }),
                ..usual
            },
            Scenario::SingleReading => Design {
                readings: 1,
                ..usual
            },
        }
    }

    /// How far the right and the left eye widen when the rise is `mm`.
    pub(super) fn rise(self, mm: f64) -> [f64; 2] {
        match self {
            Scenario::OneEyeRise => [mm, 0.0],
            _ => [mm, mm],
        }
    }
}

/// Who measures with what.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum People {
    /// Drawn for each exam from a few.
    Pool,
    /// Always the same.
    Same,
    /// Another operator each time; devices as in a pool.
    AlwaysOthers,
    /// Another operator and another device each time.
    AllOthers,
}

/// True SDs, mm.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Sizes {
    pub(super) reading: f64,
    pub(super) session: f64,
    pub(super) operator: f64,
    pub(super) device: f64,
}

impl Sizes {
    pub(super) fn of(p: &Parameters) -> Self {
        Sizes {
            reading: p.sigma_w,
            session: p.sigma_s,
            operator: p.sigma_o,
            device: p.sigma_d,
        }
    }
}

/// How a group of patients is examined and how its errors come about.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Design {
    pub(super) people: People,
    /// Age at the first baseline exam.
    pub(super) first_age_days: u64,
    /// From the last baseline exam to the exam assessed: least and most, evenly drawn.
    pub(super) gap_days: (u64, u64),
    /// Readings an eye.
    pub(super) readings: usize,
    /// True sizes where they are not those of the parameters.
    pub(super) sizes: Option<Sizes>,
    /// Added to one baseline exam, drawn by chance.
    pub(super) wrong_exam_mm: f64,
    /// Added to the exam assessed.
    pub(super) operator_shift_mm: f64,
    /// Errors of exams and readings have heavy tails.
    pub(super) heavy: bool,
    /// Share of readings with a gross error.
    pub(super) gross_share: f64,
}

/// Days from one baseline exam to the next.
pub(super) const SPACING_DAYS: u64 = 120;
/// Days from the last baseline exam to the exam assessed, least and most, where a scenario does not
/// say: about ten months in the middle.
pub(super) const GAP_DAYS: (u64, u64) = (36, 584);
/// How many operators and devices take turns.
pub(super) const OPERATORS: usize = 5;
pub(super) const DEVICES: usize = 4;

impl Default for Design {
    fn default() -> Self {
        Design {
            people: People::Pool,
            first_age_days: 10_950,
            gap_days: GAP_DAYS,
            readings: 3,
            sizes: None,
            wrong_exam_mm: 0.0,
            operator_shift_mm: 0.0,
            heavy: false,
            gross_share: 0.0,
        }
    }
}
