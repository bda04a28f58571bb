//! One association from its request to its end.

use super::committing::{self, Committing};
use super::dropping::Dropping;
use super::negotiate::{self, Accepted, Context, Purpose};
use super::shared::{Shared, Titles};
use super::storing;
use crate::commitment;
use crate::config::SenderSettings;
use crate::intake::{Name, Unfit};
use crate::observe::audit::Event;
use crate::routes::archive::HistoryTitle;
use dicom_dictionary_std::uids;
use dicom_ul::pdu::{AbortRQServiceProviderReason, AbortRQSource, PDataValue, PDataValueType, Pdu};
use sheathline_model::domain::Source;
use sheathline_net::dicom::PDU_BYTES_MAX;
use sheathline_net::dicom::dimse::{Command, Operation, Status};
use sheathline_net::dicom::message::{Assembler, Fault, Fragment, Message};
use sheathline_net::dicom::refusal::Refusal;
use sheathline_net::dicom::request::{Answer, EVENT_ANSWER, event_request};
use sheathline_net::dicom::wire::{Stream, Wire, WireError};
use sheathline_net::serve::{End as Signals, Peer, proxy};
use sheathline_net::shares::{Party, Pulse, Share};
use sheathline_store::commitments::Open;
use std::collections::BTreeMap;
use std::net::IpAddr;
use std::sync::Arc;
use std::time::Duration;
use tokio::time::Instant;

/// Bytes of a piece of what we send at most, whatever more a peer takes.
const PIECE: u64 = 32 << 10;

