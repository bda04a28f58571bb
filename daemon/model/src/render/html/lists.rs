//! The lists of the page: readings, remarks, what was not used, cautions, provenance.

use crate::assess::Parameters;
use crate::normalise::Technique;
use crate::render::{beside, readings, text};
use crate::results::{Content, Envelope, phrases};
use maud::{Markup, html};
use serde::Serialize;
use serde_json::Value;

fn list(lines: &[String]) -> Markup {
    html! {
        @if !lines.is_empty() {
            ul { @for line in lines { li { bdi { (line) } } } }
        }
    }
}

/// The patient ids that were joined.
pub(crate) fn joined(content: &Content) -> Markup {
    html! {
        @if !content.joined.is_empty() {
            section { h2 { (text::JOINED) } (list(&content.joined_lines())) }
        }
    }
}

/// The exam's own readings.
pub(crate) fn readings(content: &Content) -> Markup {
    let used = readings::used(content);
    let not_used = readings::not_used(content);
    let beside = readings::beside(content);
    html! {
        section {
            h2 { "Readings of this exam" }
            @if used.is_empty() { p { "None that can be used." } }
            (list(&used))
            (list(&beside))
            @let doubts = readings::doubts(content);
            @if !doubts.is_empty() { h3 { "Used, with a doubt" } (list(&doubts)) }
            @if !not_used.is_empty() { h3 { "Not used" } (list(&not_used)) }
        }
    }
}

/// What stands beside the comparison: growth, opening pressure, course, threshold, companions, and
/// the published figures where the site asks for them.
pub(crate) fn beside(content: &Content) -> Markup {
    let published = content
        .context
        .as_ref()
        .map_or(Vec::new(), |context| context.lines());
    html! {
        @for (title, lines) in beside::sections(content).iter().chain([&(beside::PUBLISHED, published)]) {
            @if !lines.is_empty() {
                section { h2 { (title) } (list(lines)) }
            }
        }
    }
}

/// What a reader must know about technique, comparison and reports.
pub(crate) fn remarks(content: &Content) -> Markup {
    let remarks = phrases::remarks(content);
    html! {
        @if !remarks.is_empty() {
            section { h2 { "Remarks" } (list(&remarks)) }
        }
    }
}

/// Earlier exams that did not serve.
pub(crate) fn not_compared(content: &Content) -> Markup {
    html! {
        @if !content.not_compared.is_empty() {
            section {
                h2 { "Earlier exams not used" }
                ul {
                    @for line in phrases::not_used(content) { li { bdi { (line) } } }
                    @if let Some(more) = phrases::not_listed(content) { li { (more) } }
                }
            }
        }
    }
}

/// What every reader is told.
pub(crate) fn cautions(content: &Content) -> Markup {
    html! {
        section {
            h2 { "Cautions" }
            ul { @for caution in &content.cautions { li { (caution.text) } } }
        }
    }
}

/// What would change the result if it became known.
pub(crate) fn would_change(content: &Content) -> Markup {
    html! {
        section { h2 { "What would change this result" } (list(&content.would_change)) }
    }
}

/// Where it all comes from.
pub(crate) fn provenance(result: &Envelope) -> Markup {
    let content = &result.content;
    let differing = differing(content);
    html! {
        h2 { "Provenance" }
        p {
            (result.software) ", " (result.schema) ", written " (result.created_at)
            "; exam " (content.exam.id) ", key " (result.key)
            "; study " bdi { (content.exam.study_instance_uid) }
        }
        ul {
            li { "version " (result.version) ": " bdi { (result.why.join("; ")) } }
            @for report in &content.reports {
                li {
                    "report " bdi { (report.sop_instance_uid) }
                    ", template " bdi { (report.template.as_deref().unwrap_or("none")) }
                    @if !report.dictionaries.is_empty() {
                        ", explained by " bdi { (report.dictionaries.join(", ")) }
                    }
                    @if let Some(hash) = &report.content_sha256 { ", content SHA-256 " (hash) }
                    @if !report.superseded_by.is_empty() {
                        "; replaced by " bdi { (report.superseded_by.join(", ")) }
                    }
                }
            }
        }
        p {
            @if differing.is_empty() {
                "Parameters: the defaults of this version."
            } @else {
                "Parameters that differ from the defaults: " (differing.join("; ")) "."
            }
        }
        p.notice { (result.notice) }
    }
}

/// Parameters of comparison and technique that are not the defaults: `z_above 2.0 (default 1.645)`.
pub(in crate::render) fn differing(content: &Content) -> Vec<String> {
    let mut found = differences(&content.parameters, &Parameters::default());
    found.extend(differences(&content.technique, &Technique::default()));
    found
}

fn differences<T: Serialize>(now: &T, usual: &T) -> Vec<String> {
    let fields = |of: &T| match serde_json::to_value(of) {
        Ok(Value::Object(fields)) => fields,
        _ => serde_json::Map::new(),
    };
    let usual = fields(usual);
    fields(now)
        .into_iter()
        .filter(|(name, value)| usual.get(name) != Some(value))
        .map(|(name, value)| match usual.get(&name) {
            Some(default) => format!("{name} {value} (default {default})"),
            None => format!("{name} {value}"),
        })
        .collect()
}
