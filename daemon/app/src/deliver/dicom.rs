//! DICOM C-STORE: one association for a result, with the presentation contexts it needs.

use super::{Carrier, unformed};
use crate::parcel::Parcel;
use crate::routes::destination::{DicomForm, DicomWay};
use dicom_dictionary_std::uids;
use dicom_transfer_syntax_registry::entries::IMPLICIT_VR_LITTLE_ENDIAN;
use sheathline_model::forms::{FormError, pdf_object, sr};
use sheathline_net::connect::{Failure, Stage, Word};
use sheathline_net::connect::{Goal, connect};
use sheathline_net::dicom::request::Outcome;
use sheathline_net::dicom::requestor::{Association, Proposed};
use std::borrow::Cow;
use std::collections::BTreeSet;
use std::time::Duration;

/// Sends DICOM objects.
pub(super) struct Dicom {
    pub(super) way: DicomWay,
    pub(super) timeout: Duration,
}

impl Dicom {
    /// An association in which objects of these classes can be sent, and the stages behind it.
    fn associate(
        &self,
        classes: &BTreeSet<&'static str>,
        beside: &[&'static str],
    ) -> Result<(Association, Vec<Stage>), Failure> {
        let node = &self.way.node;
        let stream = connect(&Goal::of(node, self.timeout))?;
        let mut stages = stream.stages();
        stages.push(Stage::Association);
        let asked = classes.iter().chain(beside).copied();
        let asked: Vec<Proposed> = asked.map(Proposed::using).collect();
        let association = Association::request(stream, &node.calling, &node.called, &asked)?;
        let refused = classes
            .iter()
            .find_map(|class| association.context(class).err());
        match refused {
            None => Ok((association, stages)),
            Some(failure) => {
                association.release();
                Err(failure)
            }
        }
    }

    /// Sends all of these, or fails with the first one that is not taken. What the archive has from an
    /// earlier attempt is sent again under the same UID, which is the same object.
    fn send(&self, objects: &[(DicomForm, Cow<'_, [u8]>)]) -> Result<(), Failure> {
        if objects.is_empty() {
            let words = "objects does not name what this delivery is of";
            return Err(Failure::new(Stage::Form, Word::NotTaken, words).lasting(true));
        }
        let classes = objects.iter().map(|(form, _)| class(*form)).collect();
        let (mut association, _) = self.associate(&classes, &[])?;
        for (form, file) in objects {
            match store(&mut association, *form, file) {
                Ok(Outcome::Done) => {}
                Ok(Outcome::Taken(status)) => tracing::info!(
                    code = "delivered-with-warning",
                    status = format!("{status:04X}H")
                ),
                Ok(Outcome::Refused(mut failure)) => {
                    association.release();
                    failure.words = format!("{}: {}", name(*form), failure.words);
                    return Err(failure);
                }
                Err(failure) => {
                    association.abort();
                    return Err(failure);
                }
            }
        }
        association.release();
        Ok(())
    }
}

impl Carrier for Dicom {
    /// Taken when each object is answered with success or a warning (PS3.4 B.2.3), or is there
    /// already.
    fn deliver(&mut self, parcel: &Parcel) -> Result<(), Failure> {
        let forms = self.way.objects.iter();
        let objects = forms.filter_map(|form| {
            let file = made(*form, parcel)?;
            Some(file.map(|file| (*form, Cow::Owned(file))))
        });
        let objects: Vec<_> = objects
            .collect::<Result<_, FormError>>()
            .map_err(unformed)?;
        self.send(&objects)
    }

    fn deliver_entered(&mut self, reports: &[Vec<u8>]) -> Result<(), Failure> {
        let form = DicomForm::Entered;
        let wanted = self.way.objects.contains(&form);
        let reports = reports.iter().filter(|_| wanted);
        let objects: Vec<_> = reports
            .map(|file| (form, Cow::Borrowed(file.as_slice())))
            .collect();
        self.send(&objects)
    }

    /// C-ECHO, where the archive accepts Verification beside the classes that are sent.
    fn echo(&mut self) -> Result<Vec<Stage>, Failure> {
        let classes = self.way.objects.iter().map(|form| class(*form)).collect();
        let (mut association, mut stages) = self.associate(&classes, &[uids::VERIFICATION])?;
        if association.context(uids::VERIFICATION).is_ok() {
            association.echo()?;
            stages.push(Stage::Answer);
        }
        association.release();
        Ok(stages)
    }
}

fn name(form: DicomForm) -> &'static str {
    match form {
        DicomForm::Sr => "the SR",
        DicomForm::Pdf => "the PDF object",
        DicomForm::Entered => "the typed report",
    }
}

fn class(form: DicomForm) -> &'static str {
    match form {
        DicomForm::Sr | DicomForm::Entered => uids::COMPREHENSIVE_SR_STORAGE,
        DicomForm::Pdf => uids::ENCAPSULATED_PDF_STORAGE,
    }
}

/// What is made of a result; typed reports go by themselves.
fn made(form: DicomForm, parcel: &Parcel) -> Option<Result<Vec<u8>, FormError>> {
    let Parcel {
        result,
        context,
        others,
    } = parcel;
    match form {
        DicomForm::Sr => Some(sr::comprehensive_sr(result, context)),
        DicomForm::Pdf => Some(pdf_object::encapsulated_pdf(result, context, others)),
        DicomForm::Entered => None,
    }
}

fn store(association: &mut Association, form: DicomForm, file: &[u8]) -> Result<Outcome, Failure> {
    let class = class(form);
    let context = association.context(class)?;
    let (instance, explicit) = parts(file).map_err(unformed)?;
    let data = match context.syntax {
        uids::EXPLICIT_VR_LITTLE_ENDIAN => Cow::Borrowed(explicit),
        _ => Cow::Owned(implicit(file).map_err(unformed)?),
    };
    association.store(context.id, class, &instance, &data)
}

/// The SOP Instance UID and the data set of one of our own files, typed reports among them.
fn parts(file: &[u8]) -> Result<(String, &[u8]), FormError> {
    let broken = |what: &dyn std::fmt::Display| FormError::Dicom(what.to_string());
    let meta = dicom_object::FileMetaTable::from_reader(file.get(128..).unwrap_or_default())
        .map_err(|error| broken(&error))?;
    // Preamble, DICM, the group length element of 12 bytes, the group (PS3.10 7.1).
    let begin = 128 + 4 + 12 + usize::try_from(meta.information_group_length).unwrap_or(usize::MAX);
    let data = file.get(begin..).ok_or_else(|| broken(&"it is cut off"))?;
    let instance = meta.media_storage_sop_instance_uid;
    Ok((instance.trim_end_matches(['\0', ' ']).to_owned(), data))
}

/// The data set in implicit little endian, for archives that take nothing else.
fn implicit(file: &[u8]) -> Result<Vec<u8>, FormError> {
    let broken = |what: &dyn std::fmt::Display| FormError::Dicom(what.to_string());
    let object = dicom_object::OpenFileOptions::new()
        .read_preamble(dicom_object::file::ReadPreamble::Always)
        .from_reader(file)
        .map_err(|error| broken(&error))?;
    let mut data = Vec::new();
    object
        .write_dataset_with_ts(&mut data, &IMPLICIT_VR_LITTLE_ENDIAN.erased())
        .map_err(|error| broken(&error))?;
    Ok(data)
}
