//! What of a peer's request for an association we accept: pure.
//!
//! Done here and not by `dicom-ul`, whose acceptor takes the first transfer syntax in the peer's
//! order instead of ours, and refuses those it cannot decode itself, such as the deflated one,
//! though for us a data set is only bytes to keep.

use super::other_classes::droppable;
use crate::config::{DicomSettings, OtherClasses};
use crate::routes::archive::HistoryTitle;
use dicom_dictionary_std::uids;
use dicom_ul::pdu::{
    AssociationAC, AssociationRQ, Pdu, PresentationContextResult, PresentationContextResultReason,
    RequestorRoles, UserVariableItem, write_pdu,
};
use sheathline_model::sr::presentation::is_presentation_class;
use sheathline_net::dicom::ae_title::ae_title_problem;
use sheathline_net::dicom::dimse::uid;
use sheathline_net::dicom::refusal::Refusal;
use sheathline_net::dicom::{
    APPLICATION_CONTEXT, IMPLEMENTATION_CLASS_UID, IMPLEMENTATION_VERSION, PDU_BYTES_MAX,
};
use std::collections::BTreeMap;
use std::ops::Range;

/// Verification, which every acceptor offers (PS3.2), the structured reports, the pictures they refer
/// to, which are only kept, and what is drawn over pictures, where the configuration asks for it.
pub(crate) const CLASSES: [&str; 11] = [
    uids::VERIFICATION,
    uids::BASIC_TEXT_SR_STORAGE,
    uids::ENHANCED_SR_STORAGE,
    uids::COMPREHENSIVE_SR_STORAGE,
    uids::COMPREHENSIVE3_DSR_STORAGE,
    uids::EXTENSIBLE_SR_STORAGE,
    uids::KEY_OBJECT_SELECTION_DOCUMENT_STORAGE,
    uids::ULTRASOUND_IMAGE_STORAGE,
    uids::ULTRASOUND_MULTI_FRAME_IMAGE_STORAGE,
    uids::GRAYSCALE_SOFTCOPY_PRESENTATION_STATE_STORAGE,
    uids::COLOR_SOFTCOPY_PRESENTATION_STATE_STORAGE,
];

/// Whether objects of a class are taken, or its SOP class spoken.
fn is_taken(class: &str, settings: &DicomSettings) -> bool {
    let asked = settings.presentation_states || !is_presentation_class(class);
    asked && CLASSES.contains(&class)
}

/// Whether objects of a class are taken.
pub(super) fn is_object_class(class: &str, settings: &DicomSettings) -> bool {
    class != uids::VERIFICATION && is_taken(class, settings)
}

/// Best first. Explicit VR keeps the kinds of private elements; big endian is retired (PS3.5
/// 2016b) and still sent by old scanners.
const SYNTAXES: [&str; 4] = [
    uids::EXPLICIT_VR_LITTLE_ENDIAN,
    uids::IMPLICIT_VR_LITTLE_ENDIAN,
    uids::DEFLATED_EXPLICIT_VR_LITTLE_ENDIAN,
    #[expect(
        deprecated,
        reason = "retired from the standard, not from the hospitals"
    )]
    uids::EXPLICIT_VR_BIG_ENDIAN,
];

/// The usual ones of pictures, for pictures alone: their pixels are only kept, never decoded.
/// Uncompressed goes first, so that no sender compresses for us.
const PICTURE_SYNTAXES: [&str; 5] = [
    uids::JPEG_LOSSLESS_SV1,
    uids::JPEG2000_LOSSLESS,
    uids::RLE_LOSSLESS,
    uids::JPEG_BASELINE8_BIT,
    uids::JPEG2000,
];

/// Classes whose objects may come in them.
const PICTURES: [&str; 2] = [
    uids::ULTRASOUND_IMAGE_STORAGE,
    uids::ULTRASOUND_MULTI_FRAME_IMAGE_STORAGE,
];

/// Of Storage Commitment, best first.
const COMMITMENT_SYNTAXES: [&str; 2] = [
    uids::EXPLICIT_VR_LITTLE_ENDIAN,
    uids::IMPLICIT_VR_LITTLE_ENDIAN,
];

/// Transfer syntaxes we take for a class, best first.
pub(crate) fn syntaxes(class: &str) -> impl Iterator<Item = &'static str> {
    let pictures: &[&str] = if PICTURES.contains(&class) {
        &PICTURE_SYNTAXES
    } else {
        &[]
    };
    SYNTAXES.iter().chain(pictures).copied()
}

/// One accepted presentation context.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Context {
    /// SOP class.
    pub(super) class: &'static str,
    /// Transfer syntax of its data sets.
    pub(super) syntax: &'static str,
}