/// Why an association ends.
#[derive(Debug)]
enum End {
    /// Released or aborted by the peer.
    Peer(&'static str),
    /// The connection is of no more use.
    Lost(WireError),
    /// We abort it, with what PS3.8 table 9-26 says and what the log says.
    Abort(AbortRQSource, String),
    /// We abort it since the program stops.
    Stop,
}

impl From<WireError> for End {
    fn from(error: WireError) -> Self {
        use AbortRQServiceProviderReason as Reason;
        let reason = match error {
            WireError::NotAPdu(_) => Reason::UnrecognizedPdu,
            WireError::TooLarge(_) | WireError::Malformed(_) => Reason::InvalidPduParameter,
            WireError::TimedOut(_) => Reason::ReasonNotSpecified,
            WireError::Closed | WireError::Failed(_) | WireError::NotRead(_) => {
                return End::Lost(error);
            }
        };
        End::Abort(AbortRQSource::ServiceProvider(reason), error.to_string())
    }
}

/// Serves one connection until it ends.
pub(super) async fn serve(stream: impl Stream, peer: Peer, shared: Arc<Shared>, signals: Signals) {
    let address = peer.address;
    let write_limit = Duration::from_secs(shared.settings.write_timeout_s);
    let mut wire = Wire::new(stream, PDU_BYTES_MAX, write_limit);
    let request = tokio::select! {
        biased;
        () = signals.program_stops() => return,
        request = wire.receive(shared.association_limit()) => request,
    };
    let request = match request {
        Ok(Pdu::AssociationRQ(request)) => request,
        Ok(_) => {
            let titles = Titles::default();
            return refuse(wire, Refusal::RequestMissing, address, &titles, &shared, "").await;
        }
        // Load balancers connect and close to see whether we are there.
        Err(WireError::Closed | WireError::Failed(_)) => {
            return tracing::debug!(code = "connection-closed", peer = %address, "asked for nothing");
        }
        Err(error) => {
            let (refusal, titles) = (instead_of_a_request(&error), Titles::default());
            let detail = error.to_string();
            return refuse(wire, refusal, address, &titles, &shared, &detail).await;
        }
    };
    let titles = Titles::of(&request);
    // A seat is taken last: who may not sit down takes none.
    let history = history_of(&request.called_ae_title, &shared.titles);
    let admitted = negotiate::answer(request, &shared.settings, &shared.titles);
    let admitted = admitted.and_then(|accepted| {
        let sender = shared.sender(&accepted.calling, &peer)?;
        let seat = shared.seat(&peer, &sender)?;
        Ok((accepted, sender, seat))
    });
    let (accepted, sender, seat) = match admitted {
        Ok(admitted) => admitted,
        Err(refusal) => return refuse(wire, refusal, address, &titles, &shared, "").await,
    };
    let Accepted {
        pdu,
        contexts,
        refused,
        calling,
        peer_pdu_max,
    } = accepted;
    if let Err(error) = wire.send_bytes(&pdu).await {
        return end(wire, address, &calling, error.into()).await;
    }
    let detail = shared.contexts_refused(&refused, &storing::source(&calling, history.as_ref()));
    if contexts.is_empty() {
        shared.refused(Refusal::NoContext, address, &titles, &detail);
    } else {
        if !refused.is_empty() {
            shared.context_refused(address, &titles, &detail);
        }
        shared.observed.note(|| Event::Association {
            address,
            calling: calling.clone(),
        });
    }
    tracing::debug!(code = "association-opened", peer = %address, calling, contexts = contexts.len());
    let assembler = Assembler::new(shared.settings.max_object_bytes);
    let rules = Arc::clone(&shared);
    let mut association = Association {
        wire,
        shared,
        party: Party::of(address),
        places: [seat.one_of_all.pulse(), peer.pulse],
        contexts,
        calling,
        sender,
        history,
        peer_pdu_max,
        assembler,
        memory: None,
        dropping: Dropping::default(),
        committing: Committing::default(),
    };
    let why = tokio::select! {
        why = association.talk(&signals) => Some(why),
        () = seat.one_of_all.taken_back() => None,
    };
    let source = association.source();
    let Association {
        wire,
        calling,
        dropping,
        ..
    } = association;
    match why {
        Some(why) => end(wire, address, &calling, why).await,
        None => {
            drop(wire);
            rules.refused(Refusal::Displaced, address, &titles, "of the associations");
        }
    }
    dropping.tell(&rules, source, address, &calling).await;
}

/// Returns once the memory of an object is taken back.
async fn lost(memory: Option<&Share>) {
    match memory {
        Some(memory) => memory.taken_back().await,
        None => std::future::pending().await,
    }
}

/// The archive that calls this AE title, which it knows for history alone.
fn history_of(called: &str, titles: &[HistoryTitle]) -> Option<HistoryTitle> {
    let called = called.trim_matches(' ');
    titles.iter().find(|one| one.ae_title == called).cloned()
}

/// What it means that something else came than a request for an association.
fn instead_of_a_request(error: &WireError) -> Refusal {
    match error {
        // A TLS record of a handshake (RFC 8446 5.1).
        WireError::NotAPdu(0x16) => Refusal::TlsOnPlain,
        WireError::NotAPdu(proxy::FIRST_BYTE) => Refusal::ProxyUnexpected,
        WireError::NotAPdu(_) => Refusal::NotDicom,
        WireError::TimedOut(_) => Refusal::RequestSlow,
        _ => Refusal::RequestMalformed,
    }
}

/// Tells the peer that it is refused, as far as the reason says so, and closes.
async fn refuse(
    mut wire: Wire<impl Stream>,
    refusal: Refusal,
    address: IpAddr,
    titles: &Titles,
    shared: &Shared,
    detail: &str,
) {
    shared.refused(refusal, address, titles, detail);
    if let Some(pdu) = refusal.reply().pdu() {
        let _ = wire.send_bytes(&pdu).await;
        wire.close().await;
    }
}

async fn end(mut wire: Wire<impl Stream>, peer: IpAddr, calling: &str, why: End) {
    match why {
        End::Peer(how) => tracing::debug!(code = "association-ended", %peer, calling, how),
        End::Lost(error) => {
            return tracing::warn!(code = "association-lost", %peer, calling, %error);
        }
        End::Abort(source, why) => {
            tracing::warn!(code = "association-aborted", %peer, calling, why);
            let _ = wire.send(&Pdu::AbortRQ { source }).await;
        }
        End::Stop => {
            tracing::info!(code = "association-stopped", %peer, calling);
            let source = AbortRQSource::ServiceUser;
            let _ = wire.send(&Pdu::AbortRQ { source }).await;
        }
    }
    wire.close().await;
}

fn unexpected(what: &str) -> End {
    let reason = AbortRQServiceProviderReason::UnexpectedPdu;
    End::Abort(AbortRQSource::ServiceProvider(reason), what.to_owned())
}

struct Association<S> {
    wire: Wire<S>,
    shared: Arc<Shared>,
    party: Party,
    /// Its places among the associations and among the connections.
    places: [Pulse; 2],
    contexts: BTreeMap<u8, Purpose>,
    calling: String,
    sender: SenderSettings,
    /// The archive whose history comes, if it is that.
    history: Option<HistoryTitle>,
    peer_pdu_max: u32,
    assembler: Assembler,
    /// The part of the shared memory that the data set being received takes.
    memory: Option<Share>,
    /// What is dropped in it.
    dropping: Dropping,
    /// What was reported in it.
    committing: Committing,
}

impl<S: Stream> Association<S> {
    /// Where its objects come from.
    fn source(&self) -> Source {
        storing::source(&self.calling, self.history.as_ref())
    }

