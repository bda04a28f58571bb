//! Commands about deliveries.

use super::ConfigArg;
use chrono::NaiveDate;
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
        /// Print JSON Lines, one delivery a line.
        #[arg(long)]
        json: bool,
    },
    /// Try deliveries at once that wait, are dead or were dropped.
    Retry {
        #[command(flatten)]
        config: ConfigArg,
        #[command(flatten)]
        which: WhichArgs,
    },
    /// Take deliveries out that wait or are dead; retry brings them back.
    Drop {
        #[command(flatten)]
        config: ConfigArg,
        #[command(flatten)]
        which: WhichArgs,
    },
    /// Deliver the results of some days again, or for the first time to a new destination.
    Replay {
        #[command(flatten)]
        config: ConfigArg,
        /// The destination.
        #[arg(long, value_name = "NAME")]
        destination: String,
        /// First day, YYYY-MM-DD: results count by the day on which they were made, UTC.
        #[arg(long, value_name = "DAY")]
        from: NaiveDate,
        /// Last day; it belongs to the days.
        #[arg(long, value_name = "DAY")]
        to: NaiveDate,
    },
}

/// Which deliveries are meant.
#[derive(Debug, Args)]
pub(in crate::cli) struct WhichArgs {
    /// Numbers of deliveries, as the list shows them.
    #[arg(value_name = "NUMBER")]
    pub(in crate::cli) numbers: Vec<i64>,
    /// Those to this destination.
    #[arg(long, value_name = "NAME")]
    pub(in crate::cli) destination: Option<String>,
    /// Those in this state.
    #[arg(long, value_enum)]
    pub(in crate::cli) state: Option<StateChoice>,
}

/// How a delivery stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(in crate::cli) enum StateChoice {
    /// It is tried, now or later.
    Waiting,
    /// The destination took it.
    Delivered,
    /// It failed for good.
    Dead,
    /// A person took it out.
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
    /// Name of the destination.
    pub(in crate::cli) destination: String,
    /// Print JSON.
    #[arg(long)]
    pub(in crate::cli) json: bool,
}
