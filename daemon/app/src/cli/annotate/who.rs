//! Who says something, as far as anybody can tell.

use crate::acts::{author, reason};
use crate::cli::args::WhoArgs;
use crate::cli::context;
use sheathline_model::annotations::{Author, By};

/// Who is at the command line.
pub(in crate::cli) struct Who {
    named: Option<String>,
    reason: String,
    entered_by: String,
}

impl Who {
    /// # Errors
    /// The name or the reason cannot be kept; in words.
    pub(in crate::cli) fn of(args: &WhoArgs) -> Result<Who, String> {
        let named = args.author.as_deref().map(author).transpose();
        Ok(Who {
            named: named.map_err(|what| format!("--author {what}"))?,
            reason: reason(args.reason.as_deref().unwrap_or_default())
                .map_err(|what| format!("--reason {what}"))?,
            entered_by: system_user(),
        })
    }

    /// What an entry carries. A row of a table may name somebody and something else.
    pub(in crate::cli) fn by(
        &self,
        source: &str,
        author: Option<&str>,
        reason: Option<&str>,
    ) -> By {
        let named = author.or(self.named.as_deref());
        By {
            author: match named {
                Some(name) => Author::Account(name.to_owned()),
                None => Author::SystemUser(self.entered_by.clone()),
            },
            entered_by: self.entered_by.clone(),
            source: source.to_owned(),
            reason: reason.unwrap_or(&self.reason).to_owned(),
        }
    }
}

/// The number of the account, which nobody can choose, and the name that the environment gives.
fn system_user() -> String {
    let named = ["SUDO_USER", "USER", "LOGNAME"];
    let mut named = named.iter().filter_map(|name| std::env::var(name).ok());
    let name = named.next().and_then(|name| author(&name).ok());
    match name {
        Some(name) => format!("{name} ({})", context::user()),
        None => context::user(),
    }
}
