//! The PROXY protocol, version 2: who stands behind a load balancer.
//!
//! HAProxy, "The PROXY protocol", section 2.2. Own code, since the parsers at hand refuse a LOCAL
//! header that names a family, which the specification tells receivers to ignore.

use std::net::IpAddr;

/// The part of fixed length.
pub const FIXED_BYTES: usize = 16;

/// The longest rest that is read. Addresses take 216 bytes at most, and the specification wants
/// the whole header in one segment; what else it may hold is skipped.
pub const REST_BYTES_MAX: u16 = 4096;

const SIGNATURE: [u8; 12] = *b"\r\n\r\n\0\r\nQUIT\n";

/// The first byte of a header, which no PDU and no TLS record begins with.
pub const FIRST_BYTE: u8 = b'\r';

/// What a header says of the connection behind it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Origin {
    /// The balancer itself connects, to see whether we are there.
    Local,
    /// It passes on a connection from this address.
    Address(IpAddr),
}

/// Why a header cannot be used.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum ProxyError {
    /// It does not begin as one.
    #[error("this is no PROXY header of version 2; let the balancer send that version")]
    Signature,
    /// Another version or command, or none.
    #[error("version and command {0:#04x} are not known")]
    Command(u8),
    /// Not TCP over IPv4 or IPv6, so there is no address to check.
    #[error("family and protocol {0:#04x} name no address")]
    Family(u8),
    /// Longer than anything it could need.
    #[error("the header announces {0} more bytes, which is over the limit")]
    TooLong(u16),
    /// Shorter than the addresses it announces.
    #[error("the header is shorter than its addresses")]
    TooShort,
}

/// Whether a header may begin with these bytes.
#[must_use]
pub fn may_begin(bytes: &[u8]) -> bool {
    bytes
        .iter()
        .zip(&SIGNATURE)
        .all(|(byte, wanted)| byte == wanted)
}

/// How many bytes follow the fixed part.
///
/// # Errors
/// It is not the fixed part of a header that can be used.
pub fn rest_bytes(fixed: &[u8; FIXED_BYTES]) -> Result<usize, ProxyError> {
    let [signature @ .., command, _, high, low] = fixed;
    if *signature != SIGNATURE {
        return Err(ProxyError::Signature);
    }
    if !matches!(*command, 0x20 | 0x21) {
        return Err(ProxyError::Command(*command));
    }
    match u16::from_be_bytes([*high, *low]) {
        long if long > REST_BYTES_MAX => Err(ProxyError::TooLong(long)),
        fits => Ok(usize::from(fits)),
    }
}

/// What a header says, given its fixed part and the rest that [`rest_bytes`] announced.
///
/// # Errors
/// It names no address, or the rest has no room for it.
pub fn origin(fixed: &[u8; FIXED_BYTES], rest: &[u8]) -> Result<Origin, ProxyError> {
    let [.., command, family, _, _] = *fixed;
    // "must discard the protocol block including the family which is ignored"
    if command == 0x20 {
        return Ok(Origin::Local);
    }
    // The source address comes first, then the destination, then both ports.
    let source: IpAddr = match family {
        0x11 => IpAddr::from(first::<4, 12>(rest)?),
        0x21 => IpAddr::from(first::<16, 36>(rest)?),
        other => return Err(ProxyError::Family(other)),
    };
    Ok(Origin::Address(source.to_canonical()))
}

/// The first `N` bytes of an address block of `ALL` bytes.
fn first<const N: usize, const ALL: usize>(rest: &[u8]) -> Result<[u8; N], ProxyError> {
    rest.get(..ALL)
        .and_then(|block| block.first_chunk::<N>())
        .copied()
        .ok_or(ProxyError::TooShort)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A header byte for byte, with what it says of its own length.
    fn header(command: u8, family: u8, length: u16, rest: &[u8]) -> Result<Origin, ProxyError> {
        let mut fixed = [0; FIXED_BYTES];
        // The twelve bytes as the specification prints them.
        fixed[..12].copy_from_slice(&[
            0x0D, 0x0A, 0x0D, 0x0A, 0x00, 0x0D, 0x0A, 0x51, 0x55, 0x49, 0x54, 0x0A,
        ]);
        fixed[12] = command;
        fixed[13] = family;
        fixed[14..].copy_from_slice(&length.to_be_bytes());
        rest_bytes(&fixed)?;
        origin(&fixed, rest)
    }

    const V4: [u8; 12] = [192, 0, 2, 7, 198, 51, 100, 1, 0xC0, 0, 0x2B, 0x68];

    #[test]
    fn addresses() {
        let v4 = Ok(Origin::Address("192.0.2.7".parse().unwrap()));
        assert_eq!(header(0x21, 0x11, 12, &V4), v4);
        // With values behind the addresses, which are skipped.
        let more = [&V4[..], &[0x04, 0, 1, 0]].concat();
        assert_eq!(header(0x21, 0x11, 16, &more), v4);
        let mut v6 = [0; 36];
        v6[..16].copy_from_slice(
            &"2001:db8::7"
                .parse::<std::net::Ipv6Addr>()
                .unwrap()
                .octets(),
        );
        let expected = Ok(Origin::Address("2001:db8::7".parse().unwrap()));
        assert_eq!(header(0x21, 0x21, 36, &v6), expected);
        // IPv4 written as IPv6 is the same peer.
        let mapped = "::ffff:192.0.2.7".parse::<std::net::Ipv6Addr>().unwrap();
        v6[..16].copy_from_slice(&mapped.octets());
        assert_eq!(header(0x21, 0x21, 36, &v6), v4);
    }

    #[test]
    fn health_checks_whatever_else_they_say() {
        for (family, rest) in [(0, &[][..]), (0x11, &[]), (0x21, &V4), (0xFF, &[1, 2, 3])] {
            let length = u16::try_from(rest.len()).unwrap();
            assert_eq!(header(0x20, family, length, rest), Ok(Origin::Local));
        }
    }

    #[test]
    fn hostile_headers() {
        for command in (0..=255).filter(|command| !matches!(command, 0x20 | 0x21)) {
            let expected = Err(ProxyError::Command(command));
            assert_eq!(header(command, 0x11, 12, &V4), expected);
        }
        for family in (0..=255).filter(|family| !matches!(family, 0x11 | 0x21)) {
            let expected = Err(ProxyError::Family(family));
            assert_eq!(header(0x21, family, 12, &V4), expected);
        }
        for length in 0..12 {
            let rest = &V4[..usize::from(length)];
            let expected = Err(ProxyError::TooShort);
            assert_eq!(header(0x21, 0x11, length, rest), expected);
            assert_eq!(header(0x21, 0x21, length, rest), expected);
        }
        let expected = Err(ProxyError::TooLong(u16::MAX));
        assert_eq!(header(0x21, 0x11, u16::MAX, &V4), expected);
        assert_eq!(
            rest_bytes(b"PROXY TCP4 192.0"),
            Err(ProxyError::Signature),
            "version 1"
        );
        for changed in 0..12 {
            let mut fixed = *b"\r\n\r\n\0\r\nQUIT\n\x21\x11\0\x0c";
            assert_eq!(rest_bytes(&fixed), Ok(12));
            fixed[changed] ^= 0x20;
            assert_eq!(rest_bytes(&fixed), Err(ProxyError::Signature));
        }
    }
}
