//! Deflated data sets (PS3.5 A.5): raw deflate, bounded while it grows.

use super::error::Fault;
use flate2::{Crc, Decompress, FlushDecompress, Status};

/// Bytes made room for at a time.
const STEP: usize = 64 << 10;

/// Inflates a whole raw deflate stream of at most `limit` bytes.
///
/// One NUL may follow the stream to make its length even. Some writers leave the trailer of a
/// gzip file (RFC 1952 2.3.1) there, which passes when it fits. Anything else is refused.
pub(super) fn inflate(deflated: &[u8], limit: usize) -> Result<Vec<u8>, Fault> {
    let mut stream = Decompress::new(false);
    let mut out = Vec::new();
    let mut rest = deflated;
    loop {
        // One byte more than allowed, so that a full buffer means too big.
        let room = STEP.min((limit + 1).saturating_sub(out.len()));
        if room == 0 {
            return Err(Fault::InflatedTooBig { limit });
        }
        out.reserve(room);
        let (taken, made) = (stream.total_in(), out.len());
        let status = stream
            .decompress_vec(rest, &mut out, FlushDecompress::None)
            .map_err(|_| Fault::Inflate)?;
        if out.len() > limit {
            return Err(Fault::InflatedTooBig { limit });
        }
        let taken = usize::try_from(stream.total_in() - taken).map_err(|_| Fault::Inflate)?;
        rest = rest.get(taken..).unwrap_or_default();
        match status {
            Status::StreamEnd => break,
            _ if taken == 0 && out.len() == made => return Err(Fault::Inflate),
            _ => {}
        }
    }
    match rest {
        [] | [0] => Ok(out),
        [trailer @ .., 0] | trailer if is_gzip_trailer(trailer, &out) => Ok(out),
        _ => Err(Fault::Trailing),
    }
}

/// CRC-32 and size of what was deflated.
fn is_gzip_trailer(trailer: &[u8], inflated: &[u8]) -> bool {
    let mut crc = Crc::new();
    trailer.len() == 8 && {
        crc.update(inflated);
        let fields = [crc.sum().to_le_bytes(), crc.amount().to_le_bytes()];
        trailer == fields.concat()
    }
}