    /// Answers requests until there is a reason to end. That its port is closed is none.
    async fn talk(&mut self, signals: &Signals) -> End {
        let idle = Duration::from_secs(self.shared.settings.idle_timeout_s);
        let whole = Duration::from_secs(self.shared.settings.message_timeout_s);
        let mut deadline = Instant::now() + whole;
        loop {
            let received = if self.assembler.is_between_messages() {
                deadline = Instant::now() + idle + whole;
                tokio::select! {
                    biased;
                    () = signals.program_stops() => return End::Stop,
                    received = self.wire.receive(idle) => received,
                }
            } else {
                let left = deadline.saturating_duration_since(Instant::now());
                let Self {
                    wire,
                    memory,
                    assembler,
                    ..
                } = self;
                let mut receiving = std::pin::pin!(wire.receive(idle.min(left)));
                tokio::select! {
                    biased;
                    received = &mut receiving => received,
                    // Others need what it holds: it is answered at its end that there was no room.
                    () = lost(memory.as_ref()) => {
                        assembler.give_up_data();
                        *memory = None;
                        receiving.await
                    }
                }
            };
            for place in &self.places {
                place.beat();
            }
            let values = match received {
                Ok(Pdu::PData { data }) => data,
                Ok(Pdu::ReleaseRQ) => {
                    return match self.wire.send(&Pdu::ReleaseRP).await {
                        Ok(()) => End::Peer("released"),
                        Err(error) => error.into(),
                    };
                }
                Ok(Pdu::AbortRQ { .. }) => return End::Peer("aborted by the peer"),
                Ok(_) => return unexpected("a PDU that has no place inside an association"),
                Err(error) => return error.into(),
            };
            for value in values {
                if let Err(end) = self.take(&value).await {
                    return end;
                }
            }
        }
    }

    async fn take(&mut self, value: &PDataValue) -> Result<(), End> {
        let fragment = Fragment {
            context: value.presentation_context_id,
            is_command: value.value_type == PDataValueType::Command,
            is_last: value.is_last,
            bytes: &value.data,
        };
        if !fragment.is_command {
            self.make_way(&fragment);
        }
        let whole = self
            .assembler
            .feed(fragment)
            .map_err(|fault| self.broken_off(&fault))?;
        let Some(message) = whole else {
            return Ok(());
        };
        if let Some(memory) = &self.memory {
            memory.pin();
        }
        let busy = self.places.each_ref().map(Pulse::busy);
        let done = self.answer(message).await;
        drop(busy);
        self.memory = None;
        done
    }

