//! The table of failures: what each code of the log means, how urgent it is, and what to do.

use super::{Row, Urgency};

macro_rules! rows {
    ($($code:literal $urgency:ident: $meaning:literal, $action:literal;)*) => {
        &[$(Row {
            code: $code,
            urgency: Urgency::$urgency,
            meaning: $meaning,
            action: $action,
        },)*]
    };
}

/// The codes of all failures but the refusals, which have
/// [a table of their own](sheathline_net::dicom::refusal::Refusal::ALL). A new one belongs here; a test
/// compares with the sources.
pub const CODES: &[Row] = rows! {
    "accept-failed" Page:
        "A port cannot take the next connection; most often too many files are open.",
        "Raise the limit of open files (LimitNOFILE in the unit). The port goes on once one can be opened.";
    "association-aborted" Look:
        "An association was aborted: the sender broke the protocol, or sent nothing for too long.",
        "Read `why`, then look at the sender. What was not acknowledged has to be sent again.";
    "association-lost" Look:
        "The connection broke before the association had ended.",
        "Look at the network and at the sender's log. What was not acknowledged has to be sent again.";
    "association-panicked" Look:
        "A fault of the program ended one association; the others go on.",
        "Report it with the lines around it. What was not acknowledged has to be sent again.";
    "audit-lost" Look:
        "More messages waited for the audit trail than memory holds; so many are lost.",
        "Look at the disk of the trail: audit-not-written or audit-no-room came before.";
    "audit-no-room" Page:
        "The disk of the audit trail is nearly full: only results are recorded, other messages wait in memory.",
        "Make room on that disk; what waits is written then.";
    "audit-not-written" Page:
        "The audit trail cannot be written; results and deliveries wait.",
        "Read `error`: disk, path or rights of `[observe] audit`. It goes on by itself.";
    "audit-syslog-down" Look:
        "The syslog server does not take the audit trail; messages wait in the file.",
        "Find the word of `failure` under Deliveries. Do not delete or compress the file before all is sent.";
    "audit-syslog-gap" Look:
        "A file of the audit trail was cut, deleted or compressed before it was sent to the syslog server.",
        "Have rotation rename the file and compress it a time later (delaycompress); send the rest by hand.";
    "audit-syslog-not-noted" Look:
        "The store did not take how far the audit trail was sent.",
        "Look at the disk of the store. After a restart the syslog server may get messages twice.";
    "audit-syslog-panicked" Look:
        "A fault of the program in sending the audit trail; it is tried again.",
        "Report it with the lines around it. Messages wait in the file.";
    "bodies-clock" Look:
        "Bytes of old objects are kept: the clock is more than 30 days beyond the newest object.",
        "Set the clock right if it is wrong. If nothing came for so long, they go once something comes.";
    "bodies-not-dropped" Look:
        "Bytes of old objects could not be dropped from the store.",
        "Read `error` and look at the disk of the store; it is tried again.";
    "commitment-given-up" Look:
        "A sender asked by Storage Commitment whether its objects are held, and could not be told for seven days.",
        "`commitment-not-reported` before it says why. Correct `commitment_host` and the other keys of its table, and have it ask again.";
    "commitment-not-kept" Look:
        "A request for Storage Commitment could not be stored; the sender was told so and asks again.",
        "Read `error`; mostly it is the disk of the store.";
    "commitment-not-noted" Look:
        "What became of a request for Storage Commitment could not be written into the store; the sender may be told twice.",
        "Read `error`; mostly it is the disk of the store.";
    "commitment-not-reported" Look:
        "A sender could not be told whether its objects are held. It is tried again for seven days.",
        "Read `failure` or `status` and the words: address, AE title or TLS in the `commitment_` keys of its table, or the sender does not listen.";
    "commitment-refused" Look:
        "A request for Storage Commitment was refused; the line says why.",
        "Look at the sender: it keeps its objects and may ask again.";
    "database-away" Page:
        "The server behind the store does not answer.",
        "Read `error`, then look at the server and the network. Senders keep what was not acknowledged; it goes on by itself.";
    "database-read-only" Page:
        "The server behind the store is a standby that takes no changes.",
        "Name the primary in `[store] url`, or have the standby promoted.";
    "delivery-cut-off" Look:
        "The service stopped while a destination had not answered yet.",
        "Nothing: the next start repeats the delivery, and the receiver recognises it.";
    "delivery-dead" Look:
        "A delivery was rejected for good or deferred too long; it is not tried again by itself.",
        "`sheathline outbox list --state dead` says why; then `outbox retry` or `outbox drop`.";
    "delivery-not-noted" Look:
        "The store failed during a delivery; it is tried again.",
        "Read `error` and look at the disk of the store. A receiver may get a result twice, under the same key.";
    "delivery-panicked" Look:
        "A fault of the program in the deliveries of one destination; they are tried again.",
        "Report it with the lines around it.";
    "destination-down" Look:
        "A destination is not reached, or defers all it is sent; its results wait.",
        "`sheathline echo NAME` says which stage fails; find the word of `failure` under Deliveries.";
    "destination-unknown" Look:
        "Results wait for a destination that the configuration does not name.",
        "Name it again, or take them out with `sheathline outbox drop --destination NAME`.";
    "dropped-not-counted" Look:
        "How many objects of other classes were dropped could not be written into the store; `status` counts too few.",
        "Read `error`; mostly it is the disk of the store. The metrics counted them.";
    "entry-damaged" Look:
        "An entry of `label`, `event` or `pressure` is damaged in the store; the audit trail lacks it.",
        "Look at the disk, run `sheathline verify`, then make the entry again.";
    "folder-failed" Look:
        "A file of the drop folder can never be taken, as it is empty or too large; it lies in `failed`.",
        "Read the reason beside it, then have the report copied again.";
    "folder-link" Page:
        "A link or a file stands in the place of `done` or `failed`; files that are stored stay where they are.",
        "Take it away, and find out who put it there.";
    "folder-no-reason" Look:
        "The reason could not be written beside a file in `failed`.",
        "Look at disk and rights of `failed`; the line folder-failed gives the reason.";
    "folder-not-a-file" Look:
        "Something in the drop folder is no regular file, such as a link; it is left alone.",
        "Take it away, and copy the file itself.";
    "folder-not-deleted" Look:
        "A file of the drop folder is stored and could not be deleted.",
        "Give the service the right to delete there. The next start takes the file up again.";
    "folder-not-kept" Page:
        "Files of the drop folder could not be stored; they stay and are tried again.",
        "Read `error`; mostly it is the disk of the store.";
    "folder-not-put-away" Look:
        "A file of the drop folder could not be moved to `done` or `failed`.",
        "Read `error`. Give the service the right to write in the drop folder, `done` and `failed`.";
    "folder-not-put-back" Look:
        "A file was replaced while it was moved away, and the new one could not be put back.",
        "Look for it in `done`, and copy it into the drop folder again.";
    "folder-panicked" Page:
        "A fault of the program ended the drop folder: nothing is taken from it.",
        "Restart the service and report it. The files stay where they are.";
    "folder-unreadable" Page:
        "The drop folder cannot be read: nothing is taken from it.",
        "Mount it, or give the service the right to read it. It goes on by itself.";
    "folder-unreadable-file" Page:
        "A file in the drop folder cannot be read; it stays and is tried again.",
        "Give the service the right to read it.";
    "folder-without-events" Look:
        "The system does not tell of new files; the drop folder is only looked at regularly.",
        "Nothing: files are taken a little later, see `scan_every_ms`.";
    "hl7-address" Look:
        "An address that is not in addresses_allowed connected to the HL7 port and was closed.",
        "Add it to `[receive.hl7] addresses_allowed` if it belongs there; else find out who it is.";
    "hl7-connections" Look:
        "The HL7 port had no room for a further connection of this address and closed it.",
        "Find out who holds so many open, or raise `[receive.hl7] max_connections`.";
    "hl7-cut" Look:
        "A connection ended inside an HL7 message, which was not taken.",
        "Look at the sender and at the network. The message has to be sent again.";
    "hl7-displaced" Look:
        "An HL7 connection was closed to make room for an address that has fewer.",
        "Nothing if it happens rarely; else raise `[receive.hl7] max_connections`.";
    "hl7-malformed" Look:
        "What came to the HL7 port is no HL7 message in an MLLP block; the connection was closed.",
        "Read `detail`, then check that the sender speaks HL7 v2 over MLLP to this port.";
    "hl7-not-kept" Page:
        "A merge of patient ids could not be stored; the sender was told to send it again later.",
        "Read `error`; mostly it is the disk of the store.";
    "hl7-panicked" Look:
        "A fault of the program ended one HL7 connection; the others go on.",
        "Report it with the lines around it. What was not acknowledged has to be sent again.";
    "hl7-refused" Look:
        "An HL7 message was answered with `AE` or `AR`: it is unclear, or of a kind that is not taken.",
        "`detail` names field and reason. Correct the message, or stop sending such messages here.";
    "hl7-slow" Look:
        "An HL7 message did not come whole in time, or its answer was not read.",
        "Look at the sender and at the network. What was not acknowledged has to be sent again.";
    "issuer-changed" Look:
        "Patients have earlier reports under another issuer than new ones get: their history is split.",
        "Set `default_issuer` back, or join the ids with `sheathline patient merge` or `patient import`.";
    "issuers-not-compared" Look:
        "The issuers of stored reports could not be compared with those of the configuration.",
        "Read `error` and look at the disk of the store. The next start compares them.";
    "listen-failed" Page:
        "A port that should be open cannot be opened.",
        "Read the line: mostly another program has the port, or the address is gone. It is tried again.";
    "member-gone" Look:
        "A daemon that shares the store did not show itself for 20 s; the others took over what it did.",
        "Look at the machine that the line names. Once it runs again, it joins by itself.";
    "member-not-left" Look:
        "The service stopped and could not say so to the others that share the store.",
        "Nothing: they take over within 25 s.";
    "member-not-shown" Page:
        "This daemon cannot show itself to the others that share the store; after 20 s they may put it out.",
        "Read `error`: mostly the database cannot be reached from this machine.";
    "merges-unsettled" Look:
        "Merges of patient ids lead in a circle or to several ends; none of them is applied.",
        "`sheathline patient list` shows them; take the wrong one back with `patient unmerge`.";
    "object-bytes-missing" Look:
        "The bytes of a stored object are missing or damaged; it cannot be read again.",
        "Look at the disk, let `sheathline verify` name all of them, and have them sent again.";
    "object-not-kept" Page:
        "An object could not be stored; the sender was told so.",
        "Read `error`; mostly it is the disk of the store. Have the object sent again.";
    "object-quarantined" Look:
        "An object cannot be understood; it is in quarantine, byte for byte.",
        "`sheathline quarantine` says why and what to do.";
    "object-refused" Look:
        "An object was refused: too large, not of a class that is taken, malformed, or not what it is named as.",
        "`why` is the reason, `status` what the sender was told. Correct it there, and have it sent again.";
    "observe-failed" Look:
        "The port for metrics and readiness cannot take a connection; most often too many files are open.",
        "Raise the limit of open files (LimitNOFILE in the unit). The port goes on once one can be opened.";
    "observe-panicked" Look:
        "A fault of the program ended one connection to the port for metrics and readiness.",
        "Report it with the lines around it.";
    "operation-unknown" Look:
        "A peer asked for a DIMSE operation that is not offered here, and was told so.",
        "Set the peer to C-STORE and C-ECHO only; Storage Commitment needs `commitment_host` in its table.";
    "outbox-not-locked" Look:
        "The file system of the outbox has no locks: nothing keeps a second daemon out of it.",
        "Use a file system with locks, or make sure that one daemon alone writes there.";
    "outbox-unwritable" Page:
        "Results cannot be written to the outbox; they wait.",
        "Mend what the line names: folder, rights, room, inodes or disk. They are written by themselves then.";
    "pages-address" Look:
        "An address that is not in addresses_allowed asked for pages and was refused.",
        "Add it to `[pages] addresses_allowed` if it belongs there; else find out who it is.";
    "pages-connections" Look:
        "The pages had no room for a further connection of this address and closed it.",
        "Find out who holds so many open, or raise `[pages] max_connections`.";
    "pages-displaced" Look:
        "A connection to the pages was closed to make room for an address that has fewer.",
        "Nothing if it happens rarely; else raise `[pages] max_connections`.";
    "pages-openid" Look:
        "The provider of `[pages.openid]` cannot be asked, or what it answered for somebody cannot be verified.",
        "Read `why`: address, certificate, client, secret or clock. Local accounts work without it.";
    "pages-panicked" Look:
        "A fault of the program ended one connection to the pages; the others go on.",
        "Report it with the lines around it. Whoever typed something loads the page again and looks.";
    "pages-refused" Look:
        "A request for a page named another host, or a form came from another site.",
        "Have people open `[pages] public_url`; if they do, find out whose page sends forms here.";
    "pages-session" Look:
        "The store did not take a session of the pages, so nobody can sign in or go on.",
        "Read `error` and look at the disk of the store; people sign in again.";
    "pages-sign-in" Look:
        "A sign-in to the pages was refused.",
        "Nothing for a slip. For many, find out who tries; `account list` shows what is locked.";
    "pages-store" Look:
        "The store did not answer for a page, or did not take what was entered there.",
        "Read `error` and look at the disk of the store. Whoever entered something looks whether it stands.";
    "patient-not-assessed" Page:
        "A damaged row of the store keeps a patient from being assessed; the others go on.",
        "Look at the disk; `sheathline verify` names the row.";
    "pipeline-failed" Page:
        "What was received cannot be worked on; it waits in the store and is tried again.",
        "Read `error`; mostly it is the disk of the store.";
    "port-open-to-all" Look:
        "A port without TLS takes connections from everybody who reaches it.",
        "Name who may connect in `addresses_allowed`, or listen with TLS; the line names the table.";
    "put-out" Page:
        "This daemon stood still or could not reach the store, and the others put it out; it joins again by itself.",
        "Nothing is lost. If it comes again, look at the load of this machine and its way to the database.";
    "reading-damaged" Look:
        "What was read of an object is damaged in the store; the object is read again.",
        "Look at the disk; `sheathline verify` says whether more is damaged.";
    "receiver-ended" Page:
        "A listener or the drop folder ended by itself.",
        "Restart the service, and report it with the lines before.";
    "reload-refused" Look:
        "A new configuration was refused, a line for each mistake; the old one is in force.",
        "`sheathline check-config` names them all. Correct them, then reload.";
    "reload-waits" Look:
        "The key that the line names changes only with a restart; all other changes are in force.",
        "Restart the service when it suits.";
    "request-failed" Look:
        "A DICOM request was answered with a failure before any object was looked at.",
        "`status` is what the peer was told (DICOM PS3.7 annex C). Correct it at the peer.";
    "result-damaged" Look:
        "A stored result is damaged; it is not given out, and another version is made.",
        "Look at the disk; `sheathline verify` says whether more is damaged.";
    "result-not-written" Page:
        "A result cannot be written to the outbox; it is tried again, at most 10 minutes apart.",
        "Read `error`, then look at the outbox and its disk.";
    "results-not-written" Page:
        "Results still cannot be written to the outbox; `waiting` says how many.",
        "Read `latest`, then look at the outbox and its disk.";
    "rules-differ" Page:
        "Daemons that share the store work by another version, other parameters or other dictionaries than this one.",
        "Give all machines the same version, configuration and files: results of one patient contradict each other until then.";
    "spool-not-forwarded" Page:
        "Nothing can be forwarded from the spool to the store; what is received waits on this machine.",
        "Read `error` and see to the database; it goes on by itself. Senders are answered with success until the spool is full.";
    "spool-panicked" Look:
        "A fault of the program in forwarding from the spool.",
        "Report it with the lines around it; restart the service, which forwards what is left.";
    "spool-set-aside" Page:
        "The store does not take one object that was acknowledged; it stays in the spool, and others go on.",
        "Read `why` and report it. Each start tries it again; `status` says how many there are.";
    "statement-damaged" Look:
        "A statement on patient ids is damaged in the store; the audit trail lacks it.",
        "Look at the disk, run `sheathline verify`, then state the merge again.";
    "stopping-early" Look:
        "The service stopped before all that was received was worked on.",
        "Nothing: the next start does what is left.";
    "store-in-doubt" Page:
        "It is not certain that what was written is on disk; the store takes nothing more and the service ends.",
        "Read `why`. Look at the disk (dmesg, SMART) before you start again: the start checks the store.";
    "store-not-encrypted" Look:
        "The server behind the store is reached over the network without TLS.",
        "Write `tls = \"verify-full\"` in `[store]`.";
    "store-older" Page:
        "The database behind the store knows fewer commits than were noted in the outbox: it was put back from an earlier time.",
        "Stop the service and run `sheathline verify`: it says by how much. Have everything since sent again.";
    "store-verified" Look:
        "The store was in doubt and has passed its check.",
        "Nothing now. Look at the disk if it happens again.";
    "supervisor-not-told" Look:
        "systemd could not be told how the service is.",
        "Check `Type=` and `NotifyAccess=` of the unit; systemd may restart a service that it does not hear.";
    "tls-files" Look:
        "A certificate ends within 30 days, or others can read a key.",
        "Do what the line says, then reload.";
    "tls-port-closed" Page:
        "A port for TLS is closed, since its certificate or key does not serve; the others stay open.",
        "Renew the file that the line names; the port opens by itself.";
    "token-file-readable" Look:
        "A file with a bearer token or a password can be read by every account.",
        "`chmod o=` the file that the line names.";
    "unexplained-grew" Look:
        "The last reports of a sender each hold more codes that nobody explains than any before.",
        "`sheathline unmapped` lists them; explain them in a dictionary, or say there that they are not ours.";
    "values-stopped" Page:
        "The last reports of a sender hold no sheath value, and those before did; most often an update renamed its codes.",
        "`sheathline unmapped` lists codes that nobody explains. Once a dictionary explains them all reports are read again.";
    "web-address" Look:
        "An address that is not in addresses_allowed asked over HTTP and was refused.",
        "Add it to `[receive.web] addresses_allowed` if it belongs there; else find out who it is.";
    "web-connections" Look:
        "The HTTP port had no room for a further connection of this address and closed it.",
        "Find out who holds so many open, or raise `[receive.web] max_connections`.";
    "web-displaced" Look:
        "An HTTP connection was closed to make room for an address that has fewer.",
        "Nothing if it happens rarely; else raise `[receive.web] max_connections`.";
    "web-not-kept" Page:
        "An object that came over HTTP could not be stored; the sender was told so.",
        "Read `error`; mostly it is the disk of the store. Have the object sent again.";
    "web-panicked" Look:
        "A fault of the program ended one HTTP connection; the others go on.",
        "Report it with the lines around it. What was not acknowledged has to be sent again.";
    "web-refused" Look:
        "A request over HTTP was not taken, for its path, method, form, size or time.",
        "`answer` and `detail` say why. Correct it at the sender.";
    "web-slow" Look:
        "A sender over HTTP did not read its answer in time; the connection was closed.",
        "Look at the sender and at the network. What it sends again is recognised.";
    "web-token" Look:
        "A request over HTTP showed no bearer token of `[receive.web] bearer`.",
        "Give the sender a token of that file; if it is nobody of yours, find out who it is.";
};
