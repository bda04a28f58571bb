//! The set of objects of a patient, told as exams.
