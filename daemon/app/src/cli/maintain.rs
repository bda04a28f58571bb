//! The life of the store: `verify`, `backup`, `restore`, `compact`.

use super::args::{BackupArgs, CompactArgs, RestoreArgs, VerifyArgs};
use super::{Code, Failure, context, opening, print};
use crate::config::{Config, StorePlace};
use crate::outbox::{self, Counted, Standing};
use chrono::SecondsFormat;
use serde::Serialize;
use sheathline_store::copy;
use sheathline_store::verify::{Damage, Looker, Verified};
use std::path::Path;

/// What a site with a server does in the place of `backup`.
const BACKED_UP: &str = "back up its database by its own means: pg_dump, or a base backup with \
     archived log (pg_basebackup); `sheathline verify` judges what was restored";

/// What a site with a server does in the place of `restore`.
const RESTORED: &str = "stop every daemon of it, restore its database by its own means, then run \
     `sheathline verify` before a daemon starts";

/// What a site with a server does in the place of `compact`.
const COMPACTED: &str = "its database uses freed room again by itself (autovacuum); its \
     administrator returns it to the disk with VACUUM FULL while no daemon runs";

/// What `verify --json` prints.
#[derive(Default, Serialize)]
struct Report {
    objects: u32,
    bytes_dropped: u32,
    results: u32,
    deliveries: u32,
    in_outbox: u32,
    gone_from_outbox: u32,
    unknown_in_outbox: u32,
    annotated_patients: u32,
    damages: Vec<DamageLine>,
}

#[derive(Serialize)]
struct DamageLine {
    part: String,
    what: String,
}

fn damages(verified: &Verified) -> Vec<DamageLine> {
    let lines = verified.damages.iter().map(|one| DamageLine {
        part: one.part.clone(),
        what: one.how.clone(),
    });
    lines.collect()
}

/// What `backup --json` prints: the file written, and what is in it.
#[derive(Serialize)]
struct Copied {
    path: String,
    objects: u32,
    bytes_dropped: u32,
    results: u32,
    deliveries: u32,
    damages: Vec<DamageLine>,
}

impl Copied {
    fn new(path: &Path, verified: &Verified) -> Self {
        Copied {
            path: path.display().to_string(),
            objects: verified.objects,
            bytes_dropped: verified.dropped,
            results: verified.results,
            deliveries: verified.deliveries,
            damages: damages(verified),
        }
    }
}

/// What `restore --json` prints.
#[derive(Serialize)]
struct Restored {
    #[serde(flatten)]
    copied: Copied,
    /// Where the store before is now.
    replaced: Option<String>,
}

/// What `compact --json` prints.
#[derive(Serialize)]
struct Compacted {
    bytes: u64,
}

/// `verify`: every stored byte against its hash, every published result against the outbox.
pub(super) fn verify(args: &VerifyArgs) -> Result<(), Failure> {
    let config = context::config(&args.config.config)?;
    // Before the store is looked at: it knows a result before the outbox has it.
    let published = outbox::published(&config.outbox.folder)
        .map_err(|error| Failure::at(&config.outbox.folder, error))?;
    let looker = opening::looker(&config)?;
    let older = older(&config, &looker)?;
    let (mut in_outbox, mut gone) = (0, 0);
    let mut verified = looker.verify(|row, damages| {
        if row.published_at.is_none() {
            return;
        }
        let how = match outbox::standing(&config.outbox.folder, row) {
            Ok(Standing::Same) => {
                in_outbox += 1;
                return;
            }
            Ok(Standing::Gone) => {
                gone += 1;
                if !args.outbox_complete {
                    return;
                }
                "it is gone from the outbox".to_owned()
            }
            Ok(Standing::Other) => "its folder in the outbox holds something else".to_owned(),
            Ok(Standing::NoFolder) => {
                "what has its name in the outbox is a link or a file".to_owned()
            }
            Err(error) => format!("its folder in the outbox cannot be read: {error}"),
        };
        damages.push(Damage {
            part: format!("result {} version {}", row.exam_id, row.version),
            how,
        });
    })?;
    verified.damages.extend(older);
    let mut unknown = 0;
    for (exam, version) in published {
        if !looker.knows_result(&exam, version)? {
            unknown += 1;
            verified.damages.push(Damage {
                part: format!("result {exam} version {version}"),
                how: "it is in the outbox, and the store does not know it: it is of a store that is \
                      gone, or of what was stored since a copy was made; have the objects sent again"
                    .to_owned(),
            });
        }
    }
    if args.json {
        print::json(&Report {
            objects: verified.objects,
            bytes_dropped: verified.dropped,
            results: verified.results,
            deliveries: verified.deliveries,
            in_outbox,
            gone_from_outbox: gone,
            unknown_in_outbox: unknown,
            annotated_patients: verified.people,
            damages: damages(&verified),
        })?;
    } else {
        sum(&verified);
        print::line(format_args!(
            "published results {}: in the outbox {in_outbox}, gone from it {gone}",
            in_outbox + gone
        ));
    }
    judge(
        &verified,
        "restore a copy, or have the objects named here sent again",
    )
}

