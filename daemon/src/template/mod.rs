//! stub
#![allow(missing_docs)]
use crate::domain::Mistake;
pub struct Templates;
impl Templates {
    pub fn load(_: &[(String, String)], _: &[(String, String)]) -> Result<Templates, Vec<Mistake>> { Ok(Templates) }
    pub fn fingerprint(&self) -> String { String::new() }
}
