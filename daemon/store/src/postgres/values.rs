//! Values on their way to a server and back.

use crate::StoreError;
use crate::error::{Kind, Refusal};
use crate::session::{Columns, Value};
use bytes::BytesMut;
use std::borrow::Cow;
use std::collections::BTreeMap;
use tokio_postgres::types::{FromSql, IsNull, ToSql, Type, to_sql_checked};

/// A text as a server can hold it: it takes no U+0000. The two characters that begin all texts are each
/// written as two, so that different texts stay different, and their order by bytes stays.
pub(super) fn written(text: &str) -> Cow<'_, str> {
    if text.contains(['\0', '\u{1}']) {
        let out = text
            .replace('\u{1}', "\u{1}\u{2}")
            .replace('\0', "\u{1}\u{1}");
        Cow::Owned(out)
    } else {
        Cow::Borrowed(text)
    }
}

/// The text that was written so; `None`: nothing that was.
fn read(text: &str) -> Option<String> {
    let mut out = String::with_capacity(text.len());
    let mut letters = text.chars();
    while let Some(letter) = letters.next() {
        out.push(match letter {
            '\u{1}' => match letters.next()? {
                '\u{1}' => '\0',
                '\u{2}' => '\u{1}',
                _ => return None,
            },
            letter => letter,
        });
    }
    Some(out)
}

/// A value in the form that the server expects at its place.
#[derive(Debug)]
pub(super) struct Sent<'v>(pub(super) Value<'v>);

impl ToSql for Sent<'_> {
    fn to_sql(
        &self,
        ty: &Type,
        out: &mut BytesMut,
    ) -> Result<IsNull, Box<dyn std::error::Error + Sync + Send>> {
        match (self.0, ty) {
            (Value::Null, _) => Ok(IsNull::Yes),
            (Value::Integer(number), &Type::INT8) => number.to_sql(ty, out),
            (Value::Integer(number), &Type::INT4) => i32::try_from(number)?.to_sql(ty, out),
            (Value::Integer(number), &Type::INT2) => i16::try_from(number)?.to_sql(ty, out),
            (Value::Real(number), &Type::FLOAT8) => number.to_sql(ty, out),
            (Value::Text(text), &(Type::TEXT | Type::VARCHAR | Type::UNKNOWN)) => {
                written(text).to_sql(ty, out)
            }
            (Value::Bytes(bytes), &Type::BYTEA) => bytes.to_sql(ty, out),
            (value, ty) => Err(format!("{} where {ty} is expected", kind(&value)).into()),
        }
    }

    fn accepts(_: &Type) -> bool {
        // Which value goes where is seen with the value.
        true
    }

    to_sql_checked!();
}

fn kind(value: &Value<'_>) -> &'static str {
    match value {
        Value::Null => "nothing",
        Value::Integer(_) => "a whole number",
        Value::Real(_) => "a number",
        Value::Text(_) => "a text",
        Value::Bytes(_) => "bytes",
    }
}

/// A row of a server's answer.
pub(super) struct Got {
    row: tokio_postgres::Row,
    /// Texts that are not written as they are, by column.
    texts: BTreeMap<usize, String>,
}

impl Got {
    pub(super) fn new(row: tokio_postgres::Row) -> Result<Got, StoreError> {
        let mut texts = BTreeMap::new();
        for (at, column) in row.columns().iter().enumerate() {
            if is_text(column.type_())
                && let Some(text) = cell::<&str>(&row, at)?
                && text.contains('\u{1}')
            {
                let text = read(text).ok_or_else(|| {
                    unfit(format!(
                        "Invalid text at index: {at}, name: {}",
                        column.name()
                    ))
                })?;
                texts.insert(at, text);
            }
        }
        Ok(Got { row, texts })
    }
}

fn is_text(ty: &Type) -> bool {
    [
        Type::TEXT,
        Type::VARCHAR,
        Type::NAME,
        Type::UNKNOWN,
        Type::BPCHAR,
    ]
    .contains(ty)
}

fn cell<'r, T: FromSql<'r>>(
    row: &'r tokio_postgres::Row,
    column: usize,
) -> Result<Option<T>, StoreError> {
    row.try_get::<_, Option<T>>(column)
        .map_err(|error| unfit(error.to_string()))
}

fn unfit(words: String) -> StoreError {
    StoreError::Refused(Refusal::new(Kind::Unfit, words))
}

impl Columns for Got {
    fn value(&self, column: usize) -> Result<Value<'_>, StoreError> {
        let none = || unfit(format!("Invalid column index: {column}"));
        let ty = self.row.columns().get(column).ok_or_else(none)?.type_();
        let row = &self.row;
        let value = match *ty {
            Type::INT8 => cell(row, column)?.map(Value::Integer),
            Type::INT4 => cell::<i32>(row, column)?.map(|n| Value::Integer(n.into())),
            Type::INT2 => cell::<i16>(row, column)?.map(|n| Value::Integer(n.into())),
            Type::BOOL => cell::<bool>(row, column)?.map(|is| Value::Integer(is.into())),
            Type::FLOAT8 => cell(row, column)?.map(Value::Real),
            Type::BYTEA => cell(row, column)?.map(Value::Bytes),
            _ if is_text(ty) => match self.texts.get(&column) {
                Some(text) => Some(Value::Text(text)),
                None => cell(row, column)?.map(Value::Text),
            },
            _ => {
                return Err(unfit(format!(
                    "Invalid column type {ty} at index: {column}"
                )));
            }
        };
        Ok(value.unwrap_or(Value::Null))
    }

    fn place(&self, name: &str) -> Option<usize> {
        self.row.columns().iter().position(|one| one.name() == name)
    }

    fn name(&self, column: usize) -> String {
        let column = self.row.columns().get(column);
        column.map_or_else(String::new, |column| column.name().to_owned())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        /// Few letters, so that those that matter meet.
        #[test]
        fn texts_come_back_and_keep_their_order(a in "[\0\u{1}\u{2}\u{3}aé]{0,8}",
                                                b in "[\0\u{1}\u{2}\u{3}aé]{0,8}") {
            prop_assert!(!written(&a).contains('\0'));
            prop_assert_eq!(read(&written(&a)), Some(a.clone()));
            prop_assert_eq!(a.cmp(&b), written(&a).cmp(&written(&b)));
            let both = format!("{a}{b}");
            prop_assert_eq!(written(&both), format!("{}{}", written(&a), written(&b)));
        }
    }

    #[test]
    fn what_was_never_written_so_is_no_text() {
        for text in ["\u{1}", "a\u{1}a", "\u{1}\u{3}"] {
            assert_eq!(read(text), None);
        }
    }
}