/// A database that counts fewer commits than a daemon noted in the outbox was put back from an earlier time.
fn older(config: &Config, looker: &Looker) -> Result<Option<Damage>, Failure> {
    let StorePlace::Server(server) = config.store.place() else {
        // What was told of a file stands beside it, and one that knows less does not open.
        return Ok(None);
    };
    let place = opening::settings(&server)?.place();
    let identity = looker.identity()?;
    // In this order: a daemon may be at work.
    let noted = outbox::counted_by(&config.outbox.folder, identity.as_deref(), &place);
    let known = looker.commits()?;
    let older = noted.filter(|noted| noted.commits > known);
    Ok(older.map(|Counted { commits, at }| Damage {
        part: "database".to_owned(),
        how: format!(
            "it is older than what was worked on, by {} commits: it counts {known}, and {commits} were noted \
             in the outbox at {at}. What was stored since is gone from it; have everything since sent again, \
             and enter again what people said",
            commits - known,
            at = at.to_rfc3339_opts(SecondsFormat::Secs, true)
        ),
    }))
}

fn sum(verified: &Verified) {
    print::line(format_args!(
        "objects {}, of these without bytes on purpose {}",
        verified.objects, verified.dropped
    ));
    print::line(format_args!(
        "results {}, deliveries {}, patients with labels, events or pressures {}",
        verified.results, verified.deliveries, verified.people
    ));
}

fn judge(verified: &Verified, advice: &str) -> Result<(), Failure> {
    if verified.damages.is_empty() {
        print::note("no damage found");
        return Ok(());
    }
    for damage in &verified.damages {
        print::note(format_args!("{}: {}", damage.part, damage.how));
    }
    Err(Failure::new(
        Code::CheckFailed,
        format!("{} damages found; {advice}", verified.damages.len()),
    ))
}

/// `backup`: a checked copy beside a running daemon.
pub(super) fn backup(args: &BackupArgs) -> Result<(), Failure> {
    let config = context::config(&args.config.config)?;
    let path = opening::file(&config, "backup", BACKED_UP)?;
    let verified = copy::back_up(path, args.output())?;
    print::line(format_args!("copied to {}", args.output().display()));
    sum(&verified);
    if args.json {
        print::json(&Copied::new(args.output(), &verified))?;
    }
    judge(
        &verified,
        "the copy was kept; the store has the same damages",
    )
}

/// `restore`: a copy in the place of the store.
pub(super) fn restore(args: &RestoreArgs) -> Result<(), Failure> {
    let config = context::config(&args.config.config)?;
    let path = opening::file(&config, "restore", RESTORED)?;
    context::as_its_account(&config)?;
    if let Some(folder) = path.parent() {
        std::fs::create_dir_all(folder).map_err(|e| Failure::at(folder, e))?;
    }
    let restored = copy::restore(&args.from, path, args.replace)?;
    sum(&restored.verified);
    judge(&restored.verified, "nothing was restored")?;
    if let Some(old) = &restored.old {
        print::line(format_args!("the replaced store is now {}", old.display()));
    }
    print::line(format_args!("restored to {}", path.display()));
    if args.json {
        let old = restored.old.as_deref();
        print::json(&Restored {
            copied: Copied::new(path, &restored.verified),
            replaced: old.map(|path| path.display().to_string()),
        })?;
    }
    Ok(())
}

/// `compact`: room of dropped bytes back to the disk.
pub(super) fn compact(args: &CompactArgs) -> Result<(), Failure> {
    let config = context::config(&args.config.config)?;
    let path = opening::file(&config, "compact", COMPACTED)?;
    context::as_its_account(&config)?;
    let bytes = sheathline_store::compact(path)?;
    print::line(format_args!("{bytes} bytes returned to the disk"));
    if args.json {
        print::json(&Compacted { bytes })?;
    }
    Ok(())
}
