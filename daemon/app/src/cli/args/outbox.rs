//! Commands about deliveries.

use super::{ConfigArg, PeriodArgs};
use clap::{Args, Subcommand, ValueEnum};
use sheathline_store::deliveries::State;

#[derive(Debug, Subcommand)]
pub(in crate::cli) enum OutboxCommand {
    /// List deliveries, with their numbers.
    List {
        #[command(flatten)]
        config: ConfigArg,
        #[command(flatten)]
        which: WhichArgs,
        /// Print JSON, one object a line.
        #[arg(long)]
        json: bool,
    },
    /// Try deliveries again at once that wait, are dead or were dropped.
    Retry {
        #[command(flatten)]
        config: ConfigArg,
        #[command(flatten)]
        which: WhichArgs,
        /// Print JSON, one object a line.
        #[arg(long)]
        json: bool,
    },
    /// Drop deliveries that wait or are dead; retry brings them back.
    Drop {
        #[command(flatten)]
        config: ConfigArg,
        #[command(flatten)]
        which: WhichArgs,
        /// Print JSON, one object a line.
        #[arg(long)]
        json: bool,
    },
    /// Deliver the results of a period again, or for the first time to a new destination.
    ///
    /// Results count by the day on which they were made, UTC.
    Replay {
        #[command(flatten)]
        config: ConfigArg,
        /// Name of a [[destination]].
        #[arg(long, value_name = "NAME")]
        destination: String,
        #[command(flatten)]
        period: PeriodArgs,
        /// Print JSON, one object a line.
        #[arg(long)]
        json: bool,
    },
}

/// Which deliveries are meant.
#[derive(Debug, Args)]
pub(in crate::cli) struct WhichArgs {
    /// Numbers of deliveries, as the list shows them.
    #[arg(value_name = "NUMBER")]
    pub(in crate::cli) numbers: Vec<i64>,
    /// Name of a [[destination]].
    #[arg(long, value_name = "NAME")]
    pub(in crate::cli) destination: Option<String>,
    /// State of the deliveries.
    #[arg(long, value_enum, value_name = "STATE")]
    pub(in crate::cli) state: Option<StateChoice>,
}

/// How a delivery stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(in crate::cli) enum StateChoice {
    /// Waits for its next attempt.
    Waiting,
    /// Accepted by the destination.
    Delivered,
    /// Failed for good.
    Dead,
    /// Dropped by a person.
    Dropped,
}

impl From<StateChoice> for State {
    fn from(choice: StateChoice) -> Self {
        match choice {
            StateChoice::Waiting => State::Waiting,
            StateChoice::Delivered => State::Delivered,
            StateChoice::Dead => State::Dead,
            StateChoice::Dropped => State::Dropped,
        }
    }
}

#[derive(Debug, Args)]
pub(in crate::cli) struct EchoArgs {
    #[command(flatten)]
    pub(in crate::cli) config: ConfigArg,
    /// Name of a [[destination]] or an [[archive]].
    #[arg(value_name = "NAME")]
    pub(in crate::cli) destination: String,
    /// Print JSON, one object a line.
    #[arg(long)]
    pub(in crate::cli) json: bool,
}
