//! What is odd about an object, told in a bounded list.

use crate::domain::{Remark, RemarkCode, Severity};
use dicom_core::Tag;
use std::collections::BTreeSet;

/// Remarks kept of one object; a hostile one could cause a million.
const KEPT: usize = 200;

/// Remarks of one object, bounded.
#[derive(Default)]
pub(in crate::sr) struct Remarks {
    kept: Vec<Remark>,
    dropped: usize,
    /// The gravest dropped.
    severity: Option<Severity>,
    /// Elements of which it was told that one is too long.
    long: BTreeSet<Tag>,
}

impl Remarks {
    pub(in crate::sr) fn push(&mut self, remark: Remark) {
        if self.kept.len() < KEPT {
            self.kept.push(remark);
        } else {
            self.dropped += 1;
            self.severity = self.severity.max(Some(remark.severity));
        }
    }

    /// The first of the remarks on the length of one kind of element.
    pub(in crate::sr) fn once(&mut self, tag: Tag, remark: Remark) {
        if self.long.insert(tag) {
            self.push(remark);
        }
    }

    /// All remarks, the last one for those dropped and as grave as the gravest of them.
    pub(in crate::sr) fn finish(mut self) -> Vec<Remark> {
        if let Some(severity) = self.severity {
            let text = format!(
                "{} more remarks on this object are not listed.",
                self.dropped
            );
            self.kept
                .push(Remark::of(RemarkCode::RemarksDropped, text).with(severity));
        }
        self.kept
    }
}
