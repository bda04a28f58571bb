//! DICOMweb as its user: QIDO-RS to ask, WADO-RS to get (PS3.18 10.6 and 10.4).

use super::archive::{Answers, Came, Keep, Series, Source, Trouble, settled};
use super::dicom::REPORTS;
use super::found::{Found, page};
use super::pages::{Next, Pages};
use super::window::Window;
use crate::observe::audit::Question;
use crate::routes::archive::Archive;
use sheathline_model::sr;
use sheathline_net::connect::node::HttpWay;
use sheathline_net::connect::{Code, Failure, Stage, Word};
use sheathline_net::http::client::{self, Call};
use sheathline_net::http::multipart::{Parts, parameter};
use std::io::Read;
use std::time::Duration;
use ureq::http::Method;
use ureq::http::header::{CONTENT_TYPE, WARNING};

/// Answers asked for at a time, where nothing is known of a limit.
const PAGE: usize = 200;

/// Bytes of one page of answers, of which little is kept.
const PAGE_BYTES: u64 = 64 << 20;

/// Bytes of a body that are read at a time.
const PIECE: usize = 64 << 10;

/// What stands around an object in its answer: boundaries and header fields.
const AROUND: u64 = 64 << 10;

/// Parts of an answer that holds one object.
const PARTS_MAX: usize = 16;

/// A refusal by status 413.
const TOO_BROAD: Code = Code::Http(413);

/// Where studies are searched for.
const STUDIES: &str = "/studies";

const JSON: &str = "application/dicom+json";
const FILES: &str = "multipart/related; type=\"application/dicom\"; transfer-syntax=*";

/// An origin server of DICOMweb.
pub(super) struct Web {
    way: HttpWay,
    timeout: Duration,
    answers_max: usize,
    object_bytes_max: u64,
}

impl Web {
    pub(super) fn new(way: HttpWay, archive: &Archive) -> Self {
        Web {
            way,
            timeout: archive.timeout,
            answers_max: archive.answers_max,
            object_bytes_max: archive.object_bytes_max,
        }
    }

    /// The answer to a question, and what `read` makes of its body if there is one.
    fn get<T>(
        &self,
        path: &str,
        accept: &str,
        most: u64,
        read: impl FnOnce(&client::Answer, &mut dyn Read) -> T,
    ) -> Result<(client::Answer, Option<T>), Trouble> {
        let call = Call {
            method: Method::GET,
            path,
            headers: &[("Accept", accept)],
            body: None,
        };
        let called = client::call_reading(&self.way, self.timeout, &call, most, read);
        let (answer, made) = called.map_err(Trouble::Lost)?;
        match answer.status {
            200 | 204 => Ok((answer, made)),
            // It may be otherwise in a moment.
            429 | 500..=599 => Err(Trouble::Lost(answer.refused(&answer.text()))),
            _ => Err(Trouble::Refused(answer.refused(&answer.text()))),
        }
    }

    /// QIDO-RS: `wanted` of all that fits, page by page.
    fn search(
        &self,
        path: &str,
        keys: &str,
        wanted: &str,
        fits: impl Fn(&Found) -> bool,
    ) -> Result<Answers, Trouble> {
        let limit = match self.answers_max {
            0 => PAGE,
            most => most.min(PAGE),
        };
        let mut answers = Answers::default();
        let mut pages = Pages::new(limit, self.answers_max);
        let mut offset = 0;
        loop {
            let asked =
                format!("{path}?{keys}&includefield={wanted}&limit={limit}&offset={offset}");
            let (answer, found) = match self.get(&asked, JSON, PAGE_BYTES, |_, body| page(body)) {
                // The question is too broad (PS3.18 table 10.6.3-1, from memory).
                Err(Trouble::Refused(failure)) if failure.code == TOO_BROAD => {
                    answers.cut_off = Some(failure.words);
                    return Ok(answers);
                }
                answer => answer?,
            };
            // 299 says that there are more, or that something was not matched (PS3.18 8.3.4.4).
            let is_warned = answer.headers(&WARNING).any(|text| text.contains("299"));
            let found = found.transpose().map_err(|why| malformed(&why))?;
            let found = found.unwrap_or_default();
            let names: Vec<Option<String>> = found.iter().map(|one| one.name(wanted)).collect();
            // They go into the path of the next question.
            if !names.iter().flatten().all(|name| sr::is_uid(name)) {
                let words = "the archive names something by what is no UID";
                return Err(refused(words));
            }
            let (new, next) = pages.take(&names, is_warned);
            let new = new.into_iter().filter_map(|place| found.get(place));
            let fitting = new.filter(|one| fits(one));
            answers
                .found
                .extend(fitting.filter_map(|one| one.name(wanted)));
            match next {
                Next::From(next) => offset = next,
                Next::Whole => return Ok(answers),
                Next::CutOff(why) => {
                    answers.cut_off = Some(why);
                    return Ok(answers);
                }
                Next::Hopeless(why) => return Err(refused(why)),
            }
        }
    }