/// What an accepted presentation context is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Purpose {
    /// Objects that are kept, or Verification.
    Taken(Context),
    /// Storage Commitment, in this transfer syntax.
    Commitment(&'static str),
    /// Objects of this class, which are answered with success and not kept, since the site says so.
    Dropped(&'static str),
}

/// A presentation context that is refused.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct RefusedContext {
    /// The abstract syntax as the peer proposed it.
    pub(super) class: String,
    /// Whether the class is taken, in other transfer syntaxes.
    pub(super) for_its_syntaxes: bool,
}

/// A request that is accepted: send the PDU, then talk in these contexts. There may be none.
#[derive(Debug)]
pub(super) struct Accepted {
    pub(super) pdu: Vec<u8>,
    pub(super) contexts: BTreeMap<u8, Purpose>,
    pub(super) refused: Vec<RefusedContext>,
    pub(super) calling: String,
    pub(super) peer_pdu_max: u32,
}

/// Decides on a request.
pub(super) fn answer(
    request: AssociationRQ,
    settings: &DicomSettings,
    titles: &[HistoryTitle],
) -> Result<Accepted, Refusal> {
    if request.protocol_version & 1 == 0 {
        return Err(Refusal::Protocol);
    }
    if plain(&request.application_context_name) != APPLICATION_CONTEXT {
        return Err(Refusal::ApplicationContext);
    }
    let same = |one: &str, other: &str| one.trim_matches(' ') == other.trim_matches(' ');
    let called = request.called_ae_title.trim_matches(' ');
    let any =
        settings.accept_any_called && (called.is_empty() || ae_title_problem(called).is_none());
    let ours = same(called, &settings.ae_title);
    let for_history = titles.iter().any(|one| same(called, &one.ae_title));
    if !any && !ours && !for_history {
        return Err(Refusal::Called);
    }
    let calling = request.calling_ae_title.trim_matches(' ').to_owned();
    let allowed = &settings.calling_allowed;
    if calling.is_empty() {
        if !settings.accept_blank_calling {
            return Err(Refusal::CallingBlank);
        }
    } else if ae_title_problem(&calling).is_some()
        || !(allowed.is_empty() || allowed.iter().any(|listed| same(listed, &calling)))
    {
        return Err(Refusal::Calling);
    }
    let commits = !for_history && may_ask(settings, &calling);
    let roles = roles(&request.user_variables);
    let is_user = roles.is_none_or(|roles| roles.scu);
    let drops = !for_history && other_classes(settings, &calling) == OtherClasses::TakeAndDrop;
    let (mut contexts, mut refused) = (BTreeMap::new(), Vec::new());
    let mut results: Vec<PresentationContextResult> = Vec::new();
    for proposed in request.presentation_contexts {
        // PS3.8 table 9-13: odd and unique. Two contexts of one id cannot be told apart later.
        if proposed.id % 2 == 0 || results.iter().any(|result| result.id == proposed.id) {
            return Err(Refusal::ContextIds);
        }
        let offers = |syntax: &&str| {
            proposed
                .transfer_syntaxes
                .iter()
                .any(|offered| plain(offered) == *syntax)
        };
        let abstract_syntax = plain(&proposed.abstract_syntax);
        let class = CLASSES
            .iter()
            .find(|class| abstract_syntax == **class)
            .filter(|class| is_taken(class, settings));
        let chosen = class.and_then(|class| syntaxes(class).find(offers));
        // Whoever proposes the role of SCP alone would be asked by us (PS3.7 D.3.3.4).
        let is_commitment =
            commits && is_user && abstract_syntax == uids::STORAGE_COMMITMENT_PUSH_MODEL;
        let commitment = COMMITMENT_SYNTAXES.into_iter().find(offers);
        let commitment = commitment.filter(|_| is_commitment);
        // A class of ours is never dropped, also where it is switched off.
        let dropped = (drops && !CLASSES.contains(&abstract_syntax))
            .then(|| droppable(abstract_syntax))
            .flatten();
        let first = proposed.transfer_syntaxes.first().map(|one| plain(one));
        let first = first.filter(|one| uid(one.as_bytes()).is_some());
        let (reason, syntax) = match (commitment, class, chosen, dropped, first) {
            (Some(syntax), ..) => {
                contexts.insert(proposed.id, Purpose::Commitment(syntax));
                (PresentationContextResultReason::Acceptance, syntax)
            }
            (None, Some(class), Some(syntax), ..) => {
                let context = Context { class, syntax };
                contexts.insert(proposed.id, Purpose::Taken(context));
                (PresentationContextResultReason::Acceptance, syntax)
            }
            // Its bytes are not looked at, so any transfer syntax will do.
            (None, None, _, Some(class), Some(syntax)) => {
                contexts.insert(proposed.id, Purpose::Dropped(class));
                (PresentationContextResultReason::Acceptance, syntax)
            }
            _ => {
                let for_its_syntaxes = class.is_some() || is_commitment;
                refused.push(RefusedContext {
                    class: abstract_syntax.to_owned(),
                    for_its_syntaxes,
                });
                let reason = if for_its_syntaxes {
                    PresentationContextResultReason::TransferSyntaxesNotSupported
                } else {
                    PresentationContextResultReason::AbstractSyntaxNotSupported
                };
                (reason, uids::IMPLICIT_VR_LITTLE_ENDIAN)
            }
        };
        let transfer_syntax = syntax.to_owned();
        results.push(PresentationContextResult {
            id: proposed.id,
            reason,
            transfer_syntax,
        });
    }
    // Of the roles proposed for Storage Commitment we agree to the one that asks.
    let is_accepted = |purpose: &Purpose| matches!(purpose, Purpose::Commitment(_));
    let agreed = roles.filter(|_| contexts.values().any(is_accepted));
    let agreed = agreed.map(|roles| {
        let class = uids::STORAGE_COMMITMENT_PUSH_MODEL.to_owned();
        let agreed = RequestorRoles {
            scu: roles.scu,
            scp: false,
        };
        UserVariableItem::ScuScpRoleSelectionSubItem(class, agreed)
    });
    let peer_pdu_max = request
        .user_variables
        .iter()
        .find_map(|item| match item {
            UserVariableItem::MaxLength(max) => Some(*max),
            _ => None,
        })
        .filter(|max| *max != 0)
        .unwrap_or(u32::MAX);
    Ok(Accepted {
        pdu: acceptance(AssociationAC {
            protocol_version: 1,
            calling_ae_title: request.calling_ae_title,
            called_ae_title: request.called_ae_title,
            application_context_name: APPLICATION_CONTEXT.to_owned(),
            presentation_contexts: results,
            user_variables: vec![
                UserVariableItem::MaxLength(PDU_BYTES_MAX),
                UserVariableItem::ImplementationClassUID(IMPLEMENTATION_CLASS_UID.to_owned()),
                UserVariableItem::ImplementationVersionName(IMPLEMENTATION_VERSION.to_owned()),
            ]
            .into_iter()
            .chain(agreed)
            .collect(),
        }),
        contexts,
        refused,
        calling,
        peer_pdu_max,
    })
}

