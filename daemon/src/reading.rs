//! stub
#![allow(missing_docs)]
use crate::domain::*;
pub struct Rules { pub templates: crate::template::Templates, pub technique: crate::normalise::Technique, pub plausible: (Millimetres, Millimetres), pub limits: crate::sr::Limits }
pub fn read_object(_bytes: &[u8], _syntax: Option<&str>, _issuer: &str, _rules: &Rules) -> ObjectReading { unimplemented!() }