    /// Sees to it that the bytes of a data set find room, or need none.
    fn make_way(&mut self, fragment: &Fragment<'_>) {
        if let Some(Purpose::Dropped(_)) = self.contexts.get(&fragment.context) {
            self.assembler.pass_over_data();
        } else if !self.reserve(fragment.bytes.len()) {
            self.assembler.give_up_data();
        }
    }

    /// Ends over a message that breaks the rules; an object that is too large to come is told of as one.
    fn broken_off(&self, fault: &Fault) -> End {
        if let Fault::TooLarge { limit } = *fault {
            let unfit = Unfit::TooLarge { bytes: None, limit };
            let intake = self.shared.intake();
            intake.broken_off(&Name::None, &self.source(), unfit);
        }
        End::Abort(AbortRQSource::ServiceUser, fault.to_string())
    }

    /// Sets memory aside for so many more bytes of the data set; `false` if there is none.
    fn reserve(&mut self, more: usize) -> bool {
        let Shared {
            memory,
            memory_room,
            ..
        } = &*self.shared;
        let wanted = (self.assembler.held_bytes() + more).div_ceil(1024);
        let mine = self
            .memory
            .get_or_insert_with(|| memory.nothing(self.party));
        mine.hold(wanted, *memory_room)
    }

    /// Keeps an object, if it may come in this context.
    async fn store(&mut self, of: &Command, context: Context, data_set: Option<Vec<u8>>) -> Status {
        let uid = match self.named(of, context.class) {
            Ok(uid) => uid,
            Err(unfit) => return self.refuse(of, unfit),
        };
        match data_set {
            None if !of.has_data_set => Status::NoDataSet,
            None => self.refuse(of, Unfit::NoRoom),
            Some(bytes) => {
                let from = storing::From {
                    calling: &self.calling,
                    sender: &self.sender,
                    history: self.history.as_ref(),
                    context,
                    party: self.party,
                };
                storing::store(&self.shared, from, uid, bytes).await
            }
        }
    }

    /// Answers success for an object of which nothing is kept, since the site says so.
    fn pass_over(&mut self, of: &Command, class: &'static str) -> Status {
        match self.named(of, class) {
            Err(unfit) => self.refuse(of, unfit),
            Ok(_) if !of.has_data_set => Status::NoDataSet,
            Ok(_) => {
                let source = self.source();
                self.dropping.note(&self.shared, &source, class);
                Status::Success
            }
        }
    }

