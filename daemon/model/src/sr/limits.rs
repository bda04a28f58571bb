//! What bytes from strangers may ask for.

/// Limits of one object. Each is checked before anything is allocated for it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Limits {
    /// Nested sequences. Real reports rarely pass 20; a decoder that recurses dies near 1,850.
    pub depth: usize,
    /// Data elements, items and further values of texts in all. A large report has some ten
    /// thousand. Of a report one costs 40 bytes beside what is kept of it; in an archive's answer, which
    /// is decoded, up to 900.
    pub elements: usize,
    /// Bytes of one data set, after inflating.
    pub inflated_bytes: usize,
}

impl Default for Limits {
    fn default() -> Self {
        Limits {
            depth: 64,
            elements: 200_000,
            inflated_bytes: 64 << 20,
        }
    }
}
