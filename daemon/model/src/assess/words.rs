//! What statuses and codes mean, in plain sentences for clinicians.

use super::{Assessment, DecidedBy, Modality, Notice, Reason, Row, Status, Unused, Why};

/// What stands beside every `probability_high`.
pub const PROBABILITY_HIGH: &str = "The chance of a value at least this high if nothing has changed. \
     It is not the probability of raised pressure.";

impl Notice {
    /// One or two plain sentences.
    #[must_use]
    pub fn sentence(self) -> &'static str {
        match self {
            Notice::AboveWideInterval => {
                "The interval is too wide to compare, and the value lies above even this interval. \
                 Treat it as a rise until shown otherwise."
            }
            Notice::AfterEvent => {
                "Surgery, confirmed raised pressure or another event lies between the last baseline \
                 exam and this one. The sheath may have settled at another width, so the interval is wider."
            }
            Notice::AgeUnknown => {
                "The birth date is missing, so growth cannot be estimated and the interval is much wider."
            }
            Notice::BaselineNerveSuspected => {
                "A baseline value is so far under today's that the nerve may have been measured then \
                 instead of its sheath. Check the earlier picture before you rely on the baseline. Once an \
                 exam of the sheath is labelled well, the nerve is left out."
            }
            Notice::BaselineSessionSetAside => {
                "An earlier exam did not fit the other baseline exams and was not used. \
                 It is named under the exams set aside."
            }
            Notice::BaselineSessionsDisagree => {
                "The only two baseline exams disagree by more than error explains, and nobody can tell \
                 which is wrong. The lower one was used, because a high one could hide a rise."
            }
            Notice::CoarseReadings => {
                "Readings of this exam or of a baseline exam carry few decimals. The interval allows for \
                 their rounding and is wider for it; send readings to a tenth of a millimetre."
            }
            Notice::DefinitionUnknown => {
                "It is not known of every exam here between which borders the sheath was measured. \
                 Outer borders read about 0.8 mm wider than inner ones."
            }
            Notice::DepthDiffers => {
                "Baseline exams were measured at another depth behind the globe, where the sheath has \
                 another width."
            }
            Notice::DeviceUnknown => {
                "The device is unknown for this exam or for a baseline exam, so a difference between \
                 devices is allowed for."
            }
            Notice::EventSameDay => {
                "An event is dated on the day of this exam. It was taken to follow the exam, so the \
                 interval was not widened for it."
            }
            Notice::EyeAsymmetryChanged => {
                "The difference between the right and the left eye is not the usual one of this patient."
            }
            Notice::FarFromOwnLevel => {
                "The value is far from this patient's own level. Check what was measured, and whose eye."
            }
            Notice::FellowEyeOnly => {
                "One eye has no usable earlier value of its own. It was compared through the other eye, \
                 with a wider interval."
            }
            Notice::ImplausibleReadingDropped => {
                "A reading of this exam lies outside the plausible range and was not used. \
                 Check its unit and what was measured."
            }
            Notice::InfantGrowth => {
                "The last baseline exam is from the first year of life. Growth at that age is the least \
                 certain part of this comparison."
            }
            Notice::NerveSuspected => {
                "Today's value and the expected one are so far apart that one of them may be of the nerve \
                 instead of its sheath. A rise could be hidden or feigned by this. Check what was measured."
            }
            Notice::OldBaseline => {
                "The last baseline exam is old. The interval is wider for it; a new baseline exam while \
                 the patient is well would help."
            }
            Notice::OperatorUnknown => {
                "The operator is unknown for this exam or for a baseline exam, so a difference between \
                 operators is allowed for."
            }
            Notice::PlaneUnknown => {
                "The plane is known for some readings and unknown for others. Planes can differ by about \
                 0.4 mm."
            }
            Notice::PlanesRestricted => {
                "Only planes that this exam and the baseline share were compared; other readings were \
                 left out."
            }
            Notice::RepeatsDisagree => {
                "Repeated readings of one eye spread wider than reading error explains. Repeat the \
                 measurement if you can."
            }
            Notice::SameAsEarlierExam => {
                "All readings equal those of an earlier exam, in the same order. They may have been \
                 copied; measure again."
            }
            Notice::SidesExchangedSuspected => {
                "Exchanging the right and the left eye would explain both values better. Check the \
                 sides."
            }
            Notice::SingleReading => {
                "One eye has a single reading, so nothing shows whether it can be repeated."
            }
            Notice::SingleSessionBaseline => {
                "The baseline is a single exam. A second one would narrow the interval."
            }
            Notice::UnlabelledBaseline => {
                "The baseline rests in part on exams that nobody has labelled. If the pressure was raised \
                 at one of them, a rise may be hidden."
            }
            Notice::WideningAgain => {
                "The sheath is wider again than at the narrowest exam since the last event, by more than \
                 error explains. This counts as a rise whatever the baseline from before the event says."
            }
        }
    }
}

