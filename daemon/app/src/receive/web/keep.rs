//! One part of a body: looked at, then kept.

use super::Web;
use super::answer::PartAnswer;
use crate::config::DicomSettings;
use crate::decoding::{self, Effort};
use crate::intake::{Kept, Name, Object, Telling, Unfit};
use crate::receive::negotiate::{is_object_class, syntaxes};
use sheathline_model::domain::Source;
use sheathline_model::sr;
use sheathline_net::shares::Party;
use sheathline_store::StoreError;
use std::net::IpAddr;
use std::time::Instant;

/// Keeps a part, which is a DICOM file (PS3.10). `Success` means that it is on stable storage.
pub(super) async fn part(
    shared: &Web,
    peer: IpAddr,
    study: Option<&str>,
    bytes: Vec<u8>,
) -> PartAnswer {
    let started = Instant::now();
    let (intake, source) = (shared.intake(), Source::Web(peer.to_string()));
    let study = study.map(str::to_owned);
    let settings = shared.dicom.clone();
    let turn = match study {
        Some(_) => decoding::turn(Some(Party::of(peer)), Effort::of(&bytes, None)).await,
        None => decoding::Turn::default(),
    };
    let looked = tokio::task::spawn_blocking(move || {
        let media = sr::media(&bytes).unwrap_or_default();
        let fits = fit(&media, study.as_deref(), &bytes, &settings);
        drop(turn);
        (media, fits.map(|()| bytes))
    });
    let looked = looked.await;
    let media = looked.as_ref().map(|(media, _)| media.clone());
    let media = media.unwrap_or_default();
    let name = media.instance.clone().map_or(Name::None, Name::Instance);
    let kept = match looked {
        Ok((_, Ok(bytes))) => {
            let object = Object {
                bytes,
                syntax: None,
                default_issuer: shared.dicom.default_issuer.clone(),
                name,
                history: None,
                telling: Telling::All,
            };
            intake.keep(object, &source).await
        }
        Ok((_, Err(unfit))) => intake.refuse(&name, &source, unfit),
        Err(_) => intake.fail(&name, &source, StoreError::Panicked),
    };
    let status = kept.status();
    let why = match kept {
        Kept::Refused(why) => Some(why),
        _ => None,
    };
    shared.observed.metrics.answered(status, started.elapsed());
    PartAnswer {
        class: media.class,
        instance: media.instance,
        status,
        why,
    }
}

/// Whether a part is a file whose answer can name it, of a class and syntax that is taken, and of the
/// study that the request names.
fn fit(
    media: &sr::Media,
    study: Option<&str>,
    bytes: &[u8],
    settings: &DicomSettings,
) -> Result<(), Unfit> {
    let (Some(class), Some(instance)) = (&media.class, &media.instance) else {
        return Err(Unfit::NotAFile);
    };
    if !is_object_class(class, settings) {
        return Err(Unfit::Class);
    }
    if !syntaxes(class).any(|syntax| syntax == media.syntax) {
        return Err(Unfit::Syntax);
    }
    Unfit::unless_named(bytes, None, Some(class), instance)?;
    let Some(study) = study else {
        return Ok(());
    };
    let read = sr::read(bytes, None, &sr::Limits::default());
    let header = read.map_err(|error| Unfit::malformed(&error))?.header;
    if header.study_instance_uid.as_deref() == Some(study) {
        Ok(())
    } else {
        Err(Unfit::StudyDiffers)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use dicom_dictionary_std::uids;
    use sheathline_model::sr::sample;

    /// PS3.10 7.1: the file meta group names what the data set is. The answer tells its UIDs, so an
    /// object that is another would be found under none of them.
    #[test]
    fn a_part_that_is_another_object_than_it_says_is_refused() {
        let bytes = sample::file(&sample::report(), uids::EXPLICIT_VR_LITTLE_ENDIAN);
        let media = sr::media(&bytes).expect("a file");
        let settings = DicomSettings::default();
        let named = sr::gate::named(&bytes, None);
        assert!(named.class.is_some() && named.instance.is_some());
        let media = sr::Media {
            class: named.class,
            instance: named.instance,
            ..media
        };
        assert_eq!(fit(&media, None, &bytes, &settings), Ok(()));
        let other = sr::Media {
            instance: Some("1.2.3".to_owned()),
            ..media.clone()
        };
        assert_eq!(
            fit(&other, None, &bytes, &settings),
            Err(Unfit::InstanceDiffers)
        );
        let other = sr::Media {
            class: Some(uids::ENHANCED_SR_STORAGE.to_owned()),
            ..media
        };
        assert_eq!(
            fit(&other, None, &bytes, &settings),
            Err(Unfit::ClassDiffers)
        );
    }
}
