//! A port at work: each connection with its place, its peer, and TLS where the port is for it.

use super::accept::{Port, Tells};
use super::balancer::{self, Passed};
use super::doors::Door;
use super::end::End;
use super::places::{Place, Places};
use super::service::{Happened, InForce, Now, Peer, Service};
use super::tls::{Tls, TlsRefusal};
use crate::dicom::refusal::Refusal;
use crate::dicom::wire;
use crate::shares::{Party, Room, Share, Shares, Watched};
use std::net::IpAddr;
use std::sync::Arc;
use tokio::net::TcpStream;
use tokio::sync::watch;

/// What all ports of a service share.
pub(super) struct Common<S: Service> {
    pub(super) now: watch::Sender<InForce<S>>,
    /// Of all connections.
    pub(super) places: Shares,
    /// Connections of each peer.
    pub(super) of_peer: Places<Party>,
}

/// Accepts at one port until it is closed, then waits for what it serves.
pub(super) async fn accept<S: Service>(door: Door<InForce<S>>, common: Arc<Common<S>>) {
    let address = door.listener.local_addr();
    let address = address.map_or_else(|_| String::new(), |address| address.to_string());
    let tells = Tells {
        panicked: S::panicked,
        accept_failed: S::accept_failed,
    };
    let mut port = Port::new(door.listener, tells);
    while let Some((stream, peer)) = port.next(&door.end).await {
        let mut rules = common.now.borrow().clone();
        if !rules.modes.contains_key(&door.id) {
            // A reload closes this port, and the signal is on its way.
            door.end.port_closes().await;
            match door.last.get() {
                Some(last) => rules = last.clone(),
                None => break,
            }
        }
        let tls = rules.modes.get(&door.id).copied();
        admit(&mut port, stream, peer, tls, rules, &common, &door.end);
    }
    // Nothing held last where the program stops.
    let last = door.last.get();
    if let Some(last) = last {
        let tls = last.modes.get(&door.id).copied();
        let call = port.last_call();
        while let Some((stream, peer)) = port.next_begun(&call).await {
            admit(
                &mut port,
                stream,
                peer,
                tls,
                last.clone(),
                &common,
                &door.end,
            );
        }
    }
    let serving = port.close();
    let tell = |cut| {
        let service = Arc::clone(&common.now.borrow().service);
        service.tell(Happened::Ended(&address, cut));
    };
    if last.is_some() {
        tell(0);
    }
    let cut = serving.finish(&door.end).await;
    if last.is_none() || cut > 0 {
        tell(cut);
    }
}

/// Gives a connection its place and has it served, under the rules that hold as it is accepted.
fn admit<S: Service>(
    port: &mut Port,
    stream: TcpStream,
    from: IpAddr,
    tls: Option<bool>,
    rules: InForce<S>,
    common: &Arc<Common<S>>,
    end: &End,
) {
    let service = Arc::clone(&rules.service);
    if !service.allows(from) && !is_balancer(&*service, from) {
        return service.refused(from, Refusal::Address, "");
    }
    let room = Room::places(service.max_connections());
    let Some(place) = common.places.place(Party::of(from), room) else {
        return service.refused(from, Refusal::Connections, "");
    };
    let tls = match (tls, rules.tls.ready()) {
        (Some(false), _) => None,
        (Some(true), Some(tls)) => Some(Arc::clone(tls)),
        // A port for TLS never serves without it.
        (Some(true) | None, _) => return,
    };
    let common = Arc::clone(common);
    let end = end.clone();
    port.serve(async move {
        let now = Now::new(Arc::clone(&service), common.now.subscribe());
        tokio::select! {
            () = connection(stream, from, &place, tls, now, end, &common.of_peer) => {}
            () = place.taken_back() => service.refused(from, Refusal::Displaced, ""),
        }
    });
}

fn is_balancer<S: Service>(service: &S, address: IpAddr) -> bool {
    let balancers = service.balancers();
    balancers.iter().any(|network| network.contains(&address))
}

async fn connection<S: Service>(
    mut stream: TcpStream,
    from: IpAddr,
    place: &Share,
    tls: Option<Arc<Tls>>,
    now: Now<S>,
    end: End,
    of_peer: &Places<Party>,
) {
    // An answer is a small write or two; held back by Nagle's algorithm it would cost 40 ms.
    // Where the system refuses the option, things only get slower.
    let _ = stream.set_nodelay(true);
    let service = Arc::clone(now.at_accept());
    let begun = async {
        let address = passed_on(&mut stream, from, &*service).await?;
        let one_of_the_peer = of_its_own(address, &*service, of_peer)?;
        place.belongs_to(Party::of(address));
        Some((address, one_of_the_peer))
    };
    let begun = tokio::select! {
        biased;
        () = end.program_stops() => return,
        begun = begun => begun,
    };
    let Some((address, _one_of_the_peer)) = begun else {
        return;
    };
    let limit = service.write_limit();
    let peer = Peer {
        address,
        tls: tls.is_some(),
        certificate: None,
        pulse: place.pulse(),
    };
    let Some(tls) = tls else {
        let stream = Watched::new(stream, place.pulse(), limit);
        return S::serve(stream, peer, now, end).await;
    };
    let accepted = tokio::select! {
        biased;
        () = end.program_stops() => return,
        accepted = tls.accept(stream, Party::of(address)) => accepted,
    };
    match accepted {
        Ok((stream, certificate)) => {
            let peer = Peer {
                certificate,
                ..peer
            };
            let stream = Watched::new(stream, place.pulse(), limit);
            S::serve(stream, peer, now, end).await;
        }
        Err(TlsRefusal::Gone) => {
            tracing::debug!(code = "connection-closed", peer = %address, "asked for nothing");
        }
        Err(TlsRefusal::Refused(refusal, detail, stream)) => {
            service.refused(address, refusal, &detail);
            if let Some(stream) = stream {
                wire::linger(stream).await;
            }
        }
    }
}

/// The address that counts; `None` if the connection ends here.
async fn passed_on<S: Service>(
    stream: &mut TcpStream,
    from: IpAddr,
    service: &S,
) -> Option<IpAddr> {
    if !is_balancer(service, from) {
        // It was asked already whether it may connect.
        return Some(from);
    }
    let allows = |address| service.allows(address);
    match balancer::origin(stream, from, service.request_limit(), allows).await {
        Passed::From(address) => Some(address),
        Passed::Check => {
            tracing::debug!(code = "health-check", peer = %from);
            None
        }
        Passed::Refused(refusal, address, detail) => {
            service.refused(address, refusal, &detail);
            None
        }
    }
}

/// One of the connections that a peer may have; `None` if it has them all.
fn of_its_own<S: Service>(
    address: IpAddr,
    service: &S,
    of_peer: &Places<Party>,
) -> Option<Place<Party>> {
    let place = of_peer.take(Party::of(address), service.max_connections_of_peer());
    if place.is_none() {
        service.refused(address, Refusal::ConnectionsOfPeer, "");
    }
    place
}
