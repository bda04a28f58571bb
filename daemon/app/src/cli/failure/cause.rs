//! Errors of the rooms beneath, each with the code of a command that ends by it.

use super::Code;
use crate::acts::{ActError, NotMeant, NotOne};
use crate::backfill::report::Stop;
use crate::deliver::{syslog, workers};
use crate::department::NoStatistics;
use crate::export::ExportError;
use crate::health::endpoint::EndpointError;
use crate::observe::audit::trail::TrailError;
use crate::outbox::PublishError;
use crate::pipeline::PipelineError;
use crate::receive::ReceiveError;
use sheathline_model::annotations::NotTaken;
use sheathline_model::department::CalibrationError;
use sheathline_model::domain::PressureError;
use sheathline_model::forms::FormError;
use sheathline_model::results::ResultError;
use sheathline_net::serve::ServeError;
use sheathline_net::serve::tls::TlsError;
use sheathline_store::StoreError;
use sheathline_store::moving::MoveError;
use std::error::Error;
use std::io;

/// An error that says itself what kind of failure it is.
pub(crate) trait Cause: Error + Send + Sync + Sized + 'static {
    /// What kind.
    fn code(&self) -> Code;
}

impl Cause for StoreError {
    fn code(&self) -> Code {
        match self {
            StoreError::InDoubt { .. } | StoreError::Older { .. } | StoreError::Mixed { .. } => {
                Code::StoreInDoubt
            }
            _ => Code::Store,
        }
    }
}

impl Cause for MoveError {
    fn code(&self) -> Code {
        match self {
            MoveError::Store(error) => error.code(),
            MoveError::Taken { .. } => Code::Usage,
            MoveError::Changed { .. } => Code::Incomplete,
            MoveError::Different { .. } => Code::CheckFailed,
        }
    }
}

impl Cause for PipelineError {
    fn code(&self) -> Code {
        match self {
            PipelineError::Store(error) => error.code(),
            PipelineError::Result(error) => error.code(),
            PipelineError::Publish(error) => error.code(),
        }
    }
}

impl Cause for PublishError {
    fn code(&self) -> Code {
        match self {
            PublishError::Store(error) => error.code(),
            PublishError::NotTold => Code::AuditTrail,
            PublishError::Panicked => Code::System,
            // No folder; another one has to be named.
            PublishError::Write { .. } if self.is_mistake() => Code::Configuration,
            PublishError::Write { .. }
            | PublishError::Name { .. }
            | PublishError::Taken { .. }
            | PublishError::Foreign { .. }
            | PublishError::InTheWay { .. } => Code::Outbox,
        }
    }
}

impl Cause for ReceiveError {
    fn code(&self) -> Code {
        match self {
            ReceiveError::Folder { source, .. } => match source.kind() {
                // A folder may be mounted later; a file stays one.
                io::ErrorKind::NotADirectory => Code::Configuration,
                _ => Code::File,
            },
        }
    }
}

impl Cause for ServeError {
    fn code(&self) -> Code {
        match self {
            ServeError::Listen(_) => Code::Listen,
            ServeError::Tls(error) => error.code(),
        }
    }
}

impl Cause for EndpointError {
    fn code(&self) -> Code {
        self.0.code()
    }
}

impl Cause for TlsError {
    fn code(&self) -> Code {
        Code::Configuration
    }
}

impl Cause for TrailError {
    fn code(&self) -> Code {
        Code::AuditTrail
    }
}

impl Cause for syslog::StartError {
    fn code(&self) -> Code {
        match self {
            syslog::StartError::System(_) => Code::AuditTrail,
            syslog::StartError::Store(error) => error.code(),
        }
    }
}

impl Cause for workers::StartError {
    fn code(&self) -> Code {
        match self {
            workers::StartError::Thread(error) => error.code(),
            workers::StartError::Store(error) => error.code(),
        }
    }
}

impl Cause for Stop {
    fn code(&self) -> Code {
        match self {
            Stop::Archive(_) => Code::Peer,
            Stop::Store(error) => error.code(),
            Stop::Trail => Code::AuditTrail,
        }
    }
}

impl Cause for ExportError {
    fn code(&self) -> Code {
        match self {
            ExportError::Foreign { .. }
            | ExportError::Mixed { .. }
            | ExportError::OtherKey { .. }
            | ExportError::OtherStore { .. } => Code::Usage,
            ExportError::File { .. } | ExportError::Held { .. } | ExportError::Manifest { .. } => {
                Code::File
            }
            ExportError::Row { .. } => Code::NotMade,
            ExportError::NotTold => Code::AuditTrail,
            ExportError::Store(error) => error.code(),
        }
    }
}

impl Cause for ResultError {
    fn code(&self) -> Code {
        Code::NotMade
    }
}

impl Cause for NoStatistics {
    fn code(&self) -> Code {
        match self {
            NoStatistics::Store(error) => error.code(),
            NoStatistics::Result(error) => error.code(),
            NoStatistics::Numbers(error) => error.code(),
        }
    }
}

impl Cause for FormError {
    fn code(&self) -> Code {
        Code::NotMade
    }
}

impl Cause for CalibrationError {
    fn code(&self) -> Code {
        Code::NotMade
    }
}

impl Cause for serde_json::Error {
    fn code(&self) -> Code {
        Code::NotMade
    }
}

impl Cause for NotTaken {
    fn code(&self) -> Code {
        Code::Refused
    }
}

impl Cause for NotOne {
    fn code(&self) -> Code {
        match self {
            NotOne::Unknown { .. } | NotOne::WithoutValues { .. } => Code::NotFound,
            NotOne::SeveralExams { .. } | NotOne::SeveralPatients { .. } => Code::Ambiguous,
            NotOne::Store(error) => error.code(),
        }
    }
}

impl Cause for ActError {
    fn code(&self) -> Code {
        match self {
            ActError::Unfound(unfound) => match unfound.first().map(|one| &one.why) {
                Some(NotMeant::NotOne(why)) => why.code(),
                Some(NotMeant::Again(_)) | None => Code::Ambiguous,
            },
            ActError::NoPatient | ActError::NoEvent | ActError::NoEntry(_) => Code::NotFound,
            ActError::Reason(_) | ActError::EmptySecond => Code::Usage,
            ActError::Day(_)
            | ActError::NoRise(_)
            | ActError::Newer { .. }
            | ActError::NoSecond(_) => Code::Refused,
            ActError::NotTaken(error) => error.code(),
            ActError::Result(error) => error.code(),
            ActError::Json(error) => error.code(),
            ActError::Store(error) => error.code(),
        }
    }
}

impl Cause for PressureError {
    fn code(&self) -> Code {
        Code::Usage
    }
}

/// Of no file: a thread, a signal, a stream of the system.
impl Cause for io::Error {
    fn code(&self) -> Code {
        Code::System
    }
}
