//! What of a configuration can change while the daemon runs, and what waits for a new start.

use super::keys::{self, heading, rows};
use super::{
    Config, DicomSettings, FolderSettings, ObserveSettings, OutboxSettings, StoreSettings,
};

impl Config {
    /// What is in force after a reload of `new`: all of it, except what only a new start can
    /// change. That stays as it is here: the room for associations, the way to the store, the spool, the paths of
    /// outbox and drop folder, and of `[observe]` all but its addresses.
    #[must_use]
    pub fn reloaded(&self, new: &Config) -> Config {
        let new = new.clone();
        Config {
            dicom: DicomSettings {
                max_associations: self.dicom.max_associations,
                max_object_bytes: self.dicom.max_object_bytes,
                ..new.dicom
            },
            hl7: new.hl7,
            web: new.web,
            pages: new.pages,
            backfill: new.backfill,
            deliver: new.deliver,
            folder: FolderSettings {
                fallback_charset: new.folder.fallback_charset,
                ..self.folder.clone()
            },
            store: StoreSettings {
                keep_pixels: new.store.keep_pixels,
                keep_bodies_days: new.store.keep_bodies_days,
                ..self.store.clone()
            },
            outbox: OutboxSettings {
                folder: self.outbox.folder.clone(),
                shared: self.outbox.shared,
                ..new.outbox
            },
            templates: new.templates,
            documents: new.documents,
            observe: ObserveSettings {
                listen: new.observe.listen,
                ..self.observe.clone()
            },
            technique: new.technique,
            baseline: new.baseline,
            readers: new.readers,
            context: new.context,
        }
    }

    /// The keys in which two configurations differ, as `[table] key`; of tables that stand several
    /// times only the heading.
    #[must_use]
    pub fn differences(&self, other: &Config) -> Vec<String> {
        let mut differences: Vec<String> = keys::all()
            .filter(|key| rows(key.table).is_none() && (key.show)(self) != (key.show)(other))
            .map(|key| format!("{} {}", heading(key.table), key.name))
            .collect();
        if self.dicom.sender != other.dicom.sender {
            differences.push(heading("receive.dicom.sender"));
        }
        if self.templates.sender != other.templates.sender {
            differences.push(heading("templates.sender"));
        }
        if self.hl7.authority != other.hl7.authority {
            differences.push(heading("receive.hl7.authority"));
        }
        if self.pages.role != other.pages.role {
            differences.push(heading("pages.role"));
        }
        if self.backfill != other.backfill {
            differences.push(heading("archive"));
        }
        if self.deliver != other.deliver {
            differences.push(heading("destination"));
        }
        differences
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn config(text: &str) -> Config {
        Config::from_text("site.toml", text).expect("a configuration")
    }

    #[test]
    fn what_opens_something_waits_for_a_start() {
        let old = Config::default();
        let new = config(
            "[receive.dicom]\nlisten = \"127.0.0.1:11113\"\ncalling_allowed = [\"CART1\"]\n\
             [[receive.dicom.sender]]\nae_title = \"CART1\"\n\
             [store]\npath = \"other.sqlite\"\nkeep_pixels = true\nkind = \"postgresql\"\n\
             url = \"postgresql://s@db.example/s\"\npassword_file = \"p\"\nconnections = 3\n\
             durability = \"cluster\"\nspool = \"s\"\nspool_limit_mb = 16\n\
             [baseline]\nsigma_w = 0.3\n[observe]\nlog = \"debug\"\n\
             [receive.web]\nlisten = \"127.0.0.1:8080\"\n\
             [[archive]]\nname = \"old\"\nkind = \"dicomweb\"\nurl = \"http://127.0.0.1:9/dw\"\n",
        );
        let reloaded = old.reloaded(&new);
        let changed = [
            "[receive.dicom] listen",
            "[receive.dicom] calling_allowed",
            "[receive.web] listen",
            "[store] keep_pixels",
            "[baseline] sigma_w",
            "[[receive.dicom.sender]]",
            "[[archive]]",
        ];
        assert_eq!(old.differences(&reloaded), changed);
        let waiting = [
            "[store] kind",
            "[store] path",
            "[store] url",
            "[store] password_file",
            "[store] connections",
            "[store] durability",
            "[store] spool",
            "[store] spool_limit_mb",
            "[observe] log",
        ];
        assert_eq!(reloaded.differences(&new), waiting);
    }

    #[test]
    fn the_same_again_changes_nothing() {
        let same = Config::default();
        assert_eq!(same.reloaded(&same), same);
        assert!(same.differences(&same).is_empty());
    }
}
