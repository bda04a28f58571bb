//! One part of a body: looked at, then kept.

use super::Web;
use super::answer::Told;
use crate::decoding::{self, Effort};
use crate::observe;
use crate::observe::audit::message::Outcome;
use crate::observe::audit::{Event, Facts, Origin};
use crate::observe::metrics::{Arrival, Carrier};
use crate::receive::negotiate::{is_object_class, syntaxes};
use crate::receive::storing::status_of;
use sheathline_model::domain::Source;
use sheathline_model::sr;
use sheathline_net::dicom::dimse::Status;
use sheathline_net::shares::Party;
use sheathline_store::StoreError;
use sheathline_store::facts;
use sheathline_store::objects::{Incoming, Kept};
use std::net::IpAddr;
use std::time::Instant;

/// Keeps a part, which is a DICOM file (PS3.10). `Success` means that it is on stable storage.
pub(super) async fn part(shared: &Web, peer: IpAddr, study: Option<&str>, bytes: Vec<u8>) -> Told {
    let started = Instant::now();
    let metrics = &shared.observed.metrics;
    let study = study.map(str::to_owned);
    let turn = match study {
        Some(_) => decoding::turn(Some(Party::of(peer)), Effort::of(&bytes, None)).await,
        None => decoding::Turn::default(),
    };
    let looked = tokio::task::spawn_blocking(move || {
        let media = sr::media(&bytes).unwrap_or_default();
        let fits = fit(&media, study.as_deref(), &bytes);
        drop(turn);
        (media, fits.map(|()| bytes))
    });
    let none = |_| (sr::Media::default(), Err(Status::NotStored));
    let (media, fits) = looked.await.unwrap_or_else(none);
    let status = match fits {
        Ok(bytes) => match store(shared, peer, bytes).await {
            Ok(kept) => {
                metrics.arrived(
                    Carrier::Web,
                    match kept {
                        Kept::New(_) => Arrival::Kept,
                        Kept::Repeat(_) => Arrival::Repeat,
                    },
                );
                Status::Success
            }
            Err(error) => {
                metrics.arrived(Carrier::Web, Arrival::Failed);
                let status = status_of(&error, &shared.store);
                tracing::error!(code = "web-not-kept", %peer, status = status.hex(), %error);
                status
            }
        },
        Err(status) => {
            metrics.arrived(Carrier::Web, Arrival::Refused);
            tracing::warn!(code = "object-refused", %peer, status = status.hex());
            status
        }
    };
    metrics.answered(status, started.elapsed());
    if status != Status::Success {
        shared.observed.note(|| Event::Received {
            origin: Origin::Peer(peer.to_string()),
            is_repeat: false,
            outcome: Outcome::Minor("refused, or not taken by the store"),
            facts: Facts {
                instance: media.instance.clone(),
                ..Facts::default()
            },
        });
    }
    Told {
        class: media.class,
        instance: media.instance,
        status,
    }
}

/// Whether a part is a file whose answer can name it, of a class and syntax that is taken, and of the
/// study that the request names.
fn fit(media: &sr::Media, study: Option<&str>, bytes: &[u8]) -> Result<(), Status> {
    let (Some(class), Some(_)) = (&media.class, &media.instance) else {
        return Err(Status::NotUnderstood);
    };
    if !is_object_class(class) {
        return Err(Status::ClassNotSupported);
    }
    if !syntaxes(class).any(|syntax| syntax == media.syntax) {
        return Err(Status::SyntaxNotSupported);
    }
    // Kept, it would be found under another name than the one that the answer tells.
    let named = sr::gate::named(bytes, None);
    let differs = |said: &Option<String>, named: &Option<String>| said.is_some() && said != named;
    if differs(&named.class, &media.class) || differs(&named.instance, &media.instance) {
        return Err(Status::NotOfItsClass);
    }
    let Some(study) = study else {
        return Ok(());
    };
    let read = sr::read(bytes, None, &sr::Limits::default());
    let header = read.map_err(|_| Status::NotUnderstood)?.header;
    match header.study_instance_uid.as_deref() == Some(study) {
        true => Ok(()),
        false => Err(Status::NotOfItsStudy),
    }
}

async fn store(shared: &Web, peer: IpAddr, bytes: Vec<u8>) -> Result<Kept, StoreError> {
    let issuer = shared.dicom.default_issuer.clone();
    let pack = move || {
        let source = Source::Web(peer.to_string());
        Incoming::new(&bytes, None, source, &issuer, chrono::Utc::now())
    };
    let packed = tokio::task::spawn_blocking(pack).await;
    let object = packed.map_err(|_| StoreError::Panicked)??;
    let kept = shared.store.write_async(move |tx| facts::keep(tx, &object));
    let (kept, repeated) = kept.await?;
    if let Some(facts) = repeated {
        let origin = Origin::Peer(peer.to_string());
        shared.observed.note(|| observe::repeated(origin, &facts));
    }
    Ok(kept)
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
        let named = sr::gate::named(&bytes, None);
        assert!(named.class.is_some() && named.instance.is_some());
        let media = sr::Media {
            class: named.class,
            instance: named.instance,
            ..media
        };
        assert_eq!(fit(&media, None, &bytes), Ok(()));
        let other = sr::Media {
            instance: Some("1.2.3".to_owned()),
            ..media.clone()
        };
        assert_eq!(fit(&other, None, &bytes), Err(Status::NotOfItsClass));
        let other = sr::Media {
            class: Some(uids::ENHANCED_SR_STORAGE.to_owned()),
            ..media
        };
        assert_eq!(fit(&other, None, &bytes), Err(Status::NotOfItsClass));
    }
}
