//! Every table of a store: its columns in their order, and the key that its rows are ordered by.
//!
//! Held against the shape of each database by a test, so that none is forgotten.

/// What a column holds. A store has no other numbers than whole ones.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Kind {
    /// Whole numbers.
    Number,
    /// Text.
    Text,
    /// Bytes.
    Bytes,
}

/// A column.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Column {
    pub(crate) name: &'static str,
    pub(crate) kind: Kind,
}

/// A table.
#[derive(Debug)]
pub(crate) struct Table {
    pub(crate) name: &'static str,
    /// The primary key.
    pub(crate) key: &'static [&'static str],
    /// Whether the database gives its rows their numbers.
    pub(crate) is_numbered: bool,
    pub(crate) columns: &'static [Column],
}

/// Tables that stay, each with the reason.
#[cfg(test)]
pub(crate) const STAYING: &[(&str, &str)] = &[
    (
        "member",
        "who works at one database now is nobody at another",
    ),
    ("duty", "it belongs to a member"),
    ("owner", "who owns one database owns no other"),
    ("shape", "which shape a database has, it knows itself"),
    ("last_commit", "it finds a commit of one database again"),
];

/// Rows of `meta` that stay: what they say is of one database and of a move.
pub(super) const STAYING_FACTS: &[&str] =
    &[crate::meta::COMMITS, super::mark::COMING, super::mark::GONE];

/// The tables that are moved, each after those that its rows name.
pub(crate) const MOVED: &[Table] = &[
    Table {
        name: "meta",
        key: &["name"],
        is_numbered: false,
        columns: &[text("name"), text("value")],
    },
    Table {
        name: "gist",
        key: &["id"],
        is_numbered: true,
        columns: &[number("id"), bytes("hash"), text("content")],
    },
    Table {
        name: "object",
        key: &["id"],
        is_numbered: true,
        columns: &[
            number("id"),
            bytes("body"),
            number("body_bytes"),
            bytes("body_sha256"),
            text("transfer_syntax"),
            text("source"),
            text("default_issuer"),
            text("received_at"),
            number("repeats"),
            text("state"),
            text("sop_instance_uid"),
            text("content_sha256"),
            text("disposition"),
            text("patient_issuer"),
            text("patient_id"),
            text("study_instance_uid"),
            text("reading"),
            number("kept_bytes"),
            bytes("kept_sha256"),
            text("missing"),
            text("missing_since"),
            bytes("reading_sha256"),
            number("quiet_after_days"),
            number("gist"),
        ],
    },
    Table {
        name: "object_blocking",
        key: &["object_id", "code"],
        is_numbered: false,
        columns: &[number("object_id"), text("code")],
    },
    Table {
        name: "result",
        key: &["id"],
        is_numbered: true,
        columns: &[
            number("id"),
            text("exam_id"),
            number("version"),
            text("key"),
            text("content"),
            text("why"),
            number("supersedes"),
            text("created_at"),
            text("published_at"),
            text("patient_issuer"),
            text("patient_id"),
            text("damaged_at"),
            text("status"),
        ],
    },
    Table {
        name: "delivery",
        key: &["id"],
        is_numbered: true,
        columns: &[
            number("id"),
            text("destination"),
            number("result_id"),
            text("what"),
            text("state"),
            text("since"),
            number("attempts"),
            number("waited_s"),
            text("due_at"),
            text("failed_at"),
            text("stage"),
            text("code"),
            text("words"),
        ],
    },
    Table {
        name: "reading_change",
        key: &["id"],
        is_numbered: true,
        columns: &[
            number("id"),
            number("object_id"),
            number("version"),
            text("read_at"),
        ],
    },
    Table {
        name: "archived",
        key: &["sop_instance_uid"],
        is_numbered: false,
        columns: &[text("sop_instance_uid"), number("object_id")],
    },
    Table {
        name: "archive_day",
        key: &["archive", "day"],
        is_numbered: false,
        columns: &[text("archive"), text("day"), text("finished_at")],
    },
    Table {
        name: "dirty",
        key: &["patient_id", "patient_issuer"],
        is_numbered: false,
        columns: &[
            text("patient_issuer"),
            text("patient_id"),
            text("since"),
            number("mark"),
        ],
    },
    Table {
        name: "id_statement",
        key: &["id"],
        is_numbered: true,
        columns: &[
            number("id"),
            text("act"),
            text("from_issuer"),
            text("from_id"),
            text("into_issuer"),
            text("into_id"),
            text("stated_at"),
            text("recorded_at"),
            text("source"),
            text("message"),
            text("who"),
            text("why"),
        ],
    },
    Table {
        name: "entry",
        key: &["id"],
        is_numbered: true,
        columns: &[
            number("id"),
            number("act"),
            text("patient_issuer"),
            text("patient_id"),
            text("kind"),
            text("study_instance_uid"),
            text("readings"),
            text("date"),
            text("value"),
            text("unit"),
            text("recorded_at"),
            text("author"),
            text("author_kind"),
            text("entered_by"),
            text("source"),
            text("reason"),
            number("corrects"),
        ],
    },
    Table {
        name: "account",
        key: &["name"],
        is_numbered: false,
        columns: &[
            text("name"),
            text("roles"),
            text("password"),
            text("created_at"),
            number("failures"),
            text("locked_until"),
            text("signed_out_at"),
            text("ended_at"),
        ],
    },
    Table {
        name: "web_session",
        key: &["hash"],
        is_numbered: false,
        columns: &[
            bytes("hash"),
            text("account"),
            text("content"),
            text("ends_at"),
        ],
    },
    Table {
        name: "deed",
        key: &["id"],
        is_numbered: true,
        columns: &[
            number("id"),
            text("recorded_at"),
            text("account"),
            text("roles"),
            text("address"),
            text("action"),
            text("patient_issuer"),
            text("patient_id"),
            text("exam_id"),
            text("detail"),
        ],
    },
    Table {
        name: "measurement_draft",
        key: &["id"],
        is_numbered: true,
        columns: &[
            number("id"),
            text("account"),
            text("saved_at"),
            text("content"),
        ],
    },
    Table {
        name: "bringing",
        key: &["number"],
        is_numbered: true,
        columns: &[
            number("number"),
            text("recorded_at"),
            text("author"),
            text("author_kind"),
            text("entered_by"),
            text("reason"),
            text("file_name"),
            bytes("file_sha256"),
            number("rows"),
        ],
    },
    Table {
        name: "brought",
        key: &["bringing", "line", "sop_instance_uid"],
        is_numbered: false,
        columns: &[number("bringing"), number("line"), text("sop_instance_uid")],
    },
    Table {
        name: "exam_line",
        key: &["exam_id"],
        is_numbered: false,
        columns: &[
            text("exam_id"),
            text("patient_issuer"),
            text("patient_id"),
            number("version"),
            text("performed_at"),
            text("first_at"),
            text("status"),
            number("flagged"),
            text("label"),
            text("rise"),
            text("rise_since"),
            number("reminded"),
            number("history_only"),
            text("uncompared"),
            number("unlabelled"),
            text("operator"),
            text("device"),
            text("location"),
            text("accession"),
            text("line"),
        ],
    },
];

