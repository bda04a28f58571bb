//! The seam to a database: what the topics need of one, in values and rows of our own.
//!
//! Statements are SQL that the database behind understands, with parameters `?1`, `?2` … A second
//! database is a further [`Session`], and the contract tests say whether it is a store.

use crate::StoreError;
use crate::error::{Kind, Refusal};
use crate::object_id::ObjectId;
use std::any::Any;
use std::fmt;
use std::ops::ControlFlow;

/// A connection to a database.
pub(crate) trait Session: Send + fmt::Debug {
    /// Asks a question and hands over row after row until `each` has enough. A statement that could
    /// change anything is refused.
    ///
    /// # Errors
    /// Those of the database, and of `each`.
    fn ask(&self, sql: &str, values: &[Value<'_>], each: &mut Each<'_>) -> Result<(), StoreError>;

    /// As [`Session::ask`], with a statement that may change rows and tell of them (`returning`).
    ///
    /// # Errors
    /// Those of the database, and of `each`.
    fn tell(&self, sql: &str, values: &[Value<'_>], each: &mut Each<'_>) -> Result<(), StoreError>;

    /// Makes a change; returns how many rows it met.
    ///
    /// # Errors
    /// Those of the database.
    fn change(&self, sql: &str, values: &[Value<'_>]) -> Result<usize, StoreError>;

    /// Runs several statements without values.
    ///
    /// # Errors
    /// Those of the database.
    fn run(&self, sql: &str) -> Result<(), StoreError>;

    /// One step of a transaction.
    ///
    /// # Errors
    /// Those of the database.
    fn step(&self, step: Step) -> Result<(), StoreError>;

    /// Whether a transaction is under way. Some errors end it by themselves, a full disk for one.
    fn is_in_transaction(&self) -> bool;

    /// Rows changed through this connection since it was opened.
    fn rows_changed(&self) -> u64;

    /// The time of the database, in milliseconds since 1970: the one clock of all that share it.
    ///
    /// # Errors
    /// Those of the database.
    fn now(&self) -> Result<i64, StoreError>;

    /// Sees to it that the numbers which the database gives in a table go on above all that stand there.
    ///
    /// # Errors
    /// Those of the database.
    fn number_on(&self, _table: &str, _column: &str) -> Result<(), StoreError> {
        Ok(())
    }

    /// Calls itself by another name towards the database, where that shows its connections to people:
    /// letters, digits and spaces. In a transaction, it counts if that is kept.
    ///
    /// # Errors
    /// Those of the database.
    fn call_itself(&self, _name: &str) -> Result<(), StoreError> {
        Ok(())
    }

    /// Takes all rows out of these tables, past what keeps them there: they never were a store's.
    ///
    /// # Errors
    /// Those of the database.
    fn empty(&self, tables: &[&str]) -> Result<(), StoreError> {
        for table in tables {
            self.change(&format!("delete from {table}"), &[])?;
        }
        Ok(())
    }

    /// The connection itself, for what belongs to one kind of database alone.
    fn as_any(&self) -> &dyn Any;

    /// The same, to be taken back.
    fn into_any(self: Box<Self>) -> Box<dyn Any>;
}

/// Takes a row; says whether it wants another one.
pub(crate) type Each<'e> = dyn FnMut(&Row<'_>) -> Result<ControlFlow<()>, StoreError> + 'e;

/// A step of a transaction.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Step {
    /// Begins to read: what is read until the end is one state of the store.
    BeginReading,
    /// Begins to change, alone among all that change.
    BeginChanging,
    /// Begins one change of several, which can be undone alone.
    BeginOne,
    /// Keeps the one change.
    KeepOne,
    /// Undoes the one change.
    UndoOne,
    /// Ends the transaction; its changes are on stable storage when this returns.
    Commit,
    /// Ends the transaction and undoes all of it.
    RollBack,
}

/// A value on its way to or from the database.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Value<'v> {
    /// Nothing.
    Null,
    /// A whole number.
    Integer(i64),
    /// A number.
    Real(f64),
    /// Text.
    Text(&'v str),
    /// Bytes.
    Bytes(&'v [u8]),
}

impl Value<'_> {
    fn kind(&self) -> &'static str {
        match self {
            Value::Null => "Null",
            Value::Integer(_) => "Integer",
            Value::Real(_) => "Real",
            Value::Text(_) => "Text",
            Value::Bytes(_) => "Blob",
        }
    }
}

/// The columns of one row, as a database hands them over.
pub(crate) trait Columns {
    /// The value in a column, from 0.
    ///
    /// # Errors
    /// There is no such column, or it holds text that is none.
    fn value(&self, column: usize) -> Result<Value<'_>, StoreError>;

    /// The place of a column by its name.
    fn place(&self, name: &str) -> Option<usize>;

    /// The name of a column.
    fn name(&self, column: usize) -> String;
}

/// A row of an answer.
pub(crate) struct Row<'r>(pub(crate) &'r dyn Columns);

impl Row<'_> {
    /// What stands in a column, from 0.
    pub(crate) fn get<T: FromValue>(&self, column: usize) -> Result<T, StoreError> {
        let value = self.0.value(column)?;
        T::from_value(value).map_err(|why| {
            let words = match why {
                Unfit::Kind => format!(
                    "Invalid column type {} at index: {column}, name: {}",
                    value.kind(),
                    self.0.name(column)
                ),
                Unfit::Range(number) => format!("Integer {number} out of range at index {column}"),
            };
            StoreError::Refused(Refusal::new(Kind::Unfit, words))
        })
    }

    /// What stands in a column of this name.
    pub(crate) fn named<T: FromValue>(&self, name: &str) -> Result<T, StoreError> {
        let column = self.0.place(name).ok_or_else(|| {
            StoreError::Refused(Refusal::new(
                Kind::Unfit,
                format!("Invalid column name: {name}"),
            ))
        })?;
        self.get(column)
    }
}