    /// The instance that a request names, if its class is that of the context.
    fn named<'c>(&self, of: &'c Command, class: &str) -> Result<&'c str, Unfit> {
        if of.sop_class_uid.as_deref() != Some(class) {
            return Err(Unfit::Class);
        }
        of.sop_instance_uid.as_deref().ok_or(Unfit::Nameless)
    }

    fn refuse(&self, of: &Command, unfit: Unfit) -> Status {
        if !of.has_data_set {
            return unfit.status();
        }
        let name = of
            .sop_instance_uid
            .clone()
            .map_or(Name::None, Name::Instance);
        let intake = self.shared.intake();
        intake.refuse(&name, &self.source(), unfit).status()
    }

    async fn answer(&mut self, message: Message) -> Result<(), End> {
        let Message {
            context,
            command,
            data_set,
            command_set,
        } = message;
        let Some(accepted) = self.contexts.get(&context).copied() else {
            let why = "a message in a presentation context that was not accepted";
            return Err(unexpected(why));
        };
        let started = Instant::now();
        let mut is_told = false;
        let mut asked = None;
        let status = match (command.operation, accepted) {
            (Operation::Cancel, _) => return Ok(()),
            (Operation::Response(_), Purpose::Commitment(_)) => {
                return self.told(&command_set).await;
            }
            (Operation::Response(_), _) => {
                return Err(unexpected("an answer that nobody asked for"));
            }
            (Operation::Echo, _) => Status::Success,
            // Whatever went wrong with an object has its line in the log.
            (Operation::Store, Purpose::Taken(of)) => {
                is_told = command.has_data_set;
                self.store(&command, of, data_set).await
            }
            (Operation::Store, Purpose::Dropped(class)) => {
                is_told = command.has_data_set;
                self.pass_over(&command, class)
            }
            (Operation::Store, Purpose::Commitment(_)) => Status::ClassNotSupported,
            (Operation::Action, Purpose::Commitment(syntax)) => {
                let calling = &self.calling;
                let (status, open) =
                    committing::asked(&self.shared, calling, &command, data_set, syntax).await;
                asked = open.map(|open| (open, syntax));
                status
            }
            (Operation::Action | Operation::Other(_), _) => {
                tracing::warn!(
                    code = "operation-unknown",
                    calling = self.calling,
                    operation = command.operation.field()
                );
                Status::UnrecognisedOperation
            }
        };
        if command.operation == Operation::Store {
            let metrics = &self.shared.observed.metrics;
            metrics.answered(status, started.elapsed());
        }
        if status != Status::Success && !is_told {
            tracing::warn!(
                code = "request-failed",
                calling = self.calling,
                status = status.hex()
            );
        }
        self.send(context, command.answer(status), None).await?;
        match asked {
            Some((open, syntax)) => self.report(context, &open, syntax).await,
            None => Ok(()),
        }
    }

    /// Reports on a request in the association that it came by, if that is known soon.
    async fn report(&mut self, context: u8, open: &Open, syntax: &str) -> Result<(), End> {
        let Some(report) = committing::known_soon(&self.shared.reception, open).await else {
            return Ok(());
        };
        // One that cannot be written here is told over an association of ours, which says why.
        let Ok(data) = report.data_set(syntax) else {
            return Ok(());
        };
        let message = self.committing.tell(open.transaction.clone());
        let command = event_request(
            message,
            uids::STORAGE_COMMITMENT_PUSH_MODEL,
            commitment::INSTANCE,
            report.event(),
        );
        self.send(context, command, Some(data)).await
    }

    /// Takes the answer to a report.
    async fn told(&mut self, command_set: &[u8]) -> Result<(), End> {
        let answer = Answer::parse(command_set)
            .map_err(|error| End::Abort(AbortRQSource::ServiceUser, error.to_string()))?;
        let transaction = self.committing.answered(answer.to);
        let transaction = transaction.filter(|_| answer.field == EVENT_ANSWER);
        let Some(transaction) = transaction else {
            return Err(unexpected("an answer that nobody asked for"));
        };
        committing::told(&self.shared, &self.calling, transaction, answer.status).await;
        Ok(())
    }

    /// Sends a command, and a data set if it has one, in pieces that the peer takes.
    async fn send(
        &mut self,
        context: u8,
        command: Vec<u8>,
        data_set: Option<Vec<u8>>,
    ) -> Result<(), End> {
        // A peer states what it takes after the PDU header: the item has six bytes of its own.
        let room = u64::from(self.peer_pdu_max).saturating_sub(6).min(PIECE);
        if command.len() as u64 > room {
            let why = "the peer's PDU limit is too small for any answer";
            return Err(End::Abort(AbortRQSource::ServiceUser, why.to_owned()));
        }
        let value = |value_type, is_last, data| {
            let value = PDataValue {
                presentation_context_id: context,
                value_type,
                is_last,
                data,
            };
            Pdu::PData { data: vec![value] }
        };
        let command = value(PDataValueType::Command, true, command);
        self.wire.send(&command).await?;
        // An even number, as PDVs have (PS3.8 annex E).
        let room = usize::try_from(room & !1).unwrap_or(usize::MAX).max(2);
        let data_set = data_set.unwrap_or_default();
        let mut pieces = data_set.chunks(room).peekable();
        while let Some(piece) = pieces.next() {
            let is_last = pieces.peek().is_none();
            let data = value(PDataValueType::Data, is_last, piece.to_vec());
            self.wire.send(&data).await?;
        }
        Ok(())
    }
}