    /// WADO-RS: one object.
    fn object(&self, series: &Series<'_>, instance: &str, keep: Keep<'_>) -> Result<(), Trouble> {
        let Series { study, series } = series;
        let path = format!("/studies/{study}/series/{series}/instances/{instance}");
        let most = self.object_bytes_max.saturating_add(AROUND);
        let part_max = usize::try_from(self.object_bytes_max).unwrap_or(usize::MAX);
        let read = |answer: &client::Answer, body: &mut dyn Read| {
            let kind = answer.header(&CONTENT_TYPE).unwrap_or_default();
            let boundary = parameter(kind, "boundary").unwrap_or_default();
            let parts = Parts::new(&boundary, part_max, PARTS_MAX)
                .map_err(|why| format!("the answer is no multipart body: {why}"))?;
            part_of(instance, parts, body)
        };
        let (_, read) = self.get(&path, FILES, most, read)?;
        let bytes = read.unwrap_or(Err("the answer has no part".to_owned()));
        let came = Came {
            instance: instance.to_owned(),
            syntax: None,
            bytes: bytes.map_err(refused)?,
        };
        settled(keep(came))
    }
}

/// The part that is this instance, if the body is whole; or why there is none.
fn part_of(instance: &str, mut parts: Parts, body: &mut dyn Read) -> Result<Vec<u8>, String> {
    let mut found = Err("the answer has no part".to_owned());
    let broken = |why| format!("the answer is no whole multipart body: {why}");
    let mut piece = vec![0; PIECE];
    loop {
        // What failed is told by whoever gave the body.
        let length = body.read(&mut piece).map_err(|error| error.to_string())?;
        if length == 0 {
            break;
        }
        let taken = parts.take(piece.get(..length).unwrap_or_default());
        while let Some(bytes) = parts.whole() {
            if found.is_ok() {
                continue;
            }
            found = match sr::media(&bytes) {
                Ok(media) if media.instance.as_deref() == Some(instance) => Ok(bytes),
                Ok(_) => Err("what came is another object than asked for".to_owned()),
                Err(why) => Err(format!("what came is no DICOM file: {why}")),
            };
        }
        taken.map_err(broken)?;
    }
    parts.end().map_err(broken)?;
    found
}

impl Source for Web {
    /// Asks for one study with reports, whose answer is not looked at.
    fn echo(&mut self) -> Result<Vec<Stage>, Failure> {
        let path = format!("{STUDIES}?ModalitiesInStudy=SR&limit=1");
        let call = Call {
            method: Method::GET,
            path: &path,
            headers: &[("Accept", JSON)],
            body: None,
        };
        let (answer, _) =
            client::call_reading(&self.way, self.timeout, &call, PAGE_BYTES, |_, _| ())?;
        match answer.status {
            200 | 204 => Ok([answer.stages.as_slice(), &[Stage::Answer]].concat()),
            _ => Err(answer.refused(&answer.text())),
        }
    }

    fn question(&self, window: &Window) -> Question {
        Question::Search(format!("{STUDIES}?{}", of_studies(window)))
    }

    fn studies(&mut self, window: &Window) -> Result<Answers, Trouble> {
        // Servers that do not match by a key leave it out, or tell the value.
        let may_hold = |found: &Found| {
            let modalities = found.texts("00080061");
            let date = found.text("00080020");
            (modalities.is_empty() || modalities.iter().any(|one| one == "SR"))
                && (date.is_empty()
                    || window
                        .days()
                        .any(|day| day.format("%Y%m%d").to_string() == date))
        };
        self.search(STUDIES, &of_studies(window), "0020000D", may_hold)
    }

    fn series(&mut self, study: &str) -> Result<Answers, Trouble> {
        let of_reports = |found: &Found| matches!(found.text("00080060").as_str(), "SR" | "");
        let keys = "Modality=SR&includefield=00080060";
        self.search(
            &format!("/studies/{study}/series"),
            keys,
            "0020000E",
            of_reports,
        )
    }

    fn instances(&mut self, series: &Series<'_>) -> Result<Answers, Trouble> {
        let is_report = |found: &Found| {
            let class = found.text("00080016");
            class.is_empty() || REPORTS.contains(&class.as_str())
        };
        let path = format!(
            "/studies/{}/series/{}/instances",
            series.study, series.series
        );
        self.search(&path, "includefield=00080016", "00080018", is_report)
    }

    fn fetch(
        &mut self,
        series: &Series<'_>,
        instances: &[String],
        keep: Keep<'_>,
    ) -> Result<Option<Failure>, Trouble> {
        let mut why = None;
        for instance in instances {
            match self.object(series, instance, keep) {
                Ok(()) => {}
                Err(Trouble::Refused(failure)) => why = Some(failure),
                Err(trouble) => return Err(trouble),
            }
        }
        Ok(why)
    }

    // Every request has a connection of its own.
    fn rest(&mut self) {}
}

/// Keys of the question for studies.
fn of_studies(window: &Window) -> String {
    let keys = format!(
        "StudyDate={}&ModalitiesInStudy=SR&includefield=00080061&includefield=00080020",
        window.dates()
    );
    match window.times() {
        Some(times) => format!("{keys}&StudyTime={times}"),
        None => keys,
    }
}

/// It may be otherwise when it is asked again.
fn malformed(what: &dyn std::fmt::Display) -> Trouble {
    let words = format!("the archive's answer is malformed: {what}");
    Trouble::Lost(Failure::answer(Word::WebMalformed, words))
}

/// It will be the same when it is asked again.
fn refused(words: impl Into<String>) -> Trouble {
    Trouble::Refused(Failure::answer(Word::WebMalformed, words))
}
