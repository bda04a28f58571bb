//! Associations over a real socket: DCMTK's tools and the client of `dicom-ul` as senders, and
//! peers that keep no rule.

mod access;
mod dcmtk;
mod hostile;
mod intake;
mod other_classes;
pub(crate) mod pki;
pub(crate) mod raw;
mod refusals;
mod senders;
mod slow;
pub(crate) mod tls;
mod tls_files;

use dicom_core::Tag;
use dicom_dictionary_std::tags;
use dicom_object::InMemDicomObject;
use dicom_transfer_syntax_registry::entries;
use dicom_ul::association::client::{AsyncClientAssociation, ClientAssociationOptions};
use dicom_ul::pdu::{PDataValue, PDataValueType, Pdu};
use sheathline::config::DicomSettings;
use sheathline::observe::Observed;
use sheathline::receive::Dicom;
use sheathline_net::dicom::refusal::{Refusal, Refusals};
use sheathline_net::serve::Served;
use sheathline_store::objects::{self, Unread};
use sheathline_store::{Mode, Store, StoreError, bare, readings};
use std::net::SocketAddr;
use std::sync::Arc;
use std::time::Duration;
use tempfile::TempDir;
use tokio::net::TcpStream;
use tokio::sync::watch;
use tokio::task::JoinHandle;
use tokio::time::{Instant, sleep, timeout};

pub(crate) const SR: &str = "1.2.840.10008.5.1.4.1.1.88.33";
const VERIFICATION: &str = "1.2.840.10008.1.1";
const EXPLICIT: &str = "1.2.840.10008.1.2.1";

/// A listening node with a store of its own.
struct Node {
    store: Store,
    address: SocketAddr,
    /// All of them, and whether TLS is spoken there.
    addresses: Vec<(SocketAddr, bool)>,
    refusals: Arc<Refusals>,
    stop: watch::Sender<bool>,
    running: JoinHandle<()>,
    temp: TempDir,
}

impl Node {
    async fn start(change: impl FnOnce(&mut DicomSettings)) -> Node {
        let temp = TempDir::new().expect("temp");
        let store = Store::open(&temp.path().join("store.db"), Mode::Owner).expect("opens");
        let mut settings = DicomSettings {
            listen: vec!["127.0.0.1:0".parse().expect("an address")],
            ..DicomSettings::default()
        };
        change(&mut settings);
        let dicom = Dicom::new(&settings, store.clone(), Observed::default());
        let refusals = dicom.refusals();
        let served = Served::bind(dicom, (settings, Vec::new())).await;
        let served = served.expect("listens");
        let addresses = served.addresses();
        let address = addresses[0].0;
        let (stop, stopped) = watch::channel(false);
        Node {
            store,
            address,
            addresses,
            refusals,
            stop,
            running: tokio::spawn(served.run(stopped)),
            temp,
        }
    }

    /// How often peers were refused for one reason.
    fn refused(&self, refusal: Refusal) -> u64 {
        let mut counts = self.refusals.counts();
        let found = counts.find(|(one, _)| *one == refusal);
        found.expect("in the table").1
    }

    /// Waits until peers were refused so often for one reason, and no more often: a peer may see
    /// the end of its connection before the daemon has counted it.
    async fn count_of(&self, refusal: Refusal, expected: u64) {
        let deadline = Instant::now() + Duration::from_secs(60);
        while self.refused(refusal) < expected && Instant::now() < deadline {
            sleep(Duration::from_millis(10)).await;
        }
        assert_eq!(self.refused(refusal), expected, "{refusal:?}");
    }

    /// Everything kept: what is known of it and its bytes.
    fn kept(&self) -> Vec<(Unread, Vec<u8>)> {
        self.store
            .read(|conn| {
                objects::next_unread(conn, 10_000)?
                    .into_iter()
                    .map(|one| Ok((one.clone(), objects::body(conn, one.id)?)))
                    .collect()
            })
            .expect("read")
    }

    async fn stop(self) {
        self.stop.send(true).expect("running");
        timeout(Duration::from_secs(12), self.running)
            .await
            .expect("in time")
            .expect("no panic");
    }
}

