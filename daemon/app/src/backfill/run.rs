//! Goes through the windows of an archive and keeps what comes.
//!
//! A day is noted as finished after everything that the archive names of it is stored, never before;
//! an object and the note that it is here are one commit. So it can be killed at any instant and
//! started again.

use super::archive::{Answers, Came, Series, Source, Trouble, source};
use super::report::{Asked, Counts, Event, Stop};
use super::window::{Window, windows};
use crate::intake::{History, Intake, Kept, Name, Object, Telling, Unfit};
use crate::observe::Observed;
use crate::observe::audit;
use crate::routes::archive::{Archive, Way};
use chrono::{Local, NaiveDate, Utc};
use sheathline_model::domain;
use sheathline_net::connect::{Failure, Stage, Word};
use sheathline_store::{Store, StoreError, archives};
use std::collections::BTreeSet;
use std::thread::sleep;
use std::time::{Duration, Instant};

/// How often a lost connection is made anew before the archive counts as away, and the first wait; each
/// further one is twice as long.
const TRIES: u32 = 4;
const FIRST_WAIT: Duration = Duration::from_secs(1);

/// An archive that asks for more time than this, by Retry-After, is asked again all the same.
const PATIENCE: Duration = Duration::from_secs(600);

/// Longest sleep in one piece while the hours are waited for: the clock may be put right meanwhile.
const NAP: Duration = Duration::from_secs(60);

/// One run.
pub struct Backfill<'a> {
    archive: &'a Archive,
    store: &'a Store,
    observed: &'a Observed,
    asked: Asked,
    source: Box<dyn Source>,
    tell: &'a mut dyn FnMut(Event<'_>),
    counts: Counts,
}

