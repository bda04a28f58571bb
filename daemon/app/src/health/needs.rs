//! What `status` needs somebody for: the one table.

use sheathline_net::codes;

codes! {
    /// What does not pass by itself.
    pub enum Needed {
        OutboxUnwritable: "outbox-unwritable",
            "Results cannot be written to the outbox, as the daemon found last.",
            "Mend what `what` names: folder, rights, room, inodes or disk.";
        ResultsNotWritten: "results-not-written",
            "Single results cannot be written to the outbox.",
            "The lines result-not-written in the log say why.";
        SpoolHeldUp: "spool-held-up",
            "What was received waits in the spool, since nothing can be forwarded to the store.",
            "See to the database; it goes on by itself. Senders are answered with success until the spool is full.";
        SpoolAside: "spool-aside",
            "Objects were acknowledged that the store does not take, each for a reason of its own.",
            "`spool-set-aside` in the log says why; they stay in the spool and are tried again at each start.";
        DeliveriesDead: "deliveries-dead",
            "Deliveries were rejected for good, or deferred too long.",
            "`sheathline outbox list --state dead` says why; then `outbox retry` or `outbox drop`.";
        DestinationUnknown: "destination-unknown",
            "Deliveries wait for a destination that the configuration does not name.",
            "Name it again, or `sheathline outbox drop --destination NAME`.";
        DestinationDown: "destination-down",
            "Deliveries wait for a destination that took and refused nothing for an hour.",
            "`sheathline echo NAME` says which stage fails and what to do.";
        ValuesStopped: "values-stopped",
            "The last reports of a sender hold no sheath value, and those before did; most often an update renamed its codes.",
            "`sheathline unmapped` lists codes that nobody explains; once a dictionary explains them all reports are read again.";
        UnexplainedGrew: "unexplained-grew",
            "The last reports of a sender each hold more codes that nobody explains than any before.",
            "`sheathline unmapped` lists them; explain them in a dictionary, or say there that they are not ours.";
        RulesDiffer: "rules-differ",
            "Daemons that share the store work by different versions, parameters or dictionaries.",
            "Give all machines the same version, configuration and files: results of one patient contradict each other until then.";
        DutyUnheld: "duty-unheld",
            "A part of the work that daemons share is nobody's for more than a minute.",
            "Look at the log of the daemons; where a destination is named, at who has it in the configuration.";
        SharesUneven: "shares-uneven",
            "Of the daemons that share the store one has less than half of its share of patients, for minutes.",
            "Look at the log of its machine and at its way to the database; restart it if it lasts.";
        SenderSilent: "sender-silent",
            "A sender sent nothing for longer than its `silent_after_days`, or was never heard.",
            "Look at the scanner, at its AE title and at the network; `association-rejected` in the log says whom we turned away.";
        StoreNotEncrypted: "store-not-encrypted",
            "The server behind the store is reached over the network without TLS.",
            "Write `tls = \"verify-full\"` in `[store]`.";
    }
}