/// An association as `dicom-ul` makes it.
pub(crate) struct Sender {
    pub(crate) association: AsyncClientAssociation<TcpStream>,
    next: u16,
    /// The Error Comment of the last answer.
    said: String,
}

impl Sender {
    pub(crate) async fn connect(
        address: SocketAddr,
    ) -> Result<Sender, dicom_ul::association::Error> {
        Self::connect_in(address, EXPLICIT).await
    }

    /// With one transfer syntax for structured reports.
    pub(crate) async fn connect_in(
        address: SocketAddr,
        syntax: &'static str,
    ) -> Result<Sender, dicom_ul::association::Error> {
        let association = ClientAssociationOptions::new()
            .calling_ae_title("SCANNER")
            .called_ae_title("SHEATHLINE")
            .with_presentation_context(VERIFICATION, vec!["1.2.840.10008.1.2"])
            .with_presentation_context(SR, vec![syntax])
            .establish_async(address)
            .await?;
        Ok(Sender {
            association,
            next: 1,
            said: String::new(),
        })
    }

    fn context(&self, class: &str) -> u8 {
        self.association
            .presentation_contexts()
            .iter()
            .find(|one| one.abstract_syntax == class)
            .expect("accepted")
            .id
    }

    async fn send(&mut self, values: Vec<PDataValue>) {
        self.association
            .send(&Pdu::PData { data: values })
            .await
            .expect("sent");
    }

    /// A command in the context of `class`; numbers by element, UIDs for class and instance.
    pub(crate) async fn command(
        &mut self,
        class: &str,
        field: u16,
        has_data: bool,
        instance: Option<&str>,
    ) {
        let mut set = vec![
            (tags::AFFECTED_SOP_CLASS_UID, text(class)),
            (tags::COMMAND_FIELD, field.to_le_bytes().to_vec()),
            (tags::MESSAGE_ID, self.next.to_le_bytes().to_vec()),
            (
                tags::COMMAND_DATA_SET_TYPE,
                (if has_data { 1_u16 } else { 0x0101 })
                    .to_le_bytes()
                    .to_vec(),
            ),
        ];
        set.extend(instance.map(|uid| (tags::AFFECTED_SOP_INSTANCE_UID, text(uid))));
        let data = encode(&set);
        let presentation_context_id = self.context(class);
        let value_type = PDataValueType::Command;
        self.send(vec![PDataValue {
            presentation_context_id,
            value_type,
            is_last: true,
            data,
        }])
        .await;
        self.next += 1;
    }

    pub(crate) async fn data(&mut self, class: &str, bytes: &[u8], is_last: bool) {
        let presentation_context_id = self.context(class);
        let (value_type, data) = (PDataValueType::Data, bytes.to_vec());
        self.send(vec![PDataValue {
            presentation_context_id,
            value_type,
            is_last,
            data,
        }])
        .await;
    }

    /// The answer, read by `dicom-object`: status and the whole command set.
    pub(crate) async fn answer(&mut self) -> (u16, InMemDicomObject) {
        let pdu = timeout(Duration::from_secs(60), self.association.receive())
            .await
            .expect("in time")
            .expect("an answer");
        let Pdu::PData { data } = pdu else {
            panic!("{pdu:?}")
        };
        assert_eq!((data.len(), data[0].is_last), (1, true));
        let set = InMemDicomObject::read_dataset_with_ts(
            data[0].data.as_slice(),
            &entries::IMPLICIT_VR_LITTLE_ENDIAN.erased(),
        )
        .expect("a command set");
        assert_eq!(number(&set, tags::COMMAND_DATA_SET_TYPE), 0x0101);
        assert_eq!(
            number(&set, tags::MESSAGE_ID_BEING_RESPONDED_TO),
            self.next - 1
        );
        let status = number(&set, tags::STATUS);
        // Success says nothing, every failure says what it is.
        self.said = match status {
            0x0000 => String::new(),
            _ => comment(&set),
        };
        (status, set)
    }

    pub(crate) async fn store(&mut self, instance: &str, bytes: &[u8]) -> u16 {
        self.command(SR, 0x0001, true, Some(instance)).await;
        let pieces: Vec<&[u8]> = bytes.chunks(10_000).collect();
        for (n, piece) in pieces.iter().enumerate() {
            self.data(SR, piece, n + 1 == pieces.len()).await;
        }
        self.answer().await.0
    }

