//! What is posted: a form with the token of this session, or a file with one.

use super::{Desk, Failed, Visitor};
use axum::Form;
use axum::body::Bytes;
use axum::extract::{FromRequest, FromRequestParts, Multipart, Query, RawForm, Request};
use axum::http::request;
use serde::Deserialize;
use serde::de::DeserializeOwned;
use sheathline_model::pages::layout::TOKEN;
use std::sync::Arc;

/// What an address asks for behind its question mark. One that cannot be read is told on a page.
#[derive(Debug)]
pub(super) struct Question<T>(pub(super) T);

impl<T: DeserializeOwned> FromRequestParts<Arc<Desk>> for Question<T> {
    type Rejection = Failed;

    async fn from_request_parts(
        parts: &mut request::Parts,
        desk: &Arc<Desk>,
    ) -> Result<Self, Failed> {
        let Query(asked) = Query::from_request_parts(parts, desk).await?;
        Ok(Question(asked))
    }
}

/// A form that came from a page of this session, and for the first time.
#[derive(Debug)]
pub struct Posted<T>(pub T);

/// A form that came from a page of this session and only asks: it changes nothing, so it may be sent
/// again. It is posted where an address must not hold what is asked for.
#[derive(Debug)]
pub(super) struct Asked<T>(pub(super) T);

/// The fields of a form, in order; one name may stand several times.
#[derive(Clone, Default, PartialEq, Eq, Deserialize)]
#[serde(transparent)]
pub struct Fields(pub Vec<(String, String)>);

impl std::fmt::Debug for Fields {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Fields")
    }
}

impl Fields {
    /// The first of this name, without space round it; empty where there is none.
    #[must_use]
    pub fn one(&self, name: &str) -> &str {
        self.all(name).next().unwrap_or_default()
    }

    /// The first of this name, unless it is empty.
    #[must_use]
    pub fn filled(&self, name: &str) -> Option<&str> {
        Some(self.one(name)).filter(|text| !text.is_empty())
    }

    /// All of this name, without space round them.
    pub fn all<'f>(&'f self, name: &str) -> impl Iterator<Item = &'f str> {
        let named = self.0.iter().filter(move |(key, _)| key == name);
        named.map(|(_, value)| value.trim())
    }
}

impl<T: DeserializeOwned> FromRequest<Arc<Desk>> for Asked<T> {
    type Rejection = Failed;

    async fn from_request(request: Request, desk: &Arc<Desk>) -> Result<Self, Failed> {
        let (mut parts, body) = request.into_parts();
        let visitor = Visitor::from_request_parts(&mut parts, desk).await?;
        let request = Request::from_parts(parts, body);
        let RawForm(bytes) = RawForm::from_request(request, desk).await?;
        let fields: Fields = fields_of(bytes.clone()).await?;
        visitor.owns(fields.one(TOKEN))?;
        Ok(Asked(fields_of(bytes).await?))
    }
}

impl<T: DeserializeOwned> FromRequest<Arc<Desk>> for Posted<T> {
    type Rejection = Failed;

    async fn from_request(request: Request, desk: &Arc<Desk>) -> Result<Self, Failed> {
        let (mut parts, body) = request.into_parts();
        let visitor = Visitor::from_request_parts(&mut parts, desk).await?;
        let to = parts.uri.path().to_owned();
        let request = Request::from_parts(parts, body);
        let RawForm(bytes) = RawForm::from_request(request, desk).await?;
        let fields: Fields = fields_of(bytes.clone()).await?;
        visitor.spend(desk, fields.one(TOKEN), &to).await?;
        Ok(Posted(fields_of(bytes).await?))
    }
}

/// The fields of a body.
pub(super) async fn fields_of<T: DeserializeOwned>(bytes: Bytes) -> Result<T, Failed> {
    let request = Request::post("/")
        .header("content-type", "application/x-www-form-urlencoded")
        .body(bytes.into())
        .map_err(|error| Failed::Bad(error.to_string()))?;
    let Form(fields) = Form::<T>::from_request(request, &()).await?;
    Ok(fields)
}

/// A form with a file, from a page of this session, and for the first time. The field of the token stands
/// before the file. Its route says how large it may be, by a layer of [`axum::extract::DefaultBodyLimit`].
#[derive(Debug)]
pub struct Uploaded {
    /// The fields but the file.
    pub fields: Fields,
    /// Name and content of the file, if there is one.
    pub file: Option<(String, Vec<u8>)>,
}

impl FromRequest<Arc<Desk>> for Uploaded {
    type Rejection = Failed;

    async fn from_request(request: Request, desk: &Arc<Desk>) -> Result<Self, Failed> {
        let (mut parts, body) = request.into_parts();
        let visitor = Visitor::from_request_parts(&mut parts, desk).await?;
        let to = parts.uri.path().to_owned();
        let request = Request::from_parts(parts, body);
        let mut form = Multipart::from_request(request, desk).await?;
        let mut fields = Fields::default();
        let mut file = None;
        let mut is_ours = false;
        while let Some(field) = form.next_field().await? {
            let name = field.name().unwrap_or_default().to_owned();
            match field.file_name().map(str::to_owned) {
                Some(_) if !is_ours => return Err(Failed::Forged),
                Some(called) => {
                    let bytes = field.bytes().await?;
                    // A browser sends an empty one where none was chosen.
                    if file.is_none() && !(called.is_empty() && bytes.is_empty()) {
                        file = Some((called, bytes.to_vec()));
                    }
                }
                None => {
                    let text = field.text().await?;
                    if name == TOKEN && !is_ours {
                        visitor.spend(desk, text.trim(), &to).await?;
                        is_ours = true;
                    }
                    fields.0.push((name, text));
                }
            }
        }
        if is_ours {
            Ok(Uploaded { fields, file })
        } else {
            Err(Failed::Forged)
        }
    }
}
