//! `calibrate`: the department's own measurement errors, from its store.

use super::Failure;
use super::args::CalibrateArgs;

pub(super) fn calibrate(args: &CalibrateArgs) -> Result<(), Failure> {
    let _ = args;
    Ok(())
}
