//! `render`: one result in another form.

use super::args::{FormChoice, RenderArgs};
use super::{Code, Failure, context, inspect};
use crate::config::Config;
use crate::parcel;
use sheathline_model::forms::{self, Context};
use sheathline_model::render::{csv, html, pdf};
use sheathline_model::results::{Content, Envelope};
use sheathline_model::sr::{self, Limits};
use sheathline_store::results;
use std::path::Path;

/// A result with what its forms need; the patient's other results are for the picture.
struct Rendering {
    result: Envelope,
    context: Context,
    others: Vec<Content>,
}

/// `render`: writes the file.
pub(super) fn render(args: &RenderArgs) -> Result<(), Failure> {
    let path = Path::new(&args.result);
    let told = if path.is_file() {
        of_file(path, args)?
    } else {
        of_store(args)?
    };
    let (result, context) = (&told.result, &told.context);
    let bytes = match args.form {
        FormChoice::Sr => forms::sr::comprehensive_sr(result, context),
        FormChoice::Hl7 => forms::hl7::oru_r01(result, context, &forms::hl7::Route::default())
            .map(String::into_bytes),
        FormChoice::Fhir => forms::fhir::transaction(result, context)
            .and_then(|bundle| Ok(serde_json::to_vec_pretty(&bundle)?)),
        FormChoice::Csv => Ok(csv::csv(result).into_bytes()),
        FormChoice::Pdf => pdf::pdf(result, &html::trends(&result.content, &told.others))
            .map_err(forms::FormError::from),
        FormChoice::PdfDicom => forms::pdf_object::encapsulated_pdf(result, context, &told.others),
    };
    let bytes = bytes?;
    let failed = |error| Failure::at(&args.output, error);
    context::write(&args.output, &bytes).map_err(failed)
}

fn of_file(path: &Path, args: &RenderArgs) -> Result<Rendering, Failure> {
    let result = envelope(path)?;
    let limits = Limits::default();
    let mut sources = Vec::new();
    for path in &args.source {
        let bytes = context::bytes_of(path, Config::default().folder.max_object_bytes)?;
        let origin = sr::origin(&bytes, None, &limits);
        sources.push(origin.map_err(|error| Failure::at(path, error))?);
    }
    let previous = args.previous.as_deref().map(envelope).transpose()?;
    Ok(Rendering {
        result,
        context: Context {
            sources,
            previous: previous.map(Box::new),
            reminder: false,
        },
        others: Vec::new(),
    })
}

fn envelope(path: &Path) -> Result<Envelope, Failure> {
    serde_json::from_str(&context::text_of(path)?).map_err(|error| {
        let place = (error.line(), error.column());
        let name = path.display();
        Failure::usage(format!(
            "{name}:{}:{}: no result: {error}",
            place.0, place.1
        ))
    })
}

fn of_store(args: &RenderArgs) -> Result<Rendering, Failure> {
    let name = &args.result;
    let Some(config) = &args.config.config else {
        return Err(Failure::usage(format!(
            "{name} is no file; to take it as an exam of the store, add --config FILE"
        )));
    };
    if !args.source.is_empty() || args.previous.is_some() {
        return Err(Failure::usage(
            "--source and --previous go with a result.json; the store knows them of an exam",
        ));
    }
    let config = context::config(config)?;
    let (store, site) = (context::guest(&config)?, context::site(&config));
    let latest = |id: &str| {
        store
            .read(|conn| results::latest(conn, id))
            .map_err(Failure::from)
    };
    let row = match latest(name)? {
        Some(row) => Some(row),
        None => latest(&inspect::exam_named(&store, &site, name)?.id)?,
    };
    let row =
        row.ok_or_else(|| Failure::new(Code::NotFound, format!("{name} has no result yet")))?;
    let others = store.read(|conn| crate::known::latest_results(conn, &row.patient))?;
    Ok(Rendering {
        result: store.read(|conn| parcel::envelope(conn, &row))?,
        context: parcel::context(&store, &row)?,
        // A damaged one is not in the picture.
        others: others
            .iter()
            .filter_map(|row| crate::known::content_of(row).ok())
            .collect(),
    })
}