/// Why a value is not what was asked for.
pub(crate) enum Unfit {
    /// It is of another kind.
    Kind,
    /// The number is too large or too small.
    Range(i64),
}

/// What a column can be read as.
pub(crate) trait FromValue: Sized {
    fn from_value(value: Value<'_>) -> Result<Self, Unfit>;
}

impl FromValue for i64 {
    fn from_value(value: Value<'_>) -> Result<Self, Unfit> {
        match value {
            Value::Integer(number) => Ok(number),
            _ => Err(Unfit::Kind),
        }
    }
}

impl FromValue for u32 {
    fn from_value(value: Value<'_>) -> Result<Self, Unfit> {
        let number = i64::from_value(value)?;
        number.try_into().map_err(|_| Unfit::Range(number))
    }
}

impl FromValue for bool {
    fn from_value(value: Value<'_>) -> Result<Self, Unfit> {
        i64::from_value(value).map(|number| number != 0)
    }
}

impl FromValue for String {
    fn from_value(value: Value<'_>) -> Result<Self, Unfit> {
        match value {
            Value::Text(text) => Ok(text.to_owned()),
            _ => Err(Unfit::Kind),
        }
    }
}

impl FromValue for Vec<u8> {
    fn from_value(value: Value<'_>) -> Result<Self, Unfit> {
        match value {
            Value::Bytes(bytes) => Ok(bytes.to_vec()),
            _ => Err(Unfit::Kind),
        }
    }
}

impl<T: FromValue> FromValue for Option<T> {
    fn from_value(value: Value<'_>) -> Result<Self, Unfit> {
        match value {
            Value::Null => Ok(None),
            value => T::from_value(value).map(Some),
        }
    }
}

impl FromValue for ObjectId {
    fn from_value(value: Value<'_>) -> Result<Self, Unfit> {
        i64::from_value(value).map(ObjectId)
    }
}

/// What can be given to a statement.
pub(crate) trait ToValue {
    fn to_value(&self) -> Value<'_>;
}

impl ToValue for i64 {
    fn to_value(&self) -> Value<'_> {
        Value::Integer(*self)
    }
}

impl ToValue for ObjectId {
    fn to_value(&self) -> Value<'_> {
        Value::Integer(self.0)
    }
}

impl ToValue for u32 {
    fn to_value(&self) -> Value<'_> {
        Value::Integer((*self).into())
    }
}

impl ToValue for bool {
    fn to_value(&self) -> Value<'_> {
        Value::Integer((*self).into())
    }
}

impl ToValue for str {
    fn to_value(&self) -> Value<'_> {
        Value::Text(self)
    }
}

impl ToValue for String {
    fn to_value(&self) -> Value<'_> {
        Value::Text(self)
    }
}

impl ToValue for [u8] {
    fn to_value(&self) -> Value<'_> {
        Value::Bytes(self)
    }
}

impl ToValue for Vec<u8> {
    fn to_value(&self) -> Value<'_> {
        Value::Bytes(self)
    }
}

impl<const N: usize> ToValue for [u8; N] {
    fn to_value(&self) -> Value<'_> {
        Value::Bytes(self)
    }
}

impl<T: ToValue + ?Sized> ToValue for &T {
    fn to_value(&self) -> Value<'_> {
        (**self).to_value()
    }
}

impl<T: ToValue + ?Sized> ToValue for Box<T> {
    fn to_value(&self) -> Value<'_> {
        (**self).to_value()
    }
}

impl<T: ToValue> ToValue for Option<T> {
    fn to_value(&self) -> Value<'_> {
        self.as_ref().map_or(Value::Null, ToValue::to_value)
    }
}

/// The values of a statement, in the order of its parameters; `()` for none.
pub(crate) trait Values {
    fn all(&self) -> Vec<Value<'_>>;
}

impl Values for () {
    fn all(&self) -> Vec<Value<'_>> {
        Vec::new()
    }
}

impl<T: ToValue, const N: usize> Values for [T; N] {
    fn all(&self) -> Vec<Value<'_>> {
        self.iter().map(ToValue::to_value).collect()
    }
}

impl Values for &[&dyn ToValue] {
    fn all(&self) -> Vec<Value<'_>> {
        self.iter().map(|value| value.to_value()).collect()
    }
}

macro_rules! values_of_tuples {
    ($(($($name:ident),+))+) => {$(
        impl<$($name: ToValue),+> Values for ($($name,)+) {
            fn all(&self) -> Vec<Value<'_>> {
                #[allow(non_snake_case)]
                let ($($name,)+) = self;
                vec![$($name.to_value()),+]
            }
        }
    )+};
}
values_of_tuples!((A, B)(A, B, C)(A, B, C, D)(A, B, C, D, E));

/// Values of several types.
macro_rules! values {
    ($($value:expr),+ $(,)?) => {
        &[$(&$value as &dyn $crate::session::ToValue),+] as &[&dyn $crate::session::ToValue]
    };
}
pub(crate) use values;