impl Notice {
    /// What may be wrong with what was measured, in few words without a full stop; `None` for what is no
    /// such doubt.
    #[must_use]
    pub fn doubt(self) -> Option<&'static str> {
        Some(match self {
            Notice::FarFromOwnLevel => {
                "the value is far from this patient's own level (which eye, whose eye?)"
            }
            Notice::NerveSuspected => {
                "today's value or the expected one may be of the nerve instead of its sheath, and a \
                 rise hidden or feigned by this"
            }
            Notice::SameAsEarlierExam => {
                "all readings equal those of an earlier exam, in the same order, and may have been \
                 copied: measure again"
            }
            Notice::SidesExchangedSuspected => {
                "the right and the left eye may have been exchanged, which would explain both values \
                 better"
            }
            _ => return None,
        })
    }
}

impl Reason {
    /// One or two plain sentences.
    #[must_use]
    pub fn sentence(self) -> &'static str {
        match self {
            Reason::ArithmeticFailed => {
                "The comparison could not be calculated. Check the parameters of the baseline model."
            }
            Reason::BeforeBirth => {
                "The exam is dated before the patient's birth. Check both dates."
            }
            Reason::DateImplausible => {
                "The exam is dated after its report was received, so its age and the time since \
                 earlier exams are in doubt. Correct the date, or confirm it by a label."
            }
            Reason::DefinitionDiffers => {
                "The earlier exams were measured between other borders of the sheath, which differ by \
                 about 0.8 mm. Comparing them would mislead."
            }
            Reason::IdentityContradictory => {
                "Reports under this patient id give different birth dates or sexes, and nobody here can \
                 tell whose they are."
            }
            Reason::IntervalTooWide => {
                "Too much is uncertain between the earlier exams and this one: the change needed for a \
                 flag would be too large to be of use."
            }
            Reason::MeasuredByCt => {
                "It was measured by CT, which can differ from ultrasound by up to 2 mm. Its width is \
                 shown and compared with nothing."
            }
            Reason::MeasuredByMri => {
                "It was measured by MRI, which can differ from ultrasound by up to 2 mm. Its width is \
                 shown and compared with nothing."
            }
            Reason::MeasuredOtherwise => {
                "It was not measured by ultrasound, and other imaging can differ from it by up to \
                 2 mm. Its width is shown and compared with nothing."
            }
            Reason::ModalityDiffers => {
                "The earlier exams were made with another kind of imaging, which can differ by up to \
                 2 mm. They are never compared."
            }
            Reason::NewbornBaselineExpired => {
                "The earlier exams are from the first weeks of life, when the sheath grows fastest. \
                 They do not serve as baseline."
            }
            Reason::NoEligibleSession => {
                "No earlier exam of this patient may serve as baseline. The values stand alone; no \
                 population figure replaces a baseline."
            }
            Reason::NoUsableMeasurement => "This exam has no sheath reading that can be used.",
            Reason::PlanesDiffer => {
                "The earlier exams were measured in other planes, which can differ by about 0.4 mm. \
                 Comparing them would mislead."
            }
            Reason::Withdrawn => "No report of this exam holds sheath values any more.",
        }
    }
}