    pub(crate) async fn echo(&mut self) -> u16 {
        self.command(VERIFICATION, 0x0030, false, None).await;
        self.answer().await.0
    }
}

pub(crate) fn text(uid: &str) -> Vec<u8> {
    let mut bytes = uid.as_bytes().to_vec();
    bytes.resize(bytes.len().next_multiple_of(2), 0);
    bytes
}

pub(crate) fn encode(set: &[(Tag, Vec<u8>)]) -> Vec<u8> {
    let mut bytes = Vec::new();
    for (tag, value) in set {
        bytes.extend(tag.group().to_le_bytes());
        bytes.extend(tag.element().to_le_bytes());
        bytes.extend(u32::try_from(value.len()).expect("short").to_le_bytes());
        bytes.extend(value);
    }
    bytes
}

pub(crate) fn number(set: &InMemDicomObject, tag: Tag) -> u16 {
    set.element(tag).expect("there").to_int().expect("a number")
}

#[tokio::test(flavor = "multi_thread")]
async fn stored_byte_for_byte_and_once() {
    let node = Node::start(|settings| settings.default_issuer = "CLINIC".to_owned()).await;
    let mut sender = Sender::connect(node.address).await.expect("accepted");
    assert_eq!(sender.echo().await, 0x0000);
    // Not even DICOM: nothing is understood before it is kept.
    let odd: Vec<u8> = (0..=255).cycle().take(25_001).collect();
    assert_eq!(sender.store("1.2.3.1", &odd).await, 0x0000);
    assert_eq!(sender.store("1.2.3.1", &odd).await, 0x0000);
    assert_eq!(
        sender.store("1.2.3.1", b"other bytes, same instance").await,
        0x0000
    );
    sender.association.release().await.expect("released");
    let kept = node.kept();
    assert_eq!(kept.len(), 2);
    assert_eq!(kept[0].1, odd);
    assert_eq!(kept[0].0.transfer_syntax.as_deref(), Some(EXPLICIT));
    assert_eq!(kept[0].0.source.to_string(), "dicom:SCANNER");
    assert_eq!(kept[0].0.default_issuer, "CLINIC");
    assert_eq!(
        node.store.read(readings::counts).expect("counted").repeats,
        1
    );
    node.stop().await;
}

/// The four of PS3.5 annex A and 10 that a report may come in; the retired one too.
#[tokio::test(flavor = "multi_thread")]
async fn each_transfer_syntax_alone() {
    let node = Node::start(|_| {}).await;
    let all = [
        "1.2.840.10008.1.2",
        EXPLICIT,
        "1.2.840.10008.1.2.1.99",
        "1.2.840.10008.1.2.2",
    ];
    for syntax in all {
        let mut sender = Sender::connect_in(node.address, syntax)
            .await
            .expect("accepted");
        assert_eq!(sender.store("1.2", b"the same bytes").await, 0x0000);
    }
    let kept = node.kept();
    let syntaxes: Vec<_> = kept
        .iter()
        .map(|(one, _)| one.transfer_syntax.as_deref())
        .collect();
    assert_eq!(syntaxes, all.map(Some));
    node.stop().await;
}

/// Command and data in one PDU, as PS3.8 9.3.5 allows, and a data set whose last piece is empty.
#[tokio::test(flavor = "multi_thread")]
async fn fragments_in_one_pdu() {
    let node = Node::start(|_| {}).await;
    let mut sender = Sender::connect(node.address).await.expect("accepted");
    let context = sender.context(SR);
    let command = encode(&[
        (tags::AFFECTED_SOP_CLASS_UID, text(SR)),
        (tags::COMMAND_FIELD, vec![1, 0]),
        (tags::MESSAGE_ID, vec![1, 0]),
        (tags::COMMAND_DATA_SET_TYPE, vec![0, 0]),
        (tags::AFFECTED_SOP_INSTANCE_UID, text("1.2")),
    ]);
    let (one, two) = command.split_at(20);
    let value = |value_type, is_last, data: &[u8]| PDataValue {
        presentation_context_id: context,
        value_type,
        is_last,
        data: data.to_vec(),
    };
    sender
        .send(vec![
            value(PDataValueType::Command, false, one),
            value(PDataValueType::Command, true, two),
            value(PDataValueType::Data, false, b"all of it"),
            value(PDataValueType::Data, true, b""),
        ])
        .await;
    sender.next = 2;
    assert_eq!(sender.answer().await.0, 0x0000);
    assert_eq!(node.kept()[0].1, b"all of it");
    node.stop().await;
}

