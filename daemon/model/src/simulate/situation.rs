//! Situations of a ward that the rules about sessions, labels and events are made for.

/// A situation that invented patients are drawn in; the last exam of each is the one assessed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Situation {
    /// Every earlier exam labelled well: what the others are held against.
    Labelled,
    /// Nobody has labelled anything.
    Unlabelled,
    /// Unlabelled, and the first exam of three in ten was taken in a crisis.
    CrisisFirst,
    /// Unlabelled, then a rise that creeps up over ten days with an exam each day.
    Creep,
    /// Three scans of one day; only the last shows the rise.
    SerialScans,
    /// A crisis, a revision, back to the old width, then another rise.
    SecondRise,
    /// A crisis and a revision; what follows stays wider.
    SettledWider,
    /// A revision that fails within a week; one operator and one device.
    FailedRevisionSame,
    /// A revision that fails within a week; a few operators and devices take turns.
    FailedRevisionTurns,
    /// A revision that fails within a week; operator and device are others at every exam.
    FailedRevisionOthers,
    /// Right and left of today are exchanged.
    SidesExchanged,
    /// The newest earlier exam, unlabelled as all, measured the nerve.
    NerveOnce,
    /// One label in ten is wrong: that exam was taken in a crisis.
    WrongLabels,
    /// Unlabelled, and scanned only when unwell.
    UnwellEachTime,
    /// Today unwell without raised pressure.
    UnwellToday,
    /// Whoever measures knows the last value and leans towards it.
    Leaning,
    /// One operator and one device; the offset of the operator wanders.
    Wandering,
    /// One earlier exam, labelled well, is another person's.
    AnotherPerson,
}

/// What is looked for in the answers beside the flag.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Sign {
    /// Nothing.
    Nothing,
    /// No exam that is not of the patient's sheath in health serves as baseline.
    WrongUnused,
    /// The first flag comes no later than without the exams of the days before.
    AsEarly,
    /// Any exam of the day is flagged.
    AnyOfTheDay,
    /// Known to have returned before today, so that a rise is a new one.
    Returned,
    /// Settled wider.
    SettledWider,
    /// Wider than the narrowest exam since the event.
    WideningAgain,
    /// The sides are suspected to be exchanged.
    ExchangeSuspected,
}

impl Sign {
    /// What the share `told` counts.
    pub(super) fn says(self) -> &'static str {
        match self {
            Sign::Nothing => "",
            Sign::WrongUnused => "told: the wrong exams do not serve, of patients who have one",
            Sign::AsEarly => "told: flagged as early as without the exams of the days before",
            Sign::AnyOfTheDay => "told: any of the scans of the day is flagged",
            Sign::Returned => "told: known to have returned before today",
            Sign::SettledWider => "told: settled wider",
            Sign::WideningAgain => "told: wider than the narrowest exam since the event",
            Sign::ExchangeSuspected => "told: exchanged sides are suspected",
        }
    }
}

impl Situation {
    /// Every situation, in the order of the table.
    pub const ALL: [Situation; 18] = [
        Situation::Labelled,
        Situation::Unlabelled,
        Situation::CrisisFirst,
        Situation::Creep,
        Situation::SerialScans,
        Situation::SecondRise,
        Situation::SettledWider,
        Situation::FailedRevisionSame,
        Situation::FailedRevisionTurns,
        Situation::FailedRevisionOthers,
        Situation::SidesExchanged,
        Situation::NerveOnce,
        Situation::WrongLabels,
        Situation::UnwellEachTime,
        Situation::UnwellToday,
        Situation::Leaning,
        Situation::Wandering,
        Situation::AnotherPerson,
    ];