impl Unused {
    /// One plain sentence.
    #[must_use]
    pub fn sentence(self) -> &'static str {
        match self {
            Unused::AfterDecompression => "It was taken after the pressure had been relieved.",
            Unused::BeforeBirth => "It is dated before the patient's birth.",
            Unused::BeyondMaxSessions => "Not needed: enough newer exams are used.",
            Unused::DefinitionDiffers => "It was measured between other borders of the sheath.",
            Unused::HigherOfTwo => {
                "It is the higher of the only two baseline exams, which disagree."
            }
            Unused::LeftOut => "A person left it out of the baseline.",
            Unused::ModalityDiffers => "It was made with another kind of imaging.",
            Unused::NewbornBaselineExpired => "It is from the first weeks of life.",
            Unused::NoComparison => "Suitable, but this exam could not be compared.",
            Unused::NoUsableMeasurement => "It has no sheath reading that can be used.",
            Unused::Outlier => "It does not fit the other baseline exams.",
            Unused::PlanesDiffer => "It was measured in other planes.",
            Unused::RaisedConfirmed => "Raised pressure was confirmed at it.",
            Unused::SameDay => "Taken on the same day as this exam.",
            Unused::Unlabelled => "Nobody has labelled it, and only labelled exams serve here.",
            Unused::UnlabelledAboveExpected => {
                "Nobody has labelled it, and it was itself above expected."
            }
            Unused::UnlabelledDoubted => {
                "Nobody has labelled it, and it is in doubt what was measured."
            }
            Unused::UnlabelledFirstWider => {
                "Nobody has labelled it, there was nothing to compare it with, and a later exam lies \
                 below it by more than error: the pressure may have been raised."
            }
            Unused::UnlabelledNearEvent => {
                "Nobody has labelled it, and an event lies shortly before or after it."
            }
            Unused::UnlabelledNearFlagged => {
                "Nobody has labelled it, and another exam shortly before or after it was flagged."
            }
            Unused::UnlabelledNotCompared => {
                "Nobody has labelled it, and it could itself not be compared."
            }
            Unused::UnlabelledTooRecent => {
                "Nobody has labelled it, and it is so recent that a rise may already have begun."
            }
            Unused::UnlabelledWellAboveExpected => {
                "Nobody has labelled it, and it was itself well above expected."
            }
            Unused::Washout => "It was taken too soon after an event.",
        }
    }
}

impl Why {
    /// One plain sentence.
    #[must_use]
    pub fn sentence(&self) -> String {
        match self {
            Why::Found(unused) => unused.sentence().to_owned(),
            Why::Given(code) => format!("It was excluded: {}.", code.replace(['_', '-'], " ")),
        }
    }
}

impl Modality {
    /// The word used in JSON and in sentences.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Modality::Ultrasound => "ultrasound",
            Modality::Mri => "mri",
            Modality::Ct => "ct",
            Modality::Other => "other",
        }
    }
}

impl Assessment {
    /// What was found, in one sentence; why there is no comparison in one or two. Which rises an exam
    /// misses is told by [`Assessment::missed`].
    #[must_use]
    pub fn sentence(&self) -> String {
        if self.decided_by == Some(DecidedBy::SinceEvent) {
            let much = match self.status {
                Status::WellAboveExpected => "Much wider",
                _ => "Wider",
            };
            return format!("{much} again than at the narrowest exam since the last event.");
        }
        let Some((by, _)) = self.decided() else {
            let why = self
                .reason
                .map_or("There is no comparison.", Reason::sentence);
            return if self.flagged {
                format!("{} {why}", Notice::AboveWideInterval.sentence())
            } else {
                why.to_owned()
            };
        };
        let both = self.rows.both.is_some();
        let subject = match by {
            DecidedBy::Right if both => "The right eye is",
            DecidedBy::Left if both => "The left eye is",
            _ if both => "The mean of both eyes is",
            _ => "The sheath is",
        };
        match self.status {
            Status::WellAboveExpected => {
                format!("{subject} much wider than this patient's earlier exams predict.")
            }
            Status::AboveExpected => {
                format!("{subject} wider than this patient's earlier exams predict.")
            }
            Status::BelowExpected => {
                format!("{subject} narrower than this patient's earlier exams predict.")
            }
            _ => "Within the range expected from this patient's earlier exams.".to_owned(),
        }
    }

    /// Which true rises are missed in half and in two of ten such exams, in one sentence; empty where
    /// nothing was compared.
    #[must_use]
    pub fn missed(&self) -> String {
        let Some((_, row)) = self.decided() else {
            return String::new();
        };
        let of = |row: &Row| {
            row.comparison
                .map(|c| (c.smallest_change_mm, c.eight_of_ten_mm))
        };
        let Some((half, most)) = of(self.rows.leading().unwrap_or(row)) else {
            return String::new();
        };
        let eyes = [&self.rows.right, &self.rows.left].into_iter().flatten();
        let widest = eyes
            .filter_map(of)
            .reduce(|a, b| if b.0 > a.0 { b } else { a });
        match (&self.rows.both, widest) {
            (Some(_), Some((eye_half, eye_most))) => format!(
                "half of such exams miss a true rise of {half:.2} mm in both eyes, or of {eye_half:.2} mm \
                 in one eye alone; two of ten miss one of {most:.2} mm in both, or of {eye_most:.2} mm in \
                 one."
            ),
            _ => format!(
                "half of such exams miss a true rise of {half:.2} mm; two of ten miss one of {most:.2} mm."
            ),
        }
    }
}

#[cfg(test)]
mod tests;