/// PS3.7 annex C and PS3.4 table B.2-1 for the numbers.
#[tokio::test(flavor = "multi_thread")]
async fn requests_that_are_answered_with_a_failure() {
    let node = Node::start(|_| {}).await;
    let mut sender = Sender::connect(node.address).await.expect("accepted");
    // C-FIND with an identifier, N-ACTION without: unrecognised operation.
    sender.command(SR, 0x0020, true, None).await;
    sender.data(SR, b"an identifier", true).await;
    let (status, set) = sender.answer().await;
    assert_eq!(
        (status, number(&set, tags::COMMAND_FIELD)),
        (0x0211, 0x8020)
    );
    sender.command(SR, 0x0130, false, None).await;
    assert_eq!(sender.answer().await.0, 0x0211);
    // C-STORE without a data set: processing failure.
    sender.command(SR, 0x0001, false, Some("1.2")).await;
    let (status, set) = sender.answer().await;
    assert_eq!(status, 0x0110);
    assert!(set.element(tags::ERROR_COMMENT).is_ok());
    // Without an instance, and with one that is none: invalid instance.
    for hostile in [None, Some("../../x")] {
        sender.command(SR, 0x0001, true, hostile).await;
        sender.data(SR, b"bytes", true).await;
        assert_eq!(sender.answer().await.0, 0x0117);
    }
    // A cancel has no answer (PS3.7 9.3.2.3), and all goes on.
    sender.command(SR, 0x0FFF, false, None).await;
    assert_eq!(sender.echo().await, 0x0000);
    assert_eq!(node.kept().len(), 0);
    node.stop().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_class_other_than_that_of_the_context_is_refused() {
    let node = Node::start(|_| {}).await;
    let mut sender = Sender::connect(node.address).await.expect("accepted");
    let presentation_context_id = sender.context(VERIFICATION);
    let data = encode(&[
        (tags::AFFECTED_SOP_CLASS_UID, text(SR)),
        (tags::COMMAND_FIELD, vec![1, 0]),
        (tags::MESSAGE_ID, vec![1, 0]),
        (tags::COMMAND_DATA_SET_TYPE, vec![0, 0]),
        (tags::AFFECTED_SOP_INSTANCE_UID, text("1.2")),
    ]);
    let value_type = PDataValueType::Command;
    sender
        .send(vec![PDataValue {
            presentation_context_id,
            value_type,
            is_last: true,
            data,
        }])
        .await;
    sender.data(VERIFICATION, b"bytes", true).await;
    sender.next = 2;
    assert_eq!(sender.answer().await.0, 0x0122);
    assert_eq!(node.kept().len(), 0);
    node.stop().await;
}

/// The Error Comment (0000,0902) of an answer: at most 64 characters (PS3.5 table 6.2-1, LO).
fn comment(set: &InMemDicomObject) -> String {
    let comment = set.element(tags::ERROR_COMMENT).expect("a comment");
    let comment = comment.to_str().expect("text").trim_end().to_owned();
    assert!((1..=64).contains(&comment.len()), "{comment}");
    comment
}

/// A700H with a comment: the sender keeps its copy. With room again, success.
#[tokio::test(flavor = "multi_thread")]
async fn a_full_store_never_answers_success() {
    let node = Node::start(|_| {}).await;
    let mut sender = Sender::connect(node.address).await.expect("accepted");
    let pages = |pages: i64| {
        node.store.write_async(move |tx| -> Result<(), StoreError> {
            bare::run(tx, &format!("pragma max_page_count = {pages}"))
        })
    };
    pages(40).await.expect("set");
    let large: Vec<u8> = (0..400_000_u32)
        .flat_map(|n| n.wrapping_mul(n).to_le_bytes())
        .collect();
    assert_eq!(sender.store("1.2", &large).await, 0xA700);
    assert!(sender.said.starts_with("no space left"), "{}", sender.said);
    assert_eq!(sender.echo().await, 0x0000);
    pages(100_000).await.expect("set");
    assert_eq!(sender.store("1.2", &large).await, 0x0000);
    assert_eq!(node.kept()[0].1, large);
    node.stop().await;
}

/// Makes a commit fail by a deferred foreign key (sqlite.org/foreignkeys.html, 4.2).
#[tokio::test(flavor = "multi_thread")]
async fn a_store_in_doubt_never_answers_success() {
    let node = Node::start(|_| {}).await;
    let mut sender = Sender::connect(node.address).await.expect("accepted");
    assert_eq!(sender.store("1.1", b"before").await, 0x0000);
    let failed = node.store.write_async(|tx| -> Result<(), StoreError> {
        bare::run(
            tx,
            "create table parent (id integer primary key);
             create table child (id references parent deferrable initially deferred);
             insert into child values (7);",
        )
    });
    failed.await.expect_err("the commit fails");
    for bytes in [&b"before"[..], b"after"] {
        assert_eq!(sender.store("1.2", bytes).await, 0xA700);
        assert!(sender.said.contains("in doubt"), "{}", sender.said);
    }
    assert!(node.store.doubt().is_some());
    node.stop().await;
}

/// What is a fault of our own, neither space nor doubt, is a processing failure, and the next object
/// is stored.
#[tokio::test(flavor = "multi_thread")]
async fn an_internal_failure_is_told_as_one() {
    let node = Node::start(|_| {}).await;
    let mut sender = Sender::connect(node.address).await.expect("accepted");
    let run = async |sql: &'static str| {
        let done = node
            .store
            .write_async(move |tx| -> Result<(), StoreError> { bare::run(tx, sql) });
        done.await.expect("done");
    };
    run("create trigger refuse before insert on object begin select raise(abort, 'PATIENT'); end;")
        .await;
    assert_eq!(sender.store("1.2", b"bytes").await, 0x0110);
    assert!(
        sender.said.contains("fault of the receiver"),
        "{}",
        sender.said
    );
    assert_eq!(node.kept().len(), 0);
    run("drop trigger refuse;").await;
    assert_eq!(sender.store("1.2", b"bytes").await, 0x0000);
    assert_eq!(node.kept().len(), 1);
    node.stop().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn eight_associations_at_once() {
    let node = Node::start(|_| {}).await;
    let senders: Vec<_> = (0..8)
        .map(|n| {
            let address = node.address;
            tokio::spawn(async move {
                let mut sender = Sender::connect(address).await.expect("accepted");
                for m in 0..25 {
                    let body = format!("{n} {m} ").repeat(900);
                    assert_eq!(
                        sender.store(&format!("1.{n}.{m}"), body.as_bytes()).await,
                        0
                    );
                }
                sender.association.release().await.expect("released");
            })
        })
        .collect();
    for sender in senders {
        sender.await.expect("all stored");
    }
    assert_eq!(node.kept().len(), 200);
    node.stop().await;
}

/// The object that is on its way when the program stops is finished, answered and kept.
#[tokio::test(flavor = "multi_thread")]
async fn stopping_lets_the_current_object_finish() {
    let node = Node::start(|_| {}).await;
    let mut busy = Sender::connect(node.address).await.expect("accepted");
    let mut idle = Sender::connect(node.address).await.expect("accepted");
    assert_eq!(idle.echo().await, 0);
    busy.command(SR, 0x0001, true, Some("1.2")).await;
    busy.data(SR, b"half", false).await;
    // Its half has to be there before the stop.
    tokio::time::sleep(Duration::from_millis(300)).await;
    node.stop.send(true).expect("running");
    let ended = timeout(Duration::from_secs(5), idle.association.receive())
        .await
        .expect("in time");
    assert!(matches!(ended, Ok(Pdu::AbortRQ { .. })), "{ended:?}");
    busy.data(SR, b" and half", true).await;
    assert_eq!(busy.answer().await.0, 0x0000);
    assert_eq!(node.kept()[0].1, b"half and half");
    timeout(Duration::from_secs(5), node.running)
        .await
        .expect("in time")
        .expect("no panic");
    assert!(TcpStream::connect(node.address).await.is_err());
    drop(node.temp);
}
