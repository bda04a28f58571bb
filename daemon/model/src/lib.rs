//! What a report says, what it means beside the patient's own earlier exams, and how a result reads.
//!
//! Pure functions of data: nothing here reaches a file, a socket, a clock or a thread. Rooms in
//! reading order: the words ([`domain`]), what comes in ([`sr`], [`template`], [`extract`],
//! [`normalise`], [`reading`], [`geometry`]), what it means ([`history`], [`assess`],
//! [`results`]), how it reads ([`render`], [`forms`], [`department`], [`pages`]).

pub mod domain;
pub mod legible;

pub mod annotations;
pub mod assess;
pub mod codes;
pub mod companions;
pub mod department;
pub mod draft;
pub mod entered;
pub mod extract;
pub mod forms;
pub mod geometry;
pub mod history;
pub mod identity;
pub mod literature;
pub mod normalise;
pub mod numbers;
pub mod pages;
pub mod reading;
pub mod render;
pub mod results;
pub mod simulate;
pub mod sr;
pub mod template;
pub mod watch;
pub mod worklist;