/// Whether this sender may ask by Storage Commitment: it is known where it is told.
fn may_ask(settings: &DicomSettings, calling: &str) -> bool {
    let mut senders = settings.sender.iter();
    let own = senders.find(|sender| sender.ae_title == calling);
    own.is_some_and(|sender| sender.commitment_host.is_some())
}

/// The roles that a peer proposes for Storage Commitment (PS3.7 D.3.3.4).
fn roles(items: &[UserVariableItem]) -> Option<RequestorRoles> {
    items.iter().find_map(|item| match item {
        UserVariableItem::ScuScpRoleSelectionSubItem(class, roles)
            if plain(class) == uids::STORAGE_COMMITMENT_PUSH_MODEL =>
        {
            Some(*roles)
        }
        _ => None,
    })
}

/// What happens to objects of other classes from this sender.
fn other_classes(settings: &DicomSettings, calling: &str) -> OtherClasses {
    let mut senders = settings.sender.iter();
    let own = senders.find(|sender| sender.ae_title == calling);
    own.and_then(|sender| sender.other_classes)
        .unwrap_or(settings.other_classes)
}

/// The PDU that accepts. It gives both titles back as they came (PS3.8 table 9-17), blank ones too,
/// which `dicom-ul` does not write.
fn acceptance(mut accepted: AssociationAC) -> Vec<u8> {
    const CALLED: Range<usize> = 10..26;
    const CALLING: Range<usize> = 26..42;
    let mut blank = Vec::new();
    for (title, place) in [
        (&mut accepted.called_ae_title, CALLED),
        (&mut accepted.calling_ae_title, CALLING),
    ] {
        if title.trim_matches(' ').is_empty() {
            *title = "-".to_owned();
            blank.push(place);
        }
    }
    let mut bytes = Vec::with_capacity(512);
    // Writing to memory fails only for titles, which were checked or replaced.
    let _ = write_pdu(&mut bytes, &Pdu::AssociationAC(accepted));
    for place in blank {
        if let Some(title) = bytes.get_mut(place) {
            title.fill(b' ');
        }
    }
    bytes
}

/// A UID without the padding that some senders leave on it.
fn plain(uid: &str) -> &str {
    uid.trim_end_matches([' ', '\0'])
}

#[cfg(test)]
mod tests;