const fn number(name: &'static str) -> Column {
    let kind = Kind::Number;
    Column { name, kind }
}

const fn text(name: &'static str) -> Column {
    let kind = Kind::Text;
    Column { name, kind }
}

const fn bytes(name: &'static str) -> Column {
    let kind = Kind::Bytes;
    Column { name, kind }
}

impl Table {
    fn names(&self) -> String {
        let names: Vec<&str> = self.columns.iter().map(|column| column.name).collect();
        names.join(", ")
    }

    /// Asks for the first rows in the order of the key.
    pub(super) fn select_first(&self) -> String {
        let (columns, name, key) = (self.names(), self.name, self.key.join(", "));
        format!("select {columns} from {name} order by {key} limit ?1")
    }

    /// Asks for the rows behind a key.
    pub(super) fn select_after(&self) -> String {
        let (columns, name, key) = (self.names(), self.name, self.key.join(", "));
        let (after, limit) = (places(self.key.len()), self.key.len() + 1);
        format!(
            "select {columns} from {name} where ({key}) > ({after}) order by {key} limit ?{limit}"
        )
    }

    /// Adds a row.
    pub(super) fn insert(&self) -> String {
        let (columns, name) = (self.names(), self.name);
        let values = places(self.columns.len());
        format!("insert into {name} ({columns}) values ({values})")
    }

    /// The column that the database numbers the rows by, if it does.
    pub(super) fn numbers(&self) -> Option<&'static str> {
        self.key.first().copied().filter(|_| self.is_numbered)
    }

    /// Where the columns of the key stand in a row.
    pub(super) fn key_places(&self) -> impl Iterator<Item = usize> {
        let place = |name: &&str| self.columns.iter().position(|column| column.name == *name);
        self.key.iter().filter_map(place)
    }
}

/// Places of that many values.
fn places(many: usize) -> String {
    let places: Vec<String> = (1..=many).map(|n| format!("?{n}")).collect();
    places.join(", ")
}
