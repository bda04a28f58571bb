//! A sender that shows every byte: from any address of this machine, over any stream.

use super::{EXPLICIT, encode, number, tags, text};
use dicom_object::InMemDicomObject;
use dicom_transfer_syntax_registry::entries;
use dicom_ul::pdu::{
    AssociationRQ, PDataValue, PDataValueType, Pdu, PresentationContextProposed, UserVariableItem,
};
use std::net::{IpAddr, SocketAddr};
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncReadExt, AsyncWrite, AsyncWriteExt};
use tokio::net::{TcpSocket, TcpStream};
use tokio::time::timeout;

/// What a request asks for; every class in the transfer syntax of its name here.
pub(super) fn request(calling: &str, called: &str, classes: &[&str]) -> AssociationRQ {
    AssociationRQ {
        protocol_version: 1,
        calling_ae_title: calling.to_owned(),
        called_ae_title: called.to_owned(),
        application_context_name: "1.2.840.10008.3.1.1.1".to_owned(),
        presentation_contexts: (0..)
            .zip(classes)
            .map(|(n, class)| PresentationContextProposed {
                id: 2 * n + 1,
                abstract_syntax: (*class).to_owned(),
                transfer_syntaxes: vec![EXPLICIT.to_owned()],
            })
            .collect(),
        user_variables: vec![UserVariableItem::MaxLength(16384)],
    }
}

pub(super) fn bytes(pdu: &Pdu) -> Vec<u8> {
    let mut bytes = Vec::new();
    dicom_ul::write_pdu(&mut bytes, pdu).expect("a PDU");
    bytes
}

/// A connection from one of the addresses of this machine: on Linux all of 127.0.0.0/8.
pub(super) async fn connect_from(from: &str, to: SocketAddr) -> TcpStream {
    let from: IpAddr = from.parse().expect("an address");
    let socket = match from {
        IpAddr::V4(_) => TcpSocket::new_v4(),
        IpAddr::V6(_) => TcpSocket::new_v6(),
    };
    let socket = socket.expect("a socket");
    socket.bind((from, 0).into()).expect("bound");
    let stream = socket.connect(to).await.expect("connected");
    stream.set_nodelay(true).expect("no delay");
    stream
}

/// One connection, with or without an association.
pub(crate) struct Raw<S> {
    pub(super) stream: S,
    next: u16,
}

impl<S: AsyncRead + AsyncWrite + Unpin> Raw<S> {
    pub(super) fn over(stream: S) -> Self {
        Raw { stream, next: 1 }
    }

    pub(super) async fn write(&mut self, bytes: &[u8]) {
        self.stream.write_all(bytes).await.expect("written");
        self.stream.flush().await.expect("written");
    }

    /// The next PDU, byte for byte; empty when the connection is closed instead.
    pub(super) async fn read(&mut self) -> Vec<u8> {
        let read = async {
            let mut pdu = vec![0; 6];
            if self.stream.read_exact(&mut pdu).await.is_err() {
                return Vec::new();
            }
            let length = u32::from_be_bytes([pdu[2], pdu[3], pdu[4], pdu[5]]);
            pdu.resize(6 + length as usize, 0);
            self.stream.read_exact(&mut pdu[6..]).await.expect("a PDU");
            pdu
        };
        timeout(Duration::from_secs(20), read)
            .await
            .expect("in time")
    }

    /// Asks for an association; what comes back.
    pub(super) async fn ask(&mut self, calling: &str, called: &str, classes: &[&str]) -> Vec<u8> {
        // `dicom-ul` writes no blank title, so titles are put in their places by hand.
        let request = request("CALLING", "CALLED", classes);
        let mut request = bytes(&Pdu::AssociationRQ(request));
        request[10..42].copy_from_slice(format!("{called:16}{calling:16}").as_bytes());
        self.write(&request).await;
        self.read().await
    }

    async fn send(&mut self, context: u8, value_type: PDataValueType, data: &[u8]) {
        for (n, piece) in data.chunks(16_000).enumerate() {
            let value = PDataValue {
                presentation_context_id: context,
                value_type: value_type.clone(),
                is_last: (n + 1) * 16_000 >= data.len(),
                data: piece.to_vec(),
            };
            self.write(&bytes(&Pdu::PData { data: vec![value] })).await;
        }
    }

    /// Stores an object in a context and returns the answer's command set.
    pub(crate) async fn store(
        &mut self,
        context: u8,
        class: &str,
        instance: &str,
        data: &[u8],
    ) -> InMemDicomObject {
        let command = encode(&[
            (tags::AFFECTED_SOP_CLASS_UID, text(class)),
            (tags::COMMAND_FIELD, vec![1, 0]),
            (tags::MESSAGE_ID, self.next.to_le_bytes().to_vec()),
            (tags::COMMAND_DATA_SET_TYPE, vec![0, 0]),
            (tags::AFFECTED_SOP_INSTANCE_UID, text(instance)),
        ]);
        self.send(context, PDataValueType::Command, &command).await;
        self.send(context, PDataValueType::Data, data).await;
        let pdu = self.read().await;
        assert_eq!(pdu.first(), Some(&4), "{pdu:?}");
        // PDU header, then length, context and control header of the only value.
        let set = InMemDicomObject::read_dataset_with_ts(
            &pdu[12..],
            &entries::IMPLICIT_VR_LITTLE_ENDIAN.erased(),
        )
        .expect("a command set");
        assert_eq!(number(&set, tags::MESSAGE_ID_BEING_RESPONDED_TO), self.next);
        self.next += 1;
        set
    }
}
