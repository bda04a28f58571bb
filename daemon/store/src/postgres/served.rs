//! A server of the tests' own: begun with the first test of a process that wants one, reached by a socket in
//! a folder of its own alone, and gone with the process, however that ends.

// What stands in the way of a test fails it.
#![allow(clippy::expect_used, clippy::panic)]

use super::Settings;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::{Child, ChildStdin, Command, Stdio};
use std::sync::OnceLock;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::{Duration, Instant};

/// Where Debian has the programs of a server.
const PROGRAMS: &str = "/usr/lib/postgresql";

/// Begins a server and stays with it: stops it when told to, or when whoever began it is gone.
const KEEPER: &str = r#"
trap '' INT HUP TERM
programs=$1; data=$2; folder=$3; shift 3
"$programs/initdb" -D "$data" -U sheathline -A trust --no-sync -E UTF8 \
    --locale=C.UTF-8 --locale-provider=icu --icu-locale=en >"$folder/initdb.log" 2>&1 || exit 1
begin() {
    "$programs/postgres" -D "$data" -k "$folder" -c listen_addresses= "$@" >>"$folder/log" 2>&1 &
    server=$!
}
begin "$@"
while read -r word; do
    case $word in
    kill) kill -QUIT "$server"; wait "$server" ;;
    begin) begin "$@" ;;
    *) break ;;
    esac
done
kill -QUIT "$server"; wait "$server"
rm -rf "$folder"
"#;

/// A server.
pub struct Served {
    folder: PathBuf,
    programs: PathBuf,
    orders: ChildStdin,
    _keeper: Child,
}

impl Served {
    /// Begins one, with further settings as `name=value`.
    ///
    /// # Panics
    /// There is no server to begin, or it does not.
    #[must_use]
    pub fn begin(further: &[&str]) -> Served {
        let mut programs: Vec<PathBuf> = std::fs::read_dir(PROGRAMS)
            .expect("PostgreSQL is installed (apt install postgresql)")
            .map(|entry| entry.expect("readable").path().join("bin"))
            .filter(|path| path.join("postgres").exists())
            .collect();
        programs.sort();
        let programs = programs.pop().expect("the programs of PostgreSQL");
        let folder = tempfile::Builder::new()
            .prefix("shl-pg-")
            .tempdir_in("/dev/shm")
            .or_else(|_| tempfile::Builder::new().prefix("shl-pg-").tempdir())
            .expect("a folder")
            .keep();
        let is_root = rustix::process::geteuid().is_root();
        let mut keeper = if is_root {
            // The server refuses to be root.
            let done = Command::new("chown")
                .arg("nobody:nogroup")
                .arg(&folder)
                .status();
            assert!(done.expect("chown").success());
            let mut command = Command::new("setpriv");
            command.args(["--reuid=nobody", "--regid=nogroup", "--clear-groups", "sh"]);
            command
        } else {
            Command::new("sh")
        };
        let further = further.iter().flat_map(|setting| ["-c", setting]);
        let mut keeper = keeper
            .current_dir(&folder)
            .args(["-c", KEEPER, "keeper"])
            .args([&programs, &folder.join("data"), &folder])
            .args(["-c", "max_connections=200", "-c", "shared_buffers=32MB"])
            .args(further)
            .stdin(Stdio::piped())
            .spawn()
            .expect("a shell");
        let orders = keeper.stdin.take().expect("piped");
        let served = Served {
            folder,
            programs,
            orders,
            _keeper: keeper,
        };
        served.wait();
        served
    }

    /// The one that all tests of this process share; nothing of it is ever synced.
    ///
    /// # Panics
    /// As [`Served::begin`].
    #[must_use]
    pub fn shared() -> &'static Served {
        static SHARED: OnceLock<Served> = OnceLock::new();
        SHARED.get_or_init(|| Served::begin(&["fsync=off", "full_page_writes=off"]))
    }

    /// Where its socket is.
    #[must_use]
    pub fn folder(&self) -> &Path {
        &self.folder
    }

    /// The file of its socket.
    #[must_use]
    pub fn socket(&self) -> PathBuf {
        self.folder.join(".s.PGSQL.5432")
    }

    /// How a database is reached.
    ///
    /// # Panics
    /// The path of its folder is no text.
    #[must_use]
    pub fn settings(&self, database: &str) -> Settings {
        Settings::of_url(&self.url(database)).expect("a url")
    }

    /// The same, as it stands in a configuration.
    ///
    /// # Panics
    /// The path of its folder is no text.
    #[must_use]
    pub fn url(&self, database: &str) -> String {
        let folder = self.folder.to_str().expect("a text").replace('/', "%2F");
        format!("postgresql://sheathline@{folder}:5432/{database}")
    }

    /// A fresh database; tells its name.
    ///
    /// # Panics
    /// It cannot be made.
    #[must_use]
    pub fn database(&self) -> String {
        static MADE: AtomicU64 = AtomicU64::new(0);
        let name = format!("test_{}", MADE.fetch_add(1, Ordering::SeqCst));
        self.say("postgres", &format!("create database {name}"));
        name
    }

    /// What a statement answers in a database, as `psql` prints it.
    ///
    /// # Panics
    /// It fails.
    pub fn say(&self, database: &str, sql: &str) -> String {
        let said = self
            .program("psql")
            .args(["-qAtX", "-v", "ON_ERROR_STOP=1", "-d", database, "-c", sql])
            .output()
            .expect("psql runs");
        let words = String::from_utf8_lossy(&said.stderr);
        assert!(said.status.success(), "{sql}: {words}");
        String::from_utf8(said.stdout)
            .expect("a text")
            .trim()
            .to_owned()
    }

    /// One of its programs, told where the server is.
    #[must_use]
    pub fn program(&self, name: &str) -> Command {
        let mut command = Command::new(self.programs.join(name));
        command
            .arg("-h")
            .arg(&self.folder)
            .args(["-U", "sheathline"]);
        command
    }

    /// Ends it at once, as a crash does.
    pub fn kill(&mut self) {
        self.order("kill");
    }

    /// Begins it again, without waiting for it.
    pub fn begin_again(&mut self) {
        self.order("begin");
    }

    fn order(&mut self, word: &str) {
        writeln!(self.orders, "{word}").expect("the keeper is there");
        self.orders.flush().expect("the keeper is there");
    }

    /// Waits until it answers.
    ///
    /// # Panics
    /// It does not within a minute.
    pub fn wait(&self) {
        let began = Instant::now();
        loop {
            let answers = self
                .program("psql")
                .args(["-qAtX", "-d", "postgres", "-c", "select 1"])
                .stderr(Stdio::null())
                .stdout(Stdio::null())
                .status();
            if answers.expect("psql runs").success() {
                return;
            }
            let log = || std::fs::read_to_string(self.folder.join("log")).unwrap_or_default();
            assert!(
                began.elapsed() < Duration::from_secs(60),
                "no server: {}",
                log()
            );
            std::thread::sleep(Duration::from_millis(50));
        }
    }
}
