//! Why the daemon is not ready: the one table.

use sheathline_net::codes;

codes! {
    /// Why the daemon is not ready. Meanings stand in `/readyz`; none names a patient or a path.
    pub enum Cause {
        Starting: "starting",
            "nothing is received yet",
            "Nothing: wait until the start is over.";
        Stopping: "stopping",
            "the program was told to stop",
            "Nothing, if somebody stops it.";
        StoreInDoubt: "store-in-doubt",
            "the store takes nothing more",
            "Look at the disk (dmesg, SMART) before you start again; `why` in the log says what failed.";
        StoreUnreadable: "store-unreadable",
            "the store cannot be read",
            "Look at the disk and at the rights of the store, then run `sheathline verify`.";
        DatabaseAway: "database-away",
            "the server behind the store does not answer",
            "Look at the server and at the network; `sheathline check-config` says which step fails. It goes on by itself.";
        DatabaseReadOnly: "database-read-only",
            "the server behind the store is a standby that takes no changes",
            "Name the primary in `[store] url`, or have the standby promoted.";
        PutOut: "put-out",
            "the daemons that share the store have put this one out; it joins again by itself",
            "Nothing if it passes; if it lasts, look at the load of this machine and its way to the database.";
        StoreBusy: "store-busy",
            "one change has held the store for seconds, and nobody else is answered meanwhile",
            "Nothing if it passes; if it lasts, look at the speed of the disk.";
        DiskFull: "disk-full",
            "the disk of the store has no room for the largest object taken",
            "Make room; `sheathline compact` and `[store] keep_bodies_days` give some back.";
        SpoolFull: "spool-full",
            "the spool takes no large object any more, since the database has not taken what waits there, or its disk is full",
            "Find out why the database does not answer (spool-not-forwarded in the log), or raise `[store] spool_limit_mb` and make room.";
        SpoolInDoubt: "spool-in-doubt",
            "the spool takes nothing more",
            "Look at the disk (dmesg, SMART) before you start again; `why` in the log says what failed.";
        SpoolUnreadable: "spool-unreadable",
            "the spool cannot be read",
            "Look at the disk and at the rights of the file that `[store] spool` names.";
        OutboxFull: "outbox-full",
            "the disk of the outbox has no room for a result",
            "Make room; take out of the outbox what is done with.";
        OutboxUnwritable: "outbox-unwritable",
            "results cannot be written to the outbox",
            "Mend what the answer names: folder, rights, room, inodes or disk.";
        ReceiverEnded: "receiver-ended",
            "a listener or the drop folder has ended; only a new start helps",
            "Restart the service, and report it with the log before.";
        FolderMissing: "folder-missing",
            "the drop folder cannot be read",
            "Mount it, or give the service the right to read it.";
        FolderLink: "folder-link",
            "a link or a file stands in the place of `done` or `failed` of the drop folder",
            "Take it away, and find out who put it there.";
        TlsPortClosed: "tls-port-closed",
            "a port for TLS is closed, since its certificate or key does not serve; the log says which",
            "Renew that file; the port opens by itself.";
        PipelineEnded: "pipeline-ended",
            "nothing is made of what is received; only a new start helps",
            "Restart the service, and report it with the log before.";
        AuditNotWritten: "audit-not-written",
            "the audit trail cannot be written, so results wait",
            "Look at disk, path and rights of `[observe] audit`.";
        AuditNoRoom: "audit-no-room",
            "the disk of the audit trail is nearly full, and only results are told of",
            "Make room on that disk.";
    }
}