impl<'a> Backfill<'a> {
    /// A run over an open store.
    pub fn new(
        archive: &'a Archive,
        store: &'a Store,
        observed: &'a Observed,
        asked: Asked,
        tell: &'a mut dyn FnMut(Event<'_>),
    ) -> Self {
        Backfill {
            source: source(archive),
            archive,
            store,
            observed,
            asked,
            tell,
            counts: Counts::default(),
        }
    }

    /// Goes through all windows.
    ///
    /// # Errors
    /// What ended it early.
    pub fn run(mut self) -> Result<Counts, Stop> {
        let mut all = Counts::default();
        for window in windows(self.asked.from, self.asked.to, self.archive.window_days) {
            let finished_before = self.is_finished(&window)?;
            self.counts = Counts::default();
            if !finished_before {
                self.window(&window)?;
                self.finish(&window)?;
            }
            all.add(&self.counts);
            (self.tell)(Event::Window {
                window,
                finished_before,
                counts: self.counts,
            });
        }
        Ok(all)
    }

    fn is_finished(&self, window: &Window) -> Result<bool, StoreError> {
        if self.asked.again {
            return Ok(false);
        }
        self.store.read(|conn| {
            for day in window.days() {
                if !archives::is_finished(conn, &self.archive.name, day)? {
                    return Ok(false);
                }
            }
            Ok(true)
        })
    }

    /// Notes the days of a window, unless something of it is open. Today is never finished.
    fn finish(&self, window: &Window) -> Result<(), StoreError> {
        if self.asked.dry_run || self.counts.missing + self.counts.incomplete > 0 {
            return Ok(());
        }
        let today = Local::now().date_naive();
        let days: Vec<NaiveDate> = window.days().filter(|day| *day < today).collect();
        let name = self.archive.name.clone();
        self.store
            .write(move |tx| archives::finish(tx, &name, &days, Utc::now()))
    }

    fn window(&mut self, window: &Window) -> Result<(), Stop> {
        for study in self.studies(window)? {
            self.counts.studies += 1;
            let series = self.insist(|source| source.series(&study))?;
            for series in self.complete(series, window, &study) {
                self.counts.series += 1;
                let series = Series {
                    study: &study,
                    series: &series,
                };
                let instances = self.insist(|source| source.instances(&series))?;
                let instances = self.complete(instances, window, &study);
                self.objects(&series, instances)?;
            }
        }
        Ok(())
    }

    /// The studies of a window; where the archive cuts its answer off, those of its parts.
    fn studies(&mut self, window: &Window) -> Result<Vec<String>, Stop> {
        self.tell_trail(window)?;
        let answers = match self.insist(|source| source.studies(window))? {
            Ok(answers) => answers,
            // Nothing else can be asked then.
            Err(failure) => return Err(Stop::Archive(failure)),
        };
        let Some(why) = answers.cut_off else {
            return Ok(answers.found);
        };
        let parts = window.split();
        if parts.is_empty() {
            self.incomplete(window, None, &why);
            return Ok(answers.found);
        }
        let mut all = Vec::new();
        for part in &parts {
            all.extend(self.studies(part)?);
        }
        let known: BTreeSet<&String> = all.iter().collect();
        let found = answers.found.into_iter();
        let stray: Vec<String> = found.filter(|study| !known.contains(study)).collect();
        if !stray.is_empty() && window.from == window.to {
            let words = "there are studies without a time of day, which no hour finds; more of them \
                         may be missing";
            self.incomplete(window, None, words);
        }
        all.extend(stray);
        // A study of two parts is one.
        let mut seen = BTreeSet::new();
        all.retain(|study| seen.insert(study.clone()));
        Ok(all)
    }

    /// Has the audit trail tell what is about to be asked. Questions about what is found are part of it.
    fn tell_trail(&self, window: &Window) -> Result<(), Stop> {
        let Some(trail) = &self.observed.trail else {
            return Ok(());
        };
        let told = audit::Event::Queried {
            archive: peer(&self.archive.way),
            user: self.asked.user.clone(),
            question: self.source.question(window),
        };
        if trail.write(&[(Utc::now(), told)]) {
            Ok(())
        } else {
            Err(Stop::Trail)
        }
    }

    /// What was answered about a study; what was not is told.
    fn complete(
        &mut self,
        answers: Result<Answers, Failure>,
        window: &Window,
        study: &str,
    ) -> Vec<String> {
        match answers {
            Ok(Answers { found, cut_off }) => {
                if let Some(why) = cut_off {
                    self.incomplete(window, Some(study), &why);
                }
                found
            }
            Err(failure) => {
                self.incomplete(window, Some(study), &failure.words);
                Vec::new()
            }
        }
    }

    fn incomplete(&mut self, window: &Window, study: Option<&str>, words: &str) {
        self.counts.incomplete += 1;
        (self.tell)(Event::Incomplete {
            window: *window,
            study,
            words,
        });
    }

    /// Has the reports of a series come that are not here.
    fn objects(&mut self, series: &Series<'_>, instances: Vec<String>) -> Result<(), Stop> {
        self.counts.objects += instances.len() as u64;
        let not_here = self.not_here(&instances)?;
        self.counts.stored_before += (instances.len() - not_here.len()) as u64;
        if self.asked.dry_run {
            return Ok(());
        }
        let wanted = if self.asked.again {
            instances
        } else {
            not_here
        };
        for some in wanted.chunks(self.archive.pace.at_once.max(1)) {
            let mut left = self.fetch(series, some.to_vec())?;
            if some.len() > 1 {
                // One by one, so that each has its own reason, and an archive that does not know
                // lists of UIDs gives what it has.
                let mut still = Vec::new();
                for (one, _) in left {
                    still.extend(self.fetch(series, vec![one])?);
                }
                left = still;
            }
            for (instance, why) in left {
                self.counts.missing += 1;
                (self.tell)(Event::Missing {
                    study: series.study,
                    series: series.series,
                    instance: &instance,
                    code: why.code,
                    words: &why.words,
                });
            }
        }
        Ok(())
    }

    /// Asks for objects. Returns those that did not come, each with the reason.
    fn fetch(
        &mut self,
        series: &Series<'_>,
        mut wanted: Vec<String>,
    ) -> Result<Vec<(String, Failure)>, Stop> {
        let mut lost = 0;
        while !wanted.is_empty() {
            self.wait_for_hours();
            let missed = self.not_here(&wanted)?;
            let started = Instant::now();
            let archive = self.archive;
            let intake = Intake::of_store(self.store, self.observed);
            let counts = &mut self.counts;
            let mut came_now = BTreeSet::new();
            let mut keep = |came: Came| {
                counts.bytes += came.bytes.len() as u64;
                let instance = came.instance.clone();
                let kept = keep(archive, intake, came);
                if matches!(kept, Kept::New(_) | Kept::Same(_)) {
                    came_now.insert(instance);
                }
                kept
            };
            let answered = self.source.fetch(series, &wanted, &mut keep);
            self.keep_pace(wanted.len(), started);
            let mut left = self.not_here(&wanted)?;
            // What was stored before came again if we saw it come, or the archive says that all went well.
            if !matches!(answered, Ok(None)) {
                let again = wanted.iter().filter(|one| !missed.contains(one));
                left.extend(again.filter(|one| !came_now.contains(*one)).cloned());
            }
            self.counts.fetched += (wanted.len() - left.len()) as u64;
            let why = match answered {
                Ok(Some(why)) | Err(Trouble::Refused(why)) => why,
                Ok(None) => nothing_came(),
                Err(Trouble::NotKept(error)) => return Err(error.into()),
                Err(Trouble::Lost(failure)) => {
                    if left.len() < wanted.len() {
                        lost = 0;
                    }
                    lost += 1;
                    match self.again(failure, lost)? {
                        // It breaks off at one of these every time.
                        Some(failure) => failure,
                        None => {
                            wanted = left;
                            continue;
                        }
                    }
                }
            };
            return Ok(left.into_iter().map(|one| (one, why.clone())).collect());
        }
        Ok(Vec::new())
    }

    /// Those of the objects that are not stored.
    fn not_here(&self, instances: &[String]) -> Result<Vec<String>, StoreError> {
        self.store.read(|conn| {
            let mut missing = Vec::new();
            for one in instances {
                if !archives::is_here(conn, one)? {
                    missing.push(one.clone());
                }
            }
            Ok(missing)
        })
    }

    /// Asks until there is an answer, which may be no; gives up when the archive stays away.
    fn insist<T>(
        &mut self,
        mut ask: impl FnMut(&mut dyn Source) -> Result<T, Trouble>,
    ) -> Result<Result<T, Failure>, Stop> {
        let mut lost = 0;
        loop {
            self.wait_for_hours();
            match ask(self.source.as_mut()) {
                Ok(answer) => return Ok(Ok(answer)),
                Err(Trouble::Refused(failure)) => return Ok(Err(failure)),
                Err(Trouble::NotKept(error)) => return Err(error.into()),
                Err(Trouble::Lost(failure)) => {
                    lost += 1;
                    if let Some(failure) = self.again(failure, lost)? {
                        return Ok(Err(failure));
                    }
                }
            }
        }
    }

    /// Waits before a lost connection is made anew. One that was lost too often ends the run, unless the
    /// archive is there and cannot answer this: then the failure is the answer.
    fn again(&mut self, failure: Failure, lost: u32) -> Result<Option<Failure>, Stop> {
        if lost >= TRIES {
            return match failure.stage {
                Stage::Answer => Ok(Some(failure)),
                _ => Err(Stop::Archive(failure)),
            };
        }
        (self.tell)(Event::Again {
            code: failure.code,
            words: &failure.words,
        });
        let asked = failure.not_before.unwrap_or_default().min(PATIENCE);
        sleep(asked.max(FIRST_WAIT * 2_u32.pow(lost - 1)));
        Ok(None)
    }

    fn wait_for_hours(&mut self) {
        let Some(hours) = self.archive.pace.hours else {
            return;
        };
        let mut is_told = false;
        loop {
            let wait = hours.wait(Local::now().time());
            if wait.is_zero() {
                return;
            }
            if !is_told {
                self.source.rest();
                (self.tell)(Event::Waiting {
                    seconds: wait.as_secs(),
                });
                is_told = true;
            }
            sleep(wait.min(NAP));
        }
    }

    /// Waits until so many objects may have been asked for since `started`.
    fn keep_pace(&self, objects: usize, started: Instant) {
        let per_s = self.archive.pace.objects_per_s;
        if per_s > 0 {
            let due = Duration::from_secs_f64(objects as f64 / f64::from(per_s));
            sleep(due.saturating_sub(started.elapsed()));
        }
    }
}

