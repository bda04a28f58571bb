//! One exam compared with the baseline of the patient's own earlier exams.
