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
        DeliveriesDead: "deliveries-dead",
            "Deliveries were rejected for good, or deferred too long.",
            "`sheathline outbox list --state dead` says why; then `outbox retry` or `outbox drop`.";
        DestinationUnknown: "destination-unknown",
            "Deliveries wait for a destination that the configuration does not name.",
            "Name it again, or `sheathline outbox drop --destination NAME`.";
        DestinationDown: "destination-down",
            "Deliveries wait for a destination that took and refused nothing for an hour.",
            "`sheathline echo NAME` says which stage fails and what to do.";
    }
}
