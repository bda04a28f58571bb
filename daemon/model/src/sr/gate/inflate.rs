//! Deflated data sets (PS3.5 A.5): raw deflate, bounded while it grows.

use super::error::Fault;
use flate2::{Crc, Decompress, FlushDecompress, Status};

/// Bytes inflated at a time.
const STEP: usize = 64 << 10;

/// Inflated may be so many times as long, so that a little input never takes much memory or time.
/// Those of `fixtures/sr` grow fourfold; deflate can go beyond a thousand.
const RATIO: usize = 100;

/// So many bytes it may have whatever it was, since they cost little.
const ALWAYS: usize = 8 << 20;

/// Inflates a whole raw deflate stream of at most `limit` bytes, and of at most [`RATIO`] times its
/// own length above [`ALWAYS`].
///
/// One NUL may follow the stream to make its length even. Some writers leave the trailer of a
/// gzip file (RFC 1952 2.3.1) there, which passes when it fits. Anything else is refused.
pub(super) fn inflate(deflated: &[u8], limit: usize) -> Result<Vec<u8>, Fault> {
    let limit = limit.min(deflated.len().saturating_mul(RATIO).max(ALWAYS));
    let mut stream = Decompress::new(false);
    let mut out = Vec::new();
    // By way of a piece of its own: straight into the growing vector, the stream would fill all
    // room there is, which may be twice the limit.
    let mut piece = vec![0; STEP];
    let mut rest = deflated;
    loop {
        let (taken, made) = (stream.total_in(), stream.total_out());
        let status = stream
            .decompress(rest, &mut piece, FlushDecompress::None)
            .map_err(|_| Fault::Inflate)?;
        let advance = |from: u64, to: u64| usize::try_from(to - from).map_err(|_| Fault::Inflate);
        let taken = advance(taken, stream.total_in())?;
        let made = advance(made, stream.total_out())?;
        if out.len() + made > limit {
            return Err(Fault::InflatedTooBig { limit });
        }
        out.extend_from_slice(piece.get(..made).unwrap_or_default());
        rest = rest.get(taken..).unwrap_or_default();
        match status {
            Status::StreamEnd => break,
            _ if taken == 0 && made == 0 => return Err(Fault::Inflate),
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