/// Keeps an object that came.
fn keep(archive: &Archive, intake: Intake<'_>, came: Came) -> Kept {
    let source = domain::Source::Archive(archive.name.clone());
    let Came {
        instance,
        syntax,
        bytes,
    } = came;
    let name = Name::Instance(instance.clone());
    // Noted under the UID it was asked for by, another object would count as the one that is wanted.
    if let Err(unfit) = Unfit::unless_named(&bytes, syntax, None, &instance) {
        return intake.refuse(&name, &source, unfit);
    }
    let object = Object {
        bytes,
        syntax,
        default_issuer: archive.default_issuer.clone(),
        name,
        history: Some(History {
            asked: instance,
            current_days: archive.current_days,
        }),
        telling: Telling::All,
    };
    intake.keep_waiting(object, &source)
}

/// Whom the audit trail names.
fn peer(way: &Way) -> audit::Receiver {
    match way {
        Way::Dicom(way) => audit::Receiver::Title(way.node.called.clone()),
        Way::Web(way) => audit::Receiver::Place(way.url.clone()),
    }
}

/// The archive names it, answers with success, and it does not come.
fn nothing_came() -> Failure {
    let words = "the archive answers with success and nothing came; with retrieve = \"move\", is \
                 move_to entered there with the address and port of this listener?";
    Failure::answer(Word::NothingCame, words)
}