    /// Its name in commands and tables.
    #[must_use]
    pub fn word(self) -> &'static str {
        self.about().0
    }

    /// What happens in it, and what `told` counts.
    #[must_use]
    pub fn says(self) -> String {
        match self.sign() {
            Sign::Nothing => self.about().1.to_owned(),
            sign => format!("{}; {}", self.about().1, sign.says()),
        }
    }

    /// Numbers of earlier exams that the table has.
    #[must_use]
    pub fn usual_exams(self) -> &'static [usize] {
        self.about().2
    }

    fn about(self) -> (&'static str, &'static str, &'static [usize]) {
        match self {
            Situation::Labelled => (
                "labelled",
                "all earlier exams labelled well, 40 to 500 days apart",
                &[1, 2, 3, 5],
            ),
            Situation::Unlabelled => ("unlabelled", "the same, nobody labelled", &[2, 3, 5]),
            Situation::CrisisFirst => (
                "crisis_first",
                "unlabelled, the first of three in ten taken in a crisis of +0.8 mm",
                &[2, 3, 5],
            ),
            Situation::Creep => (
                "creep",
                "unlabelled, then an exam a day while the rise creeps up over ten days",
                &[1, 3],
            ),
            Situation::SerialScans => (
                "serial_scans",
                "three scans of one day, the rise in the last",
                &[1, 3],
            ),
            Situation::SecondRise => (
                "second_rise",
                "crisis of +0.8 mm, revision, back to the old width, and a new rise after 110 days",
                &[1, 3],
            ),
            Situation::SettledWider => (
                "settled_wider",
                "crisis of +0.8 mm, revision, then 0.4 mm wider at 10, 40, 80 and 120 days",
                &[1, 3],
            ),
            Situation::FailedRevisionSame => (
                "revision_same",
                "crisis, revision, k exams two days apart at a new level, then the rise; one \
                 operator and device",
                &[1, 2, 3],
            ),
            Situation::FailedRevisionTurns => (
                "revision_turns",
                "the same, a few operators and devices take turns",
                &[1, 2, 3],
            ),
            Situation::FailedRevisionOthers => (
                "revision_others",
                "the same, operator and device others at every exam",
                &[1, 2, 3],
            ),
            Situation::SidesExchanged => (
                "sides_exchanged",
                "right and left of today are exchanged",
                &[3],
            ),
            Situation::NerveOnce => (
                "nerve_once",
                "unlabelled, the newest earlier exam measured the nerve (0.63 of its sheath)",
                &[2, 3],
            ),
            Situation::WrongLabels => (
                "wrong_labels",
                "labelled well, one in ten in truth taken in a crisis of +0.8 mm",
                &[2, 3, 5],
            ),
            Situation::UnwellEachTime => (
                "unwell_each_time",
                "unlabelled, each exam while unwell without raised pressure (+0.16 mm, SD 0.2)",
                &[2, 3, 5],
            ),
            Situation::UnwellToday => (
                "unwell_today",
                "unwell today without raised pressure (+0.16 mm, SD 0.2)",
                &[1, 3],
            ),
            Situation::Leaning => (
                "leaning",
                "whoever measures knows the last value and leans towards it by 0.3",
                &[1, 3],
            ),
            Situation::Wandering => (
                "wandering",
                "one operator whose offset wanders by 0.15 mm in a year",
                &[1, 3],
            ),
            Situation::AnotherPerson => (
                "another_person",
                "one of the earlier exams, labelled well, is another person's",
                &[3, 5],
            ),
        }
    }

    /// The situation of that name.
    #[must_use]
    pub fn named(word: &str) -> Option<Situation> {
        Situation::ALL.into_iter().find(|one| one.word() == word)
    }

    pub(super) fn sign(self) -> Sign {
        match self {
            Situation::CrisisFirst
            | Situation::NerveOnce
            | Situation::WrongLabels
            | Situation::AnotherPerson => Sign::WrongUnused,
            Situation::Creep => Sign::AsEarly,
            Situation::SerialScans => Sign::AnyOfTheDay,
            Situation::SecondRise => Sign::Returned,
            Situation::SettledWider => Sign::SettledWider,
            Situation::FailedRevisionSame
            | Situation::FailedRevisionTurns
            | Situation::FailedRevisionOthers => Sign::WideningAgain,
            Situation::SidesExchanged => Sign::ExchangeSuspected,
            Situation::Labelled
            | Situation::Unlabelled
            | Situation::UnwellEachTime
            | Situation::UnwellToday
            | Situation::Leaning
            | Situation::Wandering => Sign::Nothing,
        }
    }
}
